"""The tick itself: unusable demands (R01, R02), the clock (R03, R04), the law's heartbeat (R32)."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.safety.interlock_bench import PERIOD_US, Bench, ask, both, rule
from thenar.safety.inputs import (
    CURRENT_RANGE_UA,
    LAW_LATE,
    LAW_RAISED,
    PERIOD_RANGE_US,
    TIME_RANGE_US,
    WIDTH_RANGE_US,
    ChannelAsked,
    asks_nothing,
    in_type_range,
)

PUSH = ask(15.0)
TOO_MANY = (*PUSH, PUSH[0])


def pushing() -> Bench:
    """A bench that has delivered for a second."""
    bench = Bench().armed()
    bench.run(1.0, PUSH)
    assert bench.level()[0] > 8_000
    return bench


@pytest.mark.parametrize("demand", [None, "more", (1.0, 2.0), ask(float("nan")), ask(1e12), ask(-5.0)], ids=str)
def test_one_unusable_demand_is_zero_for_one_tick(demand: object) -> None:
    bench = pushing()
    assert bench.tick(demand) == rule(1)
    assert bench.level() == (0, 0, 0)
    assert bench.trip == 0
    bench.tick(PUSH)
    assert bench.level()[0] > 0


def test_three_unusable_demands_in_a_row_trip_but_not_two() -> None:
    bench = pushing()
    for _ in range(5):
        bench.tick(None)
        bench.tick(None)
        assert bench.tick(both()) == 0
    bench.tick(None)
    bench.tick(None)
    assert bench.trip == 0
    assert bench.tick(None) == rule(1)
    assert bench.trip == 1


def test_unusable_demands_before_arming_do_not_trip_but_three_refuse_to_arm() -> None:
    bench = Bench()
    for _ in range(3):
        assert bench.tick(None, arm=0) == rule(5)
    assert bench.tick(None) == rule(1) | rule(5)
    assert not bench.is_armed
    assert bench.trip == 0
    bench.tick(both())
    assert bench.is_armed


def test_a_law_that_raises_counts_as_a_missing_demand() -> None:
    bench = pushing()
    for _ in range(3):
        assert bench.tick(PUSH, law_fault=LAW_RAISED) == rule(1)
        assert bench.level() == (0, 0, 0)
    assert bench.trip == 1


def test_a_channel_too_many_trips_at_once() -> None:
    bench = pushing()
    assert bench.tick(TOO_MANY) == rule(2)
    assert bench.trip == 2


def test_a_wrong_shape_refuses_to_arm_without_latching() -> None:
    bench = Bench()
    assert bench.tick(TOO_MANY) == rule(2) | rule(5)
    assert (bench.trip, bench.is_armed) == (0, False)


def test_a_raising_law_is_not_blamed_for_the_shape_of_its_last_answer() -> None:
    bench = pushing()
    assert bench.tick(TOO_MANY, law_fault=LAW_RAISED) == rule(1)
    assert bench.trip == 0


@pytest.mark.parametrize(
    ("asked", "fits"),
    [
        (ChannelAsked(0, 0, 0), True),
        (ChannelAsked(CURRENT_RANGE_UA, WIDTH_RANGE_US, PERIOD_RANGE_US[0]), True),
        (ChannelAsked(1, 1, PERIOD_RANGE_US[1]), True),
        (ChannelAsked(-1, 100, 25_000), False),
        (ChannelAsked(CURRENT_RANGE_UA + 1, 100, 25_000), False),
        (ChannelAsked(1, -1, 25_000), False),
        (ChannelAsked(1, WIDTH_RANGE_US + 1, 25_000), False),
        (ChannelAsked(1, 100, -1), False),
        (ChannelAsked(1, 100, 1), False),
        (ChannelAsked(1, 100, PERIOD_RANGE_US[0] - 1), False),
        (ChannelAsked(1, 100, PERIOD_RANGE_US[1] + 1), False),
    ],
)
def test_integers_that_come_in_past_the_edge_are_held_to_the_same_ranges(asked: ChannelAsked, fits: bool) -> None:
    assert in_type_range(asked) is fits


@pytest.mark.parametrize(
    ("asked", "nothing"),
    [((1, 1, 1_000), False), ((0, 1, 1_000), True), ((1, 0, 1_000), True), ((1, 1, 0), True)],
)
def test_a_zero_in_any_field_asks_for_nothing(asked: tuple[int, int, int], nothing: bool) -> None:
    assert asks_nothing(ChannelAsked(*asked)) is nothing


@pytest.mark.parametrize(
    ("gap_us", "fired", "trip"),
    [
        (0, rule(4), 0),
        (9_999, rule(4), 0),
        (10_000, 0, 0),
        (40_000, 0, 0),
        (40_001, rule(4), 0),
        (250_000, rule(4), 0),
        (250_001, rule(4) | rule(3), 3),
        (-1, rule(4), 4),
        (-600_000, rule(4), 4),
    ],
)
def test_the_time_between_ticks_must_be_about_one_period(gap_us: int, fired: int, trip: int) -> None:
    bench = pushing()
    assert bench.tick(PUSH, at=bench.t_us + gap_us) & (rule(3) | rule(4)) == fired
    assert (bench.level()[0] > 0) is (fired == 0)
    assert bench.trip == trip


@pytest.mark.parametrize("t_us", [-1, TIME_RANGE_US + 1])
def test_a_time_that_no_clock_shows_trips_and_the_next_good_tick_is_judged_against_the_range(t_us: int) -> None:
    bench = pushing()
    assert bench.tick(PUSH, at=t_us) & rule(4)
    assert bench.trip == 4
    assert bench.level() == (0, 0, 0)


def test_the_first_tick_may_come_at_any_time() -> None:
    for t_us in (0, 1, 123_456_789):
        bench = Bench()
        assert bench.tick(both(), at=t_us) == 0
        assert bench.is_armed


def test_after_a_clock_that_went_back_the_loop_can_be_re_armed_by_name() -> None:
    bench = pushing()
    bench.tick(PUSH, at=bench.t_us - 5)
    assert bench.rearm(4) == 0
    assert bench.is_armed


def test_a_late_law_is_first_held_to_what_was_admitted_and_its_command_ages_on() -> None:
    bench = pushing()
    held, expires_us = bench.level(), int(bench.admitted[1])
    for _ in range(2):
        assert bench.tick(both(), law_fault=LAW_LATE) == 0
        assert bench.level() == held
        assert bench.admitted[1] == expires_us


def test_a_law_silent_for_three_periods_is_ramped_down_and_after_half_a_second_tripped() -> None:
    bench = pushing()
    last_heard_us, level_uA = bench.t_us, bench.level()[0]
    while bench.trip == 0:
        reasons = bench.tick(both(), law_fault=LAW_LATE)
        silence_us = bench.t_us - last_heard_us
        assert bool(reasons & rule(32)) is (silence_us >= 3 * PERIOD_US)
        assert bench.level()[0] <= level_uA
        level_uA = bench.level()[0]
    assert bench.t_us - last_heard_us == 500_000
    assert bench.trip == 32
    assert level_uA == 0


def test_a_late_law_that_answers_again_goes_on_from_the_level_it_had_come_down_to() -> None:
    bench = pushing()
    for _ in range(10):
        bench.step(both(), law_fault=LAW_LATE)
    low_uA = bench.level()[0]
    assert 0 < low_uA < 15_000
    bench.step(PUSH)
    assert low_uA < bench.level()[0] <= low_uA + 400


def test_a_law_that_never_answers_trips_half_a_second_after_arming() -> None:
    bench = Bench()
    for _ in range(50):
        bench.tick(both(), arm=0, law_fault=LAW_LATE)
    assert bench.trip == 0
    bench.tick(both(), law_fault=LAW_LATE)
    armed_us = bench.t_us
    while bench.trip == 0:
        bench.tick(both(), law_fault=LAW_LATE)
    assert bench.t_us - armed_us == 500_000


def test_a_loop_that_stalls_falls_silent_when_its_command_expires() -> None:
    bench = pushing()
    stalled_us = bench.t_us
    bench.fire_until(stalled_us + 1_000_000)
    assert stalled_us < bench.pulses[-1].t_us < stalled_us + 3 * PERIOD_US
    assert bench.tick(PUSH, at=stalled_us + 1_000_000) & rule(3)
    assert bench.trip == 3


def test_swapping_the_channels_at_every_tick_never_lets_pulses_come_near_each_other() -> None:
    bench = Bench().armed()
    for index in range(200):
        bench.step(both(PUSH.agonist) if index % 2 else both(antagonist=PUSH.agonist))
    assert bench.trip == 0
    assert {pulse.channel for pulse in bench.pulses} == {0, 1}
    for before, after in pairwise(bench.pulses):
        if before.channel != after.channel:
            assert after.t_us - before.end_us >= 20_000
