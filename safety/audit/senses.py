"""What is sensed at a tick, and the answer that is owed to it: R18, R19, R28, R30 and R31.

Readings count when they lie less than a window apart. An unknown impedance starts its window anew (the pad was lost
from sight); an unknown estimate does not: a gap must not hide what the force did meanwhile.
"""

from __future__ import annotations

from typing import Any, Final

from thenar.safety.audit.answers import Tick, on_channel, shut, shut_below, silent
from thenar.safety.audit.books import Notes, broke, met
from thenar.safety.audit.checks import (
    R18_RUN,
    R18_TICK,
    R18_TRIP,
    R19_TICK,
    R28_HIGH,
    R28_JUMP,
    R28_LOW,
    R30_AGE,
    R30_BAD,
    R31_HARD,
    R31_RISE,
    R31_SOFT,
)
from thenar.safety.audit.memory import HIGH_OHM, LONG_AGO, LOW_FORCE, LOW_OHM, Lines, keep_lowest, window_net
from thenar.shared.compiled import step_for_all as step

NET_WINDOW_US: Final = 1_000_000
CLOSEST_SAMPLES_US: Final = 1_000
FARTHEST_SAMPLES_US: Final = 10_000_000
"""Two samples count as at least 1 ms and at most 10 s apart when their slope is judged."""
OHM_RANGE: Final = 1_000_000_000


@step
def contact(notes: Notes, limits: Any, loop: Any, lines: Lines, tick: Tick, channel: int, ohm: int) -> int:
    """R28 on one channel, `ohm` being known: in range, and no jump against any known reading of the window."""
    ohm = min(ohm, OHM_RANGE)
    lowest = keep_lowest(lines, LOW_OHM + channel, tick.where.t_us, ohm, loop.contact_window_us)
    highest = -keep_lowest(lines, HIGH_OHM + channel, tick.where.t_us, -ohm, loop.contact_window_us)
    called = shut_below(notes, R28_LOW, tick, channel, ohm, limits.ohm_min)
    called |= shut(notes, R28_HIGH, tick, channel, ohm, limits.ohm_max)
    percent = max(-(-ohm * 100 // max(lowest, 1)), -(-highest * 100 // max(ohm, 1)))
    return called | shut(notes, R28_JUMP, tick, channel, percent, limits.ohm_jump_percent)


@step
def forget(lines: Lines, channel: int) -> None:
    """R28: an unknown impedance leaves nothing that the next reading could have jumped from."""
    lines.ends[LOW_OHM + channel, 0] = lines.ends[LOW_OHM + channel, 1]
    lines.ends[HIGH_OHM + channel, 0] = lines.ends[HIGH_OHM + channel, 1]


@step
def balance(
    notes: Notes, limits: Any, own: Any, lines: Lines, tick: Tick, channel: int, sensed_pC: int, cut_short: int
) -> int:
    """R18 and R19 on one channel. `limits`: the channel's.

    The net charge is what the stimulator sensed, or what was measured of its pulses where that is more.
    """
    net_pC = sensed_pC if abs(sensed_pC) >= abs(own.measured_pC) else own.measured_pC
    cut = max(1 if cut_short != 0 else 0, own.measured_cut)
    called = silent(notes, R18_TICK, tick, channel, abs(net_pC), limits.net_per_mille * own.phase_pC // 1_000)
    running_pC = abs(window_net(lines, own, channel, tick.where.t_us, net_pC, NET_WINDOW_US))
    called |= silent(notes, R18_RUN, tick, channel, running_pC, limits.net_pC)
    called |= shut(notes, R18_TRIP, tick, channel, running_pC, limits.net_trip_pC)
    called |= shut(notes, R19_TICK, tick, channel, cut, 0)
    own.phase_pC = own.measured_pC = own.measured_cut = 0
    return called


@step
def estimate(notes: Notes, loop: Any, now: Any, lines: Lines, tick: Tick, row: Any, pushing: bool) -> tuple[int, bool]:
    """R30 and R31 but for their ramp and soft bound. Returns (a trip is called for, a ramp is called for).

    `pushing`: a channel was given at least its motor threshold at the tick before.
    """
    if row.estimate_known != 1:
        now.sampled = now.frozen = now.jumped = 0
        return _implausible(notes, loop, now, tick, True), True
    fresh = now.sampled == 0 or row.estimate_count != now.count
    sampled_us = row.t_us - row.estimate_age_us
    rise_mN = _take_sample(loop, now, lines, row, sampled_us, pushing, fresh)
    bad = (
        now.frozen == 1
        or now.jumped == 1
        or row.estimate_age_us < 0
        or not loop.estimate_min_mN <= row.estimate_mN <= loop.estimate_max_mN
    )
    called = _implausible(notes, loop, now, tick, bad)
    called |= shut(notes, R30_AGE, tick, -1, row.estimate_age_us, loop.estimate_trip_us)
    called |= shut(notes, R31_HARD, tick, -1, row.estimate_mN, loop.force_hard_mN)
    if fresh:
        called |= shut(notes, R31_RISE, tick, -1, rise_mN, loop.force_rise_mN)
    return called, bad or row.estimate_age_us > loop.estimate_ramp_us


@step
def _take_sample(loop: Any, now: Any, lines: Lines, row: Any, sampled_us: int, pushing: bool, fresh: bool) -> int:
    """Note this tick's estimate: has it jumped, does it repeat itself. Returns how far it rose within the window."""
    value = row.estimate_mN
    if now.sampled == 0 or value != now.value_mN:
        now.same_since_us = sampled_us
        now.frozen = 0
    elif not pushing and now.frozen == 0:
        now.same_since_us = sampled_us
    if not fresh:
        return 0
    if now.sampled == 1:
        apart_us = min(max(abs(sampled_us - now.sampled_us), CLOSEST_SAMPLES_US), FARTHEST_SAMPLES_US)
        now.jumped = 1 if abs(value - now.value_mN) * 1_000_000 > loop.estimate_slope_mN_per_s * apart_us else 0
        if sampled_us - now.same_since_us >= loop.estimate_frozen_us:
            now.frozen = 1
    now.sampled, now.count, now.value_mN, now.sampled_us = 1, row.estimate_count, value, sampled_us
    return int(value - keep_lowest(lines, LOW_FORCE, sampled_us, value, loop.force_window_us))


@step
def _implausible(notes: Notes, loop: Any, now: Any, tick: Tick, bad: bool) -> int:
    """R30: an estimate that can't be believed for too long. The time counts from when the loop was last shut."""
    if not bad:
        now.bad_since_us = LONG_AGO
        return 0
    if now.bad_since_us == LONG_AGO or not tick.was_open:
        now.bad_since_us = tick.where.t_us
    return shut(notes, R30_BAD, tick, -1, tick.where.t_us - now.bad_since_us, loop.implausible_trip_us - 1)


@step
def soft_bound(notes: Notes, loop: Any, own: Any, tick: Tick, row: Any) -> None:
    """R31: above the soft bound the agonist is given no more current, width or rate than at the tick before."""
    if row.estimate_known != 1 or row.estimate_mN <= loop.force_soft_mN or not (tick.was_open or tick.is_open):
        return
    met(notes, R31_SOFT)
    if row.agonist_uA == 0:
        return
    over = max(row.agonist_uA - own.admitted_uA, row.agonist_width_us - own.admitted_us)
    over = max(over, own.admitted_period_us - row.agonist_period_us)
    if over > 0:
        broke(notes, R31_SOFT, on_channel(tick, 0), over, 0)
