"""What a calibration session would find on a simulated wearer: thresholds, ceiling, reach, maximum.

It is exact here. A scenario that wants a wrong calibration gives the law other settings.
"""

from __future__ import annotations

import math
from typing import Final

from thenar.plant_models.muscle import muscle_params, plateau_factor_ms
from thenar.plant_models.recruitment import motor_threshold_mA, recruitment_params
from thenar.plant_models.settings import Channel, Muscle, Wearer
from thenar.shared.signals import Calibration, ChannelCalibration

# Asked once per wearer, from Python: as plain Python it needs no compiling and gives the same bits.
_THRESHOLD_MA: Final = getattr(motor_threshold_mA, "py_func", motor_threshold_mA)


def calibrate(wearer: Wearer, width_us: float, rate_Hz: float) -> Calibration:
    """The wearer's calibration at a pulse width in us and a rate in Hz (both above zero)."""
    return Calibration(
        agonist=_channel(wearer.agonist, width_us, rate_Hz, 1.0),
        antagonist=_channel(wearer.antagonist, width_us, rate_Hz, wearer.lever_ratio),
        max_pinch_N=wearer.max_pinch_N,
    )


def _channel(channel: Channel, width_us: float, rate_Hz: float, lever: float) -> ChannelCalibration:
    axons = channel.recruitment
    motor_mA: float = _THRESHOLD_MA(recruitment_params(axons), width_us)
    return ChannelCalibration(
        sensory_mA=axons.sensory_over_motor * motor_mA,
        motor_mA=motor_mA,
        ceiling_mA=axons.tolerance_over_motor * motor_mA,
        width_us=width_us,
        rate_Hz=rate_Hz,
        full_current_mA=axons.median_over_motor * motor_mA,
        spread=axons.spread,
        reachable_N=lever * fused_N(channel.muscle, rate_Hz),
    )


def fused_N(muscle: Muscle, rate_Hz: float) -> float:
    """Mean force in N of a long unfatigued train at `rate_Hz` Hz with everything recruited (closed form)."""
    p = muscle_params(muscle)
    if p.twitch_N > 0.0:
        return p.twitch_N * math.e * p.tau_c_ms * 1e-3 * rate_Hz
    return p.A_rest * plateau_factor_ms(p.tau_c_ms, p.km_rest, p.tau1_rest_ms, p.tau2_ms, rate_Hz)
