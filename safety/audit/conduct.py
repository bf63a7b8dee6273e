"""Clock, demand, law, operator and latch at a tick: R01 to R05, R24, R27, R32 to R35 and R39."""

from __future__ import annotations

from typing import Any, Final

from thenar.safety.audit.answers import LAW_FINE, TIME_RANGE_US, Tick, must, shut, silent
from thenar.safety.audit.books import Notes, at_least, at_most, met
from thenar.safety.audit.checks import (
    R01_TRIP,
    R01_ZERO,
    R02,
    R03_GAP,
    R03_LIFE,
    R04_BACK,
    R04_FAST,
    R04_SLOW,
    R05_ARMED,
    R05_PULSE,
    R05_ZERO,
    R07_ARMED,
    R24_TIME,
    R27,
    R32_TRIP,
    R33,
    R34_CLEAR,
    R34_PULSE,
    R34_SHUT,
    R35_FROZEN,
    R35_SAME,
    R39,
)
from thenar.safety.audit.memory import LONG_AGO
from thenar.shared.compiled import step_for_all as step

SHAPE_FAULT: Final = 2
STOPPED: Final = 33
NEVER_CLEARS: Final = 24
WAITS: Final = (13, 15)


@step
def clock(notes: Notes, loop: Any, now: Any, tick: Tick) -> int:
    """R03 and R04: time goes on by about one control period and never lies before a pulse. Returns 1 when not."""
    t_us = tick.where.t_us
    back_us = max(now.t_us if now.ticked == 1 else LONG_AGO, now.pulse_us)
    back = 0 if back_us == LONG_AGO else back_us - t_us
    if t_us < 0 or t_us > TIME_RANGE_US:
        back = max(back, 1)
    called = shut(notes, R04_BACK, tick, -1, back, 0)
    if now.ticked == 0 or called != 0:
        return called
    elapsed_us = t_us - now.t_us
    called |= silent(notes, R04_SLOW, tick, -1, elapsed_us, loop.tick_max_us)
    if elapsed_us < loop.tick_min_us:
        called = 1
        if tick.was_open:
            met(notes, R04_FAST)
    if tick.admits_uA > 0:
        at_least(notes, R04_FAST, tick.where, elapsed_us, loop.tick_min_us)
    return called | shut(notes, R03_GAP, tick, -1, elapsed_us, loop.command_trip_us)


@step
def demand(notes: Notes, loop: Any, now: Any, tick: Tick, row: Any) -> tuple[int, bool]:
    """R01, R02 and R32 but for its ramp. Returns (something is called for, a ramp is called for)."""
    if tick.usable:
        now.heard_us, now.unusable = row.t_us, 0
        return 0, False
    if not tick.was_open or now.heard_us == LONG_AGO:
        now.heard_us = row.t_us
    silence_us = row.t_us - now.heard_us
    called = shut(notes, R32_TRIP, tick, -1, silence_us, loop.heartbeat_trip_us - 1)
    if tick.late:
        ramp = silence_us >= loop.heartbeat_ramp_us
        return called | (1 if ramp else 0), ramp
    now.unusable += 1
    met(notes, R01_ZERO)
    at_most(notes, R01_ZERO, tick.where, tick.admits_uA, 0)
    shut(notes, R01_TRIP, tick, -1, now.unusable, loop.faults_in_a_row - 1)
    shape = 1 if row.asked_fault == SHAPE_FAULT and row.law_fault == LAW_FINE else 0
    shut(notes, R02, tick, -1, shape, 0)
    return 1, False


@step
def life(notes: Notes, loop: Any, tick: Tick, row: Any) -> None:
    """R03: an admitted command holds no longer than its time."""
    if tick.admits_uA > 0:
        met(notes, R03_LIFE)
        at_most(notes, R03_LIFE, tick.where, row.expires_us - row.t_us, loop.valid_us)


@step
def frozen(notes: Notes, loop: Any, now: Any, tick: Tick, row: Any) -> int:
    """R24, R35 and R39 at a tick: the session's end, limits that were changed, a call that broke off."""
    called = 0
    if now.session_us != LONG_AGO:
        called |= shut(notes, R24_TIME, tick, -1, row.t_us - now.session_us, loop.session_us - 1)
    changed = 1 if row.limits_mark != now.mark else 0
    if now.state != 0 and now.trip == 0:
        called |= shut(notes, R35_FROZEN, tick, -1, changed, 0)
    elif now.trip == 35:
        called |= changed
    if row.broken_off != 0:
        met(notes, R39)
        kept = not tick.is_open and tick.latches and tick.admits_uA == 0
        at_most(notes, R39, tick.where, 0 if kept else 1, 0)
        called = 1
    return called


@step
def stop(notes: Notes, tick: Tick, row: Any) -> None:
    """R33: a stop leaves nothing admitted and latches, in every state."""
    if row.stop != 0 or row.kind != 0:
        must(notes, R33, tick, -1, row.state == 0 and row.trip == STOPPED and tick.admits_uA == 0)


@step
def latch(notes: Notes, loop: Any, now: Any, tick: Tick, row: Any, called: bool) -> None:
    """R05 and R34: zero while shut, no pulse after a latch, and a latch clears on its terms alone."""
    if row.state == 0 and row.trip == 0:
        met(notes, R05_ZERO)
        at_most(notes, R05_ZERO, tick.where, tick.admits_uA, 0)
    if row.trip != 0:
        met(notes, R34_SHUT)
        at_most(notes, R34_SHUT, tick.where, max(tick.admits_uA, row.state), 0)
    if now.trip == 0 and row.trip != 0:  # latched at this call, or by the gate since the one before
        met(notes, R34_PULSE)
        if now.t_us <= row.trip_us < min(row.t_us, now.pulse_us):
            at_most(notes, R34_PULSE, tick.where, now.pulse_us - row.trip_us, 0)
    if now.trip == 0:
        return
    if row.trip == now.trip or row.trip == STOPPED:
        if row.rearm_cause != 0:
            met(notes, R34_CLEAR)
        return
    waited = row.t_us - now.trip_us >= loop.short_window_us or (now.trip != WAITS[0] and now.trip != WAITS[1])
    terms = row.rearm_cause == now.trip and tick.quiet and row.stop == 0 and not called and waited
    must(notes, R34_CLEAR, tick, -1, terms and now.trip != NEVER_CLEARS and row.trip == 0)


@step
def arming(
    notes: Notes, agonist: Any, antagonist: Any, loop: Any, now: Any, tick: Tick, row: Any, expected_mark: int
) -> None:
    """R05, R07, R27 and R35 where the loop goes from shut to open. `expected_mark` 0: the limits aren't all known."""
    if tick.was_open != tick.is_open:
        met(notes, R05_PULSE)
    ceiling = max(agonist.ceiling_uA, antagonist.ceiling_uA)
    if tick.opens and ceiling <= 0:
        met(notes, R07_ARMED)
    if tick.opens and loop.screening_clear != 1:
        met(notes, R27)
    if not tick.is_open or tick.was_open:
        return
    at_most(notes, R07_ARMED, tick.where, 1 if ceiling <= 0 else 0, 0)
    must(notes, R27, tick, -1, loop.screening_clear == 1)
    must(notes, R05_ARMED, tick, -1, row.arm != 0)
    if expected_mark != 0:
        must(notes, R35_SAME, tick, -1, row.limits_mark == expected_mark)
    now.armed_us, now.mark = row.t_us, row.limits_mark
    if now.session_us == LONG_AGO:
        now.session_us = row.t_us
