"""Dropouts and stuck stretches: how often they come and how long they last.

Bursts begin at random times and last an exponential time; several may overlap (`plan_readings`). How many run at once
is then a Markov chain, so what is seen at the due samples, quiet or not, has an exact likelihood, with bursts that
fall between two samples allowed for.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm
from scipy.optimize import brentq, minimize
from scipy.stats import chi2, norm

Numbers = NDArray[np.float64]

FEWEST_BURSTS: Final = 3
AT_ONCE: Final = 4
CUT: Final = 1.9207
CHANCE: Final = 0.01
FAR: Final = 6.0
FAR_OFF: Final = 5.0
PARTS: Final = 6
MANY: Final = 0.003
WARY: Final = 0.6
"""Where outliers are no rarity, what is off by this share of FAR_OFF isn't fitted on either: some of it is theirs."""
NORMAL_MAD: Final = 1.4826
"""SD of normal numbers over their median distance from the middle."""
LEAST_SEEN: Final = 0.05
"""Where less than this share of the outliers would stand out, what does is the end of the noise."""
LOOSER: Final = 1.4
"""An SD told from its tails alone is looser by this factor than one told from all (assumption)."""


class Runs(NamedTuple):
    """Lengths of bursts in due samples, shape (k,); `quiet`: how many due samples follow a quiet one and are quiet."""

    lengths: NDArray[np.int64]
    quiet: int


class Bursts(NamedTuple):
    """Bursts per minute and mean length in ms, each (value, low, high); NaN where fewer than three were `seen`."""

    seen: int
    per_min: tuple[float, float, float]
    mean_ms: tuple[float, float, float]


def dropout_runs(slot: NDArray[np.int64]) -> Runs:
    """Runs of due samples that never came. `slot` (n,): rising."""
    missing = np.diff(slot) - 1
    return Runs(missing[missing > 0], int(np.count_nonzero(missing == 0)))


class Outliers(NamedTuple):
    """Which readings (n,) aren't fitted on, for they lie far off their neighbours, and what such readings are.

    `share` of readings and `sd_N`, each (value, low, high), are NaN where fewer than `FEWEST_BURSTS` were seen;
    `share[2]` is always told.
    """

    at: NDArray[np.bool_]
    share: tuple[float, float, float]
    sd_N: tuple[float, float, float]


def outliers_in(estimate_N: Numbers, force_N: Numbers) -> Outliers:
    """Single readings that stand out of the four around them, once what the force did (n,) is taken off.

    They stand out when further off than FAR_OFF times what is usual at that level, and the two middle neighbours'
    distance. How many and how large comes from those above: what lies below may have been cut at zero.
    """
    slope = float(np.polyfit(force_N, estimate_N, 1)[0])
    rest_N = estimate_N - slope * force_N
    kept = np.ones(estimate_N.size, dtype=bool)
    far_N, least_N = np.zeros(estimate_N.size), np.full(estimate_N.size, math.inf)
    for _ in range(2):
        left = np.flatnonzero(kept)
        off_N, usual_N = _off_neighbours(rest_N[left], force_N[left])
        far_N[left], least_N[left] = off_N, usual_N
        kept[left] = np.abs(off_N) < usual_N
    away = ~kept
    above = away & (far_N > 0.0)
    count, size = int(above.sum()), estimate_N.size
    sd_N, seen = _beyond(far_N[above], float(np.median(least_N[np.isfinite(least_N)]))) if count else (0.0, 0.0)
    if count < FEWEST_BURSTS or seen < LEAST_SEEN:
        most = float(chi2.ppf(0.975, 2 * (int(away.sum()) + 1))) / (2.0 * size)
        return Outliers(away, (math.nan, 0.0, most), (math.nan,) * 3)
    if count > MANY * size:
        away |= np.abs(far_N) > WARY * least_N
    ends = [float(chi2.ppf(*at)) / (2.0 * size * seen) for at in ((0.025, 2 * count), (0.975, 2 * count + 2))]
    spread = math.exp(1.96 * LOOSER / math.sqrt(2.0 * count))
    share = (min(1.0, count / (size * seen)), ends[0], min(1.0, ends[1]))
    return Outliers(away, share, (sd_N, sd_N / spread, sd_N * spread))


def _beyond(far_N: Numbers, cut_N: float) -> tuple[float, float]:
    """SD (N) of normal numbers of which `far_N` (k,) are those above `cut_N`, and the share of all that these are."""
    square = float(np.mean(far_N**2))

    def excess(sd_N: float) -> float:
        z = cut_N / sd_N
        return sd_N * sd_N * (1.0 + z * math.exp(float(norm.logpdf(z) - norm.logsf(z)))) - square

    low_N, high_N = 0.1 * cut_N, math.sqrt(square)
    if excess(low_N) >= 0.0 or excess(high_N) <= 0.0:
        return 0.0, 0.0
    sd_N = float(brentq(excess, low_N, high_N))
    return sd_N, float(norm.sf(cut_N / sd_N))


def _off_neighbours(rest_N: Numbers, force_N: Numbers) -> tuple[Numbers, Numbers]:
    """How far each reading (n,) is off the median of the four around it, and how far it may be, N."""
    padded = np.pad(rest_N, 2, mode="reflect")
    around = np.sort(np.stack([padded[:-4], padded[1:-3], padded[3:-1], padded[4:]]), axis=0)
    off_N = rest_N - 0.5 * (around[1] + around[2])
    order = np.argsort(force_N, kind="stable")
    usual_N = np.empty(rest_N.size)
    for part in np.array_split(order, PARTS):
        moving = np.abs(off_N[part])[off_N[part] != 0.0]
        usual_N[part] = NORMAL_MAD * float(np.median(moving)) if moving.size else math.inf
    return off_N, FAR_OFF * usual_N + around[2] - around[1]


