"""The yielding law: the proportional law, which lets go while the force already moves the right way.

It is one of two laws that care for the wearer's agency: a wearer who is on the way to the target is left alone, and is
helped again where the movement stalls. State machine over the smoothed rate of change of the estimate, counted towards
the target:

    PUSH  -> YIELD  when rate > yield_above_N_per_s     nothing is asked
    YIELD -> PUSH   when rate < resume_below_N_per_s    as the proportional law
    YIELD -> PUSH   when no new estimate has come for longer than rate_tau_ms: it then says nothing of a movement
    any   -> START  when the estimate isn't a number: rest, and the rate is unknown until two more have come

    rate <- (1 - k) rate + k (change since the last estimate) / h,   k = h / (tau + h)

with h the time between the two samples: the derivative of the estimate behind a first-order lag of tau = `rate_tau_ms`.

Limits. The law can't tell own force from evoked force: what the stimulation itself moves also makes it let go, and the
estimate's noise does so now and then: noise of SD s and correlation time t_n gives the rate an SD of about
s / sqrt(tau (tau + t_n)). The rate is as late as the estimate is, and by tau besides. The law has memory, so
`thenar margins` refuses it.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple, Self

from numba import carray
from numpy.typing import NDArray
from pydantic import Field, model_validator

from thenar.controller import proportional
from thenar.controller.proportional import ProportionalSettings
from thenar.controller.pulses import answer
from thenar.controller.stepped import SteppedLaw
from thenar.shared.by_address import ASKED_NUMBERS, by_address
from thenar.shared.compiled import entry, fixed, flat_floats, step, store
from thenar.shared.signals import SEEN_SIZE, Calibration, Demand, Observation, Stimulus
from thenar.shared.ticks import US_PER_S, us_from_ms


class YieldingSettings(ProportionalSettings):
    """Settings of the yielding law: those of the proportional law and its own. Defaults are our own choice."""

    rate_tau_ms: float = Field(
        300.0, gt=0, le=60_000, description="time constant that the estimate's rate of change is smoothed by"
    )
    yield_above_N_per_s: float = Field(
        3.0, gt=0, le=1000, description="rate towards the target above which nothing is asked"
    )
    resume_below_N_per_s: float = Field(
        0.5, ge=0, le=1000, description="rate towards the target below which it pushes again"
    )

    @model_validator(mode="after")
    def _rates_in_order(self) -> Self:
        if self.resume_below_N_per_s > self.yield_above_N_per_s:
            raise ValueError(f"resume_below_N_per_s must be at most yield_above_N_per_s = {self.yield_above_N_per_s!r}")
        return self


class Params(NamedTuple):
    """What the step needs besides the observation (all floats): the proportional law's numbers, and its own."""

    push: proportional.Params
    tau_us: float
    yield_N_per_s: float
    resume_N_per_s: float


class Memory(NamedTuple):
    """The last estimate, when it was sampled and first seen, the smoothed rate, and the state (all floats).

    `known`: 1 once there has been an estimate. `yields`: 1 while the law lets go.
    """

    known: float
    estimate_N: float
    sampled_us: float
    seen_us: float
    rate_N_per_s: float
    yields: float


START: Final = Memory(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)

_OWN: Final = len(Params._fields) - 1
PARAMS_SIZE: Final = proportional.PARAMS_SIZE + _OWN
"""Length of `params_from` as a flat float array."""
MEMORY_SIZE: Final = len(Memory._fields)


def params_from(settings: YieldingSettings, calibration: Calibration) -> Params:
    """The step's parameters for one wearer. Fields in the units of their names."""
    return Params(
        push=proportional.params_from(settings, calibration),
        tau_us=float(us_from_ms(settings.rate_tau_ms)),
        yield_N_per_s=float(settings.yield_above_N_per_s),
        resume_N_per_s=float(settings.resume_below_N_per_s),
    )


@step
def unpack_params(array: NDArray[Any]) -> Params:
    """`Params` from its flat float array, shape (PARAMS_SIZE,)."""
    return Params(proportional.unpack_params(array), *fixed(array, _OWN, proportional.PARAMS_SIZE))


