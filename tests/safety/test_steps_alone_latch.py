"""Steps of the latch and the step limits alone: several rules at once, both sides of every comparison."""

from __future__ import annotations

import os

import pytest

from tests.safety.interlock_bench import changed, limits_for, rule
from thenar.safety import arming
from thenar.safety.arming import Findings
from thenar.safety.ceilings import Bounded
from thenar.safety.inputs import Senses
from thenar.safety.limits import Limits
from thenar.safety.memory import (
    ARMED,
    DISARMED,
    NEVER,
    STOPPING,
    CommandMemory,
    Latch,
    halt,
    start_memory,
    tripped,
    unpack_memory,
)
from thenar.safety.step_limits import is_silent, limit_rise, no_further, ramp_top_uA, rounded

if os.environ.get("NUMBA_DISABLE_JIT") != "1":
    pytest.skip("run without the compiler by test_steps_without_the_compiler.py", allow_module_level=True)

LIMITS = limits_for()
LOOP = LIMITS.loop
NOW_US = 10_000_000
FINE = Findings(0, 0, 0)
QUIET = Senses(3_000, 1, 30_000, 8, 0, 0, 0, 0, -1, -1, -1, -1, 0, 0, 0, 0)
"""A fresh estimate of 3 N, nobody armed, nothing named."""
ON, OFF = QUIET._replace(arm=1), QUIET
LATCHED = Latch(DISARMED, 13, NOW_US - LOOP.short_window_us, 5, 6, 7, 1)


def latched(cause: int, since_us: int) -> Latch:
    """Tripped by a rule some time ago."""
    return LATCHED._replace(trip=cause, trip_us=NOW_US - since_us)


@pytest.mark.parametrize(
    ("cause", "since_us", "named", "findings", "at_rest", "clears"),
    [
        (33, 0, 33, FINE, True, True),
        (33, 0, 32, FINE, True, False),
        (33, 0, 33, FINE, False, False),
        (33, 0, 33, Findings(rule(1), 0, 0), True, False),
        (33, 0, 33, Findings(0, rule(30), 0), True, False),
        (33, 0, 33, Findings(0, 0, rule(28)), True, False),
        (33, 0, 33, Findings(rule(30), rule(30), rule(30)), True, False),
        (24, 10**9, 24, FINE, True, False),
        (13, LOOP.short_window_us, 13, FINE, True, True),
        (13, LOOP.short_window_us - 1, 13, FINE, True, False),
        (15, LOOP.short_window_us, 15, FINE, True, True),
        (15, LOOP.short_window_us - 1, 15, FINE, True, False),
        (14, 0, 14, FINE, True, True),
        (16, 0, 16, FINE, True, True),
        (25, 0, 25, FINE, True, True),
    ],
)
def test_a_latched_trip_clears_only_by_its_name_at_rest_with_no_cause_left(
    cause: int, since_us: int, named: int, findings: Findings, at_rest: bool, clears: bool
) -> None:
    senses = QUIET._replace(rearm_cause=named)
    assert arming._may_clear(LIMITS, latched(cause, since_us), senses, findings, at_rest, NOW_US) is clears
    after, acted = arming.next_latch(LIMITS, latched(cause, since_us), senses, findings, at_rest, True, 99, NOW_US)
    if clears:
        assert (after, acted) == (Latch(DISARMED, 0, NEVER, 5, 6, 7, 1), 0)
    else:
        told = findings.withhold | findings.ramp | findings.trip
        assert (after, acted) == (latched(cause, since_us), rule(34) | told)


def test_while_latched_nothing_else_is_told_until_somebody_wants_to_clear_it() -> None:
    found = Findings(rule(1), rule(30), rule(28))
    after, acted = arming.next_latch(LIMITS, LATCHED, ON, found, True, True, 99, NOW_US)
    assert (after, acted) == (LATCHED, rule(34))


@pytest.mark.parametrize("state", [DISARMED, ARMED, STOPPING])
def test_a_stop_latches_in_every_state_and_tells_findings_only_to_one_that_is_open(state: int) -> None:
    found = Findings(rule(1), rule(30), rule(28))
    before = Latch(state, 0, NEVER, 5, 6, 7, 3)
    after, acted = arming.next_latch(LIMITS, before, ON._replace(stop=1), found, True, True, 99, NOW_US)
    assert after == Latch(DISARMED, 33, NOW_US, 5, 6, 7, 1)
    assert acted == rule(33) | (0 if state == DISARMED else rule(1) | rule(30) | rule(28))


@pytest.mark.parametrize("state", [DISARMED, ARMED, STOPPING])
def test_a_trip_latches_an_open_loop_and_a_broken_interlock_latches_any(state: int) -> None:
    before = Latch(state, 0, NEVER, 5, 6, 7, 0)
    found = Findings(rule(1), 0, rule(28) | rule(30))
    after, acted = arming.next_latch(LIMITS, before, OFF, found, True, True, 99, NOW_US)
    assert after.trip == (0 if state == DISARMED else 28)
    assert acted == (0 if state == DISARMED else rule(1) | rule(28) | rule(30))
    after, acted = arming.next_latch(LIMITS, before, OFF, Findings(0, 0, rule(39)), True, True, 99, NOW_US)
    assert (after.trip, acted) == (39, rule(39))


