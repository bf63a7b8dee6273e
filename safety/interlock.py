"""The interlock: a demand and what is sensed in, an admitted command out. Integers only, pure, total.

Nothing else in the program makes an `Admitted`, and the pulse gate takes nothing else. Of all rules that
fire, the gravest answer wins (trip over ramp over withhold over clamp) and every one is reported.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.safety.arming import Findings, next_latch
from thenar.safety.ceilings import Bounded, bound_both, bound_channel, energy_trip, keeps_ceilings
from thenar.safety.inputs import (
    LAW_LATE,
    TIME_RANGE_US,
    Asked,
    ChannelAsked,
    Senses,
    asks_nothing,
    between,
    bounded,
    unpack_asked,
    unpack_senses,
)
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits, limits_mark
from thenar.safety.memory import (
    DISARMED,
    NEVER,
    STOPPING,
    ChannelMemory,
    CommandMemory,
    ContactMemory,
    Latch,
    LoopMemory,
    Memory,
    tripped,
)
from thenar.safety.plausibility import judge_contact, judge_estimate
from thenar.safety.reasons import R05, R17, R22, R24, R35, R37, R39
from thenar.safety.step_limits import cut, limit_rise, no_further, ramp_top_uA, rounded
from thenar.safety.validity import judge_clock, judge_demand, usable
from thenar.shared.compiled import fixed, step

__all__ = ["ADMITTED_SIZE", "Admitted", "Senses", "admit", "start_admitted", "unpack_admitted", "unpack_asked"]
__all__ += ["unpack_senses"]


class Admitted(NamedTuple):
    """A command that may leave the loop from `admitted_us` until just before `expires_us`.

    `gap_us` is the pause between the two phases of each pulse. `seal` ties the other fields together:
    the gate refuses a command that something else has written (R39).
    """

    admitted_us: int
    expires_us: int
    agonist_current_uA: int
    agonist_width_us: int
    agonist_period_us: int
    antagonist_current_uA: int
    antagonist_width_us: int
    antagonist_period_us: int
    gap_us: int
    seal: int


ADMITTED_SIZE: Final = 10
_NOTHING: Final = Bounded(0, 0, 0, 0)


def start_admitted() -> NDArray[np.int64]:
    """The flat form of a command before any was admitted: nothing, already expired."""
    return np.zeros(ADMITTED_SIZE, dtype=np.int64)


@step
def unpack_admitted(array: NDArray[Any]) -> Admitted:
    """A command from its flat int64 form (shape (ADMITTED_SIZE,)); its seal is checked by the gate."""
    return Admitted(*fixed(array, ADMITTED_SIZE))


@step
def seal_of(admitted: Admitted) -> int:
    """The seal that belongs to a command's other fields."""
    total = 1
    for index in range(ADMITTED_SIZE - 1):
        total += (2 * index + 1) * (admitted[index] & 0xFFFFFFFFFF)
    return total


@step
def _sealed(
    admitted_us: int, expires_us: int, agonist: Bounded, antagonist: Bounded, interphase_us: int
) -> Admitted:
    blank = Admitted(
        admitted_us,
        expires_us,
        agonist.current_uA,
        agonist.width_us,
        agonist.period_us,
        antagonist.current_uA,
        antagonist.width_us,
        antagonist.period_us,
        interphase_us,
        0,
    )
    return Admitted(
        admitted_us,
        expires_us,
        agonist.current_uA,
        agonist.width_us,
        agonist.period_us,
        antagonist.current_uA,
        antagonist.width_us,
        antagonist.period_us,
        interphase_us,
        seal_of(blank),
    )


