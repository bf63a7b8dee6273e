"""Confidence intervals by the bootstrap over wearers: which other wearers might have been drawn."""

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


def _interval(samples: tuple[Floats, ...], over: str, seed: int, larger_better: bool) -> Interval:
    """BCa for a mean; the percentile interval for a percentile, whose jackknife (that BCa needs) tells nothing.

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
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = stats.bootstrap(
            samples,
            statistic,
            paired=len(samples) > 1,
            vectorized=True,
            n_resamples=RESAMPLES,
            confidence_level=LEVEL,
            method="BCa" if over == "mean" else "percentile",
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
