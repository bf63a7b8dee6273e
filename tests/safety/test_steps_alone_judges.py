"""Steps of the judges alone: several rules at once, both sides of every comparison."""

from __future__ import annotations

import os
from typing import Any

import pytest

from tests.safety.interlock_bench import changed, contact_of, limits_for, rule
from thenar.safety import judgement, plausibility
from thenar.safety.arming import Findings
from thenar.safety.balance import judge_balance
from thenar.safety.inputs import TIME_RANGE_US, Asked, ChannelAsked, Senses
from thenar.safety.memory import (
    ARMED,
    DISARMED,
    EMPTY,
    NEVER,
    NOTHING_SEEN,
    BalanceMemory,
    CommandMemory,
    ContactMemory,
    Latch,
    LoopMemory,
)
from thenar.safety.validity import judge_clock, judge_demand

if os.environ.get("NUMBA_DISABLE_JIT") != "1":
    pytest.skip("run without the compiler by test_steps_without_the_compiler.py", allow_module_level=True)

LIMITS = limits_for()
LOOP = LIMITS.loop
NOW_US = 10_000_000
FINE = Findings(0, 0, 0)
QUIET = Senses(3_000, 1, 30_000, 8, 0, 0, 0, 0, -1, -1, -1, -1, 0, 0, 0, 0)
"""A fresh estimate of 3 N, nobody armed, nothing named."""
ON, OFF = QUIET._replace(arm=1), QUIET


BALANCED = changed(LIMITS, net_per_mille=20, net_pC=1_000, net_trip_pC=5_000).agonist


def balance(past: BalanceMemory, total_pC: int, net_pC: int, cut: int = 0) -> tuple[Any, tuple[int, int]]:
    """The judge of R18 and R19 with a window of a second."""
    after, verdict = judge_balance(BALANCED, past, total_pC, net_pC, cut, 1_000_000, NOW_US)
    return after, (verdict.withhold, verdict.trip)


@pytest.mark.parametrize(
    ("since_us", "kept"),
    [
        (NOW_US - 999_999, (140, 30, NOW_US - 999_999)),
        (NOW_US - 1_000_000, (40, 100, NOW_US)),
        (NOW_US - 1_999_999, (40, 100, NOW_US - 999_999)),
        (NOW_US - 2_000_000, (40, 0, NOW_US)),
    ],
)
def test_net_charge_is_kept_in_two_windows(since_us: int, kept: tuple[int, int, int]) -> None:
    after, verdict = balance(BalanceMemory(10_000, 100, 30, since_us), 14_000, -40)
    assert after == BalanceMemory(14_000, *kept)
    assert verdict == (0, 0)


@pytest.mark.parametrize(
    ("running_pC", "total_pC", "net_pC", "cut", "verdict"),
    [
        (0, 4_000, 40, 0, (0, 0)),
        (0, 4_000, 41, 0, (rule(18), 0)),
        (0, 4_000, -41, 0, (rule(18), 0)),
        (0, 0, 0, 0, (0, 0)),
        (0, -5_000, 1, 0, (rule(18), 0)),
        (990, 1_000, 10, 0, (0, 0)),
        (991, 1_000, 10, 0, (rule(18), 0)),
        (4_990, 1_000, 10, 0, (rule(18), 0)),
        (4_991, 1_000, 10, 0, (rule(18), rule(18))),
        (0, 0, 0, 1, (0, rule(19))),
        (4_991, 1_000, 10, 1, (rule(18), rule(18) | rule(19))),
    ],
)
def test_net_charge_is_judged_against_the_pulses_and_the_second(
    running_pC: int, total_pC: int, net_pC: int, cut: int, verdict: tuple[int, int]
) -> None:
    past = BalanceMemory(100_000, running_pC - 400 if running_pC else 0, 400 if running_pC else 0, NOW_US - 10)
    assert balance(past, 100_000 + total_pC, net_pC, cut)[1] == verdict


@pytest.mark.parametrize(
    ("tick_us", "t_us", "pulse_us", "withhold", "trip"),
    [
        (NEVER, 0, NEVER, 0, 0),
        (NEVER, -1, NEVER, 4, 4),
        (NEVER, TIME_RANGE_US, NEVER, 0, 0),
        (NEVER, TIME_RANGE_US + 1, NEVER, 4, 4),
        (NEVER, 50, 50, 0, 0),
        (NEVER, 50, 51, 4, 4),
        (NOW_US, NOW_US - 1, 0, 4, 4),
        (NOW_US, NOW_US, 0, 4, 0),
        (NOW_US, NOW_US + LOOP.tick_min_us - 1, 0, 4, 0),
        (NOW_US, NOW_US + LOOP.tick_min_us, 0, 0, 0),
        (NOW_US, NOW_US + LOOP.tick_max_us, 0, 0, 0),
        (NOW_US, NOW_US + LOOP.tick_max_us + 1, 0, 4, 0),
        (NOW_US, NOW_US + LOOP.command_trip_us, 0, 4, 0),
        (NOW_US, NOW_US + LOOP.command_trip_us + 1, 0, 4, 3),
    ],
)
def test_the_clock_is_judged_on_both_sides_of_every_edge(
    tick_us: int, t_us: int, pulse_us: int, withhold: int, trip: int
) -> None:
    found = judge_clock(LOOP, LoopMemory(tick_us, 0, 0, NEVER, 0), pulse_us, t_us)
    assert found == Findings(rule(withhold) if withhold else 0, 0, rule(trip) if trip else 0)


