"""The bang-bang law: a channel is fully on at its set level, or off.

State machine over the error e = target - estimate (deadband d, hysteresis h, both in N):

    REST  -> PUSH  when e > d               agonist at its level
    REST  -> PULL  when e < -d              antagonist at its level
    PUSH  -> REST  when e < d - h           or straight to PULL when e < -d as well
    PULL  -> REST  when e > h - d           or straight to PUSH when e > d as well
    any   -> REST  when the estimate isn't a number, at once

After every change the state stays for the minimum dwell; only a missing estimate breaks it. The first change is free.
h = 0 switches off where it switches on. h = d switches off on the target. h = 2 d is the widest: a two-way
relay that never rests. More than that would cross the other channel's threshold and is refused.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple, Self

import numpy as np
from numba import carray
from numpy.typing import NDArray
from pydantic import Field, model_validator

from thenar.controller.pulses import PulseSettings, answer, bounded, pulse_plan, stimulus_for
from thenar.controller.stepped import SteppedLaw
from thenar.shared.by_address import ASKED_NUMBERS, by_address
from thenar.shared.compiled import entry, fixed, flat_floats, step, store
from thenar.shared.errors import Strict
from thenar.shared.signals import SEEN_SIZE, Calibration, ChannelCalibration, Demand, Observation, Stimulus
from thenar.shared.ticks import us_from_ms

REST_STATE: Final = 0
PUSH: Final = 1
PULL: Final = 2


class Level(Strict):
    """How hard one channel works while it is on. Give one of the three keys."""

    share: float = Field(
        0.3, ge=0, le=1, description="place of the calibrated current between motor threshold (0) and ceiling (1)"
    )
    current_mA: float | None = Field(
        None, ge=0, description="current instead of a share, only when acting on current; cut at the ceiling"
    )
    width_us: float | None = Field(
        None, ge=0, description="width instead of a share, only when acting on width; cut at the ceiling's charge"
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        given = [name for name in ("share", "current_mA", "width_us") if name in self.model_fields_set]
        if len([name for name in given if getattr(self, name) is not None]) > 1:
            raise ValueError(f"give one of share, current_mA and width_us, not {' and '.join(given)}")
        return self


class BangBangSettings(PulseSettings):
    """Settings of the bang-bang law. Defaults are our own choice, no source."""

    deadband_N: float = Field(0.5, ge=0, description="error beyond which a channel switches on")
    hysteresis_N: float = Field(
        0.3,
        ge=0,
        description="how far the error must come back from the deadband's edge to switch off; at most 2 deadbands",
    )
    minimum_dwell_ms: float = Field(200.0, ge=0, le=3_600_000, description="shortest time between two changes")
    agonist: Level = Field(Level(), description="level of the agonist while it is on")
    antagonist: Level = Field(Level(), description="level of the antagonist while it is on")

    @model_validator(mode="after")
    def _thresholds_in_order(self) -> Self:
        if self.hysteresis_N > 2.0 * self.deadband_N:
            raise ValueError(f"hysteresis_N must be at most 2 * deadband_N = {2.0 * self.deadband_N!r}")
        for name in ("agonist", "antagonist"):
            level: Level = getattr(self, name)
            if level.current_mA is not None and self.acts_on == "width":
                raise ValueError(f'{name}.current_mA only with acts_on = "current" (or use set_current_mA)')
            if level.width_us is not None and self.acts_on == "current":
                raise ValueError(f'{name}.width_us only with acts_on = "width"')
        return self


class Params(NamedTuple):
    """All that the step needs besides the observation (all floats; the levels hold what a channel asks while on)."""

    deadband_N: float
    hysteresis_N: float
    dwell_us: float
    agonist: Stimulus
    antagonist: Stimulus


class Memory(NamedTuple):
    """The state and when it may change next (integers)."""

    state: int
    free_at_us: int


START: Final = Memory(REST_STATE, 0)

_HEAD: Final = 3
_STIMULUS: Final = len(Stimulus._fields)
PARAMS_SIZE: Final = _HEAD + 2 * _STIMULUS
MEMORY_SIZE: Final = len(Memory._fields)


def params_from(settings: BangBangSettings, calibration: Calibration) -> Params:
    """The step's parameters for one wearer. Fields in the units of their names."""
    return Params(
        deadband_N=float(settings.deadband_N),
        hysteresis_N=float(settings.hysteresis_N),
        dwell_us=float(us_from_ms(settings.minimum_dwell_ms)),
        agonist=_level(settings, settings.agonist, calibration.agonist),
        antagonist=_level(settings, settings.antagonist, calibration.antagonist),
    )