@step
def admit(
    limits: Limits, memory: Memory, demand: Asked, senses: Senses, t_us: int
) -> tuple[Admitted, Memory, int]:
    """What of a demand may leave the loop. Returns (admitted, memory, reasons); never raises.

    `demand` and `senses` may hold any 64-bit integers. `reasons` has bit n-1 set for each rule Rn that
    fired. Order: validate, latch and arm, ceilings, coupled limits, step limit against the last
    delivered value, rounding toward zero, everything once more.
    """
    loop = limits.loop
    senses = bounded(senses)
    now_us = between(t_us, 0, TIME_RANGE_US)
    agonist_contact, agonist_bad = judge_contact(
        limits.agonist, loop, memory.agonist.contact, senses.agonist_contact_ohm, now_us
    )
    antagonist_contact, antagonist_bad = judge_contact(
        limits.antagonist, loop, memory.antagonist.contact, senses.antagonist_contact_ohm, now_us
    )
    clock = judge_clock(loop, memory.loop, t_us)
    heard_us, faults, answer = judge_demand(loop, memory.loop, demand, senses, memory.latch.state, now_us)
    pushing = _pushes(limits.agonist, memory.agonist.command) or _pushes(
        limits.antagonist, memory.antagonist.command
    )
    estimate, verdict = judge_estimate(loop, memory.estimate, senses, pushing, memory.latch.state, now_us)
    mark = limits_mark(limits)
    findings = Findings(
        clock.withhold | answer.withhold,
        answer.ramp | verdict.ramp,
        clock.trip
        | answer.trip
        | verdict.trip
        | agonist_bad
        | antagonist_bad
        | _session_findings(loop, memory.latch, mark, now_us),
    )

    heard = usable(demand, senses)
    quiet = asks_nothing(demand.agonist) and asks_nothing(demand.antagonist)
    silent = memory.agonist.command.current_uA == 0 and memory.antagonist.command.current_uA == 0
    latch, reasons = next_latch(limits, memory.latch, senses, findings, heard and quiet, silent, mark, now_us)
    live = latch.state != DISARMED
    ramp = 0
    if live:
        ramp = findings.ramp | (R22 if latch.state == STOPPING else 0)
        reasons |= findings.withhold | ramp
    elif latch.trip == 0 and heard and not quiet:
        reasons |= R05

    late = senses.law_fault == LAW_LATE
    agonist_asked = _asked(demand.agonist, memory.agonist.command, heard, late)
    antagonist_asked = _asked(demand.antagonist, memory.antagonist.command, heard, late)
    agonist = bound_channel(
        limits.agonist, agonist_asked, senses.agonist_contact_ohm, senses.agonist_contact_per_mille
    )
    antagonist = bound_channel(
        limits.antagonist, antagonist_asked, senses.antagonist_contact_ohm, senses.antagonist_contact_per_mille
    )
    agonist_saturated = 1 if agonist.reasons & R17 else 0
    antagonist_saturated = 1 if antagonist.reasons & R17 else 0
    agonist, antagonist = bound_both(
        limits, agonist_asked.current_uA, antagonist_asked.current_uA, agonist, antagonist
    )
    ramp_since_us = _ramp_since(loop, memory.loop, ramp, now_us)
    if not live or findings.withhold != 0:
        agonist, antagonist = _NOTHING, _NOTHING
        ramp_since_us = NEVER
    starting_ramp = ramp_since_us != NEVER and memory.loop.ramp_since_us == NEVER
    agonist, agonist_from = _stepped(
        limits.agonist, loop, memory.agonist, latch.armed_us, agonist, starting_ramp, ramp_since_us, now_us
    )
    antagonist, antagonist_from = _stepped(
        limits.antagonist, loop, memory.antagonist, latch.armed_us, antagonist, starting_ramp, ramp_since_us, now_us
    )
    if verdict.soft == 1:
        agonist = no_further(memory.agonist.command, agonist)
    agonist, antagonist = rounded(loop, agonist), rounded(loop, antagonist)
    reasons |= agonist.reasons | antagonist.reasons

    trip = energy_trip(limits.agonist, agonist) | energy_trip(limits.antagonist, antagonist)
    if trip == 0 and not (
        _kept(limits.agonist, loop, agonist_asked, agonist)
        and _kept(limits.antagonist, loop, antagonist_asked, antagonist)
    ):
        trip = R37
    if trip != 0:
        latch = tripped(latch, 37 if trip == R37 else 14, now_us)
        reasons |= trip
        agonist, antagonist = _NOTHING, _NOTHING
    expires_us = now_us + loop.valid_us
    if late and ramp == 0:
        expires_us = min(expires_us, memory.loop.expires_us)
    after = Memory(
        latch,
        LoopMemory(now_us, heard_us, faults, ramp_since_us, expires_us),
        estimate,
        _after(memory.agonist, agonist, agonist_contact, agonist_from, senses.agonist_contact_per_mille,
               agonist_saturated, now_us),
        _after(memory.antagonist, antagonist, antagonist_contact, antagonist_from,
               senses.antagonist_contact_per_mille, antagonist_saturated, now_us),
    )
    return _sealed(now_us, expires_us, agonist, antagonist, loop.interphase_us), after, reasons


