"""The most likely staircase curve, and 95 % intervals from its profile likelihood.

An interval holds every value at which the likelihood, all other coordinates refitted, stays within

    2 (loss - least loss) < n log(1 + t^2 / (n - p)),   t: Student's quantile with n - p degrees of freedom,

which is exact for a linear model with normal noise of one unknown size, not counted in p (chapter 6 of
[@bates-watts-1988], from memory) and goes to the chi-squared quantile for many steps. Here the noise has two
sizes to be found, which this counts in p, and both come out too small; so the bound is raised by n / (n - p). Without,
100 drawn people were held 93 times where 95 were due. An end that isn't reached within the bounds is open: infinite.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import t as student

from thenar.fit.recruitment_likelihood import TAIL, Place, loss, slopes, threshold_factors
from thenar.fit.recruitment_steps import Floats, Steps

CONFIDENCE: Final = 0.95
COORDINATES: Final = len(Place)
LEAST_FLOOR_SHARE: Final = 1e-4
"""The noise floor is never sought below this share of the largest force."""
MOST_MAXIMUM: Final = 100.0
"""The maximum is sought up to this many times the largest force."""
HALF_MA: Final = (0.02, 2000.0)
CHRONAXIE_US: Final = (20.0, 1000.0)
SPREAD: Final = (0.0101, 2.0)
"""Bounds of chronaxie and spread: those of plant_models.settings.Recruitment."""
CLEARER_TAILS: Final = 4.0
"""The noise is called tailed where that makes the steps e^4 times as likely."""
FIRST_MOVE: Final = 0.1
BETTER: Final = 5e-3
CLOSE: Final = 2e-3
MOST_MOVES: Final = 30


class Range(NamedTuple):
    """An interval in the unit of its value; an end is infinite where the recording sets none."""

    low: float
    high: float


@dataclass(frozen=True)
class Staircase:
    """What is fitted: the steps, the reference width in us (may be infinite), the noise, and the bounds (6, 2).

    A coordinate whose two bounds are one is held there.
    """

    steps: Steps
    reference_us: float
    tailed: bool
    bounds: Floats

    def loss(self, point: Floats) -> float:
        """Minus the log likelihood at a point (6,), less a constant."""
        steps = self.steps
        return float(loss(point, self.reference_us, self.tailed, steps.current_mA, steps.width_us, steps.force_N))

    def slopes(self, point: Floats) -> Floats:
        """Its derivative by each coordinate, shape (6,)."""
        found, steps = np.empty(COORDINATES), self.steps
        inputs = (steps.current_mA, steps.width_us, steps.force_N)
        slopes(point.copy(), self.reference_us, self.tailed, *inputs, found)
        return found

    @property
    def free(self) -> NDArray[np.bool_]:
        """Which coordinates are sought, shape (6,)."""
        return np.asarray(self.bounds[:, 0] < self.bounds[:, 1])

    @property
    def constant(self) -> float:
        """What the loss leaves out, for comparing noise with and without tails."""
        one = 0.5 * math.log(2.0 * math.pi)
        if self.tailed:
            one = 0.5 * math.log(TAIL * math.pi) + math.lgamma(0.5 * TAIL) - math.lgamma(0.5 * (TAIL + 1.0))
        return one * self.steps.force_N.size

    @property
    def left_over(self) -> int:
        """Steps less the coordinates that are sought, the noise's among them: the degrees of freedom."""
        return max(1, int(self.steps.force_N.size - self.free.sum()))

    @property
    def limit(self) -> float:
        """How much twice the loss may rise within an interval."""
        count = self.steps.force_N.size
        quantile = float(student.ppf(0.5 + 0.5 * CONFIDENCE, self.left_over))
        return count * math.log1p(quantile * quantile / self.left_over) * count / self.left_over

    def held(self, place: int, value: float) -> Staircase:
        """The same with one coordinate held at a value."""
        bounds = self.bounds.copy()
        bounds[place] = value
        return replace(self, bounds=bounds)

    def seen_from(self, reference_us: float, point: Floats) -> tuple[Staircase, Floats]:
        """The same curve with half recruitment told at another width in us: the staircase and the point."""
        factor = np.empty(2)
        threshold_factors(math.exp(point[Place.CHRONAXIE]), np.array([self.reference_us, reference_us]), factor)
        moved = point.copy()
        moved[Place.HALF] += math.log(factor[1] / factor[0])
        return replace(self, reference_us=reference_us), moved


def staircase_of(steps: Steps, chronaxie_us: float | None, tailed: bool = False) -> Staircase:
    """The staircase to fit, seen from the middle of its widths. `chronaxie_us`: held there, or sought where None."""
    top_N = float(np.abs(steps.force_N).max())
    gaps_N = np.diff(np.unique(steps.force_N))
    floor_N = max(LEAST_FLOOR_SHARE * top_N, float(gaps_N.min()) / math.sqrt(12.0))
    bounds = np.log(
        [
            (0.3 * top_N, MOST_MAXIMUM * top_N), HALF_MA, CHRONAXIE_US, SPREAD,
            (floor_N, 2.0 * top_N), (1.0, 1.0),
        ]
    )  # fmt: skip
    bounds[Place.GROWTH] = 0.0, 1.0
    if chronaxie_us is not None:
        bounds[Place.CHRONAXIE] = math.log(chronaxie_us)
    reference_us = float(np.exp(np.mean(np.log(steps.widths_us))))
    return Staircase(steps, reference_us, tailed, bounds)


def most_likely(staircase: Staircase) -> Floats:
    """The best point (6,) from many starts."""
    points = [refit(staircase, start) for start in _starts(staircase)]
    return min(points, key=staircase.loss)