def _level(settings: BangBangSettings, level: Level, channel: ChannelCalibration) -> Stimulus:
    pulses = pulse_plan(settings, channel)
    if level.current_mA is not None:
        found = bounded(pulses, float(level.current_mA), pulses.width_us)
    elif level.width_us is not None:
        found = bounded(pulses, pulses.set_current_mA, float(level.width_us))
    else:
        found = stimulus_for(pulses, channel.motor_mA + level.share * (channel.ceiling_mA - channel.motor_mA))
    return Stimulus(float(found.current_mA), float(found.width_us), float(found.rate_Hz))


@step
def unpack_params(array: NDArray[np.float64]) -> Params:
    """`Params` from its flat float array, shape (PARAMS_SIZE,)."""
    deadband_N, hysteresis_N, dwell_us = fixed(array, _HEAD)
    return Params(
        deadband_N,
        hysteresis_N,
        dwell_us,
        Stimulus(*fixed(array, _STIMULUS, _HEAD)),
        Stimulus(*fixed(array, _STIMULUS, _HEAD + _STIMULUS)),
    )


@step
def next_state(params: Params, state: int, error_N: float) -> int:
    """The state that a finite error calls for, without regard to the dwell."""
    inner_N = params.deadband_N - params.hysteresis_N
    if state == PUSH and error_N >= inner_N:
        return PUSH
    if state == PULL and error_N <= -inner_N:
        return PULL
    if error_N > params.deadband_N:
        return PUSH
    if error_N < -params.deadband_N:
        return PULL
    return REST_STATE


@step
def respond(params: Params, memory: Memory, t_us: int, target_N: float, estimate_N: float) -> tuple[Demand, Memory]:
    """The demand at `t_us` for one target and estimate in N, and the new memory."""
    error_N = target_N - estimate_N
    state = memory.state
    if not math.isfinite(error_N):
        state = REST_STATE
    elif t_us >= memory.free_at_us:
        state = next_state(params, memory.state, error_N)
    free_at_us = memory.free_at_us
    if state != memory.state:
        free_at_us = t_us + int(params.dwell_us)
    rest = Stimulus(0.0, 0.0, 0.0)
    demand = Demand(
        params.agonist if state == PUSH else rest,
        params.antagonist if state == PULL else rest,
    )
    return demand, Memory(state, free_at_us)


@step
def decide(params: Params, memory: Memory, observation: Observation) -> tuple[Demand, Memory]:
    """One control tick. Pure: the same arguments always give the same demand and memory."""
    return respond(params, memory, observation.t_us, observation.target_N, observation.estimate_N)


@entry
def respond_packed(
    params: NDArray[np.float64], memory: NDArray[Any], t_us: int, target_N: float, estimate_N: float
) -> Demand:
    """`respond` for a caller in Python: `params` flat, shape (PARAMS_SIZE,); `memory` (MEMORY_SIZE,) updated in place.

    Takes only what the law reads: handing over a whole observation would double the cost of the call.
    """
    before = Memory(int(memory[0]), int(memory[1]))
    demand, after = respond(unpack_params(params), before, t_us, target_N, estimate_N)
    store(memory, after)
    return demand


@step
def law_step(numbers: Any, memory: Any, seen: Any, asked: Any) -> None:
    """One control tick over flat floats (see `thenar.shared.by_address`)."""
    before = Memory(int(memory[0]), int(memory[1]))
    demand, after = respond(unpack_params(numbers), before, int(seen[0]), seen[1], seen[2])
    store(memory, after)
    answer(asked, demand)


@by_address
def law_step_by_address(numbers: Any, n: int, memory: Any, m: int, seen: Any, asked: Any) -> int:
    """`law_step` for a compiled loop."""
    law_step(carray(numbers, (n,)), carray(memory, (m,)), carray(seen, (SEEN_SIZE,)), carray(asked, (ASKED_NUMBERS,)))
    return 0


class BangBang(SteppedLaw):
    """The bang-bang law for one wearer."""

    Settings = BangBangSettings
    summary = "switches a channel on at a set level beyond a deadband, off again with hysteresis, with a minimum dwell"

    step = staticmethod(law_step)
    step_by_address = law_step_by_address

    def __init__(self, settings: BangBangSettings, calibration: Calibration) -> None:
        super().__init__(flat_floats(params_from(settings, calibration)), map(float, START))

    def decide(self, observation: Observation) -> Demand:
        """The demand at this control tick; remembers the state. Raises nothing for any observation of numbers."""
        demand: Demand = respond_packed(
            self.numbers, self.memory, observation.t_us, observation.target_N, observation.estimate_N
        )
        return demand
