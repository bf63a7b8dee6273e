"""Lag, bias curve and jumps of an estimator by generalised least squares, with the noise as the filter knows it.

A reading that arrives at t is gain * curve(force(t - lag - follow * deviation)) + offset + noise. `follow` is the part
of an arrival's deviation from the pace that belongs to its latency: 1 when all of it does, 0 when it is when the sample
was taken that shifts. Every step is linear about the last one (Gauss-Newton); the curve may never fall or go below 0.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import lsq_linear

from thenar.fit.estimator_filter import (
    Course,
    Spread,
    basis_at,
    curve_at,
    products,
    slope_at,
    whitened,
)
from thenar.fit.estimator_pairs import Force
from thenar.fit.estimator_shocks import GAIN_TOLD, OFFSET_TOLD, shocks

Numbers = NDArray[np.float64]

LARGEST_STEP_S: Final = 0.05
RIDGE: Final = 1e-9
JUMP_CHI2: Final = 25.0
KEPT_CHI2: Final = 16.0
MOST_JUMPS: Final = 60
GAINS: Final = (-0.8, 1.5)
APART_S: Final = 0.3
HALVINGS: Final = 5
MOVES_S: Final = 8.0
NEIGHBOURS_S: Final = 40.0


class Data(NamedTuple):
    """Readings to fit, shape (n,): arrival (s), N, deviation from the pace (s), whether each may be fitted on.

    `unseen_s2`: variance of the lag that deviations don't tell; `gap_s`: time between readings in use.
    """

    force: Force
    t_s: Numbers
    estimate_N: Numbers
    deviation_s: Numbers
    usable: NDArray[np.bool_]
    unseen_s2: float
    gap_s: float


class Jumps(NamedTuple):
    """Re-seating jumps, shape (k,): first reading after each, offset (N) and gain error."""

    first: NDArray[np.int64]
    offset_N: Numbers
    gain: Numbers


class Guess(NamedTuple):
    """All that describes an estimator but its clock. `lag_s`: mean lag on record; `follow`: see above."""

    lag_s: float
    follow: float
    true_N: Numbers
    reads_N: Numbers
    jumps: Jumps
    spread: Spread


class Linear(NamedTuple):
    """The model about a guess. `residual_N`, `predicted_N` (n,); `columns` (n, m): knots, lag, follow, jumps."""

    residual_N: Numbers
    predicted_N: Numbers
    columns: Numbers
    course: Course


class Solved(NamedTuple):
    """A guess after a step, the covariance (m, m) of knots, lag, follow, jumps' offsets, gains; `follow` unbounded."""

    guess: Guess
    covariance: Numbers
    follow: float


NO_JUMPS: Final = Jumps(np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))


class Foretold(NamedTuple):
    """What a guess foretells of every reading (n,): N, with its parts; `after`, `factors` have a column per jump.

    `rises`: N per second that the reading is late.
    """

    predicted_N: Numbers
    curve_N: Numbers
    gain: Numbers
    rises: Numbers
    after: NDArray[np.bool_]
    factors: Numbers
    course: Course


def foretold(data: Data, guess: Guess, counts: NDArray[np.bool_]) -> Foretold:
    """What `guess` foretells; only readings that `counts` marks weigh."""
    at_s = data.t_s - guess.lag_s - guess.follow * data.deviation_s
    force_N, slope = data.force.with_slope_at(at_s)
    curve_N = curve_at(guess.true_N, guess.reads_N, force_N)
    after = np.arange(data.t_s.size)[:, None] >= guess.jumps.first[None, :]
    factors = np.where(after, 1.0 + guess.jumps.gain, 1.0)
    gain = np.prod(factors, axis=1)
    predicted_N = gain * curve_N + after @ guess.jumps.offset_N
    rises = gain * slope_at(guess.true_N, guess.reads_N, force_N) * slope
    course = Course(np.diff(data.t_s, prepend=data.t_s[0]), force_N, rises * rises * data.unseen_s2, counts)
    return Foretold(predicted_N, curve_N, gain, rises, after, factors, course)


