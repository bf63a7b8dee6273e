"""What is sensed: the estimate's range, slope, age and freezing (R30), force bounds (R31), skin contact (R28)."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import pytest

from tests.safety.interlock_bench import PERIOD_US, Bench, ask, both, changed, limits_for, rule
from thenar.shared.signals import Stimulus

PUSH = ask(15.0)
PULL = both(antagonist=Stimulus(15.0, 250.0, 40.0))


def pushing() -> Bench:
    """A bench that has delivered for a second, its estimate lively near 3 N."""
    bench = Bench().armed()
    bench.run(1.0, PUSH)
    assert bench.level()[0] > 8_000
    return bench


def ticks_until(done: Callable[[], bool], limit: int = 500) -> Iterator[int]:
    """Counts up until `done`; fails after `limit`."""
    for index in range(limit):
        if done():
            return
        yield index
    raise AssertionError("never came to an end")


@pytest.mark.parametrize(("age_us", "ramps"), [(0, False), (300_000, False), (300_001, True), (800_000, True)])
def test_an_estimate_older_than_300_ms_ramps_down(age_us: int, ramps: bool) -> None:
    bench = pushing()
    level_uA = bench.level()[0]
    reasons = bench.tick(PUSH, estimate_age_us=age_us)
    assert bool(reasons & rule(30)) is ramps
    assert (bench.level()[0] < level_uA) is ramps
    assert bench.trip == 0


def test_an_estimate_older_than_800_ms_trips() -> None:
    bench = pushing()
    assert bench.tick(PUSH, estimate_age_us=800_001) & rule(30)
    assert bench.trip == 30


def test_a_sensor_that_falls_silent_is_ramped_to_zero_by_the_time_it_trips() -> None:
    bench = pushing()
    last_us, count = bench.t_us, bench.estimates
    levels = []
    for _ in ticks_until(lambda: bench.trip != 0):
        bench.step(
            PUSH, estimate_N=3.0, estimate_age_us=30_000 + bench.t_us + PERIOD_US - last_us, estimate_count=count
        )
        levels.append(bench.level()[0])
    assert bench.t_us - last_us + 30_000 == pytest.approx(800_000, abs=PERIOD_US)
    assert levels[-2:] == [0, 0]


def test_a_short_dropout_ramps_and_then_goes_on_from_where_it_was() -> None:
    bench = pushing()
    for age_us in (320_000, 340_000, 360_000):
        bench.step(PUSH, estimate_age_us=age_us)
    low_uA = bench.level()[0]
    assert 0 < low_uA < 15_000
    bench.step(PUSH)
    assert low_uA < bench.level()[0] <= low_uA + 400


def test_before_the_first_estimate_nothing_is_pushed_and_after_half_a_second_it_trips() -> None:
    bench = Bench()
    for _ in range(60):
        bench.tick(both(), arm=0, estimate_N=math.nan)
    assert bench.tick(PUSH, estimate_N=math.nan) == rule(30)
    armed_us = bench.t_us
    assert bench.is_armed
    for _ in ticks_until(lambda: bench.trip != 0):
        bench.tick(PUSH, estimate_N=math.nan)
        assert bench.level()[0] == 0
    assert (bench.trip, bench.t_us - armed_us) == (30, 500_000)


def test_a_first_estimate_after_150_ms_of_waiting_starts_the_loop() -> None:
    bench = Bench()
    for _ in range(8):
        bench.step(PUSH, estimate_N=math.nan)
    bench.step(PUSH, estimate_age_us=150_000)
    assert bench.level()[0] == 800
    assert bench.trip == 0


@pytest.mark.parametrize(("estimate_N", "bad"), [(-5.0, False), (-5.001, True), (-math.inf, True)])
def test_an_estimate_below_its_range_is_not_believed(estimate_N: float, bad: bool) -> None:
    bench = Bench(changed(limits_for(), estimate_slope_mN_per_s=10**9)).armed()
    bench.run(0.5, PUSH)
    assert bool(bench.tick(PUSH, estimate_N=estimate_N) & rule(30)) is bad


@pytest.mark.parametrize(("estimate_N", "bad"), [(200.0, False), (200.001, True), (math.inf, True)])
def test_an_estimate_above_its_range_is_not_believed(estimate_N: float, bad: bool) -> None:
    roomy = changed(
        limits_for(), estimate_slope_mN_per_s=10**9, force_soft_mN=10**9, force_hard_mN=10**9, force_rise_mN=10**9
    )
    bench = Bench(roomy).armed()
    bench.run(0.5, PUSH)
    assert bool(bench.tick(PUSH, estimate_N=estimate_N) & rule(30)) is bad


def test_an_estimate_out_of_range_for_half_a_second_trips() -> None:
    bench = pushing()
    start_us = bench.t_us
    for _ in ticks_until(lambda: bench.trip != 0):
        bench.step(PUSH, estimate_N=-7.0 - 0.01 * (bench.estimates % 7))
    assert (bench.trip, bench.t_us - start_us) == (30, 500_000 + PERIOD_US)


def test_an_age_below_zero_is_not_believed() -> None:
    bench = pushing()
    assert bench.tick(PUSH, estimate_age_us=-1) & rule(30)


@pytest.mark.parametrize(("step_N", "bad"), [(-20.0, False), (-20.001, True)])
def test_samples_that_differ_by_more_than_the_slope_allows_are_not_believed(step_N: float, bad: bool) -> None:
    bench = pushing()
    bench.tick(PUSH, estimate_N=19.0)
    bench.tick(PUSH, estimate_N=19.0)
    assert bool(bench.tick(PUSH, estimate_N=19.0 + step_N) & rule(30)) is bad
    assert bench.tick(PUSH, estimate_N=19.0 + step_N) & rule(30) == 0


def test_a_jump_is_reckoned_over_the_time_between_the_samples_not_the_ticks() -> None:
    bench = pushing()
    bench.tick(PUSH, estimate_N=19.0, estimate_age_us=30_000)
    assert bench.tick(PUSH, estimate_N=3.0, estimate_age_us=45_000) & rule(30)


def test_samples_out_of_order_are_reckoned_as_at_least_a_millisecond_apart() -> None:
    bench = pushing()
    bench.tick(PUSH, estimate_N=3.0, estimate_age_us=30_000)
    assert bench.tick(PUSH, estimate_N=4.0, estimate_age_us=50_000) & rule(30) == 0
    assert bench.tick(PUSH, estimate_N=2.999, estimate_age_us=70_000) & rule(30)


def test_one_jump_is_ramped_for_its_own_ticks_and_then_forgotten() -> None:
    bench = pushing()
    bench.tick(PUSH, estimate_N=19.0)
    bench.tick(PUSH, estimate_N=19.001)
    count = bench.estimates + 1
    assert bench.tick(PUSH, estimate_N=-4.0, estimate_count=count) & rule(30)
    assert bench.tick(PUSH, estimate_N=-4.0, estimate_count=count, estimate_age_us=50_000) & rule(30)
    assert bench.tick(PUSH, estimate_N=-4.01) & rule(30) == 0
    assert bench.trip == 0


def test_a_stuck_estimate_ramps_after_half_a_second_and_trips_after_one() -> None:
    bench = pushing()
    start_us = bench.t_us
    first_ramp_us = 0
    for _ in ticks_until(lambda: bench.trip != 0):
        reasons = bench.step(PUSH, estimate_N=3.5)
        if reasons & rule(30) and first_ramp_us == 0:
            first_ramp_us = bench.t_us
    assert first_ramp_us - start_us == 500_000 + PERIOD_US
    assert (bench.trip, bench.t_us - start_us) == (30, 1_000_000 + PERIOD_US)
    assert bench.level()[0] == 0


def test_a_stuck_estimate_is_not_believed_again_because_the_current_has_come_down() -> None:
    bench = pushing()
    for _ in range(26):
        bench.step(PUSH, estimate_N=3.5)
    for _ in range(20):
        assert bench.step(both(), estimate_N=3.5) & rule(30)
        assert bench.level()[0] == 0
    assert bench.step(PUSH, estimate_N=3.6) & rule(30) == 0


@pytest.mark.parametrize("demand", [both(), ask(7.9)])
def test_a_resting_wearer_whose_estimate_clips_at_zero_is_not_stuck(demand: object) -> None:
    bench = Bench().armed()
    assert bench.run(5.0, demand, estimate_N=0.0) & rule(30) == 0
    assert bench.trip == 0


@pytest.mark.parametrize("demand", [ask(8.0), both(antagonist=Stimulus(8.0, 250.0, 40.0))])
def test_from_the_motor_threshold_on_a_repeated_estimate_is_stuck(demand: object) -> None:
    bench = Bench().armed()
    bench.run(2.0, demand, estimate_N=0.0)
    assert bench.trip == 30


def test_an_estimate_that_only_arrives_seldom_is_not_stuck() -> None:
    bench = pushing()
    for index in range(100):
        count, age_us = 1_000 + index // 10, 20_000 + 20_000 * (index % 10)
        assert (
            bench.step(PUSH, estimate_N=3.0 + 0.01 * count, estimate_count=count, estimate_age_us=age_us) & rule(30)
            == 0
        )


def test_above_the_soft_bound_the_agonist_may_not_push_further_but_may_ease_off() -> None:
    bench = Bench(changed(limits_for(), force_soft_mN=5_000)).armed()
    bench.run(0.3, PUSH)
    level = bench.level()
    for _ in range(5):
        assert bench.step(ask(30.0, 300.0, 50.0), estimate_N=5.001 + 0.001 * (bench.estimates % 5)) & rule(31)
        assert bench.level() == level
    assert bench.step(ask(2.0), estimate_N=5.01) & rule(31) == 0
    assert bench.level()[0] == 2_000


def test_above_the_soft_bound_the_antagonist_may_still_pull() -> None:
    bench = Bench(changed(limits_for(), force_soft_mN=5_000)).armed()
    bench.run(1.0, PULL, estimate_N=5.5)
    assert bench.level(1)[0] > 5_000


def test_at_the_soft_bound_the_agonist_may_still_push() -> None:
    bench = Bench(changed(limits_for(), force_soft_mN=5_000)).armed()
    bench.run(0.3, PUSH)
    assert bench.step(PUSH, estimate_N=5.0) & rule(31) == 0


def test_a_start_above_the_soft_bound_is_refused() -> None:
    bench = Bench(changed(limits_for(), force_soft_mN=5_000)).armed()
    assert bench.step(PUSH, estimate_N=5.5) & rule(31)
    assert bench.level() == (0, 0, 0)


@pytest.mark.parametrize(("estimate_N", "trips"), [(48.0, False), (48.001, True)])
def test_above_the_hard_bound_everything_stops(estimate_N: float, trips: bool) -> None:
    bench = Bench(changed(limits_for(), estimate_slope_mN_per_s=10**9, force_rise_mN=10**9)).armed()
    bench.run(1.0, both(PUSH.agonist, PULL.antagonist))
    assert bool(bench.tick(PUSH, estimate_N=estimate_N) & rule(31) and bench.trip == 31) is trips
    if trips:
        assert bench.level(0) == bench.level(1) == (0, 0, 0)


def test_force_that_rises_faster_than_the_rate_bound_stops_everything() -> None:
    bench = pushing()
    for estimate_N in (8.0, 13.0, 18.0):
        assert bench.step(PUSH, estimate_N=estimate_N) & rule(31) == 0
    bench.step(PUSH, estimate_N=23.1)
    assert bench.trip == 31


def test_force_that_rises_within_the_rate_bound_or_falls_fast_does_not_trip() -> None:
    bench = Bench().armed()
    bench.run(0.5, PUSH)
    for index in range(10):
        bench.step(PUSH, estimate_N=3.0 + 3.0 * index)
    for index in range(10):
        bench.step(PUSH, estimate_N=27.0 - 2.7 * index)
    assert bench.trip == 0


def test_noise_on_a_steady_force_does_not_count_as_a_rise() -> None:
    bench = pushing()
    for index in range(200):
        bench.step(PUSH, estimate_N=10.0 + 6.0 * math.sin(index * 2.4))
    assert bench.trip == 0


@pytest.mark.parametrize(
    ("ohm", "trips"), [(99, True), (100, False), (10_000, False), (10_001, True), (0, True), (2**40, True)]
)
@pytest.mark.parametrize("channel", ["agonist", "antagonist"])
def test_impedance_out_of_range_trips(ohm: int, trips: bool, channel: str) -> None:
    bench = pushing()
    assert bool(bench.tick(PUSH, **{f"{channel}_contact_ohm": ohm}) & rule(28)) is trips
    assert bench.trip == (28 if trips else 0)


@pytest.mark.parametrize(("ohm", "trips"), [(2_000, False), (2_001, True), (500, False), (499, True)])
def test_impedance_that_jumps_by_more_than_twice_within_a_second_trips(ohm: int, trips: bool) -> None:
    bench = pushing()
    bench.run(0.4, PUSH, agonist_contact_ohm=1_000)
    bench.tick(PUSH, agonist_contact_ohm=ohm)
    assert bench.trip == (28 if trips else 0)


def test_impedance_that_drifts_slowly_does_not_trip() -> None:
    bench = Bench().armed()
    for index in range(300):
        bench.tick(both(), agonist_contact_ohm=1_000 + 15 * index)
    assert bench.trip == 0


def test_impedance_that_doubles_over_half_a_second_trips() -> None:
    bench = Bench().armed()
    bench.run(1.0, both(), agonist_contact_ohm=1_000)
    for index in range(30):
        bench.tick(both(), agonist_contact_ohm=1_000 + 50 * index)
    assert bench.trip == 28


def test_a_reading_after_unknown_impedance_has_no_jump_to_be_judged_by() -> None:
    bench = Bench().armed()
    bench.tick(both(), agonist_contact_ohm=500)
    bench.tick(both())
    bench.tick(both(), agonist_contact_ohm=5_000)
    assert bench.trip == 0


def test_an_old_reading_is_no_longer_compared_with() -> None:
    bench = Bench(changed(limits_for(), tick_max_us=10**9, command_trip_us=10**9)).armed()
    bench.tick(both(), agonist_contact_ohm=500)
    # Buckets of a seventh of a second: forgotten between one window and eight sevenths of it.
    bench.tick(both(), agonist_contact_ohm=5_000, at=bench.t_us + 1_142_864)
    assert bench.trip == 0


@pytest.mark.parametrize("earlier", [25, 50])
@pytest.mark.parametrize(("first_ohm", "then_ohm"), [(1_900, 2_001), (520, 499)])
def test_a_jump_in_two_steps_is_judged_against_the_half_window_before(
    first_ohm: int, then_ohm: int, earlier: int
) -> None:
    bench = Bench().armed()
    for _ in range(earlier):
        bench.tick(both(), agonist_contact_ohm=1_000)
    bench.tick(both(), agonist_contact_ohm=first_ohm)
    assert bench.trip == 0
    bench.tick(both(), agonist_contact_ohm=then_ohm)
    assert bench.trip == 28


def test_above_the_soft_bound_a_law_that_asks_for_no_more_than_it_has_is_left_alone() -> None:
    bench = Bench(changed(limits_for(), force_soft_mN=5_000)).armed()
    bench.run(1.5, PUSH)
    level = bench.level()
    assert bench.step(PUSH, estimate_N=5.01) == 0
    assert bench.level() == level == (15_000, 250, 25_000)


def test_a_rise_spread_over_a_gap_between_samples_is_not_reckoned_as_a_fast_one() -> None:
    bench = pushing()
    count = bench.estimates
    for index in range(9):
        bench.step(PUSH, estimate_N=3.0, estimate_count=count, estimate_age_us=50_000 + PERIOD_US * index)
    bench.step(PUSH, estimate_N=25.0, estimate_age_us=10_000)
    assert bench.trip == 0


@pytest.mark.parametrize(
    ("readings", "trips"), [((1_000, 1_900, 2_001), True), ((1_900, 1_000, 949), True), ((1_000, 1_900, 2_000), False)]
)
def test_a_jump_within_half_a_window_is_judged_against_its_extremes(readings: tuple[int, ...], trips: bool) -> None:
    bench = Bench().armed()
    for _ in range(101):
        bench.tick(both(), agonist_contact_ohm=1_500)
    for ohm in readings:
        assert bench.trip == 0
        bench.tick(both(), agonist_contact_ohm=ohm)
    assert bench.trip == (28 if trips else 0)


@pytest.mark.parametrize("phase_us", range(0, 100_000, 9_000))
def test_a_rise_too_large_within_the_window_trips_wherever_the_window_began(phase_us: int) -> None:
    bench = Bench(changed(limits_for(), estimate_slope_mN_per_s=10**9)).armed()
    for index in range(20):
        bench.tick(both(), estimate_N=10.0 + 0.01 * (index % 3), at=bench.t_us + 20_000, estimate_age_us=0)
    bench.tick(both(), estimate_N=10.0, at=bench.t_us + 20_000 + phase_us % 20_000, estimate_age_us=0)
    for part in range(1, 6):
        bench.tick(both(), estimate_N=10.0 + 4.2 * part, estimate_age_us=0)
    assert bench.trip == 31


@pytest.mark.parametrize("start_us", range(0, 1_000_000, 140_000))
def test_a_doubling_within_the_window_trips_wherever_the_window_began(start_us: int) -> None:
    bench = Bench().armed()
    for _ in range(60 + start_us // 20_000):
        bench.tick(both(), agonist_contact_ohm=1_000)
    for index in range(50):
        bench.tick(both(), agonist_contact_ohm=min(1_000 + 25 * index, 2_020))
    assert bench.trip == 28


def test_a_limit_changed_while_another_cause_latches_must_be_put_back_before_any_arming() -> None:
    bench = Bench().armed()
    kept = bench.limits_array.copy()
    bench.limits_array[0] += 1_000
    bench.tick(both(), stop=1)
    assert bench.trip == 33
    bench.rearm(33)
    assert bench.trip == 33
    bench.limits_array[:] = kept
    bench.rearm(33)
    assert bench.trip == 0
