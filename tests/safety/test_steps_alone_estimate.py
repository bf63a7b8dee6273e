"""The judge of the estimate and the bounds of one channel alone, on both sides of every comparison."""

from __future__ import annotations

import os

import numpy as np
import pytest

from tests.safety.interlock_bench import LIFTED, changed, limits_for, rule
from thenar.safety import plausibility
from thenar.safety.bounds import MOST_RUNS
from thenar.safety.ceilings import _steady_bound_uA, bound_channel
from thenar.safety.extremes import lowest_after, lowest_of
from thenar.safety.inputs import ChannelAsked, Senses
from thenar.safety.memory import (
    ARMED,
    CHANNEL_AT,
    CHANNEL_SIZE,
    DISARMED,
    EMPTY,
    NEVER,
    NOTHING_SEEN,
    RUNS_AT,
    SHORT_SLOTS,
    SLOTS_AT,
    SLOTS_SIZE,
    TRAIN_AT,
    EstimateMemory,
    Lowest,
    TrainMemory,
    start_memory,
    unpack_memory,
    with_gone,
)
from thenar.safety.windows import (
    advance_windows,
    bucket_us,
    look_back,
    look_back_from_pulse,
    look_back_from_ramp,
    next_bucket_us,
    note_amounts,
    note_oldest,
    note_run,
    ramp_room_us,
)

if os.environ.get("NUMBA_DISABLE_JIT") != "1":
    pytest.skip("run without the compiler by test_steps_without_the_compiler.py", allow_module_level=True)

LIMITS = changed(
    limits_for(), estimate_min_mN=-500, estimate_max_mN=100_000, estimate_slope_mN_per_s=400_000,
    estimate_frozen_us=200_000, estimate_ramp_us=100_000, estimate_trip_us=500_000, implausible_trip_us=500_000,
    force_soft_mN=36_000, force_hard_mN=48_000, force_rise_mN=4_000, force_window_us=20_000,
)  # fmt: skip
LOOP = LIMITS.loop
NOW_US = 10_000_000
AGE_US = 30_000
SAMPLED_US = NOW_US - AGE_US
LOWS = Lowest(SAMPLED_US - 20_000, 3_000, 3_000, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY)
PAST = EstimateMemory(7, 3_000, SAMPLED_US - 20_000, SAMPLED_US - 20_000, 0, 0, NEVER, LOWS)


def senses(value_mN: int = 3_001, age_us: int = AGE_US, count: int = 8, known: int = 1) -> Senses:
    """What is sensed of the estimate."""
    return Senses(value_mN, known, age_us, count, 0, 0, 1, 0, -1, -1, -1, -1, 0, 0, 0, 0)


def after(past: EstimateMemory, sensed: Senses, pushing: bool = True) -> EstimateMemory:
    """The memory after this tick."""
    return plausibility._with_sample(LOOP, past, sensed, pushing, NOW_US)


@pytest.mark.parametrize(
    ("past", "value_mN", "pushing", "same_since_us", "frozen"),
    [
        ({}, 3_001, True, SAMPLED_US, 0),
        ({}, 3_000, True, SAMPLED_US - 20_000, 0),
        ({}, 3_000, False, SAMPLED_US, 0),
        ({"same_since_us": SAMPLED_US - 199_999}, 3_000, True, SAMPLED_US - 199_999, 0),
        ({"same_since_us": SAMPLED_US - 200_000}, 3_000, True, SAMPLED_US - 200_000, 1),
        ({"same_since_us": SAMPLED_US - 200_000}, 3_000, False, SAMPLED_US, 0),
        ({"same_since_us": SAMPLED_US - 5, "frozen": 1}, 3_000, False, SAMPLED_US - 5, 1),
        ({"same_since_us": SAMPLED_US - 5, "frozen": 1}, 3_001, True, SAMPLED_US, 0),
        ({"sampled_us": NEVER, "same_since_us": 0, "frozen": 1}, 3_000, True, SAMPLED_US, 0),
    ],
)
def test_an_estimate_that_repeats_itself_while_something_pushes_is_stuck(
    past: dict[str, int], value_mN: int, pushing: bool, same_since_us: int, frozen: int
) -> None:
    found = after(PAST._replace(**past), senses(value_mN), pushing)
    assert (found.same_since_us, found.frozen) == (same_since_us, frozen)
    assert found.bad_since_us == (NOW_US if frozen else NEVER)