def with_tails(staircase: Staircase, point: Floats) -> tuple[Staircase, Floats]:
    """Staircase and best point, with tailed noise where that is clearly more likely."""
    tailed = replace(staircase, tailed=True)
    other = min((refit(tailed, start) for start in (point, *_starts(tailed))), key=tailed.loss)
    gain = staircase.loss(point) + staircase.constant - tailed.loss(other) - tailed.constant
    return (tailed, other) if gain > CLEARER_TAILS else (staircase, point)


def refit(staircase: Staircase, start: Floats) -> Floats:
    """The best point near `start` within the bounds."""
    free, low, high = staircase.free, staircase.bounds[:, 0], staircase.bounds[:, 1]
    point = np.clip(start, low, high)
    if not free.any():
        return np.asarray(point)

    def at(values: Floats) -> Floats:
        whole = point.copy()
        whole[free] = values
        return whole

    found = minimize(
        lambda values: staircase.loss(at(values)),
        point[free],
        jac=lambda values: staircase.slopes(at(values))[free],
        method="SLSQP",  # holds its whole curvature: without it, the ridge of a plateau never reached is never walked
        bounds=staircase.bounds[free],
        options={"ftol": 1e-9, "maxiter": 300},
    )
    return at(np.clip(found.x, low[free], high[free]))


def interval(staircase: Staircase, best: Floats, place: int) -> tuple[Range, Floats]:
    """The profile interval of one coordinate (logs, but for the growth of noise), and the best point met on the way."""
    low, point = _end(staircase, best, place, -1.0)
    high, other = _end(staircase, best, place, 1.0)
    return Range(low, high), min((best, point, other), key=staircase.loss)


def _end(staircase: Staircase, best: Floats, place: int, side: float) -> tuple[float, Floats]:
    """One end of an interval: where the signed root of the rise meets that of the limit; it is nearly a line there."""
    limit, least = math.sqrt(staircase.limit), staircase.loss(best)
    bound = float(staircase.bounds[place, 0 if side < 0 else 1])
    inside, inside_root, outside, outside_root = float(best[place]), 0.0, math.nan, math.nan
    point, better, away = best, best, _first_move(staircase, best, place)
    for _ in range(MOST_MOVES):
        value = float(best[place]) + side * away
        if math.isfinite(outside):
            value = _between(inside, inside_root, outside, outside_root, limit)
        value = min(max(value, staircase.bounds[place, 0]), staircase.bounds[place, 1])
        start = point.copy()
        start[place] = value
        point = refit(staircase.held(place, value), start)
        rise = staircase.loss(point) - least
        better = point if rise < -BETTER else better
        root = math.sqrt(2.0 * max(0.0, rise))
        if abs(root - limit) < CLOSE * limit:
            return value, better
        if root < limit and value == bound:
            return side * math.inf, better
        if root < limit:
            inside, inside_root = value, root
            away *= min(4.0, max(1.1, 1.05 * limit / max(root, 1e-9)))
        else:
            outside, outside_root = value, root
    return (0.5 * (inside + outside) if math.isfinite(outside) else side * math.inf), better


def _between(inside: float, inside_root: float, outside: float, outside_root: float, limit: float) -> float:
    """The next value to try between one within the interval and one without, kept off both."""
    share = (limit - inside_root) / (outside_root - inside_root)
    return inside + min(0.9, max(0.1, share)) * (outside - inside)


def _first_move(staircase: Staircase, best: Floats, place: int) -> float:
    """About the half width of the interval, from the curvature of the loss."""
    spread = np.sqrt(np.maximum(np.diag(covariance(staircase, best)), 0.0))[place]
    return float(math.sqrt(staircase.limit) * spread) if 1e-6 < spread < 2.0 else FIRST_MOVE


def covariance(staircase: Staircase, best: Floats) -> Floats:
    """Covariance (6, 6) of the coordinates from the curvature of the loss; zero for those held or at a bound."""
    inner = staircase.free & (best > staircase.bounds[:, 0] + 1e-4) & (best < staircase.bounds[:, 1] - 1e-4)
    places = np.flatnonzero(inner)
    bent = np.zeros((COORDINATES, COORDINATES))
    for place in places:
        ahead, behind = best.copy(), best.copy()
        ahead[place] += 1e-3
        behind[place] -= 1e-3
        bent[place] = (staircase.slopes(ahead) - staircase.slopes(behind)) / 2e-3
    found = np.zeros_like(bent)
    inside = np.ix_(places, places)
    found[inside] = np.linalg.pinv(0.5 * (bent + bent.T)[inside], rcond=1e-12, hermitian=True)
    return found


def _starts(staircase: Staircase) -> list[Floats]:
    """Points to begin at: several maxima, chronaxies and spreads, with half recruitment where the force is half."""
    steps = staircase.steps
    top_N = float(np.quantile(steps.force_N, 0.95))
    top_N = top_N if top_N > 0.0 else float(np.abs(steps.force_N).max())
    starts = []
    for chronaxie_us in (120.0, 250.0, 500.0):
        factor, here = np.empty(steps.width_us.size), np.empty(1)
        threshold_factors(chronaxie_us, steps.width_us, factor)
        threshold_factors(chronaxie_us, np.array([staircase.reference_us]), here)
        relative_mA = steps.current_mA / factor * here[0]
        for over in (1.0, 2.5):
            nearest = np.argsort(np.abs(steps.force_N - 0.5 * over * top_N))[:3]
            half_mA = max(float(np.median(relative_mA[nearest])) * (1.0 if over == 1.0 else 1.2), HALF_MA[0])
            for spread in (0.1, 0.3):
                point = [over * top_N, half_mA, chronaxie_us, spread, 0.03 * top_N, 1.0]
                starts.append(np.log(point))
                starts[-1][Place.GROWTH] = 0.03
    return starts
