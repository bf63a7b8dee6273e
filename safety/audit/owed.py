"""Pulses against the commands that were admitted: what was owed must have left, then, and as it was admitted (R38).

While a command lives (the loop open, nothing latched, not expired, no later decision) a pulse leaves at the earliest
instant that is permitted: its own period and the profile's least spacing after the last one (R11), clear of the other
channel (R26), and under a first step's command alone once the channel is silent (R21). Four things may hold it back:
- R12, R13 and R16 count in fiftieths of their second, the filling one and fifty before it, and then until that
  fiftieth ends. This margin is the interlock's own, so it is computed here as it is stated there.
- R40: a pulse that would rise too fast waits for the first microsecond at which it doesn't, whatever is admitted then.
- R23: a pulse that would break it isn't owed, nor is any other until the channel's next pulse.
- A pulse for which R13, R15, R17 or R24 would trip isn't owed: the loop latches instead.
What is owed at the instant at which a latch or a stop fell isn't missed.
"""

from __future__ import annotations

from typing import Any, Final

from numpy.typing import NDArray

from thenar.safety.audit.books import Notes, Where, at_most, met
from thenar.safety.audit.checks import R38_OWED, R38_SAME
from thenar.safety.audit.pulses import allowed_pC_s, counted_pC
from thenar.shared.compiled import step_for_all as step

US_PER_S: Final = 1_000_000
BUCKETS: Final = 50
NEVER_DUE: Final = 1_000_000_000_000_000_000
MOST_SQUARE: Final = 1 << 48
"""A pulse's squared current counts as no more in the buckets, so that forged logs can't overflow them."""
HIGHEST_UA: Final = 1_000_000


@step
def _due_us(limits: Any, loop: Any, now: Any, own: Any, other: Any) -> int:
    """When the next pulse of the channel's command may leave at the earliest, but for the windows; NEVER_DUE for not.

    The changeover gap holds for the first pulse since the current rose from zero, or after a silence longer than the
    on-gap. Waiting may make that silence, so it is asked twice.
    """
    if own.admitted_uA == 0 or own.excused == 1:
        return NEVER_DUE
    due_us = max(now.t_us, own.hold_us, own.pulse_us + max(own.admitted_period_us, limits.period_min_us))
    for _ in range(2):
        first = own.pulse_us < own.started_us or due_us - own.pulse_us > loop.on_gap_us
        due_us = max(due_us, other.end_us + (loop.changeover_us if first else loop.pulse_gap_us))
    silent = own.pulse_us < now.armed_us or due_us - own.pulse_us >= loop.rest_us
    return NEVER_DUE if silent and own.admitted_uA > limits.first_step_uA else int(due_us)


