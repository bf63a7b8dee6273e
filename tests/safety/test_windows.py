"""Sliding windows: the ring of buckets errs by one bucket at most, that of runs not at all, and neither grows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.safety.brute_judge import on_us, run_us
from tests.safety.interlock_bench import PLAIN, changed, limits_for
from thenar.safety.bounds import MOST_RUNS
from thenar.safety.budget import Budget, Command, budget_of, fired, runs_out
from thenar.safety.limits import Limits
from thenar.safety.memory import (
    CHANNEL_AT,
    CHANNEL_SIZE,
    SHORT_SLOTS,
    TRAIN_AT,
    start_memory,
    store_pulse,
    unpack_memory,
    with_gone,
)
from thenar.safety.windows import (
    advance_windows,
    bucket_us,
    look_back_from_pulse,
    look_back_from_ramp,
    next_bucket_us,
    note_amounts,
    note_oldest,
    note_run,
    ramp_room_us,
)

LIMITS = limits_for()
LOOP = LIMITS.loop
SUMS = slice(8, 10)
Event = tuple[int, int]

gaps = st.integers(0, 30_000) | st.integers(0, 1_500_000) | st.integers(0, 90_000_000)
events = st.lists(st.tuples(gaps, st.integers(1, 10**12)), min_size=1, max_size=60)


def played(drawn: list[Event], channel: int) -> list[tuple[int, int, list[int]]]:
    """Put amounts at drawn times into the rings; after each: (time, amount, [charge, square] sums)."""
    memory = start_memory()
    train = CHANNEL_AT + channel * CHANNEL_SIZE + TRAIN_AT
    seen, t_us = [], 0
    for gap_us, amount in drawn:
        t_us += gap_us
        advance_windows(memory, LOOP, channel, t_us)
        memory[train + 8] += amount
        memory[train + 9] += 2 * amount
        note_amounts(memory, channel, amount, 2 * amount)
        seen.append((t_us, amount, memory[train : train + 12][SUMS].tolist()))
    other = CHANNEL_AT + (1 - channel) * CHANNEL_SIZE
    assert np.array_equal(memory[other : other + CHANNEL_SIZE], start_memory()[other : other + CHANNEL_SIZE])
    return seen


@given(events, st.sampled_from([0, 1]))
def test_the_sum_bounds_the_window_that_ends_now_and_reaches_back_one_bucket_more_at_most(
    drawn: list[Event], channel: int
) -> None:
    seen = played(drawn, channel)
    window_us, bucket = LOOP.short_window_us, bucket_us(LOOP.short_window_us, SHORT_SLOTS)
    for index, (now_us, _, sums) in enumerate(seen):
        for place, times in ((0, 1), (1, 2)):
            inside = sum(times * amount for t_us, amount, _ in seen[: index + 1] if t_us >= now_us - window_us)
            reach = sum(times * amount for t_us, amount, _ in seen[: index + 1] if t_us > now_us - window_us - bucket)
            assert inside <= sums[place] <= reach


@given(st.integers(1, 10**9), st.integers(0, 10**15))
def test_the_buckets_of_a_ring_cover_its_window_and_the_next_one_begins_later(window_us: int, t_us: int) -> None:
    length = bucket_us(window_us, SHORT_SLOTS)
    assert (SHORT_SLOTS - 1) * length >= window_us
    ends_us = next_bucket_us(window_us, SHORT_SLOTS, t_us)
    assert t_us < ends_us <= t_us + length
    assert ends_us % length == 0


def test_a_window_of_nothing_still_has_a_bucket() -> None:
    assert bucket_us(0, SHORT_SLOTS) == 1


def test_an_earlier_time_changes_nothing() -> None:
    memory = start_memory()
    advance_windows(memory, LOOP, 0, 50_000_000)
    note_amounts(memory, 0, 5, 5)
    before = memory.copy()
    advance_windows(memory, LOOP, 0, 40_000_000)
    assert np.array_equal(memory, before)


@pytest.mark.parametrize("channel", [0, 1])
def test_a_long_silence_empties_every_slot(channel: int) -> None:
    memory = start_memory()
    for t_us in range(0, 3 * LOOP.short_window_us, bucket_us(LOOP.short_window_us, SHORT_SLOTS)):
        advance_windows(memory, LOOP, channel, t_us)
        memory[CHANNEL_AT + channel * CHANNEL_SIZE + TRAIN_AT :][SUMS] += 7
        note_amounts(memory, channel, 7, 7)
    advance_windows(memory, LOOP, channel, 10**12)
    train = unpack_memory(memory).agonist.train if channel == 0 else unpack_memory(memory).antagonist.train
    assert (train.window_pC, train.window_uA2_us) == (0, 0)
    assert not memory[CHANNEL_AT + 2 * CHANNEL_SIZE :].any()


def fire(memory: NDArray[np.int64], limits: Limits, channel: int, t_us: int) -> Budget:
    """A pulse weighed, and noted when R23 lets it through: what the packed gate does, without its other rules."""
    own_limits = limits.agonist if channel == 0 else limits.antagonist
    gone_us, oldest = look_back_from_pulse(memory, limits.loop, channel, t_us)
    before = with_gone(unpack_memory(memory), channel, gone_us)
    own = before.agonist if channel == 0 else before.antagonist
    command = Command(0, 0, 0)
    budget = budget_of(own_limits, limits.loop, own, command, t_us)
    if budget.withhold == 0:
        train = fired(own, command, budget, 0, t_us)
        after = own._replace(train=train)
        store_pulse(
            memory, before._replace(agonist=after) if channel == 0 else before._replace(antagonist=after), channel
        )
        note_oldest(memory, channel, oldest)
        if budget.run != own.train.run:
            note_run(memory, channel, budget.run, t_us, own.train.on_us)
    return budget


@settings(deadline=None, max_examples=30 if PLAIN else 60)
@given(st.integers(0, 2**32))
def test_on_time_agrees_with_a_brute_force_judge_to_the_microsecond_in_every_schedule(seed: int) -> None:
    """Single pulses, trains and silences, windows as long as the ring of runs allows, times asked ahead in between."""
    rng = np.random.default_rng(seed)
    rest_us = int(rng.choice([500_000, 700_001, 1_000_000]))
    gap_us = int(rng.choice([50_000, 200_000, rest_us]))
    window_us = int(rng.choice([max(rest_us // 3, gap_us), 2 * rest_us + 1, 17 * rest_us, MOST_RUNS * rest_us]))
    share = float(rng.choice([0.2, 0.5, 0.9, 1.0]))
    on_bound_us, run_bound_us = max(int(share * window_us), 1), int(rng.choice([300_000, 5_000_000, 10**9]))
    limits = changed(
        LIMITS, rest_us=rest_us, on_gap_us=gap_us, long_window_us=window_us, on_us=on_bound_us, run_us=run_bound_us
    )
    silences = [1, 20_000, 25_000, gap_us, gap_us + 1, rest_us - 1, rest_us, rest_us + 1, 3 * rest_us]
    weights = rng.dirichlet(np.full(len(silences), 0.4))
    channel, memory, t_us = int(rng.integers(2)), start_memory(), 0
    own, loop = (limits.agonist, limits.antagonist)[channel], limits.loop
    times: list[int] = []
    refused = 0
    for _ in range(160):
        t_us += int(rng.choice(silences, p=weights))
        if rng.random() < 0.1:
            look_back_from_pulse(memory, loop, channel, t_us + int(rng.integers(0, 2 * window_us)))
        runs = run_us([*times, t_us], loop) <= own.run_us
        fits = on_us([*times, t_us], t_us + gap_us, loop) <= own.on_us
        assert (fire(memory, limits, channel, t_us).withhold == 0) is (runs and fits), f"seed {seed}, at {t_us}"
        refused += not (runs and fits)
        if runs and fits:
            times.append(t_us)
        ahead_us = t_us + ramp_room_us(own, loop, 0)
        found = with_gone(unpack_memory(memory), channel, look_back_from_ramp(memory, own, loop, channel, t_us))
        ends = runs_out(own, loop, found.agonist if channel == 0 else found.antagonist, t_us)
        # On without a break until then: as pulses a microsecond less than a rest apart would have it.
        on = [*times, *range(t_us, ahead_us, rest_us - 1), ahead_us]
        lasts = run_us(on, loop) > own.run_us or on_us(on, ahead_us + gap_us, loop) > own.on_us
        assert ends is bool(lasts), f"seed {seed}, ahead at {t_us}"
    print(f"seed {seed}: {len(times)} pulses, {refused} refused")


def test_the_ring_of_runs_is_just_long_enough_for_the_longest_window() -> None:
    """Single pulses a rest apart: the window touches MOST_RUNS of them, and the one before has just left it."""
    loop = LOOP._replace(long_window_us=MOST_RUNS * LOOP.rest_us)
    limits = changed(LIMITS, long_window_us=loop.long_window_us, on_us=10**9)
    memory = start_memory()
    for place in range(3 * MOST_RUNS):
        budget = fire(memory, limits, 0, place * LOOP.rest_us)
        train = unpack_memory(memory).agonist.train
        assert budget.on_us - train.gone_us == min(place + 1, MOST_RUNS) * LOOP.on_gap_us
        assert train.run - train.oldest_run == min(place, MOST_RUNS - 1)
    assert (
        memory[CHANNEL_AT + CHANNEL_SIZE :][:CHANNEL_SIZE].tolist()
        == start_memory()[CHANNEL_AT + CHANNEL_SIZE :][:CHANNEL_SIZE].tolist()
    )
