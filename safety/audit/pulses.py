"""One pulse against the limits and against every pulse before it. Windows are closed: [t - W, t] over pulse starts."""

from __future__ import annotations

from typing import Any, Final

from thenar.safety.audit.books import Books, Where, at_least, at_most, met
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
    R23_RUN,
    R23_WINDOW,
    R24_CHARGE,
    R24_TIME,
    R26,
    R26_CHANGEOVER,
    R29,
    R36,
)
from thenar.safety.audit.memory import LONG_AGO, Bounds, Memory
from thenar.shared.compiled import step_for_all as step

US_PER_S: Final = 1_000_000
HALF_BITS: Final = 31
LARGEST: Final = 1 << 62
LONGEST_US: Final = 10_000_000
"""Rises are reckoned over at most 10 s: more time than any ramp to the hard ceilings needs."""


@step
def single_pulse(books: Books, limits: Any, loop: Any, where: Where, current: int, width: int) -> None:
    """R06 to R10, R14 and R36: what one pulse shows by itself."""
    near = current + loop.device_step_uA
    charge = current * width
    energy_fJ, energy_bound_fJ = current * current * width, limits.energy_aJ // 1_000
    if near >= limits.peak_uA:
        met(books, R06)
    if near >= limits.ceiling_uA:
        met(books, R07)
    if width >= limits.width_max_us:
        met(books, R08_WIDE)
    if width <= limits.width_min_us:
        met(books, R08_NARROW)
    if near * width > limits.charge_pC:
        met(books, R09)
    if near * width > limits.density_charge_pC:
        met(books, R10)
    if energy_fJ >= energy_bound_fJ // 10 * 9:
        met(books, R14)
    met(books, R36)
    at_most(books, R06, where, current, limits.peak_uA)
    at_most(books, R07, where, current, limits.ceiling_uA)
    at_most(books, R08_WIDE, where, width, limits.width_max_us)
    at_least(books, R08_NARROW, where, width, limits.width_min_us)
    at_most(books, R09, where, charge, limits.charge_pC)
    at_most(books, R10, where, charge, limits.density_charge_pC)
    at_most(books, R14, where, energy_fJ, energy_bound_fJ)
    at_most(books, R36, where, current % max(loop.device_step_uA, 1), 0)


@step
def spacing(books: Books, limits: Bounds, memory: Memory, where: Where) -> None:
    """R11 on the own channel, R26 between the channels."""
    own, other = memory.channels[where.channel], memory.channels[1 - where.channel]
    if own.pulse_us != LONG_AGO:
        bound = limits.channels[where.channel].period_min_us
        gap = where.t_us - own.pulse_us
        if gap * 100 <= bound * 101:
            met(books, R11)
        at_least(books, R11, where, gap, bound)
    if other.pulse_us == LONG_AGO:
        return
    gap = where.t_us - other.end_us
    if gap <= limits.loop[0].pulse_gap_us + 1_000:
        met(books, R26)
    at_least(books, R26, where, gap, limits.loop[0].pulse_gap_us)
    if own.pulse_us == LONG_AGO or where.t_us - own.pulse_us > limits.loop[0].on_gap_us:
        if gap <= US_PER_S:
            met(books, R26_CHANGEOVER)
        at_least(books, R26_CHANGEOVER, where, gap, limits.loop[0].changeover_us)


@step
def _square_sum(own: Any) -> int:
    """The squared current of the short window; LARGEST stands for anything beyond."""
    high = own.square_high + (own.square_low >> HALF_BITS)
    if high >= LARGEST >> HALF_BITS:
        return LARGEST
    return int((high << HALF_BITS) + (own.square_low & ((1 << HALF_BITS) - 1)))


@step
def _remember(memory: Memory, loop: Any, where: Where, charge: int, square: int, on_us: int) -> None:
    """Put a pulse's amounts into both windows and take out what has left them."""
    own, past = memory.channels[where.channel], memory.past[where.channel]
    entry = past[own.end_at]
    entry.t_us, entry.charge_pC, entry.square, entry.on_us = where.t_us, charge, square, on_us
    own.end_at += 1
    own.charge_pC += charge
    own.square_high += square >> HALF_BITS
    own.square_low += square & ((1 << HALF_BITS) - 1)
    own.on_us += on_us
    while past[own.short_at].t_us < where.t_us - loop.short_window_us:
        gone = past[own.short_at]
        own.charge_pC -= gone.charge_pC
        own.square_high -= gone.square >> HALF_BITS
        own.square_low -= gone.square & ((1 << HALF_BITS) - 1)
        own.short_at += 1
    while past[own.long_at].t_us <= where.t_us - loop.long_window_us:
        own.on_us -= past[own.long_at].on_us
        own.long_at += 1