def linearised(data: Data, guess: Guess, counts: NDArray[np.bool_]) -> Linear:
    """The model about `guess`; only readings that `counts` marks weigh."""
    told = foretold(data, guess, counts)
    basis = told.gain[:, None] * basis_at(guess.true_N, told.course.force_N)
    gains = np.where(told.after, (told.gain * told.curve_N)[:, None] / told.factors, 0.0)
    late = [-told.rises, -told.rises * data.deviation_s]
    columns = np.column_stack([basis, *late, told.after.astype(float), gains])
    return Linear(data.estimate_N - told.predicted_N, told.predicted_N, columns, told.course)


def solved(data: Data, guess: Guess, counts: NDArray[np.bool_], *, with_follow: bool) -> Solved:
    """One step of generalised least squares from `guess`."""
    linear = linearised(data, guess, counts)
    knots, jumps = guess.true_N.size, guess.jumps.first.size
    now = np.concatenate([guess.reads_N, [0.0, 0.0], guess.jumps.offset_N, guess.jumps.gain])
    target = linear.residual_N + linear.columns[:, :knots] @ guess.reads_N
    target += linear.columns[:, knots + 2 :] @ now[knots + 2 :]
    white = whitened(linear.course, guess.spread, np.column_stack([target, linear.columns]))
    if not with_follow:
        white.columns[:, knots + 2] = 0.0
    both = products(white.columns)
    square, aim = both[1:, 1:].copy(), both[1:, 0]
    told = RIDGE * np.maximum(np.diag(square), 1.0)
    told[knots + 2 : knots + 2 + jumps] += OFFSET_TOLD
    told[knots + 2 + jumps :] += GAIN_TOLD
    square += np.diag(told)
    covariance = np.linalg.inv(square)
    found = covariance @ aim
    if found[0] < 0.0 or np.any(np.diff(found[:knots]) < 0.0):
        found = _rising(square, aim, knots)
    lag_s = guess.lag_s + float(np.clip(found[knots], -LARGEST_STEP_S, LARGEST_STEP_S))
    follow = float(np.clip(guess.follow + found[knots + 1], 0.0, 1.0)) if with_follow else guess.follow
    rest = found[knots + 2 :]
    moved = Jumps(guess.jumps.first, rest[:jumps], np.clip(rest[jumps:], *GAINS))
    reads_N = np.maximum.accumulate(np.maximum(0.0, found[:knots]))
    step = guess._replace(lag_s=lag_s, follow=follow, reads_N=reads_N, jumps=moved)
    return Solved(step, np.asarray(covariance, dtype=np.float64), guess.follow + float(found[knots + 1]))


def _rising(square: Numbers, aim: Numbers, knots: int) -> Numbers:
    """The same least squares with the first reading and every rise from knot to knot at least zero."""
    sums = np.eye(square.shape[0])
    sums[:knots, :knots] = np.tril(np.ones((knots, knots)))
    root = np.linalg.cholesky(square).T
    aimed = np.linalg.solve(root.T, aim)
    low = np.full(square.shape[0], -np.inf)
    low[:knots] = 0.0
    return np.asarray(sums @ lsq_linear(root @ sums, aimed, bounds=(low, np.inf)).x)


def misfit(data: Data, guess: Guess, counts: NDArray[np.bool_]) -> float:
    """The sum of squared whitened residuals."""
    told = foretold(data, guess, counts)
    residual_N = data.estimate_N - told.predicted_N
    return float(np.sum(whitened(told.course, guess.spread, residual_N[:, None]).columns ** 2))


def stepped(data: Data, guess: Guess, counts: NDArray[np.bool_], *, with_follow: bool, steps: int = 2) -> Guess:
    """Several steps from `guess`, each shortened until it makes the misfit no larger."""
    before = misfit(data, guess, counts)
    for _ in range(steps):
        after = solved(data, guess, counts, with_follow=with_follow).guess
        for _ in range(HALVINGS):
            now = misfit(data, after, counts)
            if now <= before:
                break
            after = _between(guess, after)
        else:
            return guess
        guess, before = after, now
    return guess