@pytest.mark.parametrize(
    ("value_mN", "age_us", "sampled_us", "jumped"),
    [
        (11_000, AGE_US, SAMPLED_US - 20_000, 0),
        (11_001, AGE_US, SAMPLED_US - 20_000, 1),
        (-5_001, AGE_US, SAMPLED_US - 20_000, 1),
        (3_400, AGE_US, SAMPLED_US, 0),
        (3_401, AGE_US, SAMPLED_US, 1),
        (11_000, AGE_US, SAMPLED_US + 20_000, 0),
        (11_001, AGE_US, SAMPLED_US + 20_000, 1),
        (4_003_000, AGE_US, SAMPLED_US - 20_000_000, 0),
        (4_003_001, AGE_US, SAMPLED_US - 20_000_000, 1),
        (10**9, AGE_US, NEVER, 0),
    ],
)
def test_an_estimate_jumps_past_the_slope_between_two_samples(
    value_mN: int, age_us: int, sampled_us: int, jumped: int
) -> None:
    assert after(PAST._replace(sampled_us=sampled_us), senses(value_mN, age_us)).jumped == jumped


def test_a_jump_is_remembered_until_the_next_estimate_arrives() -> None:
    bad = PAST._replace(jumped=1, bad_since_us=5)
    waiting = after(bad, senses(3_000, count=7))
    assert (waiting.jumped, waiting.bad_since_us, waiting.arrived) == (1, 5, 7)
    assert waiting == bad
    fresh = after(bad, senses())
    assert (fresh.jumped, fresh.bad_since_us, fresh.arrived) == (0, NEVER, 8)
    old = after(PAST._replace(same_since_us=SAMPLED_US - 10**6), senses(3_000, count=7))
    assert old.frozen == 0


@pytest.mark.parametrize(
    ("value_mN", "age_us", "bad"),
    [(-500, AGE_US, False), (-501, AGE_US, True), (100_000, AGE_US, False), (100_001, AGE_US, True), (3_000, 0, False),
     (3_000, -1, True)],
)  # fmt: skip
def test_an_estimate_out_of_range_or_from_the_future_is_bad_since_now(value_mN: int, age_us: int, bad: bool) -> None:
    first = PAST._replace(sampled_us=NEVER)
    assert after(first, senses(value_mN, age_us)).bad_since_us == (NOW_US if bad else NEVER)
    assert after(first._replace(bad_since_us=9), senses(value_mN, age_us)).bad_since_us == (9 if bad else NEVER)


@pytest.mark.parametrize(
    ("since_us", "lows"),
    [
        (0, (0, 10, 20, 30, 40, 50, 60, 70, 80)),
        (5, (5, 10, 20, 30, 40, 50, 60, 70, 80)),
        (-2_857, (-2_857, 10, 20, 30, 40, 50, 60, 70, 80)),
        (-2_858, (0, 11, 10, 20, 30, 40, 50, 60, 70)),
        (-5_715, (-2_857, 11, 10, 20, 30, 40, 50, 60, 70)),
        (-5_716, (0, 11, EMPTY, 10, 20, 30, 40, 50, 60)),
        (-22_863, (-2_857, 11, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, 10)),
        (-22_864, (0, 11, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY)),
        (19_999, (19_999, 10, 20, 30, 40, 50, 60, 70, 80)),
        (20_000, (0, 11, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY)),
    ],
)
def test_lowest_values_are_kept_for_a_window_and_up_to_a_seventh_more(since_us: int, lows: tuple[int, ...]) -> None:
    past = Lowest(SAMPLED_US + since_us, 10, 20, 30, 40, 50, 60, 70, 80)
    found = lowest_after(past, 11, 20_000, SAMPLED_US)
    assert found == (SAMPLED_US + lows[0], *lows[1:])
    assert lowest_of(found) == min(lows[1:])
    assert lowest_after(past, 9, 20_000, SAMPLED_US).b0 == 9