@step
def windows(books: Books, limits: Any, loop: Any, memory: Memory, where: Where, pulse: Any) -> None:
    """R12, R13, R15, R16, R23, R24 and R29 with this pulse in its windows."""
    own = memory.channels[where.channel]
    charge = pulse.current_uA * pulse.width_us
    silence = LONG_AGO if own.pulse_us == LONG_AGO else where.t_us - own.pulse_us
    on_us = silence if 0 <= silence <= loop.on_gap_us else 0
    own.run_us = 0 if silence < 0 or silence >= loop.rest_us else own.run_us + on_us
    own.total_pC += 2 * charge
    _remember(memory, loop, where, 2 * charge, 2 * charge * pulse.current_uA, on_us)
    square = _square_sum(own)
    share = limits.contact_assumed_per_mille if own.per_mille < 0 else own.per_mille
    density_uA = limits.density_rms_uA_per_cm2 * limits.area_mm2 * share // 100_000
    _near(books, R12, where, square, limits.rms_uA * limits.rms_uA * loop.short_window_us)
    _near(books, R13, where, square, density_uA * density_uA * loop.short_window_us)
    if own.per_mille < 0:
        _near(books, R29, where, square, density_uA * density_uA * loop.short_window_us)
    _near(books, R15, where, square, limits.power_rms_uA * limits.power_rms_uA * loop.short_window_us)
    _near(books, R16, where, own.charge_pC, limits.rectified_pC)
    _near(books, R23_RUN, where, own.run_us, limits.run_us)
    oldest = memory.past[where.channel][own.long_at]
    outside = max(0, oldest.on_us - (oldest.t_us - (where.t_us - loop.long_window_us)))
    _near(books, R23_WINDOW, where, own.on_us - outside, limits.on_us)
    _near(books, R24_CHARGE, where, own.total_pC, limits.total_pC)


@step
def session(books: Books, loop: Any, memory: Memory, where: Where, logged: bool) -> None:
    """R24: no pulse once the session is over. Without a decision log it begins with the first pulse."""
    now = memory.loop[0]
    begun = now.session_us if logged else now.first_pulse_us
    if begun != LONG_AGO:
        _near(books, R24_TIME, where, where.t_us - begun, loop.session_us - 1)


@step
def _near(books: Books, check: int, where: Where, value: int, bound: int) -> None:
    if value >= bound // 10 * 9:
        met(books, check)
    at_most(books, check, where, value, bound)


@step
def rises(books: Books, limits: Any, loop: Any, memory: Memory, where: Where, pulse: Any) -> None:
    """R20 and R21 from pulse to pulse.

    No pulse may lie above the line that rises with the slew from any earlier pulse (or from the first step, where
    that is higher), plus one control period's rise. The lowest of all those lines is carried along, in uA times us.
    The width has such a line too, but is free where the current may have passed through the first step meanwhile.
    """
    own, armed_us = memory.channels[where.channel], memory.loop[0].armed_us
    current, width = pulse.current_uA, pulse.width_us
    if own.pulse_us < armed_us or own.pulse_us == LONG_AGO or where.t_us - own.pulse_us >= loop.rest_us:
        met(books, R21)
        at_most(books, R21, where, current, limits.first_step_uA)
        own.top_width = (width + limits.width_rise_us) * US_PER_S
        own.top_uA_us = (max(current, limits.first_step_uA) + limits.rise_uA) * US_PER_S
        return
    since_us = min(max(where.t_us - own.pulse_us, 0), LONGEST_US)
    own.top_uA_us += limits.slew_uA_per_s * since_us
    own.top_width += limits.width_slew_us_per_s * since_us
    if current > own.current_uA:
        met(books, R20_PULSE)
    at_most(books, R20_PULSE, where, current, own.top_uA_us // US_PER_S)
    restarted_uA = limits.first_step_uA + limits.rise_uA + limits.slew_uA_per_s * since_us // US_PER_S
    if own.current_uA <= limits.first_step_uA or current <= restarted_uA:
        own.top_width = (width + limits.width_rise_us) * US_PER_S
    else:
        if width > own.width_us:
            met(books, R20_WIDTH_PULSE)
        at_most(books, R20_WIDTH_PULSE, where, width, own.top_width // US_PER_S)
    own.top_uA_us = min(own.top_uA_us, (max(current, limits.first_step_uA) + limits.rise_uA) * US_PER_S)
    own.top_width = min(own.top_width, (width + limits.width_rise_us) * US_PER_S)


@step
def measured(books: Books, memory: Memory, where: Where, pulse: Any, net_per_mille: int, logged: bool) -> None:
    """R18 and R19 from what was measured of the second phase.

    With a decision log the answer to it is judged at the next tick; without one the pulse alone.
    """
    own = memory.channels[where.channel]
    first = pulse.current_uA * pulse.width_us
    own.phase_pC += first
    if pulse.second_current_uA < 0 or pulse.second_width_us < 0:
        return
    second = pulse.second_current_uA * pulse.second_width_us
    own.measured_pC += first - second
    if second == 0:
        own.measured_cut = 1
    if logged:
        return
    if first != second:
        met(books, R18_PULSE)
    at_most(books, R18_PULSE, where, abs(first - second), net_per_mille * first // 1_000)
    met(books, R19_PULSE)
    at_most(books, R19_PULSE, where, 1 if second == 0 else 0, 0)


@step
def note_pulse(memory: Memory, where: Where, pulse: Any) -> None:
    """Remember a pulse as the last of its channel, once it has been judged."""
    own, now = memory.channels[where.channel], memory.loop[0]
    own.pulse_us = where.t_us
    own.end_us = where.t_us + 2 * pulse.width_us + pulse.gap_us
    own.current_uA = pulse.current_uA
    own.width_us = pulse.width_us
    now.pulse_us = max(now.pulse_us, where.t_us)
    if now.first_pulse_us == LONG_AGO:
        now.first_pulse_us = where.t_us
