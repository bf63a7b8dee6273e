"""One pulse against the limits and against every pulse before it. Windows are closed: [t - W, t] over pulse starts."""

from __future__ import annotations

from typing import Any, Final

from numpy.typing import NDArray

from thenar.safety.audit.books import Notes, Where, at_least, at_most, met
from thenar.safety.audit.checks import (
    R06,
    R07,
    R08_NARROW,
    R08_WIDE,
    R09,
    R10,
    R11,
    R12,
    R13,
    R14,
    R15,
    R16,
    R18_PULSE,
    R19_PULSE,
    R20_PULSE,
    R20_WIDTH_PULSE,
    R21,
    R23_RECOVERY,
    R23_RUN,
    R23_WINDOW,
    R24_CHARGE,
    R24_TIME,
    R26,
    R26_CHANGEOVER,
    R29,
    R36,
    R40,
)
from thenar.safety.audit.memory import LONG_AGO
from thenar.shared.compiled import step_for_all as step

US_PER_S: Final = 1_000_000
HALF_BITS: Final = 31
LARGEST: Final = 1 << 62
LONGEST_US: Final = 10_000_000
MOST_PC: Final = 100_000_000_000
"""More than any pulse carries, or any channel delivers in a second: forged numbers are cut there."""
"""Rises are reckoned over at most 10 s: more time than any ramp to the hard ceilings needs."""


@step
def single_pulse(notes: Notes, limits: Any, loop: Any, where: Where, current: int, width: int) -> None:
    """R06 to R10, R14 and R36: what one pulse shows by itself."""
    near = current + loop.device_step_uA
    charge = current * width
    energy_fJ, energy_bound_fJ = current * current * width, limits.energy_aJ // 1_000
    if near >= limits.peak_uA:
        met(notes, R06)
    if near >= limits.ceiling_uA:
        met(notes, R07)
    if width >= limits.width_max_us:
        met(notes, R08_WIDE)
    if width <= limits.width_min_us:
        met(notes, R08_NARROW)
    if near * width > limits.charge_pC:
        met(notes, R09)
    if near * width > limits.density_charge_pC:
        met(notes, R10)
    if energy_fJ >= energy_bound_fJ // 10 * 9:
        met(notes, R14)
    met(notes, R36)
    at_most(notes, R06, where, current, limits.peak_uA)
    at_most(notes, R07, where, current, limits.ceiling_uA)
    at_most(notes, R08_WIDE, where, width, limits.width_max_us)
    at_least(notes, R08_NARROW, where, width, limits.width_min_us)
    at_most(notes, R09, where, charge, limits.charge_pC)
    at_most(notes, R10, where, charge, limits.density_charge_pC)
    at_most(notes, R14, where, energy_fJ, energy_bound_fJ)
    at_most(notes, R36, where, current % max(loop.device_step_uA, 1), 0)


@step
def spacing(notes: Notes, limits: Any, loop: Any, own: Any, other: Any, where: Where) -> None:
    """R11 on the own channel, R26 between the channels."""
    if own.pulse_us != LONG_AGO:
        gap = where.t_us - own.pulse_us
        if gap * 100 <= limits.period_min_us * 101:
            met(notes, R11)
        at_least(notes, R11, where, gap, limits.period_min_us)
    if other.pulse_us == LONG_AGO:
        return
    gap = where.t_us - other.end_us
    if gap <= loop.pulse_gap_us + 1_000:
        met(notes, R26)
    at_least(notes, R26, where, gap, loop.pulse_gap_us)
    if own.pulse_us == LONG_AGO or where.t_us - own.pulse_us > loop.on_gap_us:
        if gap <= US_PER_S:
            met(notes, R26_CHANGEOVER)
        at_least(notes, R26_CHANGEOVER, where, gap, loop.changeover_us)


@step
def _square_sum(own: Any) -> int:
    """The squared current of the short window; LARGEST stands for anything beyond."""
    high = own.square_high + (own.square_low >> HALF_BITS)
    if high >= LARGEST >> HALF_BITS:
        return LARGEST
    return int((high << HALF_BITS) + (own.square_low & ((1 << HALF_BITS) - 1)))