def test_a_window_shorter_than_its_buckets_still_keeps_one_microsecond_each() -> None:
    past = Lowest(0, 5, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY)
    assert lowest_after(past, 6, 1, 7) == (7, 6, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, 5)
    assert lowest_after(past, 6, 0, 8) == (8, 6, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY)


@pytest.mark.parametrize("place", range(8))
def test_the_lowest_of_all_buckets_is_found_in_each(place: int) -> None:
    values = [50] * 8
    values[place] = 3
    assert lowest_of(Lowest(0, *values)) == 3


def test_a_new_estimate_enters_the_lowest_forces_at_the_time_of_its_sample() -> None:
    assert after(PAST, senses())[:3] == (8, 3_001, SAMPLED_US)
    assert after(PAST, senses()).lows == lowest_after(LOWS, 3_001, LOOP.force_window_us, SAMPLED_US)
    assert after(PAST, senses(count=7)).lows == LOWS


def test_force_rises_too_fast_above_the_lowest_of_the_window_and_only_on_a_new_sample() -> None:
    now = PAST._replace(arrived=8, value_mN=7_000, lows=LOWS._replace(b0=3_000, b1=5_000))
    assert not plausibility._rises_too_fast(LOOP, PAST, now)
    assert plausibility._rises_too_fast(LOOP, PAST, now._replace(value_mN=7_001))
    swapped = now._replace(value_mN=7_001, lows=LOWS._replace(b0=5_000, b1=3_000))
    assert plausibility._rises_too_fast(LOOP, PAST, swapped)
    assert not plausibility._rises_too_fast(LOOP, PAST, now._replace(value_mN=9_000, arrived=7))
    assert plausibility._rises_too_fast(LOOP, PAST, now._replace(value_mN=9_000, arrived=7, sampled_us=SAMPLED_US))


def verdict(sensed: Senses, past: EstimateMemory = PAST, state: int = ARMED) -> tuple[int, int, int]:
    """What the estimate calls for."""
    return tuple(plausibility.judge_estimate(LOOP, past, sensed, True, state, NOW_US)[1])  # type: ignore[return-value]


OLD = PAST._replace(sampled_us=NEVER, arrived=7, lows=NOTHING_SEEN)


@pytest.mark.parametrize(
    ("sensed", "found"),
    [
        (senses(age_us=100_000), (0, 0, 0)),
        (senses(age_us=100_001), (rule(30), 0, 0)),
        (senses(age_us=500_000), (rule(30), 0, 0)),
        (senses(age_us=500_001), (rule(30), rule(30), 0)),
        (senses(36_000), (0, 0, 0)),
        (senses(36_001), (0, 0, 1)),
        (senses(48_000), (0, 0, 1)),
        (senses(48_001), (0, rule(31), 1)),
        (senses(48_001, age_us=500_001), (rule(30), rule(30) | rule(31), 1)),
        (senses(known=2), (rule(30), 0, 0)),
    ],
)
def test_age_and_force_are_judged_on_both_sides_of_every_edge(sensed: Senses, found: tuple[int, int, int]) -> None:
    assert verdict(sensed, OLD) == found


@pytest.mark.parametrize(
    ("since_us", "state", "trip", "kept_us"),
    [
        (NEVER, ARMED, 0, NOW_US),
        (NOW_US - 499_999, ARMED, 0, NOW_US - 499_999),
        (NOW_US - 500_000, ARMED, rule(30), NOW_US - 500_000),
        (NOW_US - 900_000, DISARMED, 0, NOW_US),
    ],
)
@pytest.mark.parametrize("known", [0, 1])
def test_an_unknown_or_implausible_estimate_trips_after_half_a_second_of_being_armed(
    since_us: int, state: int, trip: int, kept_us: int, known: int
) -> None:
    past = OLD._replace(bad_since_us=since_us)
    sensed = senses(-501, known=known)
    memory, found = plausibility.judge_estimate(LOOP, past, sensed, True, state, NOW_US)
    assert found == (rule(30), trip, 0)
    assert memory.bad_since_us == kept_us
    if known == 0:
        assert memory == (-1, 0, NEVER, NEVER, 0, 0, kept_us, NOTHING_SEEN)
    else:
        lows = NOTHING_SEEN._replace(since_us=SAMPLED_US, b0=-501)
        assert memory == (8, -501, SAMPLED_US, SAMPLED_US, 0, 0, kept_us, lows)


