"""The interlock: a demand and what is sensed in, an admitted command out. Integers only, pure, total.

Nothing else in the program makes an `Admitted`, and the pulse gate takes nothing else. Of all rules that
fire, the gravest answer wins (trip over ramp over withhold over clamp) and every one is reported.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.safety.arming import lowest_rule, next_latch
from thenar.safety.budget import runs_out
from thenar.safety.ceilings import Bounded, bound_demand, cut, energy_trip, keeps_ceilings
from thenar.safety.inputs import (
    LAW_LATE,
    TIME_RANGE_US,
    Asked,
    ChannelAsked,
    Senses,
    asks_nothing,
    between,
    bounded,
)
from thenar.safety.judgement import judge
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits, folded
from thenar.safety.memory import (
    DISARMED,
    NEVER,
    STOPPING,
    BalanceMemory,
    ChannelMemory,
    CommandMemory,
    ContactMemory,
    Latch,
    LoopMemory,
    Memory,
    tripped,
)
from thenar.safety.reasons import R05, R17, R22, R23, R37
from thenar.safety.step_limits import limit_rise, no_further, ramp_top_uA, rounded
from thenar.safety.validity import usable
from thenar.shared.compiled import fixed, step
from thenar.shared.signals import AGONIST, ANTAGONIST

__all__ = ["ADMITTED_SIZE", "Admitted", "Senses", "admit", "start_admitted", "unpack_admitted"]


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


class Ramp(NamedTuple):
    """A ramp to zero: since when (NEVER without one), and the current that each channel began it at."""

    since_us: int
    agonist_from_uA: int
    antagonist_from_uA: int


class Ending(NamedTuple):
    """The ramp to zero at the end of a channel's on-time (R23): since when (NEVER: none), and from which current."""

    since_us: int
    from_uA: int


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
def seal_of(fields: tuple[int, ...]) -> int:
    """The seal that belongs to a command: over its fields but the last one, or over those alone."""
    total = 1
    for index in range(ADMITTED_SIZE - 1):
        total += (2 * index + 1) * folded(fields[index])
    return total


@step
def _sealed(admitted_us: int, expires_us: int, agonist: Bounded, antagonist: Bounded, interphase_us: int) -> Admitted:
    fields = (
        admitted_us,
        expires_us,
        agonist.current_uA,
        agonist.width_us,
        agonist.period_us,
        antagonist.current_uA,
        antagonist.width_us,
        antagonist.period_us,
        interphase_us,
    )
    return Admitted(*(fields + (seal_of(fields),)))  # noqa: RUF005


