"""Sliding windows: the ring's sum bounds every window, errs by one bucket at most, and never grows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.safety.interlock_bench import limits_for
from thenar.safety.memory import (
    CHANNEL_AT,
    CHANNEL_SIZE,
    LONG_SLOTS,
    SHORT_SLOTS,
    TRAIN_AT,
    start_memory,
    unpack_memory,
)
from thenar.safety.windows import advance_windows, bucket_us, filling_since_us, next_bucket_us, note_amounts

LOOP = limits_for().loop
SUMS = slice(9, 12)
Event = tuple[int, int]

gaps = st.integers(0, 30_000) | st.integers(0, 1_500_000) | st.integers(0, 90_000_000)
events = st.lists(st.tuples(gaps, st.integers(1, 10**12)), min_size=1, max_size=60)


def played(drawn: list[Event], channel: int) -> list[tuple[int, int, list[int]]]:
    """Put amounts at drawn times into the rings; after each: (time, amount, [charge, square, on-time] sums)."""
    memory = start_memory()
    train = CHANNEL_AT + channel * CHANNEL_SIZE + TRAIN_AT
    seen, t_us = [], 0
    for gap_us, amount in drawn:
        t_us += gap_us
        advance_windows(memory, LOOP, channel, t_us)
        memory[train + 9] += amount
        memory[train + 10] += 2 * amount
        memory[train + 11] += 3 * amount
        note_amounts(memory, channel, amount, 2 * amount, 3 * amount)
        seen.append((t_us, amount, memory[train : train + 12][SUMS].tolist()))
    other = CHANNEL_AT + (1 - channel) * CHANNEL_SIZE
    assert np.array_equal(memory[other : other + CHANNEL_SIZE], start_memory()[other : other + CHANNEL_SIZE])
    return seen


@given(events, st.sampled_from([0, 1]))
def test_the_sum_bounds_the_window_that_ends_now_and_reaches_back_one_bucket_more_at_most(
    drawn: list[Event], channel: int
) -> None:
    seen = played(drawn, channel)
    spans = (
        (0, 1, LOOP.short_window_us, bucket_us(LOOP.short_window_us, SHORT_SLOTS)),
        (1, 2, LOOP.short_window_us, bucket_us(LOOP.short_window_us, SHORT_SLOTS)),
        (2, 3, LOOP.long_window_us, bucket_us(LOOP.long_window_us, LONG_SLOTS)),
    )
    for index, (now_us, _, sums) in enumerate(seen):
        for place, times, window_us, bucket in spans:
            inside = sum(times * amount for t_us, amount, _ in seen[: index + 1] if t_us >= now_us - window_us)
            reach = sum(times * amount for t_us, amount, _ in seen[: index + 1] if t_us > now_us - window_us - bucket)
            assert inside <= sums[place] <= reach


@given(st.integers(1, 10**9), st.sampled_from([SHORT_SLOTS, LONG_SLOTS]), st.integers(0, 10**15))
def test_the_buckets_of_a_ring_cover_its_window_and_the_next_one_begins_later(
    window_us: int, slots: int, t_us: int
) -> None:
    length = bucket_us(window_us, slots)
    assert (slots - 1) * length >= window_us
    ends_us = next_bucket_us(window_us, slots, t_us)
    assert t_us < ends_us <= t_us + length
    assert ends_us % length == 0


def test_a_window_of_nothing_still_has_a_bucket() -> None:
    assert bucket_us(0, SHORT_SLOTS) == 1


@pytest.mark.parametrize(("short", "long", "place"), [(0, 0, 0), (7, 0, 0), (0, 7, 1), (400, 3, 0), (3, 400, 1)])
def test_the_sums_cover_what_the_younger_of_the_filling_buckets_began(short: int, long: int, place: int) -> None:
    began_us = (
        short * bucket_us(LOOP.short_window_us, SHORT_SLOTS),
        long * bucket_us(LOOP.long_window_us, LONG_SLOTS),
    )
    assert filling_since_us(LOOP, short, long) == max(began_us) == began_us[place]


def test_an_earlier_time_changes_nothing() -> None:
    memory = start_memory()
    advance_windows(memory, LOOP, 0, 50_000_000)
    note_amounts(memory, 0, 5, 5, 5)
    before = memory.copy()
    advance_windows(memory, LOOP, 0, 40_000_000)
    assert np.array_equal(memory, before)


@pytest.mark.parametrize("channel", [0, 1])
def test_a_long_silence_empties_every_slot(channel: int) -> None:
    memory = start_memory()
    for t_us in range(0, 70_000_000, 333_333):
        advance_windows(memory, LOOP, channel, t_us)
        memory[CHANNEL_AT + channel * CHANNEL_SIZE + TRAIN_AT :][SUMS] += 7
        note_amounts(memory, channel, 7, 7, 7)
    advance_windows(memory, LOOP, channel, 10**12)
    train = unpack_memory(memory).agonist.train if channel == 0 else unpack_memory(memory).antagonist.train
    assert (train.window_pC, train.window_uA2_us, train.window_on_us) == (0, 0, 0)
    assert not memory[CHANNEL_AT + 2 * CHANNEL_SIZE :].any()
