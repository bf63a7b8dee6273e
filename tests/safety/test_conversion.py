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


def test_the_forearm_profile_means_these_integers() -> None:
    """Reckoned by hand from the profile's written values: mA to uA, ms to us, uC to pC, J to aJ, per minute to us."""
    limits = limits_for()
    assert limits.agonist == limits.antagonist
    assert limits.agonist._asdict() == {
        "peak_uA": 40_000, "ceiling_uA": 40_000, "motor_uA": 8_000, "width_min_us": 50, "width_max_us": 400,
        "charge_pC": 12_000_000, "density_charge_pC": 25_000_000, "period_min_us": 20_000, "rms_uA": 10_000,
        "density_rms_uA_per_cm2": 1_000, "density_trip_uA_per_cm2": 2_000, "area_mm2": 2_500,
        "contact_assumed_per_mille": 500, "energy_aJ": 2 * 10**15, "power_rms_uA": 50_000,
        "rectified_pC": 5_000 * 10**6, "compliance_uV": 120 * 10**6, "net_per_mille": 20, "net_pC": 10 * 10**6,
        "net_trip_pC": 50 * 10**6, "slew_uA_per_s": 20_000, "rise_uA": 400, "width_slew_us_per_s": 200,
        "width_rise_us": 4, "first_step_uA": 800, "ramp_us": 500_000, "run_us": 20 * 10**6, "on_us": 30 * 10**6,
        "total_pC": 10**12, "ohm_min": 100, "ohm_max": 10_000, "ohm_jump_percent": 200,
    }  # fmt: skip
    assert limits.loop._asdict() == {
        "control_period_us": 20_000, "device_step_uA": 100, "interphase_us": 50, "faults_in_a_row": 3,
        "valid_us": 60_000, "command_trip_us": 250_000, "tick_min_us": 10_000, "tick_max_us": 40_000,
        "short_window_us": 10**6, "long_window_us": 60 * 10**6, "on_gap_us": 200_000, "rest_us": 10**6,
        "saturated_pulses": 5, "session_us": 30 * 60 * 10**6, "summed_share_per_mille": 1_200, "pulse_gap_us": 1_000,
        "changeover_us": 20_000, "screening_clear": 1, "contact_window_us": 10**6, "estimate_min_mN": -5_000,
        "estimate_max_mN": 200_000, "estimate_slope_mN_per_s": 10**6, "estimate_frozen_us": 500_000,
        "estimate_ramp_us": 300_000, "estimate_trip_us": 800_000, "implausible_trip_us": 500_000,
        "force_soft_mN": 36_000, "force_hard_mN": 48_000, "force_rise_mN": 20_000, "force_window_us": 100_000,
        "heartbeat_ramp_us": 60_000, "heartbeat_trip_us": 500_000,
    }  # fmt: skip


def test_a_short_control_period_still_lets_a_rise_be_one_device_step_and_one_microsecond() -> None:
    limits = load_profile("forearm-25cm2").limits_for(None, 1_000, CLEAR)
    assert (limits.agonist.rise_uA, limits.agonist.width_rise_us) == (100, 1)
    assert limits.loop.screening_clear == 1
    assert load_profile("forearm-25cm2").limits_for(None, 1_000, None).loop.screening_clear == 0