@step
def watched(params: Params, memory: Memory, t_us: float, estimate_N: float, age_us: float) -> Memory:
    """The memory after looking at a finite estimate: its smoothed rate."""
    sampled_us = t_us - age_us
    if memory.known == 0.0:
        return Memory(1.0, estimate_N, sampled_us, t_us, 0.0, 0.0)
    h_us = sampled_us - memory.sampled_us
    rate = memory.rate_N_per_s
    if not h_us > 0.0:  # nothing new
        if t_us - memory.seen_us > params.tau_us:
            rate = 0.0
        return Memory(1.0, memory.estimate_N, memory.sampled_us, memory.seen_us, rate, memory.yields)
    k = h_us / (params.tau_us + h_us)
    rate = (1.0 - k) * rate + k * ((estimate_N - memory.estimate_N) / h_us * US_PER_S)
    if not math.isfinite(rate):  # the change of two huge estimates may be past every number
        rate = 0.0
    return Memory(1.0, estimate_N, sampled_us, t_us, rate, memory.yields)


@step
def still_yields(params: Params, memory: Memory, error_N: float) -> bool:
    """Whether the law lets go at this error, by its rate and what it did before."""
    towards = memory.rate_N_per_s if error_N > 0.0 else -memory.rate_N_per_s
    if memory.yields > 0.0:
        return towards >= params.resume_N_per_s
    return towards > params.yield_N_per_s


@step
def respond(
    params: Params, memory: Memory, t_us: float, target_N: float, estimate_N: float, age_us: float
) -> tuple[Demand, Memory]:
    """The demand at `t_us` for one target and estimate in N of an age in us, and the new memory."""
    rest = Stimulus(0.0, 0.0, 0.0)
    error_N = target_N - estimate_N
    if not math.isfinite(error_N):
        return Demand(rest, rest), Memory(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    seen = watched(params, memory, t_us, estimate_N, age_us)
    yields = still_yields(params, seen, error_N)
    after = Memory(
        seen.known, seen.estimate_N, seen.sampled_us, seen.seen_us, seen.rate_N_per_s, 1.0 if yields else 0.0
    )
    if yields:
        return Demand(rest, rest), after
    return proportional.respond(params.push, target_N, estimate_N), after


@step
def decide(params: Params, memory: Memory, observation: Observation) -> tuple[Demand, Memory]:
    """One control tick. Pure: the same arguments always give the same demand and memory."""
    t_us, age_us = float(observation.t_us), float(observation.estimate_age_us)
    return respond(params, memory, t_us, observation.target_N, observation.estimate_N, age_us)


@entry
def respond_packed(
    params: NDArray[Any], memory: NDArray[Any], t_us: float, target_N: float, estimate_N: float, age_us: float
) -> Demand:
    """`respond` for a caller in Python: flat `params` (PARAMS_SIZE,); `memory` (MEMORY_SIZE,) updated in place."""
    before = Memory(*fixed(memory, MEMORY_SIZE))
    demand, after = respond(unpack_params(params), before, t_us, target_N, estimate_N, age_us)
    store(memory, after)
    return demand


@step
def law_step(numbers: Any, memory: Any, seen: Any, asked: Any) -> None:
    """One control tick over flat floats (see `thenar.shared.by_address`)."""
    before = Memory(*fixed(memory, MEMORY_SIZE))
    demand, after = respond(unpack_params(numbers), before, seen[0], seen[1], seen[2], seen[3])
    store(memory, after)
    answer(asked, demand)


@by_address
def law_step_by_address(numbers: Any, n: int, memory: Any, m: int, seen: Any, asked: Any) -> int:
    """`law_step` for a compiled loop."""
    law_step(carray(numbers, (n,)), carray(memory, (m,)), carray(seen, (SEEN_SIZE,)), carray(asked, (ASKED_NUMBERS,)))
    return 0


class Yielding(SteppedLaw):
    """The yielding law for one wearer."""

    Settings = YieldingSettings
    summary = "proportional, but lets go while the estimate already moves towards the target; back when that stalls"
    step = staticmethod(law_step)
    step_by_address = law_step_by_address

    def __init__(self, settings: YieldingSettings, calibration: Calibration) -> None:
        super().__init__(flat_floats(params_from(settings, calibration)), START)

    def decide(self, observation: Observation) -> Demand:
        """The demand at this control tick; remembers the rate. Raises nothing for any observation of numbers."""
        t_us, target_N, estimate_N, age_us, _, _, _ = observation
        demand: Demand = respond_packed(self.numbers, self.memory, float(t_us), target_N, estimate_N, float(age_us))
        return demand
