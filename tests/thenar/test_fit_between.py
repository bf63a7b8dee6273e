"""Columns read between their rows: the bits of NumPy's interpolation, however the times lie."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thenar.fit.between import both_between

TIMES = st.lists(st.integers(-50, 150), min_size=1, max_size=30)


@given(st.lists(st.integers(0, 100), min_size=2, max_size=30, unique=True), TIMES, st.integers(0, 2**31))
def test_both_columns_are_numpys_to_the_last_bit(rows: list[int], at: list[int], seed: int) -> None:
    t_s, at_s = np.sort(np.array(rows) / 7.0), np.array(at) / 7.0
    one, other = np.random.default_rng(seed).normal(size=(2, t_s.size))
    found = both_between(at_s, t_s, one, other)
    assert found[0].tolist() == np.interp(at_s, t_s, one).tolist()
    assert found[1].tolist() == np.interp(at_s, t_s, other).tolist()


def test_a_single_row_goes_on_for_ever() -> None:
    found = both_between(np.array([-1.0, 0.0, 1.0]), np.zeros(1), np.array([2.0]), np.array([3.0]))
    assert found.tolist() == [pytest.approx([2.0] * 3), pytest.approx([3.0] * 3)]
