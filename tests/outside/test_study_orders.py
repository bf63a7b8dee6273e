"""Orders of conditions against the design they claim to be, by counting everything.

Source: E. J. Williams, Experimental designs balanced for the estimation of residual effects of treatments, Australian
Journal of Scientific Research A 2:149-168, 1949 (from memory): for an even number of treatments one Latin square, for
an odd number two, in which every treatment follows every other one equally often.
"""

from __future__ import annotations

from collections import Counter
from itertools import pairwise, permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thenar.study.orders import Row, assigned, shuffled_blocks, williams

SIZES = range(2, 10)


def pair_counts(rows: tuple[Row, ...]) -> Counter[tuple[int, int]]:
    """How often each ordered pair of neighbours occurs."""
    return Counter(pair for row in rows for pair in pairwise(row))


def place_counts(rows: tuple[Row, ...]) -> Counter[tuple[int, int]]:
    """How often each condition stands at each place."""
    return Counter((place, condition) for row in rows for place, condition in enumerate(row))


@pytest.mark.parametrize("size", SIZES)
def test_a_square_for_an_even_number_of_conditions_and_two_for_an_odd_one(size: int) -> None:
    assert len(williams(size)) == (size if size % 2 == 0 else 2 * size)


@pytest.mark.parametrize("size", SIZES)
def test_each_condition_stands_once_in_every_row(size: int) -> None:
    assert all(sorted(row) == list(range(size)) for row in williams(size))


@pytest.mark.parametrize("size", SIZES)
def test_each_condition_stands_at_each_place_equally_often(size: int) -> None:
    rows = williams(size)
    assert place_counts(rows) == dict.fromkeys(
        ((place, condition) for place in range(size) for condition in range(size)), len(rows) // size
    )


@pytest.mark.parametrize("size", SIZES)
def test_each_condition_comes_just_after_each_other_one_equally_often(size: int) -> None:
    rows = williams(size)
    assert pair_counts(rows) == dict.fromkeys(permutations(range(size), 2), len(rows) // size)


@pytest.mark.parametrize("size", [4, 5, 6])
def test_the_count_of_neighbours_tells_a_plain_cyclic_square(size: int) -> None:
    """A square that only shifts one row is balanced for place and not for neighbours."""
    cyclic = tuple(tuple((start + shift) % size for start in range(size)) for shift in range(size))
    assert len(set(place_counts(cyclic).values())) == 1
    assert pair_counts(cyclic) != dict.fromkeys(permutations(range(size), 2), 1)


def test_for_three_conditions_the_design_is_every_order_there_is() -> None:
    assert sorted(williams(3)) == sorted(permutations(range(3)))


def test_a_single_condition_has_one_order_and_none_has_no_design() -> None:
    assert williams(1) == ((0,),)
    with pytest.raises(ValueError, match="at least one condition"):
        williams(0)


@given(st.integers(1, 60), st.integers(1, 18), st.integers(0, 2**63 - 1))
def test_no_sequence_has_two_people_more_than_another(people: int, sequences: int, seed: int) -> None:
    given_out = assigned(people, sequences, seed)
    counts = Counter(given_out)
    assert len(given_out) == people
    assert set(given_out) <= set(range(sequences))
    assert max(counts.values()) - min(counts[number] for number in range(sequences)) <= 1


@given(st.integers(1, 9), st.integers(1, 12), st.integers(0, 2**63 - 1), st.integers(0, 999))
def test_every_shuffled_block_holds_each_condition_once(size: int, blocks: int, seed: int, person: int) -> None:
    rows = shuffled_blocks(size, blocks, seed, person)
    assert len(rows) == blocks
    assert all(sorted(row) == list(range(size)) for row in rows)


def test_orders_follow_from_the_seed_and_differ_with_it() -> None:
    assert assigned(24, 6, 7) == assigned(24, 6, 7)
    assert len({tuple(assigned(24, 6, seed)) for seed in range(20)}) == 20
    assert shuffled_blocks(3, 8, 7, 2) == shuffled_blocks(3, 8, 7, 2)
    assert len({shuffled_blocks(3, 8, seed, person) for seed in range(5) for person in range(5)}) == 25


def test_more_people_never_change_who_came_before() -> None:
    assert assigned(30, 6, 3)[:13] == assigned(13, 6, 3)


def test_shuffled_blocks_use_every_order_about_equally_often() -> None:
    """3,000 blocks of three conditions: six orders, expected 500 each with an SD of 20; five SDs either way."""
    counts = Counter(row for person in range(300) for row in shuffled_blocks(3, 10, 11, person))
    assert sorted(counts) == sorted(permutations(range(3)))
    assert max(abs(count - 500) for count in counts.values()) <= 102