def test_old_and_implausible_and_too_strong_at_once_is_told_at_once() -> None:
    past = OLD._replace(bad_since_us=0)
    assert verdict(senses(100_001, age_us=600_000), past) == (rule(30), rule(30) | rule(31), 1)


WIDE = changed(LIFTED, density_trip_uA_per_cm2=10**6, contact_assumed_per_mille=1_000, width_min_us=50).agonist
WIDE_LOOP = LIFTED.loop
RICH = WIDE._replace(
    peak_uA=10**6, ceiling_uA=10**6, charge_pC=10**12, density_charge_pC=10**12, rms_uA=10**6, rectified_pC=10**13,
    density_rms_uA_per_cm2=10**6, area_mm2=10**6, compliance_uV=10**12, width_max_us=500, period_min_us=10_000,
)  # fmt: skip


def bound(limits: dict[str, int], asked: tuple[int, int, int] = (5_000, 400, 25_000), ohm: int = 1_000) -> object:
    """The bounds of one channel under which nothing binds but what is named."""
    return bound_channel(RICH._replace(**limits), WIDE_LOOP, ChannelAsked(*asked), ohm, 1_000)


@pytest.mark.parametrize(
    ("limits", "current_uA", "number"),
    [
        ({"peak_uA": 5_000}, 5_000, 0),
        ({"peak_uA": 4_999}, 4_999, 6),
        ({"ceiling_uA": 5_000}, 5_000, 0),
        ({"ceiling_uA": 4_999}, 4_999, 7),
        ({"charge_pC": 2_000_000}, 5_000, 0),
        ({"charge_pC": 1_999_999}, 4_999, 9),
        ({"density_charge_pC": 2_000_000}, 5_000, 0),
        ({"density_charge_pC": 1_999_999}, 4_999, 10),
        ({"rectified_pC": 5_000 * 2 * 400 * 41}, 5_000, 0),
        ({"rectified_pC": 5_000 * 2 * 400 * 41 - 1}, 4_999, 16),
        ({"compliance_uV": 5_000_000}, 5_000, 0),
        ({"compliance_uV": 4_999_999}, 4_999, 17),
        ({"peak_uA": 1}, 1, 6),
    ],
)
def test_each_bound_of_a_channel_binds_one_microampere_below(
    limits: dict[str, int], current_uA: int, number: int
) -> None:
    assert bound(limits) == (current_uA, 400, 25_000, rule(number) if number else 0)


def test_all_bounds_of_a_channel_are_told_at_once_and_zero_leaves_nothing() -> None:
    low = {"peak_uA": 9, "ceiling_uA": 8, "charge_pC": 2_800, "density_charge_pC": 2_400, "compliance_uV": 5_000,
           "rms_uA": 1, "density_rms_uA_per_cm2": 1, "area_mm2": 100, "rectified_pC": 5 * 2 * 600 * 128,
           "width_max_us": 300, "period_min_us": 10_000}  # fmt: skip
    every = rule(6) | rule(7) | rule(8) | rule(9) | rule(10) | rule(11) | rule(12) | rule(13) | rule(16) | rule(17)
    assert bound(low, (5_000, 600, 9_000)) == (2, 300, 10_000, every)
    assert bound({**low, "peak_uA": 0}, (5_000, 600, 9_000)) == (0, 0, 0, every)
    assert bound({}, (5_000, 49, 25_000)) == (0, 0, 0, rule(8))
    assert bound({}, (5_000, 50, 25_000)) == (5_000, 50, 25_000, 0)
    assert bound({}, (5_000, 500, 10_000)) == (5_000, 500, 10_000, 0)
    assert bound({}, (5_000, 501, 9_999)) == (5_000, 500, 10_000, rule(8) | rule(11))
    for nothing in ((0, 1, 25_000), (5_000, 0, 25_000), (5_000, 400, 0)):
        assert bound({}, nothing) == (0, 0, 0, 0)


