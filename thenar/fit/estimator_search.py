"""The whole search for an estimator's curve, lag, noise and jumps, from the first guess to the last step."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from thenar.fit.estimator_clock import Clock
from thenar.fit.estimator_curve import (
    JUMP_CHI2,
    MOST_JUMPS,
    NO_JUMPS,
    Data,
    Guess,
    Linear,
    linearised,
    solved,
    stepped,
    strongest_jump,
    timed_anew,
    with_jump,
    without_weak,
)
from thenar.fit.estimator_filter import Spread, basis_at, drift_ahead
from thenar.fit.estimator_knots import moved_knots, placed_knots
from thenar.fit.estimator_noise import MOST_WALK, NoiseFit, fitted_spread, noise_fit
from thenar.fit.estimator_pairs import Pairs

Numbers = NDArray[np.float64]

CLEAR_OF_CUT: Final = 2.5
FEWEST_CUT: Final = 5
PER_TAU: Final = 6.0
MOST_READINGS: Final = 40_000
TELLING_S: Final = 3e-4
LONGEST_S: Final = 5.0
OUTLYING: Final = 0.001
SLOW_S: Final = 5.0
SLOWER: Final = 2.5
# While jumps are sought, drift may not pass for them (N/sqrt(min)).
WALK_IN_SEARCH: Final = 0.5
LEAST_CLEAR: Final = 0.2
# How far a curve that bends elsewhere than at the fit's knots may be off there (assumption, N).
STRAIGHT_LINES_N: Final = 0.03


class Cuts(NamedTuple):
    """Where readings are cut: at zero, and at `range_N` (NaN when no reading was cut above)."""

    at_zero: bool
    range_N: float


class Found(NamedTuple):
    """The end of the search. `covariance`: of knots, lag, follow, jumps' offsets, gains; `counts` (n,): fitted on.

    `linear`: the model at the end, over all of `data`; `stride`: every how many-th reading was used; `follow`: as
    found, not bounded.
    """

    data: Data
    guess: Guess
    covariance: Numbers
    noise: NoiseFit
    counts: NDArray[np.bool_]
    linear: Linear
    cuts: Cuts
    stride: int
    follow: float


def curve_se_N(found: Found) -> Numbers:
    """Standard error of the reading at each knot (knots,), N: of chance, and of straight lines between few knots."""
    knots = found.guess.true_N.size
    return np.asarray(np.hypot(np.sqrt(np.diag(found.covariance)[:knots]), STRAIGHT_LINES_N))


def cleared(found: Found, usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of the `usable` (n,) readings, fitted on or not, were surely not cut."""
    return _clear(found.data._replace(usable=usable), found.guess, found.cuts)


def cuts_of(estimate_N: Numbers) -> Cuts:
    """Cuts that show as the same lowest or highest reading again and again."""
    top = float(estimate_N.max())
    cut_above = np.count_nonzero(estimate_N == top) >= FEWEST_CUT
    return Cuts(bool(np.count_nonzero(estimate_N <= 0.0) >= FEWEST_CUT), top if cut_above else math.nan)


def searched(pairs: Pairs, clock: Clock, usable: NDArray[np.bool_]) -> Found:
    """Fit the readings that `usable` (n,) marks."""
    cuts = cuts_of(pairs.estimate_N)
    inside = (pairs.t_s - pairs.lag_s >= pairs.force.t_s[0]) & (pairs.t_s - pairs.lag_s <= pairs.force.t_s[-1])
    data = Data(
        pairs.force, pairs.t_s, pairs.estimate_N, clock.deviation_s, usable & inside,
        clock.unseen_variance_s2(), clock.gap_s,
    )  # fmt: skip
    guess = _first_guess(data, pairs.lag_s)
    slowest_s = SLOWER * guess.spread.tau_s
    stride = _stride(data, guess)
    data = _every(data, stride)
    telling = float(np.std(data.deviation_s)) > TELLING_S and clock.wide is not None
    guess, counts = _settled(data, guess, cuts, telling)
    guess, counts = _with_jumps(data, guess, cuts, counts, telling, slowest_s)
    guess = moved_knots(data, guess, counts)
    for _ in range(2):
        guess = stepped(data, guess, counts, with_follow=telling)
        guess = guess._replace(spread=fitted_spread(linearised(data, guess, counts), guess.spread, restricted=False))
    guess = stepped(data, guess, counts, with_follow=telling)
    noise = noise_fit(linearised(data, guess, counts), guess.spread)
    last = solved(data, guess._replace(spread=noise.spread), counts, with_follow=telling)
    linear = linearised(data, last.guess, counts)
    return Found(data, last.guess, last.covariance, noise, counts, linear, cuts, stride, last.follow)


def _first_guess(data: Data, lag_s: float) -> Guess:
    force_N = data.force.at(data.t_s - lag_s)
    some = force_N[data.usable]
    low, high = np.quantile(some, [OUTLYING, 1.0 - OUTLYING])
    knots = placed_knots(some, max(0.0, float(low)), float(high), data.gap_s)
    basis = basis_at(knots, some)
    square = basis.T @ basis + 1e-6 * np.eye(knots.size)
    reads = np.maximum.accumulate(np.maximum(0.0, np.linalg.solve(square, basis.T @ data.estimate_N[data.usable])))
    rest = np.where(data.usable, data.estimate_N - basis_at(knots, force_N) @ reads, 0.0)
    tau_s = _first_tau(rest, data.usable, data.gap_s)
    sd_N = max(0.02, float(np.std(rest[data.usable])))
    return Guess(
        lag_s, 0.5, knots, reads, NO_JUMPS, Spread(0.5 * sd_N, 0.5 * sd_N / max(1.0, some.mean()), tau_s, 0.02)
    )


