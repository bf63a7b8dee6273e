"""From written bounds to integers, number by number: a limit rounds down, a least value rounds up."""

from __future__ import annotations

import math

import pytest

from tests.safety.interlock_bench import CLEAR, PERIOD_US, calibrated, limits_for
from thenar.safety import bounds, conversion
from thenar.safety.profile import load_profile
from thenar.shared.signals import Calibration


@pytest.mark.parametrize(
    ("value", "down", "up"), [(0.3, 300, 300), (0.3001, 300, 301), (0.3009, 300, 301), (0.0, 0, 0), (-0.0001, -1, 0)]
)
def test_a_bound_rounds_to_its_tight_side_in_decimal(value: float, down: int, up: int) -> None:
    assert bounds.down(bounds.written(value) * 1_000) == down
    assert bounds.up(bounds.written(value) * 1_000) == up


@pytest.mark.parametrize(
    ("value", "usable"), [(0.5, 0.5), (1e-9, 1e-9), (0.0, 0.0), (-1.0, 0.0), (math.inf, 0.0), (math.nan, 0.0)]
)
def test_a_calibrated_value_must_be_a_positive_number(value: float, usable: float) -> None:
    assert conversion._usable(value) == bounds.written(usable)


def test_a_person_s_own_levels_become_integers_under_the_hard_ceiling() -> None:
    fine = Calibration(calibrated(0.9, 0.50001), calibrated(1e6, 1e6), 10.00019)
    limits = limits_for(fine)
    assert (limits.agonist.ceiling_uA, limits.agonist.motor_uA) == (900, 501)
    assert (limits.antagonist.ceiling_uA, limits.antagonist.motor_uA) == (100_000, 100_000)
    assert (limits.loop.force_soft_mN, limits.loop.force_hard_mN) == (6_000, 8_000)
    nobody = limits_for(None)
    assert (nobody.agonist.ceiling_uA, nobody.antagonist.motor_uA, nobody.loop.force_hard_mN) == (0, 0, 0)


@pytest.mark.parametrize(("period_us", "allowed"), [(1_000, True), (999, False), (100_000, True), (100_001, False)])
def test_a_control_period_has_its_range(period_us: int, allowed: bool) -> None:
    shortest, longest = conversion.CONTROL_PERIOD_US
    edge_us = {1_000: shortest, 999: shortest - 1, 100_000: longest, 100_001: longest + 1}[period_us]
    profile = load_profile("forearm-25cm2")
    if allowed:
        assert profile.limits_for(None, edge_us, CLEAR).loop.control_period_us == edge_us
    else:
        with pytest.raises(ValueError, match="whole number of us"):
            profile.limits_for(None, edge_us, CLEAR)
    with pytest.raises(ValueError, match="whole number of us"):
        profile.limits_for(None, float(PERIOD_US), CLEAR)  # type: ignore[arg-type]


def test_a_short_control_period_still_lets_a_rise_be_one_device_step_and_one_microsecond() -> None:
    limits = load_profile("forearm-25cm2").limits_for(None, 1_000, CLEAR)
    assert (limits.agonist.rise_uA, limits.agonist.width_rise_us) == (100, 1)
    assert limits.loop.screening_clear == 1
    assert load_profile("forearm-25cm2").limits_for(None, 1_000, None).loop.screening_clear == 0
