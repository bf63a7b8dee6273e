"""The decay that bodies reckon without the library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thenar.plant_models.decay import SHORT, decayed


def test_a_short_way_decays_as_the_exponential_does_within_1e_minus_12() -> None:
    ways = np.concatenate([np.logspace(-12, 0, 2001) * SHORT, [0.0, SHORT, math.nextafter(SHORT, 1.0)]])
    assert max(abs(decayed(float(x)) / math.exp(-x) - 1.0) for x in ways) < 1e-12


@given(st.floats(SHORT, 1e9, exclude_min=True))
def test_a_long_way_decays_as_the_library_says(x: float) -> None:
    assert decayed(x) == math.exp(-x)


@given(st.floats(0.0, 2.0 * SHORT), st.floats(0.0, 1.0))
def test_further_never_means_more_and_all_stays_between_none_and_one(x: float, part: float) -> None:
    assert 0.0 < decayed(x) <= decayed(part * x) * (1.0 + 1e-12) <= 1.0 + 1e-12
    assert decayed(0.0) == 1.0


def test_two_ways_in_a_row_decay_as_one() -> None:
    assert decayed(0.2) * decayed(0.3) == pytest.approx(decayed(0.5), rel=1e-12)
