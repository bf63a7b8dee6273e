"""How far an estimator is off by force level, and how well its fit foretells stretches that it never saw."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.fit.estimator_filter import whitened
from thenar.fit.estimator_search import Found
from thenar.fit.found import Quality

Numbers = NDArray[np.float64]

STRETCH_S: Final = 6.0
BLOCK_S: Final = 6.0
RESAMPLED: Final = 500
LEVELS_N: Final = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 60.0, 100.0, 500.0)
LEAST_S: Final = 3.0
BAND: Final = 1.959964
PARTS: Final = 8
MOVES_N_PER_S: Final = 1.0
FEWEST: Final = 20
FAR_OFF: Final = 4.0
SYSTEMATIC: Final = 0.045
"""Surprises that hang together by more than this, in SDs of the noise, are no noise (assumption)."""
NO_INTERVAL: Final = (math.nan, math.nan)


class Level(NamedTuple):
    """Mean absolute error (N) of readings whose true force lies in low_N..high_N, with its 95 % interval."""

    low_N: float
    high_N: float
    error_N: float
    least_N: float
    most_N: float


def stretches(t_s: Numbers, share: float, seed: int) -> NDArray[np.int64]:
    """Which stretch to hold out each reading (n,) belongs to, -1 for none: one in each even part of the time.

    The beginning is always fitted on: it alone shows the curve before any drift.
    """
    held = np.full(t_s.size, -1, dtype=np.int64)
    if share <= 0.0:
        return held
    long_s = float(t_s[-1] - t_s[0])
    count = max(1, round(long_s * share / STRETCH_S))
    part_s = long_s / count
    shifts = np.random.default_rng([seed, 32]).random(count)
    shifts[0] = 0.5 + 0.5 * shifts[0]
    begins = t_s[0] + part_s * (np.arange(count) + (1.0 - share) * shifts)
    for place, begin_s in enumerate(begins):
        held[(t_s >= begin_s) & (t_s < begin_s + share * part_s)] = place
    return held


def levels(force_N: Numbers, error_N: Numbers, t_s: Numbers, gap_s: float, seed: int) -> list[Level]:
    """Mean absolute error by force level; intervals from resampled stretches of 6 s."""
    block = ((t_s - t_s[0]) // BLOCK_S).astype(np.int64)
    weights = _weights(int(block.max()) + 1, seed)
    made = []
    for low, high in pairwise(LEVELS_N):
        inside = (force_N >= low) & (force_N < high)
        if np.count_nonzero(inside) * gap_s < LEAST_S:
            continue
        sums = np.bincount(block[inside], np.abs(error_N[inside]), weights.shape[1])
        counts = np.bincount(block[inside], minlength=weights.shape[1])
        least, most = _between(weights @ sums, weights @ counts)
        made.append(Level(low, high, float(sums.sum() / counts.sum()), least, most))
    return made


def _weights(blocks: int, seed: int) -> Numbers:
    draws = np.random.default_rng([seed, 33])
    return draws.multinomial(blocks, np.full(blocks, 1.0 / blocks), RESAMPLED).astype(float)


def _between(sums: Numbers, counts: Numbers) -> tuple[float, float]:
    some = counts > 0
    low, high = np.quantile(sums[some] / counts[some], [0.025, 0.975])
    return float(low), float(high)


def error_qualities(found: Found, fresh: NDArray[np.bool_], seed: int) -> tuple[list[Quality], list[Level]]:
    """Mean absolute errors of the `fresh` (n,) readings: all, lag included and taken off, and by force level."""
    data, lag_s = found.data, found.guess.lag_s
    t_s, read_N = data.t_s[fresh], data.estimate_N[fresh]
    at_sample, at_arrival = data.force.at(t_s - lag_s), data.force.at(t_s)
    made = []
    block = ((t_s - t_s[0]) // BLOCK_S).astype(np.int64)
    weights = _weights(int(block.max()) + 1, seed)
    for name, force_N, words in (
        (
            "error_on_arrival_N",
            at_arrival,
            "mean absolute error against the force when a reading arrives, lag included",
        ),
        ("error_N", at_sample, "mean absolute error with the lag taken off"),
    ):
        sums, counts = np.bincount(block, np.abs(read_N - force_N)), np.bincount(block)
        low, high = _between(weights @ sums, weights @ counts)
        made.append(Quality(name, float(sums.sum() / counts.sum()), "N", low, high, words))
    by_level = levels(at_sample, read_N - at_sample, t_s, data.gap_s, seed)
    for one in by_level:
        words = f"mean absolute error from {one.low_N:g} to {one.high_N:g} N, lag taken off"
        name = f"error_{one.low_N:g}_to_{one.high_N:g}_N"
        made.append(Quality(name, one.error_N, "N", one.least_N, one.most_N, words))
    return made, by_level


def held_out_qualities(found: Found, held: NDArray[np.int64], clear: NDArray[np.bool_]) -> list[Quality]:
    """Goodness on the stretches `held` (n,; -1 for none), over the readings `clear` (n,) of faults and cuts."""
    linear = found.linear
    judged = (held >= 0) & clear
    stretch = held[judged]
    if stretch.size == 0:
        return []
    course = linear.course._replace(counts=found.counts | judged)
    white = whitened(course, found.guess.spread, linear.residual_N[:, None]).columns[judged, 0]
    weights = _weights(int(held.max()) + 1, 0)
    counts = np.bincount(stretch, minlength=weights.shape[1])

    def mean_of(values: Numbers) -> tuple[float, float, float]:
        sums = np.bincount(stretch, values, weights.shape[1])
        return (float(values.mean()), *_between(weights @ sums, weights @ counts))

    inside, size = mean_of((np.abs(white) < BAND).astype(float)), mean_of(white * white)
    read_N = found.data.estimate_N[judged]
    off = np.bincount(stretch, linear.residual_N[judged] ** 2, weights.shape[1])
    away = np.bincount(stretch, (read_N - read_N.mean()) ** 2, weights.shape[1])
    told = 1.0 - float(off.sum() / away.sum())
    low, high = _between(weights @ off, weights @ away)
    return [
        Quality(
            "held_out_inside", *_first(inside), "held-out readings inside the 95 % band foretold one reading ahead"
        ),
        Quality("held_out_square", *_first(size), "mean square of held-out surprises over their SD; 1 is as foretold"),
        Quality("held_out_told", told, "share", 1.0 - high, 1.0 - low, "held-out variance that curve and jumps tell"),
    ]


def misfits_of(found: Found) -> tuple[str, ...]:
    """Whether surprises hang on the level and on where the force came from, as they do in no sensor of the simulator.

    Surprises over their SD are laid into eight levels of force, rising, falling and still; what their means have beyond
    chance is the misfit, in SDs of the noise.
    """
    data, linear, counts = found.data, found.linear, found.counts
    white = whitened(linear.course, found.guess.spread, linear.residual_N[:, None]).columns[counts, 0]
    white = np.clip(white, -FAR_OFF, FAR_OFF)
    force_N, slope = (one[counts] for one in data.force.with_slope_at(data.t_s - found.guess.lag_s))
    level = np.searchsorted(np.quantile(force_N, np.linspace(0.0, 1.0, PARTS + 1)[1:-1]), force_N)
    course = np.where(slope > MOVES_N_PER_S, 1, np.where(slope < -MOVES_N_PER_S, 2, 0))
    counted = np.bincount(3 * level + course, minlength=3 * PARTS)
    means = np.bincount(3 * level + course, white, 3 * PARTS) / np.maximum(counted, 1)
    many = counted > FEWEST
    if not many.any():
        return ()
    beyond = float(np.sum((counted * means**2 - 1.0)[many]) / counted[many].sum())
    if beyond < SYSTEMATIC**2:
        return ()
    rising, falling = (float(white[course == way].mean()) if (course == way).any() else 0.0 for way in (1, 2))
    told = (
        f"the estimate hangs on where the force came from: it surprises by {rising:+.2f} SD while the force rises and "
        f"{falling:+.2f} SD while it falls. Play, creep or a slow response: the simulated sensor has a curve and a "
        "delay, none of these"
    )
    return (told,)


def _first(values: tuple[float, float, float]) -> tuple[float, str, float, float]:
    return values[0], "share", values[1], values[2]
