"""From a profile and one person's calibration to integer limits. Every rounding makes a limit tighter."""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import TYPE_CHECKING, Final

from thenar.safety.ceilings import LOAD_OHM, whole_root
from thenar.safety.hard_ceilings import CHANNEL_HARD, CONTROL_PERIOD_US
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits
from thenar.safety.screening import Screening, objections_to
from thenar.shared.signals import Calibration, ChannelCalibration

if TYPE_CHECKING:
    from thenar.safety.profile import Bound, ChannelBounds, LimitProfile, LoopBounds

SHORT_WINDOW_US: Final = 1_000_000
"""R12, R13, R15 and R16 are defined over a sliding second."""


def _down(value: float, scale: int | Decimal = 1) -> int:
    """`value` times `scale`, rounded down in decimal: 0.3 mA is 300 uA, never 299."""
    return int((Decimal(repr(float(value))) * scale).to_integral_value(ROUND_FLOOR))


def _up(value: float, scale: int | Decimal = 1) -> int:
    """`value` times `scale`, rounded up in decimal."""
    return int((Decimal(repr(float(value))) * scale).to_integral_value(ROUND_CEILING))


def _upper(bound: Bound, scale: int | Decimal = 1) -> int:
    return _down(bound.value, scale)


def _lower(bound: Bound, scale: int | Decimal = 1) -> int:
    return _up(bound.value, scale)


def limits_of(
    profile: LimitProfile, calibration: Calibration | None, control_period_us: int, screening: Screening | None
) -> Limits:
    """See `LimitProfile.limits_for`."""
    shortest, longest = CONTROL_PERIOD_US
    if type(control_period_us) is not int or not shortest <= control_period_us <= longest:
        raise ValueError(f"a control period is a whole number of us from {shortest} to {longest}")
    agonist = None if calibration is None else calibration.agonist
    antagonist = None if calibration is None else calibration.antagonist
    max_pinch_N = 0.0 if calibration is None else calibration.max_pinch_N
    return Limits(
        _channel(profile.agonist, profile.loop, agonist, control_period_us),
        _channel(profile.antagonist, profile.loop, antagonist, control_period_us),
        _loop(profile.loop, max_pinch_N, control_period_us, screening),
    )


def _usable(value: float) -> float:
    """A calibrated value; zero when it is not a positive finite number (R07: none on file is zero)."""
    return value if math.isfinite(value) and value > 0 else 0.0