@pytest.mark.parametrize(
    ("state", "arm", "silent", "after"),
    [
        (ARMED, 1, True, ARMED),
        (STOPPING, 1, False, ARMED),
        (ARMED, 0, False, STOPPING),
        (ARMED, 0, True, DISARMED),
        (STOPPING, 0, True, DISARMED),
    ],
)
def test_an_open_loop_follows_the_operator(state: int, arm: int, silent: bool, after: int) -> None:
    before = Latch(state, 0, NEVER, 5, 6, 7, 1)
    found = arming.next_latch(LIMITS, before, QUIET._replace(arm=arm), FINE, True, silent, 99, NOW_US)
    assert found == (before._replace(state=after), 0)


def test_arming_notes_the_time_the_mark_and_the_first_time_of_all() -> None:
    closed = Latch(DISARMED, 0, NEVER, NEVER, NEVER, 0, 1)
    assert arming.next_latch(LIMITS, closed, OFF, FINE, True, True, 99, NOW_US) == (closed, 0)
    opened = (Latch(ARMED, 0, NEVER, NOW_US, NOW_US, 99, 1), 0)
    assert arming.next_latch(LIMITS, closed, ON, FINE, True, True, 99, NOW_US) == opened
    again = closed._replace(session_us=4)
    assert arming.next_latch(LIMITS, again, ON, FINE, True, True, 99, NOW_US)[0].session_us == 4


def one_channel(agonist_uA: int, antagonist_uA: int, clear: int = 1) -> Limits:
    """The limits with these comfort ceilings."""
    return Limits(
        LIMITS.agonist._replace(ceiling_uA=agonist_uA),
        LIMITS.antagonist._replace(ceiling_uA=antagonist_uA),
        LOOP._replace(screening_clear=clear),
    )


@pytest.mark.parametrize(
    ("limits", "trip", "refused"),
    [
        (one_channel(1, 0), 0, 0),
        (one_channel(0, 1), 0, 0),
        (one_channel(0, 0), 0, rule(7)),
        (one_channel(1, 1, clear=0), 0, rule(27)),
        (one_channel(1, 1, clear=2), 0, rule(27)),
        (one_channel(0, 0, clear=0), rule(28), rule(7) | rule(27) | rule(28)),
    ],
)
def test_whatever_forbids_arming_is_told_together(limits: Limits, trip: int, refused: int) -> None:
    closed = Latch(DISARMED, 0, NEVER, NEVER, NEVER, 0, 1)
    after, told = arming._try_to_arm(limits, closed, ON, Findings(0, 0, trip), 99, NOW_US)
    assert told == refused
    assert after.state == (DISARMED if refused else ARMED)


TRAIN = unpack_memory(start_memory()).agonist.train
RISING = changed(
    LIMITS, rise_uA=500, slew_uA_per_s=20_000, width_rise_us=8, width_slew_us_per_s=200, first_step_uA=800
).agonist


def raised(
    given: Bounded, had_uA: int, had_us: int = 200, since_us: int = 20_000, silent_us: int = 20_000
) -> tuple[int, int, int, int]:
    """What R20 and R21 leave of a command."""
    command = CommandMemory(had_uA, had_us, 25_000, 0, NOW_US - since_us, 0, -1, 0, NEVER, 0)
    return limit_rise(RISING, LOOP, command, TRAIN._replace(pulse_us=NOW_US - silent_us), 0, given, NOW_US)


@pytest.mark.parametrize(
    ("asked", "had", "since_us", "silent_us", "left"),
    [
        ((0, 0, 0), (1_000, 200), 20_000, 20_000, (0, 0, 0, 0)),
        ((1_400, 204, 25_000), (1_000, 200), 20_000, 20_000, (1_400, 204, 25_000, 0)),
        ((1_401, 200, 25_000), (1_000, 200), 20_000, 20_000, (1_400, 200, 25_000, rule(20))),
        ((1_000, 205, 25_000), (1_000, 200), 20_000, 20_000, (1_000, 204, 25_000, rule(20))),
        ((5_000, 400, 25_000), (1_000, 200), 10**9, 20_000, (1_500, 208, 25_000, rule(20))),
        ((1_100, 200, 25_000), (1_000, 200), 0, 20_000, (1_000, 200, 25_000, rule(20))),
        ((1_100, 200, 25_000), (1_000, 200), -5, 20_000, (1_000, 200, 25_000, rule(20))),
        ((300, 50, 30_000), (1_000, 200), 20_000, 20_000, (300, 50, 30_000, 0)),
        ((900, 400, 25_000), (800, 200), 0, 20_000, (800, 400, 25_000, rule(20))),
        ((801, 400, 25_000), (801, 200), 0, 20_000, (801, 200, 25_000, rule(20))),
        ((900, 400, 25_000), (2_000, 200), 20_000, LOOP.rest_us, (800, 400, 25_000, rule(21))),
        ((800, 400, 25_000), (2_000, 200), 20_000, LOOP.rest_us, (800, 400, 25_000, 0)),
        ((900, 200, 25_000), (2_000, 200), 20_000, LOOP.rest_us - 1, (900, 200, 25_000, 0)),
    ],
)
def test_a_rise_is_earned_by_time_and_a_fall_is_free(
    asked: tuple[int, int, int], had: tuple[int, int], since_us: int, silent_us: int, left: tuple[int, int, int, int]
) -> None:
    assert raised(Bounded(*asked, 0), *had, since_us, silent_us) == left
    with_reason = raised(Bounded(*asked, rule(6)), *had, since_us, silent_us)
    assert with_reason == (*left[:3], left[3] | rule(6))


