"""When targets change in a trial: times, levels, order, and what they may depend on."""

from __future__ import annotations

import itertools
import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thenar.scenarios.program import MOVING_STEP_US, target_changes
from thenar.scenarios.recording import Recording
from thenar.scenarios.targets import (
    ConstantTarget,
    RampAndHoldTarget,
    RecordingTarget,
    SineTarget,
    StepsTarget,
    Target,
)
from thenar.shared.ticks import us_from_s

forces = st.floats(0.0, 200.0).map(lambda force_N: round(force_N, 3))
distinct_levels = st.lists(forces, min_size=1, max_size=6, unique=True).map(tuple)
any_levels = st.lists(forces, min_size=1, max_size=6).map(tuple)
step_lengths = st.floats(0.1, 30.0)
durations_us = st.integers(100_000, 300_000_000)
keys = st.integers(0, 2**63 - 1)
numbers = st.integers(0, 100_000)

steps = st.one_of(
    st.builds(StepsTarget, program=st.just("steps"), levels_N=distinct_levels, every_s=step_lengths),
    st.builds(
        StepsTarget, program=st.just("steps"), levels_N=any_levels, every_s=step_lengths, order=st.just("listed")
    ),
)
moving = st.one_of(
    st.builds(
        RampAndHoldTarget,
        program=st.just("ramp-and-hold"),
        from_N=forces,
        to_N=forces,
        ramp_s=st.floats(0.01, 20.0),
        hold_s=st.floats(0.0, 20.0),
    ),
    st.builds(
        SineTarget,
        program=st.just("sine"),
        mean_N=st.floats(5.0, 20.0),
        amplitude_N=st.floats(0.1, 5.0),
        period_s=st.floats(0.2, 60.0),
    ),
)
constants = st.builds(ConstantTarget, program=st.just("constant"), level_N=forces)


def level_at(program: Target, t_us: int, duration_us: int) -> float:
    """The target that holds at `t_us`."""
    times, levels = target_changes(program, duration_us, 1, 0, 0)
    return float(levels[np.searchsorted(times, t_us, side="right") - 1])


@given(program=st.one_of(constants, steps, moving), duration_us=st.integers(100_000, 60_000_000), seed=keys)
def test_changes_begin_at_zero_rise_and_end_before_the_trial_does(program: Target, duration_us: int, seed: int) -> None:
    times, levels = target_changes(program, duration_us, seed, 0, 0)
    assert times.dtype == np.int64
    assert levels.dtype == np.float64
    assert times.shape == levels.shape
    assert times[0] == 0
    assert np.all(np.diff(times) > 0)
    assert times[-1] < duration_us
    assert np.all(np.diff(levels) != 0)
    assert np.all(levels >= 0)


@given(program=steps, duration_us=durations_us, seed=keys, wearer=numbers, repeat=numbers)
def test_steps_change_at_exact_multiples_of_their_length(
    program: StepsTarget, duration_us: int, seed: int, wearer: int, repeat: int
) -> None:
    times, _ = target_changes(program, duration_us, seed, wearer, repeat)
    assert not np.any(times % us_from_s(program.every_s))


@given(
    levels=st.lists(forces, min_size=2, max_size=6, unique=True).map(tuple),
    blocks=st.integers(1, 20),
    seed=keys,
    wearer=numbers,
    repeat=numbers,
)
def test_random_steps_hold_every_level_once_per_block_and_never_twice_in_a_row(
    levels: tuple[float, ...], blocks: int, seed: int, wearer: int, repeat: int
) -> None:
    program = StepsTarget(program="steps", levels_N=levels, every_s=2.0)
    duration_us = 2_000_000 * len(levels) * blocks
    _, found = target_changes(program, duration_us, seed, wearer, repeat)
    assert found.size == len(levels) * blocks  # a level twice in a row would be one change fewer
    for block in found.reshape(blocks, len(levels)):
        assert Counter(block.tolist()) == Counter(levels)


@given(program=steps, duration_us=durations_us, seed=keys, wearer=numbers, repeat=numbers)
def test_the_same_seed_wearer_and_repeat_give_the_same_targets(
    program: StepsTarget, duration_us: int, seed: int, wearer: int, repeat: int
) -> None:
    first = target_changes(program, duration_us, seed, wearer, repeat)
    again = target_changes(program, duration_us, seed, wearer, repeat)
    assert np.array_equal(first[0], again[0])
    assert np.array_equal(first[1], again[1])


@given(program=steps, duration_us=durations_us, longer_us=durations_us, seed=keys)
def test_a_longer_trial_begins_with_the_targets_of_a_shorter_one(
    program: StepsTarget, duration_us: int, longer_us: int, seed: int
) -> None:
    times, levels = target_changes(program, duration_us, seed, 0, 0)
    more_times, more_levels = target_changes(program, duration_us + longer_us, seed, 0, 0)
    assert np.array_equal(more_times[: times.size], times)
    assert np.array_equal(more_levels[: levels.size], levels)