def _first_tau(rest: Numbers, usable: NDArray[np.bool_], gap_s: float) -> float:
    """Where the autocorrelation of quick differences falls below 1 / e, in s."""
    # Drift and jumps would pass for slow noise: they are taken off first.
    wide = max(3, round(SLOW_S / gap_s))
    slow = uniform_filter1d(rest, wide) / np.maximum(1e-3, uniform_filter1d(usable.astype(float), wide))
    centred = np.where(usable, rest - slow, 0.0)
    most = min(rest.size // 4, round(LONGEST_S / gap_s))
    square = float(np.mean(centred[usable] ** 2))
    lags = np.unique(np.round(np.geomspace(1, max(2, most), 40)).astype(int))
    for lag in lags:
        both = usable[lag:] & usable[:-lag]
        if np.count_nonzero(both) and np.mean((centred[lag:] * centred[:-lag])[both]) < square / math.e:
            return float(np.clip(lag * gap_s, 0.5 * gap_s, 1.0))
    return 1.0


def _stride(data: Data, guess: Guess) -> int:
    """Readings far closer than the noise's correlation time tell nothing more."""
    wanted = int(guess.spread.tau_s / PER_TAU / data.gap_s)
    return max(1, wanted, math.ceil(data.t_s.size / MOST_READINGS))


def _every(data: Data, stride: int) -> Data:
    if stride == 1:
        return data
    every = slice(None, None, stride)
    return data._replace(
        t_s=data.t_s[every],
        estimate_N=data.estimate_N[every],
        deviation_s=data.deviation_s[every],
        usable=data.usable[every],
        gap_s=stride * data.gap_s,
    )


def _clear(data: Data, guess: Guess, cuts: Cuts) -> NDArray[np.bool_]:
    """Which readings were surely not cut, judged by what was to be expected and never by what came."""
    linear = linearised(data, guess, data.usable)
    sd_N = guess.spread.floor_N + guess.spread.share * np.maximum(0.0, linear.course.force_N)
    clear = _inside(linear.predicted_N, sd_N, data.usable, cuts)
    if np.count_nonzero(clear) <= LEAST_CLEAR * np.count_nonzero(data.usable):
        return clear
    course = linear.course._replace(counts=clear)
    drifted_N = linear.predicted_N + drift_ahead(course, guess.spread, linear.residual_N)
    return _inside(drifted_N, sd_N, data.usable, cuts)


def _inside(predicted_N: Numbers, sd_N: Numbers, usable: NDArray[np.bool_], cuts: Cuts) -> NDArray[np.bool_]:
    clear = usable.copy()
    if cuts.at_zero:
        clear &= predicted_N > CLEAR_OF_CUT * sd_N
    if math.isfinite(cuts.range_N):
        clear &= predicted_N < cuts.range_N - CLEAR_OF_CUT * sd_N
    return clear


def _spread(data: Data, guess: Guess, counts: NDArray[np.bool_], slowest_s: float, most_walk: float) -> Spread:
    linear = linearised(data, guess, counts)
    return fitted_spread(linear, guess.spread, restricted=False, slowest_s=slowest_s, most_walk=most_walk)


def _settled(data: Data, guess: Guess, cuts: Cuts, telling: bool) -> tuple[Guess, NDArray[np.bool_]]:
    """A few rounds of curve and noise, with knots where readings are clear of the cuts."""
    counts, slowest_s = data.usable, SLOWER * guess.spread.tau_s
    for _ in range(4):
        guess = stepped(data, guess, counts, with_follow=telling)
        guess = guess._replace(spread=_spread(data, guess, counts, slowest_s, WALK_IN_SEARCH))
        clear = _clear(data, guess, cuts)
        counts = clear if np.count_nonzero(clear) > LEAST_CLEAR * np.count_nonzero(data.usable) else data.usable
        force_N = data.force.at(data.t_s - guess.lag_s)
        knots = placed_knots(force_N[counts], guess.true_N[0], guess.true_N[-1], data.gap_s)
        guess = guess._replace(true_N=knots, reads_N=np.interp(knots, guess.true_N, guess.reads_N))
    return guess, counts


def _with_jumps(
    data: Data, guess: Guess, cuts: Cuts, counts: NDArray[np.bool_], telling: bool, slowest_s: float
) -> tuple[Guess, NDArray[np.bool_]]:
    """Add the strongest jump while it explains enough, then take away what the others made needless."""
    for _ in range(MOST_JUMPS):
        more = strongest_jump(data, guess, counts)
        if more.chi2 < JUMP_CHI2:
            break
        guess = stepped(data, with_jump(guess, more), counts, with_follow=telling)
        guess = stepped(data, timed_anew(data, guess, counts, more.first), counts, with_follow=telling)
        guess = guess._replace(spread=_spread(data, guess, counts, slowest_s, WALK_IN_SEARCH))
        clear = _clear(data, guess, cuts)
        counts = clear if np.count_nonzero(clear) > LEAST_CLEAR * np.count_nonzero(data.usable) else counts
        step = solved(data, guess, counts, with_follow=telling)
        guess = without_weak(step.guess, step.covariance)
    # With the drift as likely as it is, some jumps may turn out to have been drift.
    guess = guess._replace(spread=_spread(data, guess, counts, slowest_s, MOST_WALK))
    while guess.jumps.first.size:
        step = solved(data, guess, counts, with_follow=telling)
        fewer = without_weak(step.guess, step.covariance)
        guess = fewer
        if fewer is step.guess:
            break
    return guess, counts
