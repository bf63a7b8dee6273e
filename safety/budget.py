"""What a pulse would use up, and what is left: sliding windows, charge, session, compliance (R12 to R17, R23, R24)."""

from __future__ import annotations

from typing import NamedTuple

from thenar.safety.ceilings import density_rms_uA
from thenar.safety.limits import ChannelLimits, LoopLimits
from thenar.safety.memory import SHORT_SLOTS, ChannelMemory, TrainMemory
from thenar.safety.reasons import R12, R13, R15, R16, R17, R23, R24
from thenar.safety.windows import next_bucket_us, ramp_room_us
from thenar.shared.compiled import step


class Command(NamedTuple):
    """One channel of an admitted command."""

    current_uA: int
    width_us: int
    period_us: int


class Budget(NamedTuple):
    """What a pulse would use of the windows, and what it asks for: a trip, or silence until a time."""

    charge_pC: int
    square_uA2_us: int
    run: int
    run_since_us: int
    on_us: int
    trip: int
    withhold: int
    hold_until_us: int


@step
def budget_of(limits: ChannelLimits, loop: LoopLimits, own: ChannelMemory, command: Command, t_us: int) -> Budget:
    """The sliding windows with this pulse added (R12, R13, R15, R16, R17, R23, R24).

    On-time counts to the gap after this pulse, which is where a window over it is fullest: the room must be there
    before the pulse leaves. `train.gone_us` must be that of `look_back_from_pulse`.
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
    run, run_since_us, on_us = train.run, train.run_since_us, train.on_us + silence
    if silence >= loop.rest_us:
        run, run_since_us, on_us = train.run + 1, t_us, train.on_us + loop.on_gap_us
    if t_us - run_since_us > limits.run_us or on_us - train.gone_us > limits.on_us:
        withhold |= R23
        until_us = max(until_us, train.pulse_us + loop.recovery_us, t_us + loop.rest_us)
    return Budget(charge_pC, square, run, run_since_us, on_us, trip, withhold, until_us)


@step
def runs_out(limits: ChannelLimits, loop: LoopLimits, own: ChannelMemory, t_us: int) -> bool:
    """R23 at a control tick: whether a channel that goes on can no longer be sure of its ramp to zero.

    Reckoned as if it were on until that ramp's end, in the window that ends there: what leaves the window meanwhile is
    known, so a share of 1 never ends. `train.gone_us` must be that of `look_back_from_ramp`; with that of an earlier
    window the answer may be yes too often, never no.
    """
    train = own.train
    until_us = t_us + ramp_room_us(limits, loop, own.command.current_uA)
    since_us, on_us = train.run_since_us, train.on_us + until_us - train.pulse_us
    if t_us - train.pulse_us >= loop.rest_us:
        since_us, on_us = t_us, train.on_us + until_us - t_us + loop.on_gap_us
    return until_us - since_us > limits.run_us or on_us - train.gone_us > limits.on_us


@step
def fired(own: ChannelMemory, command: Command, budget: Budget, gap_us: int, t_us: int) -> TrainMemory:
    """The train with this pulse in it."""
    train = own.train
    return TrainMemory(
        t_us,
        t_us + 2 * command.width_us + gap_us,
        budget.run_since_us,
        train.total_pC + budget.charge_pC,
        train.saturated_pulses + 1 if own.command.saturated != 0 else 0,
        train.hold_until_us,
        train.hold_reasons,
        train.short_bucket,
        train.window_pC + budget.charge_pC,
        train.window_uA2_us + budget.square_uA2_us,
        budget.on_us,
        train.gone_us,
        budget.run,
        train.oldest_run,
    )


@step
def held(train: TrainMemory, until_us: int, reasons: int) -> TrainMemory:
    """The train silent until a budget may have returned."""
    return TrainMemory(
        train.pulse_us,
        train.end_us,
        train.run_since_us,
        train.total_pC,
        train.saturated_pulses,
        until_us,
        reasons,
        train.short_bucket,
        train.window_pC,
        train.window_uA2_us,
        train.on_us,
        train.gone_us,
        train.run,
        train.oldest_run,
    )
