"""The confident law: the proportional law, pushing as hard as the estimate can be trusted.

It is one of two laws that care for the wearer's agency: where the sensor itself says that it knows little, the force is
left to the wearer. How far the estimate can be trusted is a number from 0 to 1,

    confidence = 1 / (1 + (stated SD / tolerance_N)^2) * freshness(age)
    freshness  = 1 up to fresh_ms, 0 from stale_ms on, a straight line between

and the current's growth beyond its start is that share of the proportional law's. Below `least_confidence` nothing is
asked at all. So the loop's gain is never above that of the proportional law with the same settings, and its margins are
never smaller.

The form is that of a Kalman gain, P / (P + R), with the tolerance in the place of what the law would know by itself;
the numbers are our own choice, no source. Limit: the law believes what the sensor states. One that is wrong and sure
of itself (`stated_over_true_sd` below 1, or a bias) is pushed after like any other.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple, Self

from numba import carray
from numpy.typing import NDArray
from pydantic import Field, model_validator

from thenar.controller import proportional
from thenar.controller.proportional import ProportionalSettings, respond_by
from thenar.controller.pulses import answer
from thenar.controller.stepped import SteppedLaw
from thenar.shared.by_address import ASKED_NUMBERS, by_address
from thenar.shared.compiled import entry, fixed, flat_floats, step
from thenar.shared.signals import SEEN_SIZE, Calibration, Demand, Observation, Stimulus
from thenar.shared.ticks import us_from_ms


class ConfidentSettings(ProportionalSettings):
    """Settings of the confident law: those of the proportional law and its own. Defaults are our own choice."""

    tolerance_N: float = Field(0.5, gt=0, le=1000, description="stated SD of the estimate at which the push is halved")
    fresh_ms: float = Field(200.0, ge=0, le=60_000, description="age up to which an estimate counts fully")
    stale_ms: float = Field(400.0, gt=0, le=60_000, description="age from which an estimate counts for nothing")
    least_confidence: float = Field(0.1, ge=0, le=1, description="confidence below which nothing is asked")

    @model_validator(mode="after")
    def _ages_in_order(self) -> Self:
        if not self.fresh_ms < self.stale_ms:
            raise ValueError(f"fresh_ms must be below stale_ms = {self.stale_ms!r}")
        return self


class Params(NamedTuple):
    """What the step needs besides the observation (all floats): the proportional law's numbers, and its own."""

    push: proportional.Params
    tolerance_N: float
    fresh_us: float
    stale_us: float
    least: float


class Memory(NamedTuple):
    """The confident law remembers nothing."""


START: Final = Memory()

_OWN: Final = len(Params._fields) - 1
PARAMS_SIZE: Final = proportional.PARAMS_SIZE + _OWN
"""Length of `params_from` as a flat float array."""


def params_from(settings: ConfidentSettings, calibration: Calibration) -> Params:
    """The step's parameters for one wearer. Fields in the units of their names."""
    return Params(
        push=proportional.params_from(settings, calibration),
        tolerance_N=float(settings.tolerance_N),
        fresh_us=float(us_from_ms(settings.fresh_ms)),
        # Both ages are whole microseconds: two that differ by less than one would leave no line between.
        stale_us=float(max(us_from_ms(settings.stale_ms), us_from_ms(settings.fresh_ms) + 1)),
        least=float(settings.least_confidence),
    )


@step
def unpack_params(array: NDArray[Any]) -> Params:
    """`Params` from its flat float array, shape (PARAMS_SIZE,)."""
    return Params(proportional.unpack_params(array), *fixed(array, _OWN, proportional.PARAMS_SIZE))


@step
def confidence(params: Params, age_us: float, stated_sd_N: float) -> float:
    """How far an estimate can be trusted, 0 to 1; 0 when its age or SD is negative or not a number."""
    if not (age_us >= 0.0 and stated_sd_N >= 0.0):
        return 0.0
    ratio = stated_sd_N / params.tolerance_N
    fresh = min(1.0, max(0.0, (params.stale_us - age_us) / (params.stale_us - params.fresh_us)))
    return fresh / (1.0 + ratio * ratio)


@step
def respond(params: Params, target_N: float, estimate_N: float, age_us: float, stated_sd_N: float) -> Demand:
    """The demand for one target and estimate in N, its age in us and stated SD in N."""
    share = confidence(params, age_us, stated_sd_N)
    if not (share > 0.0 and share >= params.least):
        rest = Stimulus(0.0, 0.0, 0.0)
        return Demand(rest, rest)
    return respond_by(params.push, target_N, estimate_N, share)


@step
def decide(params: Params, memory: Memory, observation: Observation) -> tuple[Demand, Memory]:
    """One control tick. Pure: the same arguments always give the same demand."""
    age_us = float(observation.estimate_age_us)
    return respond(params, observation.target_N, observation.estimate_N, age_us, observation.stated_sd_N), memory


@entry
def respond_packed(
    params: NDArray[Any], target_N: float, estimate_N: float, age_us: float, stated_sd_N: float
) -> Demand:
    """`respond` for a caller in Python: `params` flat, shape (PARAMS_SIZE,)."""
    return respond(unpack_params(params), target_N, estimate_N, age_us, stated_sd_N)


@step
def law_step(numbers: Any, _memory: Any, seen: Any, asked: Any) -> None:
    """One control tick over flat floats (see `thenar.shared.by_address`)."""
    answer(asked, respond(unpack_params(numbers), seen[1], seen[2], seen[3], seen[4]))


@by_address
def law_step_by_address(numbers: Any, n: int, memory: Any, m: int, seen: Any, asked: Any) -> int:
    """`law_step` for a compiled loop."""
    law_step(carray(numbers, (n,)), carray(memory, (m,)), carray(seen, (SEEN_SIZE,)), carray(asked, (ASKED_NUMBERS,)))
    return 0


class Confident(SteppedLaw):
    """The confident law for one wearer."""

    Settings = ConfidentSettings
    summary = "proportional, scaled by how sure the sensor is of its estimate and how fresh that is; rests when unsure"
    step = staticmethod(law_step)
    step_by_address = law_step_by_address

    def __init__(self, settings: ConfidentSettings, calibration: Calibration) -> None:
        super().__init__(flat_floats(params_from(settings, calibration)))

    def decide(self, observation: Observation) -> Demand:
        """The demand at this control tick. Raises nothing for any observation of numbers."""
        _, target_N, estimate_N, age_us, stated_sd_N, _, _ = observation
        demand: Demand = respond_packed(self.numbers, target_N, estimate_N, float(age_us), stated_sd_N)
        return demand
