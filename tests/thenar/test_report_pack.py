"""Traces inside a page: whatever is left out, each stretch's smallest and largest value stay."""

from __future__ import annotations

import math
import zlib
from base64 import b64decode
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from thenar.report.page_pack import STEPS, extreme_pairs, pack, pack_whole, unpack
from thenar.report.page_trials import MOST_BARS, bars_of

NUMBERS = arrays(
    np.float64,
    st.integers(1, 300),
    elements=st.one_of(st.floats(-1e4, 1e4), st.just(math.nan)),
)


@given(NUMBERS, st.integers(3, 40))
def test_each_stretch_keeps_its_smallest_and_largest_in_their_order(values: NDArray[Any], width: int) -> None:
    kept = extreme_pairs(values, width).reshape(-1, 2)
    assert len(kept) == math.ceil(len(values) / width)
    for number, pair in enumerate(kept):
        stretch = values[number * width : (number + 1) * width]
        known = stretch[~np.isnan(stretch)]
        if not len(known):
            assert np.isnan(pair).all()
            continue
        assert sorted(pair.tolist()) == [known.min(), known.max()]
        low_at, high_at = np.nanargmin(stretch), np.nanargmax(stretch)
        assert pair[0] == (known.min() if low_at <= high_at else known.max())


@given(NUMBERS, st.sampled_from([1, 3, 7]), st.sampled_from([1e-3, 0.5]))
def test_what_the_page_unpacks_is_within_half_a_step_of_what_was_packed(
    values: NDArray[Any], width: int, finest: float
) -> None:
    packed = pack({"one": values, "other": values[::-1]}, {"one": finest, "other": finest}, width)
    for name, given_values in (("one", values), ("other", values[::-1])):
        kept = given_values if width == 1 else extreme_pairs(given_values, width)
        found = unpack(packed)[name]
        assert (np.isnan(found) == np.isnan(kept)).all()
        line = next(line for line in packed.lines if line.name == name)
        spread = np.nanmax(kept) - np.nanmin(kept) if not np.isnan(kept).all() else 0.0
        assert line.quantum <= max(finest, spread / STEPS)
        assert np.nanmax(np.abs(found - kept), initial=0.0) <= 0.5 * line.quantum * (1 + 1e-6)


@given(st.lists(st.integers(0, 2**31), min_size=1, max_size=50).map(sorted))
def test_rising_whole_numbers_come_out_as_they_went_in(numbers: list[int]) -> None:
    content = np.frombuffer(zlib.decompress(b64decode(pack_whole(np.array(numbers)))), np.uint8)
    planes = content.reshape(4, -1).astype(np.int64)
    steps = planes[0] + (planes[1] << 8) + (planes[2] << 16) + (planes[3] << 24)
    assert np.cumsum(steps).tolist() == numbers


@given(arrays(np.int64, st.integers(1, 200), elements=st.sampled_from([0, 1, 4, 5])), st.integers(1, 9))
def test_bars_cover_every_row_in_which_a_rule_acted_and_join_only_close_ones(
    reasons: NDArray[np.int64], width: int
) -> None:
    bars, apart = bars_of(reasons, width)
    assert apart == width
    for name, bit in (("R01", 0), ("R03", 2)):
        acted = (reasons >> bit & 1) == 1
        rows = next((bar.rows for bar in bars if bar.rule == name), np.array([], np.int64))
        covered = np.zeros(len(reasons), bool)
        for start, stop in rows.reshape(-1, 2):
            covered[start:stop] = True
            assert acted[start]
            assert acted[stop - 1]
        assert not (acted & ~covered).any()
        gaps = rows[2::2] - rows[1:-1:2]
        assert (gaps >= width).all()


def test_an_hour_of_flicker_becomes_few_enough_bars() -> None:
    reasons = np.tile(np.array([1, 0]), 200_000)
    bars, apart = bars_of(reasons, 1)
    assert apart > 1
    assert sum(len(bar.rows) // 2 for bar in bars) <= MOST_BARS