@pytest.mark.parametrize(("ohm", "current_uA"), [(-1, 5_000), (0, 5_000), (1, 4_000), (2, 2_000)])
def test_compliance_binds_at_every_known_impedance(ohm: int, current_uA: int) -> None:
    found = bound({"compliance_uV": 4_000}, ohm=ohm)
    assert found == (current_uA, 400, 25_000, 0 if current_uA == 5_000 else rule(17))


def test_a_steady_train_fills_the_window_exactly() -> None:
    loop = WIDE_LOOP._replace(short_window_us=1_000_000)
    # 100 uA r.m.s. over a second: 10 pulses of 2 x 500 us carry the square of 1000 uA.
    assert _steady_bound_uA(loop, 100, 5_000, 500, 10) == 1_000
    assert _steady_bound_uA(loop, 100, 1_000, 500, 10) == 1_000
    assert _steady_bound_uA(loop, 100, 1_001, 500, 10) == 1_000
    assert _steady_bound_uA(loop, 100, 999, 500, 10) == 999


def test_buckets_cover_a_window_whatever_its_length() -> None:
    assert [bucket_us(window, 51) for window in (0, 1, 50, 51, 100, 101)] == [1, 1, 1, 2, 2, 3]
    assert [next_bucket_us(100, 51, t_us) for t_us in (0, 1, 2, 3)] == [2, 2, 4, 4]
    assert isinstance(next_bucket_us(10**6, 51, 10**15 + 1), int)
    assert next_bucket_us(10**6, 51, 10**15 + 1) == 10**15 + 20_000


