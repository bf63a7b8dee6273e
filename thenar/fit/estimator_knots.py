"""Where the knots of a bias curve lie: evenly at first, then where the recording shows the curve to bend."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from thenar.fit.estimator_curve import Data, Guess, linearised
from thenar.fit.estimator_filter import products, whitened

Numbers = NDArray[np.float64]

MOST_KNOTS: Final = 12
LEAST_GAP_N: Final = 0.4
LEAST_PART_S: Final = 2.0
BENDS_CHI2: Final = 9.0
STRAIGHT_CHI2: Final = 6.0
MOST_MOVES: Final = 8
BETWEEN: Final = (0.25, 0.5, 0.75)


def placed_knots(force_N: Numbers, low_N: float, high_N: float, gap_s: float) -> Numbers:
    """Evenly spread knots from `low_N` to `high_N`, each part holding at least two seconds of `force_N` (n,)."""
    count = int(np.clip(1 + (high_N - low_N) // LEAST_GAP_N, 2, MOST_KNOTS))
    knots = np.linspace(low_N, high_N, count)
    kept = [0]
    for place in range(1, count - 1):
        inside = np.count_nonzero((force_N >= knots[kept[-1]]) & (force_N < knots[place]))
        rest = np.count_nonzero(force_N >= knots[place])
        if min(inside, rest) * gap_s >= LEAST_PART_S:
            kept.append(place)
    return np.asarray(knots[[*kept, count - 1]])


def moved_knots(data: Data, guess: Guess, counts: NDArray[np.bool_]) -> Guess:
    """`guess` with knots put in where the curve surely bends, for knots at which it doesn't.

    A sensor that saturates between two even knots would else be off by tenths of a newton there.
    """
    for _ in range(MOST_MOVES):
        offered = _offered(data, guess, counts)
        if offered.size == 0:
            return guess
        bends, best, chi2 = _bends(data, guess, counts, offered)
        if chi2 < BENDS_CHI2:
            return guess
        knots = guess.true_N
        if knots.size == MOST_KNOTS:
            straightest = int(np.argmin(bends))
            if bends[straightest] > STRAIGHT_CHI2:
                return guess
            knots = np.delete(knots, straightest + 1)
        knots = np.sort(np.append(knots, best))
        guess = guess._replace(true_N=knots, reads_N=np.interp(knots, guess.true_N, guess.reads_N))
    return guess


def _offered(data: Data, guess: Guess, counts: NDArray[np.bool_]) -> Numbers:
    """Forces between knots, in N, with two seconds of readings on both sides up to the next knot."""
    force_N = np.sort(data.force.at(data.t_s - guess.lag_s)[counts])
    low, high = guess.true_N[:-1, None], guess.true_N[1:, None]
    at = low + np.array(BETWEEN) * (high - low)
    below = np.searchsorted(force_N, at) - np.searchsorted(force_N, low)
    above = np.searchsorted(force_N, high) - np.searchsorted(force_N, at)
    good = np.minimum(below, above) * data.gap_s >= LEAST_PART_S
    good &= np.minimum(at - low, high - at) >= 0.5 * LEAST_GAP_N
    return np.asarray(at[good])


def _bends(data: Data, guess: Guess, counts: NDArray[np.bool_], offered: Numbers) -> tuple[Numbers, float, float]:
    """Chi-square of the bend at each inner knot; the best of the `offered` forces and its chi-square."""
    linear = linearised(data, guess, counts)
    knots = guess.true_N.size
    gain = linear.columns[:, :knots].sum(axis=1)
    hinges = gain[:, None] * np.maximum(0.0, linear.course.force_N[:, None] - offered)
    told = np.abs(linear.columns[counts]).max(axis=0) > 0.0
    told[:knots] = True
    columns = np.column_stack([linear.residual_N, linear.columns[:, told], hinges])
    square = products(whitened(linear.course, guess.spread, columns).columns)
    size = 1 + int(np.count_nonzero(told))
    inner = square[1:size, 1:size] + 1e-9 * np.diag(np.maximum(np.diag(square)[1:size], 1.0))
    covariance = np.linalg.inv(inner)
    step = covariance @ square[1:size, 0]
    reads_N = guess.reads_N + step[:knots]
    slopes = np.zeros((knots - 2, knots))
    for place in range(knots - 2):
        left, right = np.diff(guess.true_N[place : place + 3])
        slopes[place, place : place + 3] = 1.0 / left, -1.0 / left - 1.0 / right, 1.0 / right
    variances = np.einsum("ij,jk,ik->i", slopes, covariance[:knots, :knots], slopes)
    bends = (slopes @ reads_N) ** 2 / np.maximum(variances, 1e-12)
    cross = square[1:size, size:]
    left_over = square[size:, 0] - cross.T @ step
    sizes = np.diag(square)[size:] - np.einsum("ij,ij->j", cross, covariance @ cross)
    chi2 = np.where(sizes > 1e-6, left_over**2 / np.maximum(sizes, 1e-6), 0.0)
    best = int(np.argmax(chi2))
    return bends, float(offered[best]), float(chi2[best])
