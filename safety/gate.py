"""The pulse gate: every single pulse is checked here against the admitted command and what has left before.

It takes an `Admitted` and nothing else. A pulse has one current and one width for both phases, so it is
balanced by construction and carries both phases or none (R18, R19).
"""

from __future__ import annotations

from typing import Final, NamedTuple

from thenar.safety.arming import lowest_rule
from thenar.safety.budget import Command, budget_of, fired, held
from thenar.safety.ceilings import keeps_ceilings
from thenar.safety.inputs import TIME_RANGE_US
from thenar.safety.intensity import intensity_of
from thenar.safety.interlock import Admitted, seal_of
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits
from thenar.safety.memory import (
    DISARMED,
    ChannelMemory,
    IntensityMemory,
    Latch,
    Memory,
    TrainMemory,
    tripped,
)
from thenar.safety.reasons import (
    R03,
    R04,
    R05,
    R11,
    R21,
    R24,
    R26,
    R34,
    R37,
    R39,
)
from thenar.safety.step_limits import is_silent
from thenar.safety.windows import filling_since_us
from thenar.shared.compiled import step

NOTHING_TO_DO: Final = -1


class GatedPulse(NamedTuple):
    """A pulse that may leave now; `current_uA` 0 means none."""

    current_uA: int
    width_us: int
    gap_us: int


@step
def command_of(admitted: Admitted, channel: int) -> Command:
    """The part of an admitted command that belongs to a channel (0 agonist, 1 antagonist)."""
    if channel == 0:
        return Command(admitted.agonist_current_uA, admitted.agonist_width_us, admitted.agonist_period_us)
    return Command(admitted.antagonist_current_uA, admitted.antagonist_width_us, admitted.antagonist_period_us)


@step
def gate(limits: Limits, memory: Memory, admitted: Admitted, channel: int, t_us: int) -> tuple[GatedPulse, Memory, int]:
    """Whether a pulse may start on `channel` (0 or 1) at `t_us`. Returns (pulse, memory, reasons).

    The window sums in `memory` must be those of `t_us` (the packed door brings them up to date).
    """
    nothing = GatedPulse(0, 0, 0)
    command = command_of(admitted, channel)
    shut = _shut(memory.latch)
    if command.current_uA == 0 or shut != 0:
        return nothing, memory, shut if command.current_uA != 0 else 0
    own_limits = limits.agonist if channel == 0 else limits.antagonist
    own = memory.agonist if channel == 0 else memory.antagonist
    other = memory.antagonist if channel == 0 else memory.agonist
    broken = _broken(own_limits, limits.loop, memory.latch, own.train, admitted, command, t_us)
    if broken != 0:
        return nothing, _with_trip(memory, broken, t_us), broken
    early = _too_early(own_limits, limits.loop, memory.latch, own, other, admitted, command, t_us)
    if early != 0:
        return nothing, memory, early
    budget = budget_of(own_limits, limits.loop, own, command, t_us)
    if budget.trip != 0:
        return nothing, _with_trip(memory, budget.trip, t_us), budget.trip | budget.withhold
    silent = is_silent(limits.loop, own.train, memory.latch.armed_us, t_us)
    intensity = intensity_of(own_limits, limits.loop, own, command, silent, t_us)
    withhold = budget.withhold | intensity.withhold
    if withhold != 0:
        resting = held(own.train, max(budget.hold_until_us, intensity.hold_until_us), withhold)
        return nothing, _with_train(memory, channel, resting, own.intensity), withhold
    train = fired(own, command, budget, admitted.gap_us, t_us)
    after = _with_train(memory, channel, train, intensity.memory)
    return GatedPulse(command.current_uA, command.width_us, admitted.gap_us), after, 0


