"""What a staircase tells of one channel: every value with its interval, and which of them can be told at all."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from thenar.fit.recruitment_likelihood import Place, shares
from thenar.fit.recruitment_profile import Range, Staircase, interval, most_likely, refit, staircase_of, with_tails
from thenar.fit.recruitment_steps import Floats, Responses, Steps
from thenar.fit.recruitment_threshold import Found, bracketed, middle, thresholds
from thenar.plant_models.settings import Recruitment

LOOSEST: Final = {
    "maximum_N": 2.0,
    "half_mA": 1.5,
    "product_mA": 1.6,
    "chronaxie_us": 4.0,
    "spread": 3.0,
    "threshold_mA": 1.6,
    "rheobase_mA": 1.6,
    "median_over_motor": 1.6,
}
"""A value counts as told by the recording while the upper end of its interval is at most this many times the lower."""
REACHED: Final = {"maximum_N": 0.8, "half_mA": 0.55, "product_mA": 0.55, "spread": 0.55}
"""What the strongest pulse must fire of the muscle: below, a narrow interval hangs on the assumed shape."""
MOST_REDONE: Final = 3


class Value(NamedTuple):
    """A value with its 95 % interval; `told`: whether the recording tells it."""

    value: float
    range: Range
    told: bool


@dataclass(frozen=True)
class Findings:
    """Values by name (those of LOOSEST, and `floor_N`, `growth` of the noise), with what they came from."""

    staircase: Staircase
    best: Floats
    responses: Responses
    values: dict[str, Value]
    seen: Found | None

    @property
    def steps(self) -> Steps:
        """The steps that were fitted."""
        return self.staircase.steps


def find(steps: Steps, responses: Responses, seed: int) -> Findings:
    """The most likely curve, intervals of all that is in the forces, and the motor threshold where it was noted."""
    one_width = steps.widths_us.size == 1
    staircase = staircase_of(steps, Recruitment().chronaxie_us if one_width else None)
    staircase, best = with_tails(staircase, most_likely(staircase))
    values, better = _of_forces(staircase, best)
    for _ in range(MOST_REDONE):
        if staircase.loss(better) >= staircase.loss(best):
            break
        best = refit(staircase, better)
        values, better = _of_forces(staircase, best)
    values = _not_from_shape_alone(values, staircase, best)
    seen = None
    if bracketed(responses):
        seen = thresholds(staircase, best, responses, seed)
        values |= _of_responses(seen, values["chronaxie_us"].told, values["half_mA"].told)
    return Findings(staircase, best, responses, values, seen)


def half_at(staircase: Staircase, best: Floats, width_us: float) -> float:
    """The current in mA of half recruitment at a width in us, by the model."""
    return math.exp(staircase.seen_from(width_us, best)[1][Place.HALF])


def _of_forces(staircase: Staircase, best: Floats) -> tuple[dict[str, Value], Floats]:
    """Values in the forces, and the best point that was met."""
    values, met = {}, best
    places = {"maximum_N": Place.MAXIMUM, "half_mA": Place.HALF, "spread": Place.SPREAD}
    values["chronaxie_us"] = Value(math.exp(best[Place.CHRONAXIE]), Range(math.nan, math.nan), False)
    values["product_mA"] = Value(half_at(staircase, best, math.inf), Range(math.nan, math.nan), False)
    if staircase.free[Place.CHRONAXIE]:
        places["chronaxie_us"] = Place.CHRONAXIE
        endless, moved = staircase.seen_from(math.inf, best)
        values["product_mA"] = _value(endless, moved, "product_mA", Place.HALF)[0]
    for name, place in places.items():
        values[name], point = _value(staircase, best, name, place)
        met = min((met, point), key=staircase.loss)
    if not values["chronaxie_us"].told:
        values["product_mA"] = values["product_mA"]._replace(told=False)
    return values | _noise(staircase, best), met


def _not_from_shape_alone(values: dict[str, Value], staircase: Staircase, best: Floats) -> dict[str, Value]:
    """The same, but untold what only the assumed shape of the curve tells, far beyond the strongest pulse recorded."""
    share = np.empty(staircase.steps.force_N.size)
    shares(best, staircase.reference_us, staircase.steps.current_mA, staircase.steps.width_us, share)
    strongest = float(share.max())
    return {name: one._replace(told=one.told and strongest >= REACHED.get(name, 0.0)) for name, one in values.items()}


def _value(staircase: Staircase, best: Floats, name: str, place: int) -> tuple[Value, Floats]:
    logs, met = interval(staircase, best, place)
    found = Range(math.exp(logs.low), math.exp(min(logs.high, 700.0)) if math.isfinite(logs.high) else math.inf)
    return Value(math.exp(best[place]), found, _narrow(found, LOOSEST[name])), met


def _narrow(found: Range, most: float) -> bool:
    return found.low > 0.0 and math.isfinite(found.high) and found.high <= most * found.low


def _noise(staircase: Staircase, best: Floats) -> dict[str, Value]:
    """SD of the noise at rest (N) and its growth (share of force), mended for the steps that the curve used up."""
    curve = int(staircase.free[: Place.FLOOR].sum())
    mended = math.sqrt(staircase.steps.force_N.size / (staircase.steps.force_N.size - curve))
    floor = interval(staircase, best, Place.FLOOR)[0]
    growth = interval(staircase, best, Place.GROWTH)[0]
    return {
        "floor_N": Value(
            mended * math.exp(best[Place.FLOOR]),
            Range(mended * math.exp(floor.low), mended * math.exp(min(floor.high, 700.0))),
            math.isfinite(floor.high),
        ),
        "growth": Value(
            mended * float(best[Place.GROWTH]),
            Range(mended * max(0.0, growth.low), mended * growth.high),
            math.isfinite(growth.high),
        ),
    }


def _of_responses(seen: Found, chronaxie_told: bool, half_told: bool) -> dict[str, Value]:
    values = {}
    for name, told in (("threshold_mA", True), ("rheobase_mA", chronaxie_told), ("median_over_motor", half_told)):
        value, low, high = middle(getattr(seen, name))
        found = Range(low, high)
        values[name] = Value(value, found, told and _narrow(found, LOOSEST[name]))
    median = values["median_over_motor"]
    limits = Recruitment.model_fields["median_over_motor"].metadata
    if not all(_allows(limit, median.value) for limit in limits):
        values["median_over_motor"] = median._replace(told=False)
    return values


def _allows(limit: object, value: float) -> bool:
    """Whether a bound of a settings field lets a value through."""
    over = getattr(limit, "gt", None)
    most = getattr(limit, "le", None)
    return (over is None or value > over) and (most is None or value <= most)


def curve_N(findings: Findings, point: Floats, current_mA: Floats, width_us: Floats) -> Floats:
    """Evoked force in N of pulses at a point (6,), shape (n,)."""
    share = np.empty(current_mA.size)
    shares(point, findings.staircase.reference_us, current_mA, width_us, share)
    return math.exp(point[Place.MAXIMUM]) * share