@step
def _remember(own: Any, past: NDArray[Any], loop: Any, where: Where, charge: int, square: int, goes_on: bool) -> int:
    """Put a pulse's amounts into both windows and take out what has left them. Returns the on-time of the long one.

    A pulse is on for the gap, or until the next one where the channel `goes_on`. The window ends with this pulse's gap.
    """
    if goes_on:
        since_us = where.t_us - own.pulse_us
        past[own.end_at - 1].on_us = since_us
        own.on_us += since_us - loop.on_gap_us
    entry = past[own.end_at]
    entry.t_us, entry.charge_pC, entry.square, entry.on_us = where.t_us, charge, square, loop.on_gap_us
    own.end_at += 1
    own.charge_pC += charge
    own.square_high += square >> HALF_BITS
    own.square_low += square & ((1 << HALF_BITS) - 1)
    own.on_us += loop.on_gap_us
    while past[own.short_at].t_us < where.t_us - loop.short_window_us:
        gone = past[own.short_at]
        own.charge_pC -= gone.charge_pC
        own.square_high -= gone.square >> HALF_BITS
        own.square_low -= gone.square & ((1 << HALF_BITS) - 1)
        own.short_at += 1
    opens_us = where.t_us + loop.on_gap_us - loop.long_window_us
    while past[own.long_at].t_us + past[own.long_at].on_us <= opens_us:
        own.on_us -= past[own.long_at].on_us
        own.long_at += 1
    return int(own.on_us - max(0, opens_us - past[own.long_at].t_us))


@step
def windows(notes: Notes, limits: Any, loop: Any, own: Any, past: NDArray[Any], where: Where, pulse: Any) -> None:
    """R12, R13, R15, R16, R23, R24 and R29 with this pulse in its windows."""
    charge = pulse.current_uA * pulse.width_us
    silence = LONG_AGO if own.pulse_us == LONG_AGO else where.t_us - own.pulse_us
    goes_on = 0 <= silence < loop.rest_us
    own.run_us = own.run_us + silence if goes_on else 0
    own.total_pC += 2 * charge
    on_us = _remember(own, past, loop, where, 2 * charge, 2 * charge * pulse.current_uA, goes_on)
    square = _square_sum(own)
    share = limits.contact_assumed_per_mille if own.per_mille < 0 else own.per_mille
    density_uA = limits.density_rms_uA_per_cm2 * limits.area_mm2 * share // 100_000
    _near(notes, R12, where, square, limits.rms_uA * limits.rms_uA * loop.short_window_us)
    _near(notes, R13, where, square, density_uA * density_uA * loop.short_window_us)
    if own.per_mille < 0:
        _near(notes, R29, where, square, density_uA * density_uA * loop.short_window_us)
    _near(notes, R15, where, square, limits.power_rms_uA * limits.power_rms_uA * loop.short_window_us)
    _near(notes, R16, where, own.charge_pC, limits.rectified_pC)
    _near(notes, R23_RUN, where, own.run_us, limits.run_us)
    _near(notes, R23_WINDOW, where, on_us, limits.on_us)
    if own.ran_out == 1:
        own.ran_out = 0
        met(notes, R23_RECOVERY)
        at_least(notes, R23_RECOVERY, where, silence, loop.recovery_us)
    _near(notes, R24_CHARGE, where, own.total_pC, limits.total_pC)


@step
def session(notes: Notes, loop: Any, now: Any, where: Where, logged: bool) -> None:
    """R24: no pulse once the session is over. Without a decision log it begins with the first pulse."""
    begun = now.session_us if logged else now.first_pulse_us
    if begun != LONG_AGO:
        _near(notes, R24_TIME, where, where.t_us - begun, loop.session_us - 1)


@step
def _near(notes: Notes, check: int, where: Where, value: int, bound: int) -> None:
    if value >= bound // 10 * 9:
        met(notes, check)
    at_most(notes, check, where, value, bound)