GOOD = Asked(0, ChannelAsked(1_000, 200, 25_000), ChannelAsked(0, 0, 0))


@pytest.mark.parametrize(
    ("fault", "law", "state", "silence_us", "faults", "found"),
    [
        (0, 0, ARMED, 10**6, 2, (NOW_US, 0, FINE)),
        (1, 0, ARMED, 5, 0, (NOW_US - 5, 1, Findings(rule(1), 0, 0))),
        (1, 0, ARMED, 5, 1, (NOW_US - 5, 2, Findings(rule(1), 0, 0))),
        (1, 0, ARMED, 5, 2, (NOW_US - 5, 3, Findings(rule(1), 0, rule(1)))),
        (2, 0, ARMED, 5, 0, (NOW_US - 5, 1, Findings(rule(2), 0, rule(2)))),
        (2, 0, ARMED, 5, 2, (NOW_US - 5, 3, Findings(rule(2), 0, rule(1) | rule(2)))),
        (2, 1, ARMED, 5, 0, (NOW_US - 5, 1, Findings(rule(1), 0, 0))),
        (0, 2, ARMED, LOOP.heartbeat_ramp_us - 1, 2, (NOW_US - LOOP.heartbeat_ramp_us + 1, 2, FINE)),
        (0, 2, ARMED, LOOP.heartbeat_ramp_us, 2, (NOW_US - LOOP.heartbeat_ramp_us, 2, Findings(0, rule(32), 0))),
        (1, 0, ARMED, LOOP.heartbeat_trip_us - 1, 0,
         (NOW_US - LOOP.heartbeat_trip_us + 1, 1, Findings(rule(1), 0, 0))),
        (1, 0, ARMED, LOOP.heartbeat_trip_us, 2,
         (NOW_US - LOOP.heartbeat_trip_us, 3, Findings(rule(1), 0, rule(1) | rule(32)))),
        (2, 0, ARMED, LOOP.heartbeat_trip_us, 0,
         (NOW_US - LOOP.heartbeat_trip_us, 1, Findings(rule(2), 0, rule(2) | rule(32)))),
        (0, 2, ARMED, LOOP.heartbeat_trip_us, 0,
         (NOW_US - LOOP.heartbeat_trip_us, 0, Findings(0, rule(32), rule(32)))),
        (0, 2, DISARMED, LOOP.heartbeat_trip_us, 0, (NOW_US, 0, FINE)),
    ],
)  # fmt: skip
def test_a_law_is_judged_by_its_demand_and_its_silence(
    fault: int, law: int, state: int, silence_us: int, faults: int, found: tuple[int, int, Findings]
) -> None:
    past = LoopMemory(NOW_US - 20_000, NOW_US - silence_us, faults, NEVER, 0)
    demand, senses = GOOD._replace(fault=fault), QUIET._replace(law_fault=law)
    assert judge_demand(LOOP, past, demand, senses, state, NOW_US) == found


def test_a_law_never_heard_is_silent_from_now_on() -> None:
    past = LoopMemory(NEVER, NEVER, 0, NEVER, 0)
    late = QUIET._replace(law_fault=2)
    assert judge_demand(LOOP, past, GOOD, late, ARMED, NOW_US) == (NOW_US, 0, FINE)


@pytest.mark.parametrize(
    ("latch", "mark", "found"),
    [
        (Latch(ARMED, 0, NEVER, 0, NOW_US - LOOP.session_us + 1, 7, 1), 7, 0),
        (Latch(ARMED, 0, NEVER, 0, NOW_US - LOOP.session_us, 7, 1), 7, rule(24)),
        (Latch(ARMED, 0, NEVER, 0, NEVER, 7, 1), 7, 0),
        (Latch(ARMED, 0, NEVER, 0, NOW_US, 7, 1), 8, rule(35)),
        (Latch(DISARMED, 0, NEVER, 0, NOW_US, 7, 1), 8, 0),
        (Latch(DISARMED, 35, 0, 0, NOW_US, 7, 1), 8, rule(35)),
        (Latch(DISARMED, 34, 0, 0, NOW_US, 7, 1), 8, rule(35)),
        (Latch(DISARMED, 33, 0, NEVER, NEVER, 0, 1), 8, 0),
        (Latch(DISARMED, 0, NEVER, 0, NEVER, 7, 2), 7, rule(39)),
        (Latch(ARMED, 0, NEVER, 0, NOW_US - LOOP.session_us, 7, 2), 8, rule(24) | rule(35) | rule(39)),
    ],
)
def test_the_session_ends_limits_stay_frozen_and_broken_calls_are_seen(latch: Latch, mark: int, found: int) -> None:
    assert judgement._session_trips(LOOP, latch, mark, NOW_US) == found


