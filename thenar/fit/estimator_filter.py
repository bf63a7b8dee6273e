"""The Kalman filter behind the fit of an estimator: residuals made white.

A reading less its curve is noise, an Ornstein-Uhlenbeck process of SD sd_N(force), plus a random walk of the offset
(`plant_models/estimator.py`). The state is (unit noise, offset). Innovations: Harvey [@harvey-1989],
section 3.4 (from memory).
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.plant_models.estimator import KNOTS, biased_N
from thenar.shared.compiled import entry

LEAST_VARIANCE_N2: Final = 1e-8
SLOPE_OVER_N: Final = 0.05


class Spread(NamedTuple):
    """The four numbers of the noise: SD at zero force in N, growth per N, correlation time in s, walk in N/sqrt(s)."""

    floor_N: float
    share: float
    tau_s: float
    walk: float


class Course(NamedTuple):
    """Per reading, shape (n,): gap to the one before (s), true force (N), extra variance (N^2), whether it counts."""

    gap_s: NDArray[np.float64]
    force_N: NDArray[np.float64]
    extra_N2: NDArray[np.float64]
    counts: NDArray[np.bool_]


@entry
def curve_into(knots: Any, force_N: Any, out: Any) -> None:
    """The bias curve of `knots` (2, KNOTS) at every force of shape (n,), into `out` (n,); N."""
    for index in range(force_N.shape[0]):
        out[index] = biased_N(knots, force_N[index])


@entry
def white_into(
    gap_s: Any, force_N: Any, extra_N2: Any, counts: Any, spread: Any, columns: Any, memory: Any, out: Any, gains: Any
) -> float:
    """Innovations of every column over their SD into `out` (n, m), zero where a reading doesn't count.

    `spread`: the fields of `Spread`; `columns`: (n, m); `memory`: (m, 2), zeros; `gains`: (n, 4), the two gains, the
    variance and the decay of each step. Returns the sum of the log variances.
    """
    total = 0.0
    noise, cross, offset = 1.0, 0.0, 0.0
    for index in range(gap_s.shape[0]):
        keep = math.exp(-gap_s[index] / spread[2])
        noise = keep * keep * noise + 1.0 - keep * keep
        cross *= keep
        offset += spread[3] * spread[3] * gap_s[index]
        for column in range(columns.shape[1]):
            memory[column, 0] *= keep
        gains[index, 3] = keep
        if not counts[index]:
            gains[index, 0] = gains[index, 1] = gains[index, 2] = 0.0
            for column in range(columns.shape[1]):
                out[index, column] = 0.0
            continue
        sd_N = spread[0] + spread[1] * max(0.0, force_N[index])
        variance = sd_N * sd_N * noise + 2.0 * sd_N * cross + offset + extra_N2[index] + LEAST_VARIANCE_N2
        first, second = (sd_N * noise + cross) / variance, (sd_N * cross + offset) / variance
        scale = 1.0 / math.sqrt(variance)
        for column in range(columns.shape[1]):
            error = columns[index, column] - sd_N * memory[column, 0] - memory[column, 1]
            memory[column, 0] += first * error
            memory[column, 1] += second * error
            out[index, column] = error * scale
        noise -= first * first * variance
        cross -= first * second * variance
        offset -= second * second * variance
        gains[index, 0], gains[index, 1], gains[index, 2] = first, second, variance
        total += math.log(variance)
    return total


@entry
def products_into(white: Any, square: Any) -> None:
    """All products of the columns of `white` (n, m) into `square` (m, m), in one order of adding on every machine."""
    size = white.shape[1]
    for one in range(size):
        for two in range(size):
            square[one, two] = 0.0
    for index in range(white.shape[0]):
        for one in range(size):
            if white[index, one] != 0.0:
                for two in range(one + 1):
                    square[one, two] += white[index, one] * white[index, two]
    for one in range(size):
        for two in range(one):
            square[two, one] = square[one, two]


def knots_array(true_N: NDArray[np.float64], reads_N: NDArray[np.float64]) -> NDArray[np.float64]:
    """Knots of any number up to KNOTS as `biased_N` takes them: shape (2, KNOTS), the last one repeated."""
    knots = np.empty((2, KNOTS))
    knots[0], knots[1] = true_N[-1], reads_N[-1]
    knots[0, : true_N.size], knots[1, : reads_N.size] = true_N, reads_N
    return knots


def curve_at(
    true_N: NDArray[np.float64], reads_N: NDArray[np.float64], force_N: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The bias curve at each of `force_N` (n,), in N."""
    out = np.empty(force_N.size)
    curve_into(knots_array(true_N, reads_N), force_N, out)
    return out


def slope_at(
    true_N: NDArray[np.float64], reads_N: NDArray[np.float64], force_N: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The curve's slope about each of `force_N` (n,), no unit."""
    ahead = curve_at(true_N, reads_N, force_N + SLOPE_OVER_N)
    return (ahead - curve_at(true_N, reads_N, force_N - SLOPE_OVER_N)) / (2.0 * SLOPE_OVER_N)


def basis_at(true_N: NDArray[np.float64], force_N: NDArray[np.float64]) -> NDArray[np.float64]:
    """How much each knot's reading weighs at each force: shape (n, knots), rows add up to 1."""
    return np.column_stack([curve_at(true_N, unit, force_N) for unit in np.eye(true_N.size)])


class White(NamedTuple):
    """Whitened columns (n, m), gains (n, 4) and the sum of log variances."""

    columns: NDArray[np.float64]
    gains: NDArray[np.float64]
    log_variances: float


def whitened(course: Course, spread: Spread, columns: NDArray[np.float64]) -> White:
    """`columns` (n, m) as innovations over their SD."""
    out, gains = np.empty_like(columns), np.empty((columns.shape[0], 4))
    memory = np.zeros((columns.shape[1], 2))
    total = white_into(*course, np.array(spread), columns, memory, out, gains)
    return White(out, gains, total)


def products(white: NDArray[np.float64]) -> NDArray[np.float64]:
    """`white` (n, m) times itself: (m, m)."""
    square = np.empty((white.shape[1], white.shape[1]))
    products_into(white, square)
    return square


def drift_ahead(course: Course, spread: Spread, residual_N: NDArray[np.float64]) -> NDArray[np.float64]:
    """The walk's offset (N) at each reading, as the readings before it tell: shape (n,)."""
    white = whitened(course, spread, residual_N[:, None])
    steps = white.gains[:, 1] * white.columns[:, 0] * np.sqrt(white.gains[:, 2])
    return np.asarray(np.cumsum(steps) - steps)