@given(seed=keys)
def test_seed_wearer_and_repeat_each_shuffle_the_targets_anew(seed: int) -> None:
    program = StepsTarget(program="steps", levels_N=(4.0, 5.0, 7.0, 8.0, 11.0), every_s=1.0)

    def order(seed: int, wearer: int, repeat: int) -> tuple[float, ...]:
        return tuple(target_changes(program, 60_000_000, seed, wearer, repeat)[1].tolist())

    others = {order(seed, 0, 0), order(seed + 1, 0, 0), order(seed, 1, 0), order(seed, 0, 1)}
    assert len(others) == 4


def test_every_first_pair_of_random_steps_comes_up_about_equally_often() -> None:
    program = StepsTarget(program="steps", levels_N=(4.0, 7.0, 11.0), every_s=1.0)
    pairs = Counter(tuple(target_changes(program, 6_000_000, 5, wearer, 0)[1][2:4].tolist()) for wearer in range(1200))
    assert set(pairs) == set(itertools.permutations((4.0, 7.0, 11.0), 2))
    # 200 expected, SD 13: five SDs.
    assert all(abs(count - 200) < 65 for count in pairs.values())


def test_listed_steps_come_as_written_over_and_over_and_equal_neighbours_are_one_hold() -> None:
    program = StepsTarget(program="steps", levels_N=(4.0, 7.0, 7.0), every_s=1.5, order="listed")
    times, levels = target_changes(program, 9_000_000, 1, 0, 0)
    assert times.tolist() == [0, 1_500_000, 4_500_000, 6_000_000]
    assert levels.tolist() == [4.0, 7.0, 4.0, 7.0]


def test_a_ramp_rises_in_a_straight_line_holds_and_starts_again() -> None:
    program = RampAndHoldTarget(program="ramp-and-hold", from_N=2.0, to_N=10.0, ramp_s=4.0, hold_s=6.0)
    assert level_at(program, 0, 25_000_000) == 2.0
    assert level_at(program, 1_000_000, 25_000_000) == pytest.approx(4.0, abs=1e-12)
    assert level_at(program, 4_000_000, 25_000_000) == 10.0
    assert level_at(program, 9_999_999, 25_000_000) == 10.0
    assert level_at(program, 10_000_000, 25_000_000) == 2.0
    assert level_at(program, 13_000_000, 25_000_000) == pytest.approx(8.0, abs=1e-12)


def test_a_ramp_that_ends_between_samples_still_ends_exactly() -> None:
    program = RampAndHoldTarget(program="ramp-and-hold", from_N=0.0, to_N=6.0, ramp_s=0.0123, hold_s=1.0)
    times, levels = target_changes(program, 1_000_000, 1, 0, 0)
    assert times.tolist() == [0, 10_000, 12_300]
    assert levels[-1] == 6.0


@given(
    mean_N=st.floats(5.0, 20.0),
    amplitude_N=st.floats(0.1, 5.0),
    period_s=st.floats(0.2, 60.0),
    t_us=st.integers(0, 19_999_999),
)
def test_a_sine_is_never_older_than_one_moving_step(
    mean_N: float, amplitude_N: float, period_s: float, t_us: int
) -> None:
    program = SineTarget(program="sine", mean_N=mean_N, amplitude_N=amplitude_N, period_s=period_s)
    exact = mean_N + amplitude_N * math.sin(2.0 * math.pi * t_us * 1e-6 / period_s)
    steepest_N_per_us = amplitude_N * 2.0 * math.pi / period_s * 1e-6
    # period_s is rounded to whole us: the phase may be off by half a us per cycle.
    bound = steepest_N_per_us * (MOVING_STEP_US + 0.5 * t_us * 1e-6 / period_s) + 1e-9
    assert abs(level_at(program, t_us, 20_000_000) - exact) <= bound


def test_a_recorded_target_runs_along_the_recording_and_then_stays_or_starts_over() -> None:
    recording = Recording("r.csv", "target_N", "", np.array([3.0, 4.0, 5.0]), np.array([2.0, 6.0, 4.0]))
    once = RecordingTarget(program="recording", file="r.csv")
    over = RecordingTarget(program="recording", file="r.csv", repeat=True)
    times, levels = target_changes(once, 4_000_000, 1, 0, 0, recording)
    assert levels[0] == 2.0
    assert levels[times == 500_000] == pytest.approx(4.0, abs=1e-12)
    assert levels[-1] == 4.0
    assert times[-1] == 2_000_000
    times, levels = target_changes(over, 4_000_000, 1, 0, 0, recording)
    assert levels[times == 2_000_000] == 2.0
    assert levels[times == 3_000_000] == 6.0


def test_a_recorded_target_without_its_recording_is_refused() -> None:
    with pytest.raises(ValueError, match="needs its recording"):
        target_changes(RecordingTarget(program="recording", file="r.csv"), 1_000_000, 1, 0, 0)