def test_a_channel_pushes_from_its_motor_threshold_on_and_never_at_zero() -> None:
    command = CommandMemory(8_000, 0, 0, 0, 0, 0, 0, 0, 0, 0)
    limits = LIMITS.agonist._replace(motor_uA=8_000)
    assert judgement._pushes(limits, command)
    assert not judgement._pushes(limits, command._replace(current_uA=7_999))
    uncalibrated = limits._replace(motor_uA=0)
    assert not judgement._pushes(uncalibrated, command._replace(current_uA=0))
    assert judgement._pushes(uncalibrated, command._replace(current_uA=1))


def contact(past: ContactMemory, ohm: int) -> tuple[Any, int]:
    """The judge of R28."""
    return plausibility.judge_contact(LIMITS.agonist, LOOP, past, ohm, NOW_US)


BUCKET_US = -(-LOOP.contact_window_us // 7)


@pytest.mark.parametrize(
    ("since_us", "kept"),
    [
        (NOW_US, contact_of(NOW_US, 1_000, 1_300, 1_100, 1_200)),
        (NOW_US - BUCKET_US + 1, contact_of(NOW_US - BUCKET_US + 1, 1_000, 1_300, 1_100, 1_200)),
        (NOW_US - 8 * BUCKET_US, contact_of(NOW_US, 1_300, 1_300)),
    ],
)
def test_impedance_is_remembered_for_a_window_and_up_to_a_seventh_more(since_us: int, kept: ContactMemory) -> None:
    assert contact(contact_of(since_us, 1_000, 1_050, 1_100, 1_200), 1_300) == (kept, 0)


@pytest.mark.parametrize(
    ("past", "ohm", "trips"),
    [
        ((1_000, 1_000, 1_000, 1_000), 2_000, False),
        ((1_000, 1_000, 1_000, 1_000), 2_001, True),
        ((1_000, 1_000, 1_000, 1_000), 500, False),
        ((1_000, 1_000, 1_000, 1_000), 499, True),
        ((1_500, 1_500, 1_000, 1_000), 2_001, True),
        ((1_000, 1_000, 1_500, 1_500), 2_001, True),
        ((700, 1_000, 700, 700), 499, True),
        ((700, 700, 700, 1_000), 499, True),
        ((EMPTY, -EMPTY, EMPTY, -EMPTY), LIMITS.agonist.ohm_min, False),
        ((EMPTY, -EMPTY, EMPTY, -EMPTY), LIMITS.agonist.ohm_min - 1, True),
        ((EMPTY, -EMPTY, EMPTY, -EMPTY), LIMITS.agonist.ohm_max, False),
        ((EMPTY, -EMPTY, EMPTY, -EMPTY), LIMITS.agonist.ohm_max + 1, True),
        ((EMPTY, -EMPTY, EMPTY, -EMPTY), 0, True),
        ((1_000, 1_000, 1_000, 1_000), -1, False),
        ((0, 0, 0, 0), 150, True),
    ],
)
def test_impedance_trips_out_of_range_and_on_a_jump_past_twice(
    past: tuple[int, int, int, int], ohm: int, trips: bool
) -> None:
    after, found = contact(contact_of(NOW_US - 10, *past), ohm)
    assert found == (rule(28) if trips else 0)
    if ohm < 0:
        assert after == ContactMemory(NOTHING_SEEN, NOTHING_SEEN)


def test_counters_that_could_grow_for_ever_stay_at_their_top() -> None:
    top_pC = 10**15
    assert balance(BalanceMemory(0, top_pC, 0, NOW_US - 10), 0, 5)[0].net_now_pC == top_pC
    assert balance(BalanceMemory(0, top_pC - 9, 0, NOW_US - 10), 0, 5)[0].net_now_pC == top_pC - 4
    bad = GOOD._replace(fault=1)
    for before, after in ((10**6, 10**6), (10**6 - 1, 10**6), (10**6 - 2, 10**6 - 1)):
        past = LoopMemory(NOW_US - 20_000, NOW_US - 5, before, NEVER, 0)
        assert judge_demand(LOOP, past, bad, QUIET, ARMED, NOW_US)[1] == after
