"""Confidence intervals over wearers: which other wearers might have been drawn.

Of a mean by the studentised bootstrap: each resample's mean is taken in its own standard error, and the interval is
read off from how these spread ([@efron-tibshirani-1993], 12.5). It holds the mean of normal data as often as it says,
and that of skewed data more often than Student's t does; of heavy tails somewhat less often
(`tests/outside/test_interval_coverage.py` counts all three).
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

LEVEL: Final = 0.95
RESAMPLES: Final = 9_999
FEWEST_RESAMPLED: Final = 5
MOST_RESAMPLED: Final = 200
"""Of fewer, resamples say next to nothing of the spread; of more, the mean is near enough to normal: Student's t."""

Floats = NDArray[np.float64]


class Interval(NamedTuple):
    """A number and the ends of its 95 % interval, in its own unit (NaN ends: no interval can be given)."""

    value: float
    low: float
    high: float

    @property
    def holds_zero(self) -> bool:
        """Whether zero lies inside; True without an interval, since nothing is shown then."""
        return not (self.low > 0 or self.high < 0)


def interval_of(numbers: Sequence[float], over: str, seed: int, larger_better: bool = False) -> Interval:
    """Of one number per wearer, shape (wearers,), taken over wearers as `thenar.study.scores.over_wearers` does."""
    return _interval((np.asarray(numbers),), over, seed, larger_better)


def difference_of(
    one: Sequence[float], other: Sequence[float], over: str, seed: int, larger_better: bool = False
) -> Interval:
    """Of `one` minus `other`, taken over wearers each; both of the same wearers in the same order, drawn as pairs."""
    if over == "mean":
        return _interval((np.asarray(one) - np.asarray(other),), over, seed, larger_better)
    return _interval((np.asarray(one), np.asarray(other)), over, seed, larger_better)


def mean_interval(numbers: Floats, seed: int, level: float = LEVEL, resamples: int = RESAMPLES) -> Interval:
    """Of the mean of one number per wearer, shape (wearers,), two at least. Without resamples by Student's t."""
    n, value = len(numbers), float(np.mean(numbers))
    error = float(np.std(numbers, ddof=1)) / math.sqrt(n)
    if resamples == 0 or not FEWEST_RESAMPLED <= n <= MOST_RESAMPLED or error == 0.0:
        half = error * float(stats.t.ppf(0.5 + level / 2, n - 1))
        return Interval(value, value - half, value + half)
    drawn = numbers[np.random.default_rng(seed).integers(0, n, (resamples, n))]
    errors = np.std(drawn, axis=1, ddof=1) / math.sqrt(n)
    varied = errors > 0.0  # else one wearer over and over
    deviations = (np.mean(drawn, axis=1)[varied] - value) / errors[varied]
    low, high = np.quantile(deviations, [0.5 - level / 2, 0.5 + level / 2])
    return Interval(value, value - float(high) * error, value - float(low) * error)


def _interval(samples: tuple[Floats, ...], over: str, seed: int, larger_better: bool) -> Interval:
    """`mean_interval`; of a percentile the percentile interval.

    None for the worst wearer: resampling can't find a wearer worse than the worst ([@efron-tibshirani-1993], 7.4).
    """

    def statistic(*data: Floats, axis: int = -1) -> Floats:
        taken = [_over(part, over, larger_better, axis) for part in data]
        return taken[0] if len(taken) == 1 else taken[0] - taken[1]

    value = float(statistic(*samples))
    if over == "worst" or len(samples[0]) < 3 or not math.isfinite(value):
        return Interval(value, math.nan, math.nan)
    if all(np.ptp(part) == 0 for part in samples):
        return Interval(value, value, value)
    if over == "mean":
        return mean_interval(samples[0], seed)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = stats.bootstrap(
            samples,
            statistic,
            paired=len(samples) > 1,
            vectorized=True,
            n_resamples=RESAMPLES,
            confidence_level=LEVEL,
            method="percentile",
            rng=np.random.default_rng(seed),
        ).confidence_interval
    return Interval(value, float(found.low), float(found.high))


def _over(numbers: Floats, over: str, larger_better: bool, axis: int) -> Floats:
    if over == "mean":
        taken = np.mean(numbers, axis=axis)
    elif over == "p90":
        taken = np.quantile(numbers, 0.1 if larger_better else 0.9, axis=axis)
    else:
        taken = np.min(numbers, axis=axis) if larger_better else np.max(numbers, axis=axis)
    return np.asarray(taken, dtype=np.float64)


def share_interval(count: int, of: int) -> Interval:
    """The share `count` of `of` wearers, 0 to 1, with Wilson's interval [@wilson-1927]."""
    found = stats.binomtest(count, of).proportion_ci(LEVEL, method="wilson")
    return Interval(count / of, float(found.low), float(found.high))