def _channel(
    bounds: ChannelBounds, loop: LoopBounds, calibration: ChannelCalibration | None, control_period_us: int
) -> ChannelLimits:
    area_mm2 = _upper(bounds.pad_area_cm2, 100)
    hard_uA = _down(CHANNEL_HARD["peak_mA"].high, 1_000)
    ceiling_uA = 0 if calibration is None else min(hard_uA, _down(_usable(calibration.ceiling_mA), 1_000))
    motor_uA = 0 if calibration is None else min(hard_uA, _up(_usable(calibration.motor_mA), 1_000))
    slew_uA_per_s = _upper(bounds.slew_mA_per_s, 1_000)
    width_slew = _upper(bounds.width_slew_us_per_s)
    step_uA = _upper(loop.device_step_mA, 1_000)
    density_pC_per_cm2 = _upper(bounds.charge_density_uC_per_cm2, 1_000_000)
    power_pW_per_cm2 = _upper(bounds.power_density_W_per_cm2, 10**12)
    period_us = math.ceil(Decimal(1_000_000) / Decimal(repr(bounds.rate_Hz.value)))
    return ChannelLimits(
        peak_uA=_upper(bounds.peak_mA, 1_000),
        ceiling_uA=ceiling_uA,
        motor_uA=motor_uA,
        width_min_us=_lower(bounds.width_min_us),
        width_max_us=_upper(bounds.width_max_us),
        charge_pC=_upper(bounds.charge_uC, 1_000_000),
        density_charge_pC=density_pC_per_cm2 * area_mm2 // 100,
        period_min_us=max(period_us, _lower(bounds.pulse_spacing_ms, 1_000)),
        rms_uA=_upper(bounds.rms_mA, 1_000),
        density_rms_uA_per_cm2=_upper(bounds.rms_density_mA_per_cm2, 1_000),
        density_trip_uA_per_cm2=_upper(bounds.rms_density_trip_mA_per_cm2, 1_000),
        area_mm2=area_mm2,
        contact_assumed_per_mille=_upper(bounds.contact_assumed, 1_000),
        energy_aJ=_upper(bounds.energy_mJ, 10**15),
        power_rms_uA=whole_root(power_pW_per_cm2 * area_mm2 // (100 * LOAD_OHM)),
        rectified_pC=_upper(bounds.rectified_mA, 1_000) * SHORT_WINDOW_US,
        compliance_uV=_upper(bounds.compliance_V, 1_000_000),
        net_per_mille=_upper(bounds.net_charge_share, 1_000),
        net_pC=_upper(bounds.net_current_uA) * SHORT_WINDOW_US,
        net_trip_pC=_upper(bounds.net_current_trip_uA) * SHORT_WINDOW_US,
        slew_uA_per_s=slew_uA_per_s,
        rise_uA=max(slew_uA_per_s * control_period_us // 1_000_000, step_uA),
        width_slew_us_per_s=width_slew,
        width_rise_us=max(width_slew * control_period_us // 1_000_000, 1),
        first_step_uA=_upper(bounds.first_step_mA, 1_000),
        ramp_us=_upper(bounds.ramp_down_s, 1_000_000),
        run_us=_upper(bounds.run_s, 1_000_000),
        on_us=int(Decimal(repr(bounds.on_share.value)) * _upper(loop.on_window_s, 1_000_000)),
        total_pC=_upper(bounds.session_charge_C, 10**12),
        ohm_min=_lower(bounds.impedance_min_ohm),
        ohm_max=_upper(bounds.impedance_max_ohm),
        ohm_jump_percent=_upper(bounds.impedance_jump, 100),
    )


def _loop(bounds: LoopBounds, max_pinch_N: float, control_period_us: int, screening: Screening | None) -> LoopLimits:
    valid_us = min(_down(bounds.valid_periods.value, control_period_us), _upper(bounds.valid_ms, 1_000))
    window_ms = bounds.force_rise_window_ms
    return LoopLimits(
        control_period_us=control_period_us,
        device_step_uA=_upper(bounds.device_step_mA, 1_000),
        interphase_us=_upper(bounds.interphase_us),
        faults_in_a_row=_upper(bounds.faults_in_a_row),
        valid_us=valid_us,
        command_trip_us=_upper(bounds.command_trip_ms, 1_000),
        tick_min_us=_up(bounds.tick_min_periods.value, control_period_us),
        tick_max_us=_down(bounds.tick_max_periods.value, control_period_us),
        short_window_us=SHORT_WINDOW_US,
        long_window_us=_upper(bounds.on_window_s, 1_000_000),
        on_gap_us=_lower(bounds.on_gap_ms, 1_000),
        rest_us=_lower(bounds.rest_s, 1_000_000),
        saturated_pulses=_upper(bounds.saturated_pulses),
        session_us=_upper(bounds.session_min, 60_000_000),
        summed_share_per_mille=_upper(bounds.summed_share, 1_000),
        pulse_gap_us=_lower(bounds.pulse_gap_ms, 1_000),
        changeover_us=_lower(bounds.changeover_ms, 1_000),
        screening_clear=0 if objections_to(screening) else 1,
        contact_window_us=_lower(bounds.impedance_window_s, 1_000_000),
        estimate_min_mN=-_upper(bounds.estimate_undershoot_N, 1_000),
        estimate_max_mN=_upper(bounds.estimate_max_N, 1_000),
        estimate_slope_mN_per_s=_upper(bounds.estimate_slope_N_per_s, 1_000),
        estimate_frozen_us=_upper(bounds.estimate_frozen_ms, 1_000),
        estimate_ramp_us=_upper(bounds.estimate_ramp_ms, 1_000),
        estimate_trip_us=_upper(bounds.estimate_trip_ms, 1_000),
        implausible_trip_us=_upper(bounds.implausible_trip_ms, 1_000),
        force_soft_mN=_down(_usable(max_pinch_N), _down(bounds.force_soft_share.value, 1_000)),
        force_hard_mN=_down(_usable(max_pinch_N), _down(bounds.force_hard_share.value, 1_000)),
        force_rise_mN=_down(bounds.force_rise_N_per_s.value, _upper(window_ms)),
        force_window_us=_upper(window_ms, 1_000),
        heartbeat_ramp_us=_down(bounds.heartbeat_ramp_periods.value, control_period_us),
        heartbeat_trip_us=_upper(bounds.heartbeat_trip_ms, 1_000),
    )