@step
def rises(notes: Notes, limits: Any, loop: Any, own: Any, now: Any, where: Where, pulse: Any) -> None:
    """R20 and R21 from pulse to pulse.

    No pulse may lie above the line that rises with the slew from any earlier pulse (or from the first step, where
    that is higher), plus one control period's rise. The lowest of all those lines is carried along, in uA times us.
    The width has such a line too, but is free where the current may have passed through the first step meanwhile.
    """
    current, width = pulse.current_uA, pulse.width_us
    if own.pulse_us < now.armed_us or own.pulse_us == LONG_AGO or where.t_us - own.pulse_us >= loop.rest_us:
        met(notes, R21)
        at_most(notes, R21, where, current, limits.first_step_uA)
        own.top_width = (width + limits.width_rise_us) * US_PER_S
        own.top_uA_us = (max(current, limits.first_step_uA) + limits.rise_uA) * US_PER_S
        return
    since_us = min(max(where.t_us - own.pulse_us, 0), LONGEST_US)
    own.top_uA_us += limits.slew_uA_per_s * since_us
    own.top_width += limits.width_slew_us_per_s * since_us
    if current > own.current_uA:
        met(notes, R20_PULSE)
    at_most(notes, R20_PULSE, where, current, own.top_uA_us // US_PER_S)
    restarted_uA = limits.first_step_uA + limits.rise_uA + limits.slew_uA_per_s * since_us // US_PER_S
    if own.current_uA <= limits.first_step_uA or current <= restarted_uA:
        own.top_width = (width + limits.width_rise_us) * US_PER_S
    else:
        if width > own.width_us:
            met(notes, R20_WIDTH_PULSE)
        at_most(notes, R20_WIDTH_PULSE, where, width, own.top_width // US_PER_S)
    own.top_uA_us = min(own.top_uA_us, (max(current, limits.first_step_uA) + limits.rise_uA) * US_PER_S)
    own.top_width = min(own.top_width, (width + limits.width_rise_us) * US_PER_S)


@step
def counted_pC(limits: Any, current_uA: int, width_us: int) -> int:
    """R40: charge above the first step's current; a narrow pulse counts as one of the reference width."""
    above_uA = min(max(current_uA - limits.first_step_uA, 0), MOST_PC)
    return int(min(above_uA * min(max(width_us, limits.intensity_width_us), US_PER_S), MOST_PC))


@step
def allowed_pC_s(limits: Any, loop: Any, own: Any, since_us: int) -> int:
    """R40: what a channel may deliver per second by a pulse so long after its last one."""
    return int(own.line_pC_s + limits.intensity_slew_pC_per_s2 * (since_us + loop.control_period_us) // US_PER_S)


@step
def delivered(notes: Notes, limits: Any, loop: Any, own: Any, now: Any, where: Where, pulse: Any) -> None:
    """R40 from pulse to pulse, in whole pC per second.

    As for the current there is a line from every earlier pulse since arming or the last rest, here from 11/10 of what
    that pulse delivered; it rises with the slew, and one control period's rise is free. The lowest of all those lines
    is carried along, rounded down. The first pulse's line begins at nothing.
    """
    if own.pulse_us < now.armed_us or own.pulse_us == LONG_AGO or where.t_us - own.pulse_us >= loop.rest_us:
        own.line_pC_s = 0
        return
    since_us = min(max(where.t_us - own.pulse_us, 1), LONGEST_US)
    counted = counted_pC(limits, pulse.current_uA, pulse.width_us) * US_PER_S
    per_second = min(-(-counted // since_us), MOST_PC)
    if per_second > own.line_pC_s:
        met(notes, R40)
    at_most(notes, R40, where, per_second, allowed_pC_s(limits, loop, own, since_us))
    own.line_pC_s += limits.intensity_slew_pC_per_s2 * since_us // US_PER_S
    own.line_pC_s = min(own.line_pC_s, 11 * counted // (10 * since_us), MOST_PC)


@step
def measured(notes: Notes, own: Any, where: Where, pulse: Any, net_per_mille: int, logged: bool) -> None:
    """R18 and R19 from what was measured of the second phase.

    With a decision log the answer to it is judged at the next tick; without one the pulse alone. A width without a
    current counts as of the first phase's current.
    """
    first = pulse.current_uA * pulse.width_us
    own.phase_pC += first
    if pulse.second_width_us < 0:
        return
    second_uA = pulse.current_uA if pulse.second_current_uA < 0 else pulse.second_current_uA
    second = second_uA * pulse.second_width_us
    own.measured_pC += first - second
    if second == 0:
        own.measured_cut = 1
    if logged:
        return
    if first != second:
        met(notes, R18_PULSE)
    at_most(notes, R18_PULSE, where, abs(first - second), net_per_mille * first // 1_000)
    met(notes, R19_PULSE)
    at_most(notes, R19_PULSE, where, 1 if second == 0 else 0, 0)


@step
def note_pulse(own: Any, now: Any, where: Where, pulse: Any) -> None:
    """Remember a pulse as the last of its channel, once it has been judged."""
    own.pulse_us = where.t_us
    own.end_us = where.t_us + 2 * pulse.width_us + pulse.gap_us
    own.current_uA = pulse.current_uA
    own.width_us = pulse.width_us
    now.pulse_us = max(now.pulse_us, where.t_us)
    if now.first_pulse_us == LONG_AGO:
        now.first_pulse_us = where.t_us