class Stuck(NamedTuple):
    """Which readings (n,) repeat the one before because the output was stuck, and the runs they make."""

    at: NDArray[np.bool_]
    runs: Runs


def stuck_in(estimate_N: Numbers, slot: NDArray[np.int64]) -> Stuck:
    """Readings that repeat exactly, but for cut ones and for what coarse digits repeat by chance."""
    same = np.diff(estimate_N, prepend=np.nan) == 0.0
    same &= (estimate_N > 0.0) & (estimate_N < estimate_N.max())
    starts, ends = _edges(same)
    values = np.unique(estimate_N)
    step_N = float(np.min(np.diff(values))) if values.size > 1 else 0.0
    moves_N = float(np.median(np.abs(np.diff(estimate_N)))) + 1e-12
    by_chance = min(0.9, 0.7 * step_N / moves_N)
    least = 1
    while estimate_N.size * by_chance**least > CHANCE and least < estimate_N.size:
        least += 1
    long = ends - starts >= least
    at = np.zeros(estimate_N.size, dtype=bool)
    for start, end in zip(starts[long], ends[long], strict=True):
        at[start:end] = True
    lengths = slot[ends[long] - 1] - slot[np.maximum(0, starts[long] - 1)]
    return Stuck(at, Runs(lengths, int(estimate_N.size - 1 - np.count_nonzero(at) - lengths.size)))


def _edges(marked: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    turns = np.diff(np.concatenate([[0], marked.astype(np.int64), [0]]))
    return np.flatnonzero(turns == 1), np.flatnonzero(turns == -1)


def unlikeliness(runs: Runs, gap_min: float, per_min: float, mean_min: float) -> float:
    """Minus the log likelihood of what was seen at samples `gap_min` apart."""
    ahead = np.arange(AT_ONCE)
    rates = np.diag(np.full(AT_ONCE - 1, per_min), 1) + np.diag(ahead[1:] / mean_min, -1)
    rates -= np.diag(rates.sum(axis=1))
    step = expm(rates * gap_min)
    stays = -runs.quiet * math.log(max(step[0, 0], 1e-300))
    if runs.lengths.size == 0:
        return stays
    state, told, length = step[0, 1:], 0.0, 1
    counts = np.bincount(runs.lengths)
    for wanted in np.flatnonzero(counts):
        state = state @ np.linalg.matrix_power(step[1:, 1:], int(wanted) - length)
        length = int(wanted)
        told += counts[wanted] * math.log(max(float(state @ step[1:, 0]), 1e-300))
    return stays - told


def bursts_of(runs: Runs, gap_s: float, long_min: float) -> Bursts:
    """Rate and mean length of bursts, with intervals where the likelihood falls by 1.92."""
    count = int(runs.lengths.size)
    nothing = (math.nan, math.nan, math.nan)
    if count < FEWEST_BURSTS:
        return Bursts(count, (0.0, 0.0, most_per_min(count, long_min)), nothing)
    gap_min = gap_s / 60.0

    def bad(x: Numbers) -> float:
        return unlikeliness(runs, gap_min, math.exp(x[0]), math.exp(x[1]))

    start = np.log([count / long_min, max(0.7, float(runs.lengths.mean())) * gap_min])
    best = minimize(bad, start, method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-5})
    ends = [_profile_ends(bad, best.x, float(best.fun), place) for place in (0, 1)]
    per_min = tuple(float(math.exp(x)) for x in (best.x[0], *ends[0]))
    mean_ms = tuple(float(math.exp(x)) * 6e4 for x in (best.x[1], *ends[1]))
    return Bursts(count, (per_min[0], per_min[1], per_min[2]), (mean_ms[0], mean_ms[1], mean_ms[2]))


def most_per_min(count: int, long_min: float) -> float:
    """The largest rate at which `count` or fewer events in `long_min` minutes aren't odd (mid-P, 2.5 %)."""

    def above(mean: float) -> float:
        terms = [math.exp(-mean) * mean**k / math.factorial(k) for k in range(count + 1)]
        return math.fsum(terms) - 0.5 * terms[-1] - 0.025

    return float(brentq(above, 1e-9, 20.0 + 5.0 * count)) / long_min


def _profile_ends(bad: Callable[[Numbers], float], best: Numbers, lowest: float, place: int) -> tuple[float, float]:
    """Where the likelihood falls by 1.92, the other number following its bend and then improved by one parabola."""
    other, step = np.eye(2)[1 - place], 0.05

    def over(value: float) -> float:
        at = best.copy()
        at[place] = value
        for _ in range(2):
            left, here, right = bad(at - step * other), bad(at), bad(at + step * other)
            bend = left - 2.0 * here + right
            move = 0.5 * step * (left - right) / bend if bend > 1e-9 else 0.0
            at = at + float(np.clip(move, -0.5, 0.5)) * other
        return float(bad(at)) - lowest - CUT

    ends = []
    for sign in (-1.0, 1.0):
        size = 0.2
        while over(best[place] + sign * size) < 0.0 and size < FAR:
            size *= 1.7
        far = best[place] + sign * size
        ends.append(float(brentq(over, best[place], far, xtol=1e-2)) if over(far) > 0.0 else float(far))
    return ends[0], ends[1]
