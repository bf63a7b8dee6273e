"""The recruitment curve and its inverse."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from thenar.controller.curve import current_for_share, normal_quantile
from thenar.shared.recruitment_curve import normal_share, recruited_share


def test_the_normal_quantile_matches_scipy_within_1e_minus_9() -> None:
    shares = np.concatenate(
        [np.logspace(-300, -1, 3001), np.linspace(0.0005, 0.9995, 4001), 1.0 - np.logspace(-16, -1, 301)]
    )
    expected = special.ndtri(shares)
    worst = max(abs(normal_quantile(float(p)) - float(x)) for p, x in zip(shares, expected, strict=True))
    assert worst < 1e-9


@given(st.floats(1e-300, 1.0 - 1e-16))
def test_the_normal_quantile_matches_scipy_at_drawn_shares(share: float) -> None:
    assert normal_quantile(share) == pytest.approx(float(special.ndtri(share)), abs=1e-9)


@given(st.floats(-30.0, 8.0))
def test_the_normal_share_matches_scipy(x: float) -> None:
    assert normal_share(x) == pytest.approx(float(special.ndtr(x)), rel=1e-12)


def test_the_normal_quantile_has_its_limits_and_its_middle() -> None:
    assert normal_quantile(0.0) == normal_quantile(-0.5) == -math.inf
    assert normal_quantile(1.0) == normal_quantile(1.5) == math.inf
    assert normal_quantile(0.5) == pytest.approx(0.0, abs=1e-15)
    assert math.isnan(normal_quantile(math.nan))


def test_a_share_too_small_to_invert_counts_as_the_smallest_one() -> None:
    assert normal_quantile(5e-324) == normal_quantile(1e-300)


@given(st.floats(0.1, 60.0), st.floats(0.5, 60.0), st.floats(0.05, 2.0))
def test_the_recruited_share_is_the_lognormal_distribution(current_mA: float, half_mA: float, spread: float) -> None:
    expected = float(stats.lognorm.cdf(current_mA, s=spread, scale=half_mA))
    assert recruited_share(current_mA, half_mA, spread) == pytest.approx(expected, rel=1e-9, abs=1e-300)


@given(st.floats(1e-9, 1.0 - 1e-9), st.floats(0.5, 60.0), st.floats(0.01, 2.0))
def test_the_current_for_a_share_recruits_that_share(share: float, half_mA: float, spread: float) -> None:
    current_mA = current_for_share(share, half_mA, spread)
    # The curve is steep in log current: one rounding of the current moves the share by 1e-16 / spread or so.
    assert recruited_share(current_mA, half_mA, spread) == pytest.approx(share, rel=1e-9)


def test_half_recruitment_lies_at_the_calibrated_current() -> None:
    assert current_for_share(0.5, 9.0, 0.25) == pytest.approx(9.0, rel=1e-12)


def test_no_current_recruits_nothing_and_no_share_needs_no_current() -> None:
    assert recruited_share(0.0, 9.0, 0.25) == recruited_share(-1.0, 9.0, 0.25) == 0.0
    assert recruited_share(5e-324, 9.0, 0.25) == 0.0
    assert current_for_share(0.0, 9.0, 0.25) == 0.0
    assert current_for_share(1.0, 9.0, 0.25) == math.inf
