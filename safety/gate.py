"""The pulse gate: every single pulse is checked here against the admitted command and what has left before.

It takes an `Admitted` and nothing else. A pulse has one current and one width for both phases, so it is
balanced by construction and carries both phases or none (R18, R19).
"""

from __future__ import annotations

from typing import Final, NamedTuple

from thenar.safety.arming import lowest_rule
from thenar.safety.ceilings import density_rms_uA, keeps_ceilings
from thenar.safety.inputs import TIME_RANGE_US
from thenar.safety.interlock import Admitted, seal_of
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits
from thenar.safety.memory import (
    DISARMED,
    LONG_SLOTS,
    SHORT_SLOTS,
    ChannelMemory,
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
    R12,
    R13,
    R15,
    R16,
    R17,
    R21,
    R23,
    R24,
    R26,
    R34,
    R37,
    R39,
)
from thenar.safety.step_limits import is_silent
from thenar.safety.windows import next_bucket_us
from thenar.shared.compiled import step

NOTHING_TO_DO: Final = -1


class GatedPulse(NamedTuple):
    """A pulse that may leave now; `current_uA` 0 means none."""

    current_uA: int
    width_us: int
    gap_us: int


class Command(NamedTuple):
    """One channel of an admitted command."""

    current_uA: int
    width_us: int
    period_us: int


class Budget(NamedTuple):
    """What a pulse would use of the windows, and what it asks for: a trip, or silence until a time."""

    charge_pC: int
    square_uA2_us: int
    on_us: int
    run_us: int
    trip: int
    withhold: int
    hold_until_us: int


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
    budget = _budget(own_limits, limits.loop, own, command, t_us)
    if budget.trip != 0:
        return nothing, _with_trip(memory, budget.trip, t_us), budget.trip | budget.withhold
    if budget.withhold != 0:
        held = _held(own.train, budget.hold_until_us, budget.withhold)
        return nothing, _with_train(memory, channel, held), budget.withhold
    fired = _fired(own, command, budget, admitted.gap_us, t_us)
    return GatedPulse(command.current_uA, command.width_us, admitted.gap_us), _with_train(memory, channel, fired), 0


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
    if t_us < admitted.admitted_us or t_us < train.pulse_us or t_us > TIME_RANGE_US:
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
def _budget(limits: ChannelLimits, loop: LoopLimits, own: ChannelMemory, command: Command, t_us: int) -> Budget:
    """The sliding windows with this pulse added (R12, R13, R15, R16, R17, R23, R24).

    A pulse after a break adds no on-time itself, but needs room for the one that follows: else a used-up
    budget would let one pulse through in every bucket.
    """
    train = own.train
    charge_pC = 2 * command.current_uA * command.width_us
    square = command.current_uA * charge_pC
    window = loop.short_window_us
    trip_uA = density_rms_uA(limits, limits.density_trip_uA_per_cm2, own.command.contact_per_mille)
    spent = train.window_uA2_us + square
    trip = 0
    if train.total_pC + charge_pC > limits.total_pC:
        trip |= R24
    if train.saturated_pulses + own.command.saturated > loop.saturated_pulses:
        trip |= R17
    if spent > limits.power_rms_uA * limits.power_rms_uA * window:
        trip |= R15
    if train.window_uA2_us > trip_uA * trip_uA * window:
        trip |= R13
    density_uA = density_rms_uA(limits, limits.density_rms_uA_per_cm2, own.command.contact_per_mille)
    withhold = 0
    until_us = t_us
    if spent > limits.rms_uA * limits.rms_uA * window:
        withhold |= R12
    if spent > density_uA * density_uA * window:
        withhold |= R13
    if train.window_pC + charge_pC > limits.rectified_pC:
        withhold |= R16
    if withhold != 0:
        until_us = next_bucket_us(window, SHORT_SLOTS, t_us)
    silence = t_us - train.pulse_us
    on_us = silence if silence <= loop.on_gap_us else 0
    run_us = 0 if silence >= loop.rest_us else train.run_us + on_us
    needed_us = on_us if on_us > 0 else min(command.period_us, loop.on_gap_us)
    if run_us > limits.run_us:
        withhold |= R23
        until_us = max(until_us, train.pulse_us + loop.rest_us)
    if train.window_on_us + needed_us > limits.on_us:
        withhold |= R23
        until_us = max(until_us, next_bucket_us(loop.long_window_us, LONG_SLOTS, t_us))
    return Budget(charge_pC, square, on_us, run_us, trip, withhold, until_us)


@step
def _fired(own: ChannelMemory, command: Command, budget: Budget, gap_us: int, t_us: int) -> TrainMemory:
    """The train with this pulse in it."""
    train = own.train
    return TrainMemory(
        t_us,
        t_us + 2 * command.width_us + gap_us,
        budget.run_us,
        train.total_pC + budget.charge_pC,
        train.saturated_pulses + 1 if own.command.saturated != 0 else 0,
        train.hold_until_us,
        train.hold_reasons,
        train.short_bucket,
        train.long_bucket,
        train.window_pC + budget.charge_pC,
        train.window_uA2_us + budget.square_uA2_us,
        train.window_on_us + budget.on_us,
    )


@step
def _held(train: TrainMemory, until_us: int, reasons: int) -> TrainMemory:
    """The train silent until a budget may have returned."""
    return TrainMemory(
        train.pulse_us,
        train.end_us,
        train.run_us,
        train.total_pC,
        train.saturated_pulses,
        until_us,
        reasons,
        train.short_bucket,
        train.long_bucket,
        train.window_pC,
        train.window_uA2_us,
        train.window_on_us,
    )


@step
def _with_train(memory: Memory, channel: int, train: TrainMemory) -> Memory:
    agonist, antagonist = memory.agonist, memory.antagonist
    if channel == 0:
        agonist = ChannelMemory(agonist.command, agonist.contact, train)
    else:
        antagonist = ChannelMemory(antagonist.command, antagonist.contact, train)
    return Memory(memory.latch, memory.loop, memory.estimate, agonist, antagonist)


@step
def _with_trip(memory: Memory, rules: int, t_us: int) -> Memory:
    latch = tripped(memory.latch, lowest_rule(rules), t_us)
    return Memory(latch, memory.loop, memory.estimate, memory.agonist, memory.antagonist)
