"""Two conditions within the same wearers: paired difference, intervals, effect sizes and tests, from plain numbers.

One number per wearer and condition goes in; the difference is `one` minus `other`.

- interval of the mean difference: Student's t; and by the studentised bootstrap over wearers (`resampled.py`).
- d_z: mean over SD of the differences, its interval by turning the noncentral t distribution round (from
  memory [@steiger-fouladi-1997]).
- g_av: the difference over the root of the mean variance of both conditions, corrected for small samples
  ([@lakens-2013]; the exact gamma-function factor of Hedges [@hedges-1981]), its interval by the bootstrap.
- Wilcoxon's signed-rank test: zeros are dropped, ties share their mean rank, and the p is exact for the ranks as they
  are, up to EXACT_UP_TO wearers; beyond that by the normal approximation with correction.
- outliers: farther than 3.5 scaled median absolute deviations from the median (from memory [@iglewicz-hoaglin-1993]).
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special, stats

from thenar.study.resampled import mean_interval

LEAST_WEARERS: Final = 5
"""Fewer pairs are not compared: neither their spread nor the assumptions of any test could be judged."""
EXACT_UP_TO: Final = 200
OUTLIER_AT: Final = 3.5
NORMAL_MAD: Final = 1.4826
NODES: Final = 400
FAR_SD: Final = 10.0
CONSTANT: Final = 1e-9
"""Differences that spread less than this share of what was measured count as all the same (rounding)."""

Floats = NDArray[np.float64]


class Ends(NamedTuple):
    """An interval's ends, in the unit of what it belongs to; NaN where there is none."""

    low: float
    high: float


class Paired(NamedTuple):
    """What two conditions of the same wearers differ by, `one` minus `other`, in the measure's unit.

    `n`: wearers with both numbers. `p_t`, `p_wilcoxon`, `p_shapiro`: two-sided, NaN where the test can't be made.
    `smaller`, `larger`, `same`: how many wearers. `v`: sum of the ranks of the positive differences.
    `outliers`: places among all the wearers given. `level`: of every interval. Effect sizes have no unit.
    """

    n: int
    level: float
    mean_one: float
    mean_other: float
    difference: float
    sd_difference: float
    interval: Ends
    bootstrap: Ends
    t: float
    df: int
    p_t: float
    d_z: float
    d_z_interval: Ends
    g_av: float
    g_av_interval: Ends
    v: float
    p_wilcoxon: float
    wilcoxon_exact: bool
    smaller: int
    larger: int
    same: int
    p_shapiro: float
    outliers: tuple[int, ...]

    @property
    def enough(self) -> bool:
        """Whether there are wearers enough to compare at all."""
        return self.n >= LEAST_WEARERS

    @property
    def constant(self) -> bool:
        """Whether every wearer differs by the same amount, so that no t test can be made."""
        return self.enough and self.sd_difference == 0.0


NONE: Final = Ends(math.nan, math.nan)


def paired(one: Floats, other: Floats, *, level: float, seed: int, resamples: int) -> Paired:
    """Compare two arrays of shape (wearers,), the same wearers in the same order; a pair with a NaN is left out.

    `level`: of the intervals, 0 to 1. `seed`, `resamples`: of the bootstrap (0 resamples: no such intervals).
    """
    whole = np.flatnonzero(np.isfinite(one) & np.isfinite(other))
    first, second = one[whole], other[whole]
    differences = _without_rounding(first, second)
    n = len(differences)
    if n < LEAST_WEARERS:
        return _too_few(first, second, differences, level)
    sd = float(np.std(differences, ddof=1))
    mean = float(np.mean(differences))
    error = sd / math.sqrt(n)
    t, p_t = t_test(mean, error, n - 1)
    half = error * float(stats.t.ppf(0.5 + level / 2, n - 1))
    d_z = mean / sd if sd else math.nan
    v, p_wilcoxon, exact = wilcoxon(differences)
    return Paired(
        n, level, float(np.mean(first)), float(np.mean(second)), mean, sd, Ends(mean - half, mean + half),
        _bootstrap_mean(differences, level, seed, resamples), t, n - 1, p_t,
        d_z, d_z_interval(t, n, level), g_av(first, second), _bootstrap_g_av(first, second, level, seed, resamples),
        v, p_wilcoxon, exact, *_signs(differences), _shapiro(differences),
        tuple(int(place) for place in whole[outliers(differences)]),
    )  # fmt: skip


def _without_rounding(first: Floats, second: Floats) -> Floats:
    """The differences; where they spread by no more than rounding does, all of them are their median."""
    differences = first - second
    if not len(differences):
        return differences
    scale = float(np.max(np.abs(np.concatenate([first, second]))))
    if float(np.ptp(differences)) <= CONSTANT * scale:
        middle = float(np.median(differences))
        return np.full(len(differences), 0.0 if abs(middle) <= CONSTANT * scale else middle)
    return differences