@step
def next_pulse_us(limits: Limits, memory: Memory, admitted: Admitted, channel: int, t_us: int) -> int:
    """Earliest time, not before `t_us`, at which `channel` may fire under this command; -1 when it may not.

    -1 also when the command will have expired by then, or waits for a fresh one to start softly. Ask
    again after every control tick and after every call of the gate: it never names an instant twice
    at which the gate has already spoken.
    """
    command = command_of(admitted, channel)
    if command.current_uA == 0 or _shut(memory.latch) != 0:
        return NOTHING_TO_DO
    own_limits = limits.agonist if channel == 0 else limits.antagonist
    own = memory.agonist if channel == 0 else memory.antagonist
    other = memory.antagonist if channel == 0 else memory.agonist
    earliest = max(t_us, admitted.admitted_us, own.train.hold_until_us)
    earliest = max(earliest, own.train.pulse_us + max(command.period_us, own_limits.period_min_us))
    earliest = max(earliest, _clear_of_other_us(limits.loop, own, other, earliest))
    if earliest >= admitted.expires_us:
        return NOTHING_TO_DO
    if command.current_uA > own_limits.first_step_uA and is_silent(
        limits.loop, own.train, memory.latch.armed_us, earliest
    ):
        return NOTHING_TO_DO
    return earliest


@step
def _shut(latch: Latch) -> int:
    """R34 while a trip is latched, R05 while disarmed, else 0."""
    if latch.trip != 0:
        return R34
    return R05 if latch.state == DISARMED else 0


@step
def _broken(
    limits: ChannelLimits,
    loop: LoopLimits,
    latch: Latch,
    train: TrainMemory,
    admitted: Admitted,
    command: Command,
    t_us: int,
) -> int:
    """Rules that trip before any pulse is weighed."""
    trip = 0
    if latch.busy > 1 or admitted.seal != seal_of(admitted):
        trip |= R39
    # Asked ahead and then for an earlier time, the sums would lack a bucket that the earlier time still needs.
    covered_us = max(train.pulse_us, filling_since_us(loop, train.short_bucket))
    if t_us < admitted.admitted_us or t_us < covered_us or t_us > TIME_RANGE_US:
        trip |= R04
    if t_us - admitted.admitted_us > loop.command_trip_us:
        trip |= R03
    if t_us - latch.session_us >= loop.session_us:
        trip |= R24
    if not keeps_ceilings(limits, loop, command.current_uA, command.width_us, command.period_us):
        trip |= R37
    return trip


@step
def _clear_of_other_us(loop: LoopLimits, own: ChannelMemory, other: ChannelMemory, t_us: int) -> int:
    """When the other channel's last pulse is far enough behind (R26).

    The first pulse after this channel rose from zero, or after a silence longer than the on-gap, waits for
    the changeover gap.
    """
    first = own.train.pulse_us < own.command.started_us or t_us - own.train.pulse_us > loop.on_gap_us
    return other.train.end_us + (loop.changeover_us if first else loop.pulse_gap_us)


@step
def _too_early(
    limits: ChannelLimits,
    loop: LoopLimits,
    latch: Latch,
    own: ChannelMemory,
    other: ChannelMemory,
    admitted: Admitted,
    command: Command,
    t_us: int,
) -> int:
    """Rules by which this pulse is left out without any use of a budget (all that apply)."""
    reasons = 0
    if t_us >= admitted.expires_us:
        reasons |= R03
    if t_us - own.train.pulse_us < max(command.period_us, limits.period_min_us):
        reasons |= R11
    if t_us < _clear_of_other_us(loop, own, other, t_us):
        reasons |= R26
    if command.current_uA > limits.first_step_uA and is_silent(loop, own.train, latch.armed_us, t_us):
        reasons |= R21
    if t_us < own.train.hold_until_us:
        reasons |= own.train.hold_reasons
    return reasons


@step
def _with_train(memory: Memory, channel: int, train: TrainMemory, intensity: IntensityMemory) -> Memory:
    agonist, antagonist = memory.agonist, memory.antagonist
    if channel == 0:
        agonist = ChannelMemory(agonist.command, agonist.contact, agonist.balance, train, intensity)
    else:
        antagonist = ChannelMemory(antagonist.command, antagonist.contact, antagonist.balance, train, intensity)
    return Memory(memory.latch, memory.loop, memory.estimate, agonist, antagonist)


@step
def _with_trip(memory: Memory, rules: int, t_us: int) -> Memory:
    latch = tripped(memory.latch, lowest_rule(rules), t_us)
    return Memory(latch, memory.loop, memory.estimate, memory.agonist, memory.antagonist)