@pytest.mark.parametrize("channel", [0, 1])
def test_amounts_land_in_the_slots_of_their_channel_and_leave_with_their_bucket(channel: int) -> None:
    array = start_memory()
    short = bucket_us(LOOP.short_window_us, SHORT_SLOTS)
    slots = SLOTS_AT + channel * SLOTS_SIZE
    at_us = 3_000_000
    advance_windows(array, LOOP, channel, at_us)
    note_amounts(array, channel, 5, 6)
    note_amounts(array, channel, 50, 60)
    place = at_us // short % SHORT_SLOTS
    expected = np.zeros(SLOTS_SIZE, dtype=np.int64)
    expected[place], expected[SHORT_SLOTS + place] = 55, 66
    assert array[slots : slots + SLOTS_SIZE].tolist() == expected.tolist()
    memory = unpack_memory(array)
    assert (memory.agonist, memory.antagonist)[channel].train.short_bucket == at_us // short
    # The sums are the gate's to write; here they are put in by hand and must come back to zero.
    start = int(np.flatnonzero(array[:SLOTS_AT] == at_us // short)[0])
    array[start + 1 : start + 3] = (55, 66)
    advance_windows(array, LOOP, channel, at_us + SHORT_SLOTS * short - 1)
    assert array[start + 1 : start + 3].tolist() == [55, 66]
    advance_windows(array, LOOP, channel, at_us + SHORT_SLOTS * short)
    assert array[start + 1 : start + 3].tolist() == [0, 0]
    assert not array[SLOTS_AT:].any()


@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize("run", [0, 1, MOST_RUNS - 1, MOST_RUNS, 5 * MOST_RUNS + 7])
def test_a_run_is_noted_in_its_own_two_places(channel: int, run: int) -> None:
    array = start_memory()
    note_run(array, channel, run, 55, 66)
    expected = np.zeros(SLOTS_SIZE, dtype=np.int64)
    at = RUNS_AT + 2 * (run % MOST_RUNS)
    expected[at : at + 2] = 55, 66
    slots = SLOTS_AT + channel * SLOTS_SIZE
    assert array[slots : slots + SLOTS_SIZE].tolist() == expected.tolist()
    array[slots + at : slots + at + 2] = 0
    note_oldest(array, channel, 9)
    memory = unpack_memory(array)
    assert (memory.agonist, memory.antagonist)[channel].train.oldest_run == 9
    assert (memory.antagonist, memory.agonist)[channel].train.oldest_run == 0
    array[array == 9] = 0
    assert array.tolist() == start_memory().tolist()


@pytest.mark.parametrize(
    ("from_us", "silence_us", "gone_us", "oldest"),
    [
        (-1, 0, 0, 0), (0, 0, 0, 0), (1, 0, 1, 0), (299, 0, 299, 0), (300, 0, 300, 1), (1_000, 0, 300, 1),
        (1_001, 0, 301, 1), (1_499, 0, 799, 1), (1_500, 0, 800, 2), (2_000, 0, 800, 2), (2_001, 0, 801, 2),
        # The latest run goes on as long as no rest has come: on without end, or until the gap after its last pulse.
        (9_000, LOOP.rest_us - 1, 7_800, 2), (9_000, LOOP.rest_us, 1_050, 2), (2_100, LOOP.rest_us, 900, 2),
    ],
)  # fmt: skip
@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize("first", [0, MOST_RUNS - 1, 3 * MOST_RUNS - 2])
def test_the_on_time_before_an_instant_is_read_off_the_run_it_falls_into(
    from_us: int, silence_us: int, gone_us: int, oldest: int, channel: int, first: int
) -> None:
    """Runs on from 0 to 300, 1000 to 1500 and 2000 to 2250 us."""
    array = start_memory()
    for place, (since_us, before_us) in enumerate(((0, 0), (1_000, 300), (2_000, 800))):
        note_run(array, channel, first + place, since_us, before_us)
    train = CHANNEL_AT + channel * CHANNEL_SIZE + TRAIN_AT
    for name, value in (("pulse_us", 2_200), ("on_us", 1_050), ("run", first + 2), ("oldest_run", first)):
        array[train + TrainMemory._fields.index(name)] = value
    before = array.copy()
    assert look_back(array, LOOP, channel, from_us, 2_200 + silence_us) == (gone_us, first + oldest)
    assert array.tolist() == before.tolist()


@pytest.mark.parametrize("channel", [0, 1])
def test_before_the_first_run_nothing_is_gone(channel: int) -> None:
    array = start_memory()
    assert look_back(array, LOOP, channel, 10**9, 10**9) == (0, 0)
    assert array.tolist() == start_memory().tolist()


@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize(("current_uA", "ramps"), [(0, 2), (1, 1), (900, 1)])
def test_both_looks_back_end_with_the_gap_after_a_pulse_and_after_a_ramp(
    channel: int, current_uA: int, ramps: int
) -> None:
    limits = changed(LIMITS, ramp_us=70_000, control_period_us=9_000, on_gap_us=500, long_window_us=3_000_000)
    assert ramp_room_us(limits.agonist, limits.loop, current_uA) == ramps * 70_000 + 27_000
    array = start_memory()
    note_run(array, channel, 0, 1_000_000, 0)
    at = CHANNEL_AT + channel * CHANNEL_SIZE
    array[at] = current_uA
    train = at + TRAIN_AT
    for name, value in (("pulse_us", 5_000_000), ("on_us", 4_000_500), ("run", 0)):
        array[train + TrainMemory._fields.index(name)] = value
    gone_us = 5_100_000 + 500 - 3_000_000 - 1_000_000
    assert look_back_from_pulse(array, limits.loop, channel, 5_100_000) == (gone_us, 0)
    room_us = ramps * 70_000 + 27_000
    assert look_back_from_ramp(array, limits.agonist, limits.loop, channel, 5_100_000) == gone_us + room_us


@pytest.mark.parametrize("channel", [0, 1])
def test_what_is_gone_is_put_into_one_train_and_nothing_else(channel: int) -> None:
    array = start_memory()
    array[:SLOTS_AT] = np.arange(1, SLOTS_AT + 1)
    memory = unpack_memory(array)
    array[CHANNEL_AT + channel * CHANNEL_SIZE + TRAIN_AT + TrainMemory._fields.index("gone_us")] = -7
    assert with_gone(memory, channel, -7) == unpack_memory(array)