@step
def _bucket_us(loop: Any) -> int:
    return int(max(-(-loop.short_window_us // BUCKETS), 1))


@step
def _counted_to(own: Any, past: NDArray[Any], since_us: int) -> None:
    """Take out of the buckets what left before `since_us`."""
    while own.bucket_at < own.end_at and past[own.bucket_at].t_us < since_us:
        own.bucket_pC -= past[own.bucket_at].charge_pC
        own.bucket_square -= min(past[own.bucket_at].square, MOST_SQUARE)
        own.bucket_at += 1


@step
def _share_uA(limits: Any, own: Any, bound_uA_per_cm2: int) -> int:
    share = limits.contact_assumed_per_mille if own.per_mille < 0 else own.per_mille
    return int(min(bound_uA_per_cm2 * limits.area_mm2 * share // 100_000, HIGHEST_UA))


@step
def _trips(limits: Any, loop: Any, now: Any, own: Any, charge_pC: int, spent: int, due_us: int) -> bool:
    """Whether the loop latches at this pulse instead of giving it."""
    trip_uA = _share_uA(limits, own, limits.density_trip_uA_per_cm2)
    return bool(
        own.total_pC + charge_pC > limits.total_pC
        or own.lowered_pulses + own.lowered > loop.saturated_pulses
        or spent > limits.power_rms_uA * limits.power_rms_uA * loop.short_window_us
        or own.bucket_square > trip_uA * trip_uA * loop.short_window_us
        or due_us - now.session_us >= loop.session_us
    )


@step
def _runs_out(limits: Any, loop: Any, own: Any, past: NDArray[Any], due_us: int) -> bool:
    """Whether a pulse then would use up the on-time (R23), in the window that ends with the gap after it."""
    silence_us = due_us - own.pulse_us
    goes_on = silence_us < loop.rest_us
    if goes_on and own.run_us + silence_us > limits.run_us:
        return True
    opens_us = due_us + loop.on_gap_us - loop.long_window_us
    used_us = own.on_us + (silence_us if goes_on else loop.on_gap_us)
    at = own.long_at
    while at < own.end_at - 1 and past[at].t_us + past[at].on_us <= opens_us:
        used_us -= past[at].on_us
        at += 1
    if at < own.end_at:
        last_us = past[at].on_us if at < own.end_at - 1 or not goes_on else due_us - past[at].t_us
        used_us -= min(max(0, opens_us - past[at].t_us), last_us)
    return bool(used_us > limits.on_us)


@step
def _gentle_us(limits: Any, loop: Any, now: Any, own: Any, due_us: int) -> int:
    """R40: when a pulse that is due may leave without a rise that is too fast; a rest ends the waiting."""
    since_us = due_us - own.pulse_us
    if own.pulse_us < now.armed_us or since_us >= loop.rest_us:
        return due_us
    counted = counted_pC(limits, own.admitted_uA, own.admitted_us) * US_PER_S
    if counted <= allowed_pC_s(limits, loop, own, since_us) * since_us:
        return due_us
    last_us = loop.rest_us
    while last_us - since_us > 1:
        middle_us = (since_us + last_us) // 2
        if counted <= allowed_pC_s(limits, loop, own, middle_us) * middle_us:
            last_us = middle_us
        else:
            since_us = middle_us
    return int(own.pulse_us + last_us)


@step
def missed(
    notes: Notes, limits: Any, loop: Any, now: Any, own: Any, other: Any, past: NDArray[Any], channel: int, end_us: int
) -> None:
    """R38: note a pulse that the channel's command owed before `end_us` and that isn't there. Once per command."""
    if now.state == 0 or now.trip != 0 or own.admitted_uA == 0:
        return
    end_us = min(end_us, now.expires_us)
    length_us = _bucket_us(loop)
    charge_pC = 2 * own.admitted_uA * own.admitted_us
    square = min(own.admitted_uA * charge_pC, MOST_SQUARE)
    while True:
        due_us = _due_us(limits, loop, now, own, other)
        if due_us >= end_us:
            return
        bucket = due_us // length_us
        _counted_to(own, past, (bucket - BUCKETS) * length_us)
        spent = own.bucket_square + square
        density_uA = _share_uA(limits, own, limits.density_rms_uA_per_cm2)
        gentle_us = _gentle_us(limits, loop, now, own, due_us)
        if _trips(limits, loop, now, own, charge_pC, spent, due_us) or _runs_out(limits, loop, own, past, due_us):
            own.excused = 1
        elif (
            spent > limits.rms_uA * limits.rms_uA * loop.short_window_us
            or spent > density_uA * density_uA * loop.short_window_us
            or own.bucket_pC + charge_pC > limits.rectified_pC
        ):
            own.hold_us = max((bucket + 1) * length_us, gentle_us)
        elif gentle_us > due_us:
            own.hold_us = gentle_us
        else:
            own.excused = 1
            at_most(notes, R38_OWED, Where(now.trial, due_us, channel), 1, 0)


@step
def same(notes: Notes, loop: Any, own: Any, where: Where, pulse: Any) -> None:
    """R38: a pulse is no less than the admitted one, and its pause is the profile's. More is for R37 to say."""
    if own.admitted_uA == 0:
        return
    met(notes, R38_OWED)
    met(notes, R38_SAME)
    less = max(own.admitted_uA - pulse.current_uA, own.admitted_us - pulse.width_us)
    at_most(notes, R38_SAME, where, max(less, abs(pulse.gap_us - loop.interphase_us), 0), 0)


@step
def counted(loop: Any, own: Any, past: NDArray[Any], where: Where, charge_pC: int, square: int) -> None:
    """Put a pulse that left into the buckets; from here on the channel owes its next one."""
    length_us = _bucket_us(loop)
    _counted_to(own, past, (where.t_us // length_us - BUCKETS) * length_us)
    own.bucket_pC += charge_pC
    own.bucket_square += min(square, MOST_SQUARE)
    own.excused = 0


@step
def decided(now: Any, own: Any, current_uA: int) -> None:
    """Remember when a channel's current last rose from zero, before a tick's command takes effect."""
    if current_uA > 0 and own.admitted_uA == 0:
        own.started_us = now.t_us


@step
def command_ends_us(now: Any, row: Any) -> int:
    """Until when the commands before a row of the decision log held: until it, or until a latch that it tells of."""
    if row.trip != 0 and now.t_us <= row.trip_us:
        return int(min(row.t_us, row.trip_us))
    return int(row.t_us)