@step
def admit(limits: Limits, memory: Memory, demand: Asked, senses: Senses, t_us: int) -> tuple[Admitted, Memory, int]:
    """What of a demand may leave the loop. Returns (admitted, memory, reasons); never raises.

    `demand` and `senses` may hold any 64-bit integers. `reasons` has bit n-1 set for each rule Rn that
    fired. Order: validate, latch and arm, ceilings, coupled limits, step limit against the last
    delivered value, rounding toward zero, everything once more.
    """
    senses = bounded(senses)
    now_us = between(t_us, 0, TIME_RANGE_US)
    judged = judge(limits, memory, demand, senses, t_us, now_us)
    findings = judged.findings
    heard = usable(demand, senses)
    late = senses.law_fault == LAW_LATE
    quiet = asks_nothing(demand.agonist) and asks_nothing(demand.antagonist)
    silent = memory.agonist.command.current_uA == 0 and memory.antagonist.command.current_uA == 0

    latch, reasons = next_latch(limits, memory.latch, senses, findings, heard and quiet, silent, judged.mark, now_us)
    live = latch.state != DISARMED
    ramp = 0
    if live:
        ramp = findings.ramp | (R22 if latch.state == STOPPING else 0)
        reasons |= findings.withhold | ramp
    elif latch.trip == 0 and not late and not (heard and quiet):
        reasons |= R05

    agonist_asked = _asked(demand.agonist, memory.agonist.command, heard, late)
    antagonist_asked = _asked(demand.antagonist, memory.antagonist.command, heard, late)
    pair = bound_demand(limits, agonist_asked, antagonist_asked, senses)
    agonist, antagonist = pair.agonist, pair.antagonist

    passed = live and findings.withhold == 0
    ramping = _ramp(limits.loop, memory, ramp if passed else 0, now_us)
    if not passed:
        agonist, antagonist = _NOTHING, _NOTHING
    agonist_ending = _ending(limits.agonist, limits.loop, memory.loop, memory.agonist, agonist, now_us)
    antagonist_ending = _ending(limits.antagonist, limits.loop, memory.loop, memory.antagonist, antagonist, now_us)
    agonist = _stepped(
        limits.agonist, limits.loop, memory.agonist, latch, agonist, ramping, agonist_ending, AGONIST, now_us
    )
    antagonist = _stepped(
        limits.antagonist,
        limits.loop,
        memory.antagonist,
        latch,
        antagonist,
        ramping,
        antagonist_ending,
        ANTAGONIST,
        now_us,
    )
    if judged.soft == 1:
        agonist = no_further(memory.agonist.command, agonist)
    agonist, antagonist = rounded(limits.loop, agonist), rounded(limits.loop, antagonist)
    reasons |= agonist.reasons | antagonist.reasons

    trip = _last_check(limits, agonist_asked, antagonist_asked, agonist, antagonist)
    if trip != 0:
        latch = tripped(latch, lowest_rule(trip), now_us)
        reasons |= trip
        agonist, antagonist = _NOTHING, _NOTHING
    expires_us = now_us + limits.loop.valid_us
    if late and ramp == 0:
        expires_us = min(expires_us, memory.loop.expires_us)
    after = Memory(
        latch,
        LoopMemory(now_us, judged.heard_us, judged.faults, ramping.since_us, expires_us),
        judged.estimate,
        _after(
            memory.agonist,
            agonist,
            judged.agonist_contact,
            judged.agonist_balance,
            ramping.agonist_from_uA,
            agonist_ending,
            senses.agonist_contact_per_mille,
            _saturates(limits.agonist, limits.loop, agonist, senses.agonist_contact_ohm),
            now_us,
        ),
        _after(
            memory.antagonist,
            antagonist,
            judged.antagonist_contact,
            judged.antagonist_balance,
            ramping.antagonist_from_uA,
            antagonist_ending,
            senses.antagonist_contact_per_mille,
            _saturates(limits.antagonist, limits.loop, antagonist, senses.antagonist_contact_ohm),
            now_us,
        ),
    )
    return _sealed(now_us, expires_us, agonist, antagonist, limits.loop.interphase_us), after, reasons


@step
def _asked(demand: ChannelAsked, command: CommandMemory, heard: bool, late: bool) -> ChannelAsked:
    """The demand; what was last admitted while the law is late; nothing when the demand can't be used."""
    if heard:
        return demand
    if late:
        return ChannelAsked(command.current_uA, command.width_us, command.period_us)
    return ChannelAsked(0, 0, 0)


@step
def _saturates(limits: ChannelLimits, loop: LoopLimits, given: Bounded, contact_ohm: int) -> int:
    """1 when the compliance bound R17 is what holds down a current that still flows, and no tighter rule does."""
    if given.reasons & R17 == 0 or given.current_uA == 0:
        return 0
    return 1 if (given.current_uA + max(loop.device_step_uA, 1)) * contact_ohm > limits.compliance_uV else 0


@step
def _ramp(loop: LoopLimits, memory: Memory, ramp: int, t_us: int) -> Ramp:
    """The ramp to zero that runs at this tick; a new one counts from the tick before and what was delivered then."""
    if ramp == 0:
        return Ramp(NEVER, 0, 0)
    if memory.loop.ramp_since_us != NEVER:
        return Ramp(
            memory.loop.ramp_since_us, memory.agonist.command.ramp_from_uA, memory.antagonist.command.ramp_from_uA
        )
    since_us = max(memory.loop.tick_us, t_us - loop.control_period_us)
    if t_us > memory.loop.expires_us:
        # What has expired has fallen silent: a ramp may go on with a command, never bring one back (R03).
        return Ramp(since_us, 0, 0)
    return Ramp(since_us, memory.agonist.command.current_uA, memory.antagonist.command.current_uA)