@step
def _pushes(limits: ChannelLimits, command: CommandMemory) -> bool:
    """Whether the channel delivers enough that the muscle must answer."""
    return command.current_uA >= max(limits.motor_uA, 1)


@step
def _session_findings(loop: LoopLimits, latch: Latch, mark: int, t_us: int) -> int:
    """Trips that belong to the session: its end (R24), changed limits (R35), a call that broke off (R39)."""
    trip = 0
    if latch.session_us != NEVER and t_us - latch.session_us >= loop.session_us:
        trip |= R24
    if mark != latch.mark and (latch.state != DISARMED or latch.trip == 35):
        trip |= R35
    if latch.busy > 1:
        trip |= R39
    return trip


@step
def _asked(demand: ChannelAsked, command: CommandMemory, heard: bool, late: bool) -> ChannelAsked:
    """The demand; what was last admitted while the law is late; nothing when the demand can't be used."""
    if heard:
        return demand
    if late:
        return ChannelAsked(command.current_uA, command.width_us, command.period_us)
    return ChannelAsked(0, 0, 0)


@step
def _ramp_since(loop: LoopLimits, past: LoopMemory, ramp: int, t_us: int) -> int:
    """When the running ramp to zero began, NEVER without one. A new one counts from the tick before."""
    if ramp == 0:
        return NEVER
    if past.ramp_since_us != NEVER:
        return past.ramp_since_us
    return max(past.tick_us, t_us - loop.control_period_us)


@step
def _stepped(
    limits: ChannelLimits,
    loop: LoopLimits,
    memory: ChannelMemory,
    armed_us: int,
    given: Bounded,
    starting_ramp: bool,
    ramp_since_us: int,
    t_us: int,
) -> tuple[Bounded, int]:
    """One channel after what its own past allows. Returns it and the current its ramp began at."""
    ramp_from_uA = memory.command.current_uA if starting_ramp else memory.command.ramp_from_uA
    if memory.train.hold_until_us > t_us:
        given = cut(given, 0, memory.train.hold_reasons)
    if ramp_since_us != NEVER:
        given = cut(given, ramp_top_uA(limits, ramp_from_uA, t_us - ramp_since_us), 0)
    return limit_rise(limits, loop, memory.command, memory.train, armed_us, given, t_us), ramp_from_uA


@step
def _kept(limits: ChannelLimits, loop: LoopLimits, asked: ChannelAsked, given: Bounded) -> bool:
    """R37 and the bounds once more: never more than asked on any axis, and inside every fixed bound."""
    if given.current_uA == 0:
        return True
    return (
        given.current_uA <= asked.current_uA
        and given.width_us <= asked.width_us
        and given.period_us >= asked.period_us
        and keeps_ceilings(limits, loop, given.current_uA, given.width_us, given.period_us)
    )


@step
def _after(
    memory: ChannelMemory,
    given: Bounded,
    contact: ContactMemory,
    ramp_from_uA: int,
    contact_per_mille: int,
    saturated: int,
    t_us: int,
) -> ChannelMemory:
    """What is remembered of one channel after this tick."""
    past = memory.command
    started_us = t_us if given.current_uA > 0 and past.current_uA == 0 else past.started_us
    risen_us = t_us if given.current_uA > past.current_uA else past.risen_us
    command = CommandMemory(
        given.current_uA,
        given.width_us,
        given.period_us,
        started_us,
        risen_us,
        ramp_from_uA,
        contact_per_mille,
        saturated if given.current_uA > 0 else 0,
    )
    return ChannelMemory(command, contact, memory.train)
