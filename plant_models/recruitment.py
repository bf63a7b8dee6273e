"""From a pulse to the share of motor axons it fires, and to what the wearer feels.

Thresholds follow the Weiss-Lapicque law I(w) = b (1 + c / w) [@geddes-2004]. Recruited share: lognormal
cumulative curve of current over threshold.
"""

from __future__ import annotations

from typing import NamedTuple

from thenar.plant_models.settings import Recruitment
from thenar.shared.compiled import step
from thenar.shared.recruitment_curve import recruited_share as curve_share


class RecruitmentParams(NamedTuple):
    """Rheobase in mA, chronaxie in us, the rest without unit (see settings.Recruitment)."""

    rheobase_mA: float
    chronaxie_us: float
    median_over_motor: float
    spread: float
    sensory_over_motor: float


def recruitment_params(settings: Recruitment) -> RecruitmentParams:
    """Step parameters of checked settings."""
    return RecruitmentParams(
        rheobase_mA=settings.rheobase_mA,
        chronaxie_us=settings.chronaxie_us,
        median_over_motor=settings.median_over_motor,
        spread=settings.spread,
        sensory_over_motor=settings.sensory_over_motor,
    )


@step
def motor_threshold_mA(params: RecruitmentParams, width_us: float) -> float:
    """Motor threshold at a pulse width in us, mA. The width must be above zero."""
    return params.rheobase_mA * (1.0 + params.chronaxie_us / width_us)


@step
def recruited_share(params: RecruitmentParams, current_mA: float, width_us: float) -> float:
    """Share 0..1 of the reachable muscle that a pulse of `current_mA` and `width_us` fires."""
    if current_mA <= 0.0 or width_us <= 0.0:
        return 0.0
    median_mA = motor_threshold_mA(params, width_us) * params.median_over_motor
    return curve_share(current_mA, median_mA, params.spread)


@step
def felt_share(params: RecruitmentParams, current_mA: float, width_us: float) -> float:
    """How strongly a pulse is felt: 0 up to the sensory threshold, 1 from the motor threshold on."""
    if current_mA <= 0.0 or width_us <= 0.0:
        return 0.0
    over_motor = current_mA / motor_threshold_mA(params, width_us)
    felt = (over_motor - params.sensory_over_motor) / (1.0 - params.sensory_over_motor)
    return min(1.0, max(0.0, felt))