@step
def _ending(
    limits: ChannelLimits, loop: LoopLimits, before: LoopMemory, own: ChannelMemory, given: Bounded, t_us: int
) -> Ending:
    """The ramp at the end of this channel's on-time: it begins when the on-time left is what it takes to ramp down.

    It stays until the channel has recovered in silence and has room for a ramp up and one down; like every ramp it
    counts from the tick before, and never brings back what has expired.
    """
    past = own.command
    if past.ending_us != NEVER:
        recovered = t_us - own.train.pulse_us >= loop.recovery_us and not runs_out(limits, loop, own, t_us)
        return Ending(NEVER, 0) if recovered else Ending(past.ending_us, past.ending_from_uA)
    if given.current_uA == 0 or not runs_out(limits, loop, own, t_us):
        return Ending(NEVER, 0)
    since_us = max(before.tick_us, t_us - loop.control_period_us)
    return Ending(since_us, 0 if t_us > before.expires_us else past.current_uA)


@step
def _stepped(
    limits: ChannelLimits,
    loop: LoopLimits,
    memory: ChannelMemory,
    latch: Latch,
    given: Bounded,
    ramping: Ramp,
    ending: Ending,
    channel: int,
    t_us: int,
) -> Bounded:
    """One channel after what its own past allows: a used-up on-time, a ramp to zero, the rise.

    The short windows only leave pulses out for a moment, so they don't take the command to zero.
    """
    if memory.train.hold_until_us > t_us and memory.train.hold_reasons & R23 != 0:
        given = cut(given, 0, memory.train.hold_reasons)
    if ending.since_us != NEVER:
        top_uA = ramp_top_uA(limits, ending.from_uA, t_us - ending.since_us)
        given = cut(given, min(top_uA, memory.command.current_uA), R23)
    if ramping.since_us != NEVER:
        from_uA = ramping.agonist_from_uA if channel == AGONIST else ramping.antagonist_from_uA
        top_uA = ramp_top_uA(limits, from_uA, t_us - ramping.since_us)
        given = cut(given, min(top_uA, memory.command.current_uA), 0)  # a ramp never goes up again (R22)
    return limit_rise(limits, loop, memory.command, memory.train, latch.armed_us, given, t_us)


@step
def _last_check(
    limits: Limits, agonist_asked: ChannelAsked, antagonist_asked: ChannelAsked, agonist: Bounded, antagonist: Bounded
) -> int:
    """Rules that trip at the very end: a pulse's energy (R14), or anything that still breaks a bound (R37)."""
    trip = energy_trip(limits.agonist, agonist) | energy_trip(limits.antagonist, antagonist)
    if _kept(limits.agonist, limits.loop, agonist_asked, agonist) and _kept(
        limits.antagonist, limits.loop, antagonist_asked, antagonist
    ):
        return trip
    return trip | R37


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
    balance: BalanceMemory,
    ramp_from_uA: int,
    ending: Ending,
    contact_per_mille: int,
    saturated: int,
    t_us: int,
) -> ChannelMemory:
    """What is remembered of one channel after this tick."""
    past = memory.command
    started_us = t_us if given.current_uA > 0 and past.current_uA == 0 else past.started_us
    rose = given.current_uA > past.current_uA or given.width_us > past.width_us
    risen_us = t_us if rose else past.risen_us
    command = CommandMemory(
        given.current_uA,
        given.width_us,
        given.period_us,
        started_us,
        risen_us,
        ramp_from_uA,
        contact_per_mille,
        saturated,
        ending.since_us,
        ending.from_uA,
    )
    return ChannelMemory(command, contact, balance, memory.train, memory.intensity)