def test_a_channel_is_silent_before_its_first_pulse_since_arming_and_after_a_rest() -> None:
    assert not is_silent(LOOP, TRAIN._replace(pulse_us=NOW_US), NOW_US, NOW_US)
    assert is_silent(LOOP, TRAIN._replace(pulse_us=NOW_US - 1), NOW_US, NOW_US)
    assert not is_silent(LOOP, TRAIN._replace(pulse_us=NOW_US - LOOP.rest_us + 1), 0, NOW_US)
    assert is_silent(LOOP, TRAIN._replace(pulse_us=NOW_US - LOOP.rest_us), 0, NOW_US)


@pytest.mark.parametrize(
    ("ramp_us", "since_us", "top_uA"),
    [(10, 0, 1_000), (10, 1, 900), (10, 9, 100), (10, 10, 0), (10, 11, 0), (10, -1, 1_000), (0, 0, 0), (3, 1, 666)],
)
def test_a_ramp_comes_down_in_a_straight_line_and_ends_at_zero(ramp_us: int, since_us: int, top_uA: int) -> None:
    assert ramp_top_uA(changed(LIMITS, ramp_us=ramp_us).agonist, 1_000, since_us) == top_uA


@pytest.mark.parametrize(
    ("given", "left"),
    [
        ((0, 0, 0), (0, 0, 0, 0)),
        ((1_000, 200, 25_000), (1_000, 200, 25_000, 0)),
        ((1_001, 200, 25_000), (1_000, 200, 25_000, 31)),
        ((900, 201, 25_000), (900, 200, 25_000, 31)),
        ((900, 150, 24_999), (900, 150, 25_000, 31)),
        ((1_001, 201, 24_999), (1_000, 200, 25_000, 31)),
    ],
)
def test_above_the_soft_bound_no_axis_goes_further(
    given: tuple[int, int, int], left: tuple[int, int, int, int]
) -> None:
    command = CommandMemory(1_000, 200, 25_000, 0, 0, 0, -1, 0, NEVER, 0)
    told = rule(6) | (rule(left[3]) if left[3] else 0)
    assert no_further(command, Bounded(*given, rule(6))) == (*left[:3], told)


def test_a_device_without_steps_keeps_every_microampere() -> None:
    fine = LOOP._replace(device_step_uA=0)
    assert rounded(fine, Bounded(1_234, 200, 25_000, 0)) == (1_234, 200, 25_000, 0)
    assert rounded(LOOP, Bounded(1_234, 200, 25_000, rule(6))) == (1_200, 200, 25_000, rule(6) | rule(36))
    assert rounded(LOOP, Bounded(99, 200, 25_000, 0)) == (0, 0, 0, rule(36))


def test_an_emergency_stop_latches_and_changes_nothing_else() -> None:
    memory = unpack_memory(start_memory())
    memory = memory._replace(latch=Latch(ARMED, 0, NEVER, 5, 6, 7, 1), loop=memory.loop._replace(faults=2))
    assert halt(memory, NOW_US) == memory._replace(latch=Latch(DISARMED, 33, NOW_US, 5, 6, 7, 1))


@pytest.mark.parametrize(
    ("before", "by", "after"), [(0, 28, 28), (28, 13, 28), (28, 33, 33), (33, 13, 33), (13, 34, 13)]
)
def test_an_earlier_cause_stays_latched_but_a_stop_replaces_it(before: int, by: int, after: int) -> None:
    latch = Latch(ARMED if before == 0 else DISARMED, before, NEVER if before == 0 else 3, 5, 6, 7, 1)
    kept = (latch.trip_us, latch.state) if before == after else (NOW_US, DISARMED)
    assert tripped(latch, by, NOW_US) == Latch(kept[1], after, kept[0], 5, 6, 7, 1)
    assert tripped(Latch(DISARMED, 33, 3, 5, 6, 7, 1), 33, NOW_US).trip_us == 3
