"""The four numbers of an estimator's noise by restricted maximum likelihood, with their covariance.

Restricted: what the curve, the lag and the jumps take from the residuals is allowed for (from memory
[@patterson-thompson-1971]).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from thenar.fit.estimator_curve import Linear
from thenar.fit.estimator_filter import Course, Spread, products, whitened

Numbers = NDArray[np.float64]

PER_MIN: Final = math.sqrt(60.0)
SLOWEST_S: Final = 20.0
MOST_WALK: Final = 50.0
CUT: Final = 1.9207
UNLIKELY: Final = 1e15


class NoiseFit(NamedTuple):
    """The spread, the covariance (4, 4) of (floor, share, log tau, walk per sqrt(min)), and the walk's interval."""

    spread: Spread
    covariance: Numbers
    walk_low: float
    walk_high: float


def badness(course: Course, columns: Numbers, spread: Spread) -> float:
    """Minus the log likelihood of `columns` (n, 1 + m): the residual, and what was fitted to it (m may be 0)."""
    white = whitened(course, spread, columns)
    square_of = products(white.columns)
    total = white.log_variances + float(square_of[0, 0])
    if columns.shape[1] > 1:
        square = square_of[1:, 1:].copy()
        square += 1e-9 * np.diag(np.maximum(np.diag(square), 1.0))
        root = np.linalg.cholesky(square)
        total -= float(np.sum(np.linalg.solve(root, square_of[1:, 0]) ** 2))
        total += 2.0 * float(np.sum(np.log(np.diag(root))))
    return 0.5 * total if math.isfinite(total) else UNLIKELY


class Scales(NamedTuple):
    """Sizes that make the search even: SD in N and force in N."""

    sd_N: float
    force_N: float

    def spread(self, x: Numbers) -> Spread:
        """Numbers of order 1 as a spread."""
        tau_s = math.exp(float(np.clip(x[2], -9.0, 5.0)))
        return Spread(
            max(0.0, x[0]) * self.sd_N, max(0.0, x[1]) * self.sd_N / self.force_N, tau_s, max(0.0, x[3]) / PER_MIN
        )

    def numbers(self, spread: Spread) -> Numbers:
        """The other way."""
        share = spread.share * self.force_N / self.sd_N
        return np.array([spread.floor_N / self.sd_N, share, math.log(spread.tau_s), spread.walk * PER_MIN])


def scales_of(linear: Linear, spread: Spread) -> Scales:
    """Sizes about a first spread."""
    force_N = max(1.0, float(np.mean(linear.course.force_N[linear.course.counts])))
    return Scales(max(1e-3, spread.floor_N + spread.share * force_N), force_N)


def fitted_spread(
    linear: Linear, spread: Spread, *, restricted: bool, slowest_s: float = SLOWEST_S, most_walk: float = MOST_WALK
) -> Spread:
    """The likeliest spread from `spread` on, of `slowest_s`, drifting `most_walk` (N/sqrt(min)) at most."""
    scales = scales_of(linear, spread)
    columns = _columns(linear, restricted)
    bounds = [(0.0, 50.0), (0.0, 50.0), (math.log(1e-3), math.log(slowest_s)), (0.0, most_walk)]
    start = scales.numbers(spread)
    start[3] = min(max(start[3], 0.02), most_walk)
    found = minimize(
        lambda x: badness(linear.course, columns, scales.spread(x)),
        start,
        method="L-BFGS-B",
        bounds=bounds,
        options={"maxiter": 40, "ftol": 1e-9},
    )
    return scales.spread(found.x)


def _columns(linear: Linear, restricted: bool) -> Numbers:
    if not restricted:
        return linear.residual_N[:, None]
    told = np.abs(linear.columns[linear.course.counts]).max(axis=0) > 0.0
    return np.column_stack([linear.residual_N, linear.columns[:, told]])


def noise_fit(linear: Linear, spread: Spread) -> NoiseFit:
    """The likeliest spread from `spread` on, with covariance and the walk's interval from the likelihood's fall."""
    spread = fitted_spread(linear, spread, restricted=True)
    scales, columns = scales_of(linear, spread), _columns(linear, restricted=True)
    best = scales.numbers(spread)

    def bad(x: Numbers) -> float:
        return badness(linear.course, columns, scales.spread(x))

    centre = best.copy()
    steps = np.array([0.03, 0.03, 0.05, max(0.01, 0.1 * best[3])])
    centre[[0, 1, 3]] = np.maximum(centre[[0, 1, 3]], steps[[0, 1, 3]])
    bend = _bend(bad, centre, steps)
    inverse = np.linalg.pinv(bend)
    low, high = _walk_ends(bad, best, bend)
    units = np.array([scales.sd_N, scales.sd_N / scales.force_N, 1.0, 1.0])
    return NoiseFit(spread, np.asarray(inverse * np.outer(units, units), dtype=np.float64), low, high)


def _bend(bad: Callable[[Numbers], float], at: Numbers, steps: Numbers) -> Numbers:
    """Second derivatives of `bad` at `at` by central differences."""
    size = at.size
    found = np.empty((size, size))
    middle = bad(at)
    for i in range(size):
        for j in range(i, size):
            one, two = np.eye(size)[i] * steps[i], np.eye(size)[j] * steps[j]
            if i == j:
                found[i, i] = (bad(at + one) - 2.0 * middle + bad(at - one)) / steps[i] ** 2
            else:
                mixed = bad(at + one + two) - bad(at + one - two) - bad(at - one + two) + bad(at - one - two)
                found[i, j] = found[j, i] = mixed / (4.0 * steps[i] * steps[j])
    return found


def _walk_ends(bad: Callable[[Numbers], float], best: Numbers, bend: Numbers) -> tuple[float, float]:
    """Where the likelihood falls by 1.92 as the walk goes away from its best, the other three following its bend."""
    follow = -np.linalg.pinv(bend[:3, :3]) @ bend[:3, 3]
    lowest = bad(best)

    def outside(walk: float) -> bool:
        moved = np.append(best[:3] + follow * (walk - best[3]), walk)
        return bool(min(bad(moved), bad(np.append(best[:3], walk))) - lowest > CUT)

    ends = []
    for sign in (-1.0, 1.0):
        inside, size = best[3], 0.05 + 0.2 * best[3]
        far = max(0.0, inside + sign * size)
        while not outside(far) and far > 0.0 and size < 20.0:
            inside, size = far, 1.6 * size
            far = max(0.0, best[3] + sign * size)
        if not outside(far):
            ends.append(far)
            continue
        for _ in range(8):
            middle = 0.5 * (inside + far)
            inside, far = (inside, middle) if outside(middle) else (middle, far)
        ends.append(0.5 * (inside + far))
    return ends[0], ends[1]
