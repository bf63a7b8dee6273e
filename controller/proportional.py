"""The proportional law: push harder the further the estimate is from the target.

Error = target - estimate. Within the deadband nothing is asked. Beyond it the agonist works when the force is too
low and the antagonist when it is too high. The channel starts at its motor threshold (or at zero) and grows with the
error beyond the deadband: in mA per N at the calibrated width, or in recruited share per N through the inverse
of the calibrated recruitment curve, which makes the evoked force grow in a straight line.

No estimate yet, or one that isn't a number: rest. A late estimate is used as it comes; its age is the interlock's
business.
"""

from __future__ import annotations

import math
from typing import Any, Final, Literal, NamedTuple, Self

import numpy as np
from numba import carray
from numpy.typing import NDArray
from pydantic import Field, model_validator

from thenar.controller.curve import current_for_share
from thenar.controller.pulses import PulsePlan, PulseSettings, answer, pulse_plan, stimulus_for
from thenar.controller.stepped import SteppedLaw
from thenar.shared.by_address import ASKED_NUMBERS, by_address
from thenar.shared.compiled import entry, fixed, flat_floats, step
from thenar.shared.recruitment_curve import recruited_share
from thenar.shared.signals import SEEN_SIZE, Calibration, ChannelCalibration, Demand, Observation, Stimulus


class ProportionalSettings(PulseSettings):
    """Settings of the proportional law. Defaults are our own choice, no source.

    `gain_mA_per_N` stands about 9 times below the gain at which the default body oscillates for ever at 11 N, and 1.97
    times below that of the weakest of the twelve wearers of `key-pinch-ladder` (`thenar margins`).
    """

    deadband_N: float = Field(0.5, ge=0, description="error within which nothing is asked")
    gain_mA_per_N: float = Field(
        0.1, ge=0, description="growth of the current (at the calibrated width) per N beyond the deadband"
    )
    gain_fraction_per_N: float | None = Field(
        None, ge=0, description="growth of the recruited share per N beyond the deadband, instead of gain_mA_per_N"
    )
    start: Literal["motor-threshold", "zero"] = Field(
        "motor-threshold", description="where a channel starts when the error leaves the deadband"
    )

    @model_validator(mode="after")
    def _one_gain(self) -> Self:
        if {"gain_mA_per_N", "gain_fraction_per_N"} <= self.model_fields_set and self.gain_fraction_per_N is not None:
            raise ValueError("give gain_mA_per_N or gain_fraction_per_N, not both")
        return self


class Growth(NamedTuple):
    """One channel's growth from its start, as numbers for compiled steps (all floats)."""

    start_mA: float
    start_share: float
    half_mA: float
    spread: float


class Params(NamedTuple):
    """All that the step needs besides the observation (all floats)."""

    deadband_N: float
    gain: float
    by_share: float
    """1: `gain` is recruited share per N. 0: `gain` is mA per N."""
    agonist: Growth
    agonist_pulses: PulsePlan
    antagonist: Growth
    antagonist_pulses: PulsePlan


class Memory(NamedTuple):
    """The proportional law remembers nothing."""


START: Final = Memory()

_GROWTH: Final = len(Growth._fields)
_PULSES: Final = len(PulsePlan._fields)
_HEAD: Final = 3
_ANTAGONIST: Final = _HEAD + _GROWTH + _PULSES
PARAMS_SIZE: Final = _HEAD + 2 * (_GROWTH + _PULSES)
"""Length of `params_from` as a flat float array (`thenar.shared.compiled.flat_floats`)."""


def params_from(settings: ProportionalSettings, calibration: Calibration) -> Params:
    """The step's parameters for one wearer. Fields in the units of their names."""
    by_share = settings.gain_fraction_per_N is not None
    gain = settings.gain_fraction_per_N if settings.gain_fraction_per_N is not None else settings.gain_mA_per_N
    return Params(
        deadband_N=float(settings.deadband_N),
        gain=float(gain),
        by_share=1.0 if by_share else 0.0,
        agonist=_growth(settings, calibration.agonist),
        agonist_pulses=pulse_plan(settings, calibration.agonist),
        antagonist=_growth(settings, calibration.antagonist),
        antagonist_pulses=pulse_plan(settings, calibration.antagonist),
    )


