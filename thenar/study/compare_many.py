"""Three or more conditions within the same wearers, and the correction for many tests.

- `holm`: Holm [@holm-1979], step-down: with it the chance of any false alarm stays below alpha.
- `rank_test`: Friedman's test with ties [@friedman-1937].
- `variance_test`: one-way analysis of variance with repeated measures; Mauchly's test of sphericity (1940) and the
  correction of Greenhouse and Geisser [@greenhouse-geisser-1959] where it doesn't hold.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, stats

FEWEST_CONDITIONS: Final = 3
Floats = NDArray[np.float64]


class RankTest(NamedTuple):
    """Friedman's test over `n` wearers: chi-squared, degrees of freedom, p (NaN where there is none)."""

    n: int
    chi2: float
    df: int
    p: float


class VarianceTest(NamedTuple):
    """Repeated-measures ANOVA over `n` wearers, the test of sphericity, and what is left of F when it fails.

    `epsilon`: Greenhouse and Geisser's factor (1: spherical); `p_corrected`: with degrees of freedom times it.
    """

    n: int
    f: float
    df: int
    df_error: int
    p: float
    mauchly_w: float
    p_sphericity: float
    epsilon: float
    p_corrected: float


def holm(p_values: Sequence[float]) -> list[float]:
    """The p-values corrected for their number, in the order given. NaN (no test made) counts for nothing and stays."""
    tested = [place for place, p in enumerate(p_values) if not math.isnan(p)]
    corrected, largest = [math.nan] * len(p_values), 0.0
    for done, place in enumerate(sorted(tested, key=lambda place: p_values[place])):
        largest = max(largest, min(1.0, (len(tested) - done) * p_values[place]))
        corrected[place] = largest
    return corrected


def rank_test(numbers: Floats) -> RankTest:
    """Friedman's test of `numbers`, shape (wearers, conditions), three conditions or more; no NaN."""
    n, conditions = numbers.shape
    if n < 2 or np.all(np.ptp(numbers, axis=1) == 0):
        return RankTest(n, math.nan, conditions - 1, math.nan)
    found = stats.friedmanchisquare(*numbers.T)
    return RankTest(n, float(found.statistic), conditions - 1, float(found.pvalue))


def variance_test(numbers: Floats) -> VarianceTest:
    """Repeated-measures ANOVA of `numbers`, shape (wearers, conditions), three conditions or more; no NaN."""
    n, conditions = numbers.shape
    df, df_error = conditions - 1, (conditions - 1) * (n - 1)
    centred = numbers - numbers.mean(axis=1, keepdims=True)
    between = n * float(np.sum((numbers.mean(axis=0) - numbers.mean()) ** 2))
    left = float(np.sum((centred - centred.mean(axis=0)) ** 2))
    if n <= conditions or left <= 1e-18 * float(np.sum(numbers**2)):
        return VarianceTest(n, math.nan, df, df_error, *[math.nan] * 5)
    f = (between / df) / (left / df_error)
    contrasts = np.asarray(linalg.helmert(conditions)) @ np.cov(numbers, rowvar=False) @ linalg.helmert(conditions).T
    roots = np.clip(np.linalg.eigvalsh(contrasts), 0.0, None)
    epsilon = float(roots.sum() ** 2 / (df * np.sum(roots**2)))
    w, p_sphericity = _mauchly(roots, n)
    corrected = float(stats.f.sf(f, df * epsilon, df_error * epsilon))
    return VarianceTest(n, f, df, df_error, float(stats.f.sf(f, df, df_error)), w, p_sphericity, epsilon, corrected)


def _mauchly(roots: Floats, n: int) -> tuple[float, float]:
    """W and p by the chi-squared approximation with its second-order term ([@anderson-1958], from memory)."""
    d = len(roots)
    w = float(np.prod(roots) / (roots.mean() ** d))
    if w <= 0.0:
        return 0.0, 0.0
    df = d * (d + 1) / 2 - 1
    scale = 1 - (2 * d**2 + d + 2) / (6 * d * (n - 1))
    chi2 = -(n - 1) * scale * math.log(w)
    second = (d + 2) * (d - 1) * (d - 2) * (2 * d**3 + 6 * d**2 + 3 * d + 2) / (288 * ((n - 1) * d * scale) ** 2)
    first_p, second_p = float(stats.chi2.sf(chi2, df)), float(stats.chi2.sf(chi2, df + 4))
    return w, min(1.0, max(0.0, first_p + second * (second_p - first_p)))