def _between(one: Guess, two: Guess) -> Guess:
    """Half the way from one guess to another with the same knots and jumps."""
    jumps = Jumps(
        one.jumps.first,
        0.5 * (one.jumps.offset_N + two.jumps.offset_N),
        0.5 * (one.jumps.gain + two.jumps.gain),
    )
    return two._replace(
        lag_s=0.5 * (one.lag_s + two.lag_s),
        follow=0.5 * (one.follow + two.follow),
        reads_N=0.5 * (one.reads_N + two.reads_N),
        jumps=jumps,
    )


class Strongest(NamedTuple):
    """Where a jump would explain most: reading, chi-square of 2, offset (N), gain error."""

    first: int
    chi2: float
    offset_N: float
    gain: float


def strongest_jump(
    data: Data, guess: Guess, counts: NDArray[np.bool_], between_s: tuple[float, float] = (-np.inf, np.inf)
) -> Strongest:
    """The one more jump `between_s` that would explain most of what `guess` leaves."""
    linear = linearised(data, guess, counts)
    basis = linear.columns[:, : guess.true_N.size] @ guess.reads_N
    found = shocks(linear.course, guess.spread, basis, linear.residual_N, guess.jumps.first)
    for at_s in (data.t_s[0], data.t_s[-1], *data.t_s[guess.jumps.first]):
        found[np.abs(data.t_s - at_s) < APART_S, 0] = 0.0
    found[(data.t_s < between_s[0]) | (data.t_s > between_s[1]), 0] = -1.0
    place = int(np.argmax(found[:, 0]))
    return Strongest(place, *(float(value) for value in found[place]))


def with_jump(guess: Guess, more: Strongest) -> Guess:
    """`guess` with one more jump, in order of time."""
    jumps = guess.jumps
    at = int(np.searchsorted(jumps.first, more.first))
    made = Jumps(
        np.insert(jumps.first, at, more.first),
        np.insert(jumps.offset_N, at, more.offset_N),
        np.insert(jumps.gain, at, np.clip(more.gain, -0.5, 1.0)),
    )
    return guess._replace(jumps=made)


def without_jump(guess: Guess, place: int) -> Guess:
    """`guess` without its jump at `place`."""
    first, offset_N, gain = guess.jumps
    return guess._replace(jumps=Jumps(np.delete(first, place), np.delete(offset_N, place), np.delete(gain, place)))


def timed_anew(data: Data, guess: Guess, counts: NDArray[np.bool_], near: int) -> Guess:
    """`guess` with each jump within `MOVES_S` of the one before reading `near` put where it explains most.

    The first place of a jump was found while others were not yet known, so it may be seconds off.
    """
    for first in guess.jumps.first[np.abs(data.t_s[guess.jumps.first] - data.t_s[near]) < NEIGHBOURS_S]:
        place = int(np.searchsorted(guess.jumps.first, first))
        if place >= guess.jumps.first.size or guess.jumps.first[place] != first:
            continue
        fewer = without_jump(guess, place)
        at_s = float(data.t_s[first])
        others = data.t_s[fewer.jumps.first]
        low_s = max([at_s - MOVES_S, *others[others < at_s]])
        high_s = min([at_s + MOVES_S, *others[others > at_s]])
        best = strongest_jump(data, fewer, counts, (low_s, high_s))
        if best.chi2 > 0.0 and best.first != first:
            guess = with_jump(fewer, best)
    return guess


def jump_blocks(covariance: Numbers, knots: int, jumps: int) -> Numbers:
    """Covariances of (offset, gain) of each jump: shape (jumps, 2, 2)."""
    first = knots + 2 + np.arange(jumps)
    places = np.stack([first, first + jumps], axis=1)
    return np.asarray(covariance[places[:, :, None], places[:, None, :]])


def without_weak(guess: Guess, covariance: Numbers) -> Guess:
    """`guess` without its weakest jump, if that one explains too little; else the very same guess."""
    jumps = guess.jumps
    if jumps.first.size == 0:
        return guess
    both = np.stack([jumps.offset_N, jumps.gain], axis=1)
    blocks = jump_blocks(covariance, guess.true_N.size, jumps.first.size)
    chi2 = np.einsum("ki,kij,kj->k", both, np.linalg.inv(blocks), both)
    weakest = int(np.argmin(chi2))
    if chi2[weakest] >= KEPT_CHI2:
        return guess
    return without_jump(guess, weakest)