def _growth(settings: ProportionalSettings, channel: ChannelCalibration) -> Growth:
    start_mA = float(channel.motor_mA) if settings.start == "motor-threshold" else 0.0
    half_mA, spread = float(channel.full_current_mA), float(channel.spread)
    # A channel of which nothing is on file has no curve; its ceiling of zero keeps it at rest.
    start_share = recruited_share(start_mA, half_mA, spread) if half_mA > 0.0 else 0.0
    return Growth(start_mA, start_share, half_mA, spread)


@step
def unpack_params(array: NDArray[np.float64]) -> Params:
    """`Params` from its flat float array, shape (PARAMS_SIZE,)."""
    deadband_N, gain, by_share = fixed(array, _HEAD)
    return Params(
        deadband_N,
        gain,
        by_share,
        Growth(*fixed(array, _GROWTH, _HEAD)),
        PulsePlan(*fixed(array, _PULSES, _HEAD + _GROWTH)),
        Growth(*fixed(array, _GROWTH, _ANTAGONIST)),
        PulsePlan(*fixed(array, _PULSES, _ANTAGONIST + _GROWTH)),
    )


@step
def _grown(params: Params, growth: Growth, pulses: PulsePlan, beyond_N: float) -> Stimulus:
    if params.by_share > 0.0:
        share = growth.start_share + params.gain * beyond_N
        return stimulus_for(pulses, current_for_share(share, growth.half_mA, growth.spread))
    return stimulus_for(pulses, growth.start_mA + params.gain * beyond_N)


@step
def respond(params: Params, target_N: float, estimate_N: float) -> Demand:
    """The demand for one target and estimate in N; rest when their difference isn't a finite number."""
    return respond_by(params, target_N, estimate_N, 1.0)


@step
def respond_by(params: Params, target_N: float, estimate_N: float, share: float) -> Demand:
    """As `respond`, with a growth beyond the start that is `share` (0 to 1) of the full one."""
    rest = Stimulus(0.0, 0.0, 0.0)
    error_N = target_N - estimate_N
    beyond_N = abs(error_N) - params.deadband_N
    if not (math.isfinite(error_N) and beyond_N > 0.0):
        return Demand(rest, rest)
    beyond_N = beyond_N * share
    if error_N > 0.0:
        return Demand(_grown(params, params.agonist, params.agonist_pulses, beyond_N), rest)
    return Demand(rest, _grown(params, params.antagonist, params.antagonist_pulses, beyond_N))


@step
def decide(params: Params, memory: Memory, observation: Observation) -> tuple[Demand, Memory]:
    """One control tick. Pure: the same arguments always give the same demand."""
    return respond(params, observation.target_N, observation.estimate_N), memory


@entry
def respond_packed(params: NDArray[np.float64], target_N: float, estimate_N: float) -> Demand:
    """`respond` for a caller in Python: `params` flat, shape (PARAMS_SIZE,).

    Takes only what the law reads: handing over a whole observation would double the cost of the call.
    """
    return respond(unpack_params(params), target_N, estimate_N)


@step
def law_step(numbers: Any, _memory: Any, seen: Any, asked: Any) -> None:
    """One control tick over flat floats (see `thenar.shared.by_address`)."""
    answer(asked, respond(unpack_params(numbers), seen[1], seen[2]))


@by_address
def law_step_by_address(numbers: Any, n: int, memory: Any, m: int, seen: Any, asked: Any) -> int:
    """`law_step` for a compiled loop."""
    law_step(carray(numbers, (n,)), carray(memory, (m,)), carray(seen, (SEEN_SIZE,)), carray(asked, (ASKED_NUMBERS,)))
    return 0


class Proportional(SteppedLaw):
    """The proportional law for one wearer."""

    Settings = ProportionalSettings
    summary = "pushes harder the further the estimate is from the target, beyond a deadband"
    step = staticmethod(law_step)
    step_by_address = law_step_by_address

    def __init__(self, settings: ProportionalSettings, calibration: Calibration) -> None:
        super().__init__(flat_floats(params_from(settings, calibration)))

    def decide(self, observation: Observation) -> Demand:
        """The demand at this control tick. Raises nothing for any observation of numbers."""
        demand: Demand = respond_packed(self.numbers, observation.target_N, observation.estimate_N)
        return demand
