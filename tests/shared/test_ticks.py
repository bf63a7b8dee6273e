"""Time in whole microseconds, and the promised order of one instant."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thenar.shared.ticks import US_PER_MS, US_PER_S, Phase, period_us, us_from_ms, us_from_s


def test_the_order_of_one_instant_is_the_promised_one() -> None:
    """Recorded results rest on it: a new phase may come in between, these may never change places."""
    assert [phase.name for phase in sorted(Phase)] == [
        "TARGET", "WEARER", "SAMPLE", "ARRIVAL", "STRIKE", "CONTROL", "PULSE", "TRACE",
    ]  # fmt: skip
    assert [int(phase) for phase in Phase] == list(range(8))


@given(st.integers(-(10**13), 10**13))
def test_whole_microseconds_survive_the_way_through_seconds_and_milliseconds(t_us: int) -> None:
    assert us_from_s(t_us / US_PER_S) == t_us
    assert us_from_ms(t_us / US_PER_MS) == t_us


@given(st.floats(-7200, 7200, allow_subnormal=False))
def test_seconds_become_the_nearest_microsecond(seconds: float) -> None:
    assert abs(Fraction(us_from_s(seconds)) - Fraction(seconds) * US_PER_S) <= Fraction(1, 2) + Fraction(1, 10**5)


@pytest.mark.parametrize(("seconds", "t_us"), [(0.1, 100_000), (0.3, 300_000), (1e-6, 1), (1.1, 1_100_000), (0.0, 0)])
def test_decimal_seconds_are_not_cut_short(seconds: float, t_us: int) -> None:
    assert us_from_s(seconds) == t_us


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_time_that_is_no_number_is_an_error(value: float) -> None:
    with pytest.raises((ValueError, OverflowError)):
        us_from_s(value)
    with pytest.raises((ValueError, OverflowError)):
        us_from_ms(value)


@given(st.integers(1, 10_000_000))
def test_the_rate_of_a_whole_period_gives_it_back(whole_us: int) -> None:
    assert period_us(US_PER_S / whole_us) == whole_us


@pytest.mark.parametrize("rate_Hz", [0.0, -1.0, math.nan, -math.inf])
def test_a_rate_that_is_not_positive_has_no_period(rate_Hz: float) -> None:
    with pytest.raises(ValueError, match="must be above 0 Hz"):
        period_us(rate_Hz)
