"""Where help ends: the crossing and its interval against curves whose answer is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import optimize, stats

from thenar.study.crossing import crossing, mean_interval

GRID = (0.0, 1.0, 2.0, 4.0, 8.0, 16.0)
OFFSETS = np.array([-0.9, -0.4, 0.0, 0.1, 0.5, 0.7])


def half_width(numbers: np.ndarray) -> float:
    """Half of a 95 % t interval of a mean, from scipy."""
    ends = stats.ttest_1samp(numbers, 0.0).confidence_interval(0.95)
    return float(ends.high - ends.low) / 2.0


def test_a_straight_line_is_crossed_where_algebra_says_interval_and_all() -> None:
    found = crossing(lambda x: 5.0 + OFFSETS - 2.0 * x, GRID)
    half = half_width(OFFSETS)
    assert found.value == pytest.approx(2.5, abs=1e-9)
    assert (found.low, found.high) == pytest.approx((2.5 - half / 2.0, 2.5 + half / 2.0), abs=1e-9)
    assert found.harmful
    assert found.wearers == 6


@given(st.floats(0.4, 12.0), st.floats(0.5, 3.0), st.integers(0, 2**32 - 1))
@example(2.0, 1.0, 0)
def test_a_bent_falling_curve_with_noise_is_crossed_within_a_hundredth(root: float, bend: float, seed: int) -> None:
    """The same noise of each wearer at every x, as common random numbers give it; the truth by Brent's method."""
    draws = np.random.default_rng(seed)
    scatter, wobble = 0.2 * draws.standard_normal(8), draws.uniform(0.0, 6.0, 8)

    def differences(x: float) -> np.ndarray:
        return 1.0 - (x / root) ** bend + scatter + 0.03 * np.sin(0.7 * x + wobble)

    def mean(x: float) -> float:
        return float(np.mean(differences(x)))

    found = crossing(differences, GRID)
    if not found.finite:
        assert mean(0.0) <= 0.0 or mean(GRID[-1]) > 0.0
        return
    low, high = max(0.0, 0.9 * found.value - 0.01), 1.1 * found.value + 0.01
    assert mean(low) > 0.0 > mean(high)
    assert found.value == pytest.approx(optimize.brentq(mean, low, high), rel=0.01)
    assert found.low < found.value < found.high


def test_the_interval_holds_the_truth_in_nineteen_of_twenty_samples_of_wearers() -> None:
    """Wearers differ by a normal offset: the t interval is then exact, and so is its inversion. 600 samples of 12.

    With a coverage of 0.95 the count leaves 545 to 595 once in a hundred thousand such runs (binomial, scipy).
    """
    draws = np.random.default_rng(20261125)
    held = 0
    for _ in range(600):
        own = draws.normal(0.0, 0.6, 12)
        found = crossing(lambda x, own=own: 2.0 + own - 0.5 * x, GRID, 0.05)
        held += found.low <= 4.0 <= found.high
    assert 545 <= held <= 595


def test_no_help_at_the_first_x_is_said_as_minus_infinity() -> None:
    found = crossing(lambda x: OFFSETS - 3.0 - x, GRID)
    assert (found.value, found.low, found.high) == (-math.inf, -math.inf, -math.inf)


def test_help_that_is_not_shown_without_error_opens_the_interval_downwards_only() -> None:
    found = crossing(lambda x: OFFSETS + 0.2 - 0.1 * x, GRID)
    assert found.low == -math.inf
    assert found.finite
    assert math.isfinite(found.high)


def test_help_to_the_end_is_said_as_infinity_and_so_is_an_open_upper_end() -> None:
    always = crossing(lambda x: OFFSETS + 9.0 - 0.1 * x, GRID)
    assert (always.value, always.low, always.high, always.last) == (math.inf, math.inf, math.inf, 16.0)
    unsure = crossing(lambda x: OFFSETS + 1.0 - 0.07 * x, GRID)
    assert unsure.value == pytest.approx((1.0 + OFFSETS.mean()) / 0.07, rel=1e-6)
    assert math.isfinite(unsure.low)
    assert unsure.high == math.inf


def test_where_nothing_is_done_any_more_help_ends_at_the_jump_and_no_harm_is_shown() -> None:
    found = crossing(lambda x: OFFSETS + 2.0 if x < 3.3 else np.zeros(6), GRID)
    assert found.value == pytest.approx(3.3, rel=0.006)
    assert found.low == found.value == found.high < 3.3
    assert not found.harmful


def test_what_lies_beyond_shown_harm_is_not_looked_at() -> None:
    seen: list[float] = []

    def differences(x: float) -> np.ndarray:
        seen.append(x)
        return OFFSETS * 0.1 + 1.5 - x

    crossing(differences, GRID)
    assert max(seen) == 2.0


def test_two_wearers_give_no_interval_and_a_falling_grid_no_crossing() -> None:
    with pytest.raises(ValueError, match="at least 3"):
        mean_interval(np.array([1.0, 2.0]))
    for grid in ((), (0.0, 2.0, 1.0), (1.0, 1.0)):
        with pytest.raises(ValueError, match="rising"):
            crossing(lambda x: OFFSETS - x, grid)


def test_the_interval_of_a_mean_is_scipys() -> None:
    ends = stats.ttest_1samp(OFFSETS, 0.0).confidence_interval(0.95)
    assert mean_interval(OFFSETS) == pytest.approx((OFFSETS.mean(), ends.low, ends.high))
