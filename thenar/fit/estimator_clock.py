"""When estimates come: their pace, what shifts them, and which slots of the pace stayed empty.

A sample is due every 1 / rate_Hz, taken up to jitter_ms late, and underway for latency_ms and up to latency_jitter_ms
more, both drawn evenly (`plan_readings`). So arrivals less their pace have a trapezoid's density. It looks the same
when both widths change places: only the force tells which of them is which (`estimator_curve.py`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

Numbers = NDArray[np.float64]

LARGEST_SPREAD: Final = 0.25
FEWEST: Final = 200
MOST_USED: Final = 12_000
OUTSIDE: Final = 1e-12
STRAY: Final = 1e-3
CUT: Final = 1.9207
COARSE: Final = 0.1
FIRST_LOOK: Final = 40
MOST_IN_STEP: Final = 4000
LEAST_IN_STEP: Final = 0.01
"""Arrivals in step by less than this (0 to 1, squared) keep no pace: those shifted over nine tenths of a gap do."""
BY_CHANCE: Final = 20.0
SILENT: Final = 4.0
"""Gaps of this many usual ones are silence, not irregularity."""


class Width(NamedTuple):
    """A width in s with its 95 % interval."""

    value: float
    low: float
    high: float


class Clock(NamedTuple):
    """The pace. `slot` (n,): which due sample each reading is; `gap_s`, `gap_se_s`: pace; `deviation_s` (n,): from it.

    `wide`, `narrow`: the two widths that shift readings, None when arrivals are too scattered or too coarsely timed.
    `gap_sd_s`: SD of the gaps of readings that keep no pace, each gap drawn anew; 0 where there is a pace.
    """

    slot: NDArray[np.int64]
    gap_s: float
    gap_se_s: float
    deviation_s: Numbers
    wide: Width | None
    narrow: Width | None
    gap_sd_s: float = 0.0

    def unseen_variance_s2(self) -> float:
        """Variance of the lag that an arrival's own deviation doesn't tell."""
        if self.wide is None or self.narrow is None:
            return 0.0
        a, b = self.wide.value**2, self.narrow.value**2
        return a * b / (12.0 * (a + b)) if a + b > 0.0 else 0.0


def clock_of(t_s: Numbers, seed: int = 0) -> Clock:
    """The pace of arrivals `t_s` (n,), s, rising."""
    gap_s = _first_gap(t_s)
    start_s = t_s[0] + gap_s * float(np.angle(np.mean(np.exp(2j * np.pi * (t_s - t_s[0]) / gap_s)))) / (2.0 * np.pi)
    slot = np.round((t_s - start_s) / gap_s).astype(np.int64)
    for _ in range(3):
        gap_s, start_s = np.polyfit(slot, t_s, 1)
        slot = np.round((t_s - start_s) / gap_s).astype(np.int64)
        slot -= slot[0]
    (gap_s, start_s), covariance = np.polyfit(slot, t_s, 1, cov=True)
    deviation_s = t_s - start_s - gap_s * slot
    wide, narrow = None, None
    in_step = float(_in_step(t_s - t_s[0], np.array([1.0 / gap_s]))[0])
    if in_step < max(LEAST_IN_STEP, BY_CHANCE / min(t_s.size, MOST_IN_STEP)):
        return _without_pace(t_s)
    clear = float(np.std(deviation_s)) < LARGEST_SPREAD * gap_s and bool(np.all(np.diff(slot) > 0))
    if clear and t_s.size >= FEWEST:
        draws = np.random.default_rng([seed, 31])
        some = deviation_s if t_s.size <= MOST_USED else draws.choice(deviation_s, MOST_USED, replace=False)
        wide, narrow = _widths(some)
        if _resolution(t_s) > COARSE * wide.value:
            wide, narrow = None, None
    return Clock(slot, float(gap_s), math.sqrt(covariance[0, 0]), deviation_s, wide, narrow)


def _without_pace(t_s: Numbers) -> Clock:
    """The clock of readings whose gaps are each drawn anew: their mean, and nothing of what shifts a reading."""
    gaps_s = np.diff(t_s)
    usual = gaps_s[gaps_s < SILENT * float(np.median(gaps_s))]
    gap_s, sd_s = float(usual.mean()), float(usual.std())
    missed = np.where(gaps_s < SILENT * float(np.median(gaps_s)), 1, np.round(gaps_s / gap_s)).astype(np.int64)
    slot = np.concatenate([[0], np.cumsum(np.maximum(1, missed))])
    return Clock(slot, gap_s, sd_s / math.sqrt(usual.size), np.zeros(t_s.size), None, None, sd_s)


def _first_gap(t_s: Numbers) -> float:
    """The gap at which arrivals keep step best, sought over ever longer beginnings: the peak of their periodogram."""
    gaps = np.diff(t_s)
    typical = float(np.median(gaps))
    near = gaps[(gaps > 0.5 * typical) & (gaps < 1.5 * typical)]
    rate, within = 1.0 / float(np.mean(near)), 0.1
    size = FIRST_LOOK
    while True:
        some = t_s[:size] - t_s[0]
        long_s = float(some[-1])
        offered = rate + np.arange(-within * rate, within * rate, 0.1 / long_s)
        rate = float(offered[np.argmax(_in_step(some, offered))])
        if size >= t_s.size:
            return 1.0 / rate
        within, size = 0.5 / (long_s * rate), 3 * size


def _in_step(t_s: Numbers, rates: Numbers) -> Numbers:
    """How well times keep step with each rate (1/s): 0 to 1, squared."""
    some = t_s[:: max(1, t_s.size // MOST_IN_STEP)]
    turned = np.exp(2j * np.pi * np.outer(rates, some))
    return np.asarray(np.abs(turned.mean(axis=1)) ** 2)


def _resolution(t_s: Numbers) -> float:
    """The step in which times are written: the median distance of different fractions, in s."""
    fractions = np.unique(np.round(np.mod(t_s[: 4 * FEWEST], 0.1), 7))
    return float(np.median(np.diff(fractions))) if fractions.size > 1 else 1.0


def trapezoid(deviation_s: Numbers, centre_s: float, wide_s: float, narrow_s: float) -> Numbers:
    """Density (1/s) of the sum of two evenly drawn shifts of these widths about their mean, at each deviation (n,)."""
    away = np.abs(deviation_s - centre_s)
    height = np.clip((0.5 * (wide_s + narrow_s) - away) / max(narrow_s, 1e-9), 0.0, 1.0)
    return np.asarray(height / wide_s)


def _widths(deviation_s: Numbers) -> tuple[Width, Width]:
    """Maximum likelihood of both widths, and intervals where it falls by 1.92."""
    scale = float(np.std(deviation_s)) * math.sqrt(12.0)

    def badness(centre: float, wide: float, narrow: float) -> float:
        if wide < narrow or narrow < 0.0:
            return 1e12
        density = trapezoid(deviation_s, centre * scale, wide * scale, narrow * scale) * scale
        return -float(np.sum(np.log(np.maximum((1.0 - STRAY) * density + STRAY / 8.0, OUTSIDE))))

    starts = [(0.0, math.sqrt(1.0 - part**2), part) for part in (0.1, 0.3, 0.6)]
    options = {"xatol": 1e-4, "fatol": 1e-3, "maxiter": 400}
    tries = [minimize(lambda x: badness(*x), start, method="Nelder-Mead", options=options) for start in starts]
    best = min(tries, key=lambda one: float(one.fun))
    _, wide, narrow = best.x

    def profile(place: int, value: float) -> float:
        others = [index for index in range(3) if index != place]

        def held(x: Numbers) -> float:
            full = np.empty(3)
            full[place], full[others] = value, x
            return badness(*full)

        found = minimize(held, best.x[others], method="Nelder-Mead", options={"xatol": 1e-4, "fatol": 1e-2})
        return float(found.fun) - float(best.fun) - CUT

    ends = [_where(partial(profile, place), best.x[place], 0.02, place == 1) for place in (1, 2)]
    made = [
        Width(value * scale, low * scale, high * scale) for value, (low, high) in zip((wide, narrow), ends, strict=True)
    ]
    return made[0], made[1]


def _where(profile: Callable[[float], float], best: float, step: float, positive: bool) -> tuple[float, float]:
    """Where a profile crosses zero on both sides of `best`, by steps that double, then halving."""
    ends = []
    for sign in (-1.0, 1.0):
        inside, size = best, step
        least = 0.5 * best if positive else 0.0
        outside = max(least, best + sign * size)
        while profile(outside) < 0.0 and outside > least and size < 4.0:
            inside, size = outside, 2.0 * size
            outside = max(least, best + sign * size)
        for _ in range(7):
            middle = 0.5 * (inside + outside)
            inside, outside = (middle, outside) if profile(middle) < 0.0 else (inside, middle)
        ends.append(0.5 * (inside + outside))
    return ends[0], ends[1]