def _too_few(first: Floats, second: Floats, differences: Floats, level: float) -> Paired:
    one, other, difference = (
        float(np.mean(numbers)) if len(numbers) else math.nan for numbers in (first, second, differences)
    )
    nan = math.nan
    return Paired(
        len(differences), level, one, other, difference, nan, NONE, NONE, nan, max(0, len(differences) - 1), nan, nan,
        NONE, nan, NONE, nan, nan, False, *_signs(differences), nan, (),
    )  # fmt: skip


def _signs(differences: Floats) -> tuple[int, int, int]:
    return int(np.sum(differences < 0)), int(np.sum(differences > 0)), int(np.sum(differences == 0))


def t_test(mean: float, error: float, df: int) -> tuple[float, float]:
    """t and two-sided p of a mean with its standard error. (0, 1) when both are zero, NaN when only the error is."""
    if error == 0.0:
        return (0.0, 1.0) if mean == 0.0 else (math.nan, math.nan)
    t = mean / error
    return t, float(2.0 * stats.t.sf(abs(t), df))


def wilcoxon(differences: Floats) -> tuple[float, float, bool]:
    """V (sum of the ranks of the positive differences), two-sided p, whether it is exact. Takes shape (wearers,)."""
    kept = differences[differences != 0.0]
    n = len(kept)
    if not n:
        return 0.0, 1.0, True
    ranks = stats.rankdata(np.abs(kept))
    v = float(np.sum(ranks[kept > 0]))
    if n > EXACT_UP_TO:
        return v, float(stats.wilcoxon(kept, method="approx", correction=True).pvalue), False
    # Doubled ranks are whole numbers even where ties share a rank: count the subsets that give each sum.
    doubled = np.rint(2.0 * ranks).astype(np.int64)
    share = np.zeros(int(doubled.sum()) + 1)
    share[0] = 1.0
    for rank in doubled.tolist():
        share[rank:] += share[:-rank].copy()
        share *= 0.5
    at = round(2.0 * v)
    return v, min(1.0, 2.0 * float(min(share[: at + 1].sum(), share[at:].sum()))), True


def d_z_interval(t: float, n: int, level: float) -> Ends:
    """The interval of d_z from t over n wearers: the noncentral t distributions that just allow this t."""
    if not math.isfinite(t):
        return NONE
    # The noncentral t distribution at t is Phi(t s - shift), averaged over s = root of chi-squared over its degrees.
    places, weights = _nodes()
    scale = np.asarray(stats.chi.ppf((places + 1.0) / 2.0, n - 1)) / math.sqrt(n - 1)
    reached = t * scale

    def below(shift: float, share: float) -> float:
        return float(weights @ stats.norm.cdf(reached - shift)) / 2.0 - share

    tail = (1.0 - level) / 2.0
    around = (float(reached.min()) - FAR_SD, float(reached.max()) + FAR_SD)
    low, high = (optimize.brentq(below, *around, args=(share,), xtol=1e-9) for share in (1.0 - tail, tail))
    return Ends(float(low) / math.sqrt(n), float(high) / math.sqrt(n))


@lru_cache(maxsize=1)
def _nodes() -> tuple[Floats, Floats]:
    places, weights = special.roots_legendre(NODES)
    return np.asarray(places), np.asarray(weights)


def g_av(one: Floats, other: Floats) -> float:
    """Difference of the means over the root of the mean variance, times the exact small-sample factor.

    NaN where neither condition spreads.
    """
    return float(_g_av(one, other)[()])


def _g_av(one: Floats, other: Floats) -> Floats:
    df = one.shape[-1] - 1
    factor = math.exp(math.lgamma(df / 2) - math.lgamma((df - 1) / 2)) / math.sqrt(df / 2)
    spread = np.sqrt((np.var(one, axis=-1, ddof=1) + np.var(other, axis=-1, ddof=1)) / 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        found = factor * (np.mean(one, axis=-1) - np.mean(other, axis=-1)) / spread
    return np.asarray(np.where(spread > 0, found, math.nan))


def _bootstrap_mean(differences: Floats, level: float, seed: int, resamples: int) -> Ends:
    if not resamples:
        return NONE
    found = mean_interval(differences, seed, level, resamples)
    return Ends(found.low, found.high)


def _bootstrap_g_av(one: Floats, other: Floats, level: float, seed: int, resamples: int) -> Ends:
    if not resamples:
        return NONE
    drawn = np.random.default_rng(seed).integers(0, len(one), (resamples, len(one)))
    found = _g_av(one[drawn], other[drawn])
    found = found[np.isfinite(found)]
    if not len(found):
        return NONE
    low, high = np.quantile(found, [(1 - level) / 2, (1 + level) / 2])
    return Ends(float(low), float(high))


def _shapiro(differences: Floats) -> float:
    return math.nan if np.ptp(differences) == 0 else float(stats.shapiro(differences).pvalue)


def outliers(differences: Floats) -> NDArray[np.int64]:
    """Places of the differences that lie far from the others, (wearers,); none where half of them are the same."""
    away = np.abs(differences - np.median(differences))
    scale = NORMAL_MAD * float(np.median(away))
    return np.flatnonzero(away > OUTLIER_AT * scale) if scale else np.empty(0, np.int64)
