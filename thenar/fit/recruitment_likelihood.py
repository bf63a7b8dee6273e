"""How likely a staircase is: evoked force follows the model's recruited share, with noise that grows with force.

    force = maximum * share(current, width) + noise,  SD = floor + growth * maximum * share

The share is `thenar.plant_models.recruitment.recruited_share`. The noise is normal, or Student's t with four degrees of
freedom where single steps lie far off. Coordinates of a point, in this order (`Place`): log of the maximum in N, log of
the current of half recruitment in mA at the reference width, log of the chronaxie in us, log of the spread, log of the
noise floor in N, growth of the noise.
"""

from __future__ import annotations

import math
from enum import IntEnum
from typing import Any, Final

from thenar.plant_models.recruitment import RecruitmentParams, motor_threshold_mA, recruited_share
from thenar.plant_models.settings import Recruitment
from thenar.shared.compiled import entry, step

_DEFAULTS: Final = Recruitment()
MEDIAN_OVER_MOTOR: Final = float(_DEFAULTS.median_over_motor)
SENSORY_OVER_MOTOR: Final = float(_DEFAULTS.sensory_over_motor)
TAIL: Final = 4.0
"""Degrees of freedom of the noise with tails."""
NUDGE: Final = 1e-5


class Place(IntEnum):
    """Where each coordinate stands in a point."""

    MAXIMUM = 0
    HALF = 1
    CHRONAXIE = 2
    SPREAD = 3
    FLOOR = 4
    GROWTH = 5


@step
def axons_at(point: Any, reference_us: float) -> RecruitmentParams:
    """The model's parameters at a point; half recruitment alone is known, so median over motor is the default."""
    chronaxie_us, spread = math.exp(point[2]), math.exp(point[3])
    unit = RecruitmentParams(1.0, chronaxie_us, MEDIAN_OVER_MOTOR, spread, SENSORY_OVER_MOTOR)
    rheobase_mA = math.exp(point[1]) / (MEDIAN_OVER_MOTOR * motor_threshold_mA(unit, reference_us))
    return RecruitmentParams(rheobase_mA, chronaxie_us, MEDIAN_OVER_MOTOR, spread, SENSORY_OVER_MOTOR)


@step
def surprise(point: Any, reference_us: float, tailed: bool, current_mA: Any, width_us: Any, force_N: Any) -> float:
    """Minus the log likelihood of the steps, without its constant."""
    axons = axons_at(point, reference_us)
    maximum_N, floor_N, growth = math.exp(point[0]), math.exp(point[4]), point[5]
    total = 0.0
    for place in range(len(force_N)):
        mean_N = maximum_N * recruited_share(axons, current_mA[place], width_us[place])
        sd_N = floor_N + growth * mean_N
        off = (force_N[place] - mean_N) / sd_N
        if tailed:
            total += math.log(sd_N) + 0.5 * (TAIL + 1.0) * math.log(1.0 + off * off / TAIL)
        else:
            total += math.log(sd_N) + 0.5 * off * off
    return total


@entry
def loss(point: Any, reference_us: float, tailed: bool, current_mA: Any, width_us: Any, force_N: Any) -> float:
    """`surprise`, for Python to call. Arrays of float64: point (6,), the others (n,); reference width in us."""
    return surprise(point, reference_us, tailed, current_mA, width_us, force_N)


@entry
def slopes(
    point: Any, reference_us: float, tailed: bool, current_mA: Any, width_us: Any, force_N: Any, slope: Any
) -> None:
    """Write the derivative of the loss by each coordinate into `slope` (6,): central differences."""
    for place in range(len(point)):
        here = point[place]
        point[place] = here + NUDGE
        above = surprise(point, reference_us, tailed, current_mA, width_us, force_N)
        point[place] = here - NUDGE
        below = surprise(point, reference_us, tailed, current_mA, width_us, force_N)
        point[place] = here
        slope[place] = (above - below) / (2.0 * NUDGE)


@entry
def shares(point: Any, reference_us: float, current_mA: Any, width_us: Any, share: Any) -> None:
    """Write the recruited share of every pulse into `share` (n,)."""
    axons = axons_at(point, reference_us)
    for place in range(len(share)):
        share[place] = recruited_share(axons, current_mA[place], width_us[place])


@entry
def threshold_factors(chronaxie_us: float, width_us: Any, factor: Any) -> None:
    """Write the motor threshold over the rheobase at every width in us into `factor` (n,)."""
    unit = RecruitmentParams(1.0, chronaxie_us, MEDIAN_OVER_MOTOR, 1.0, SENSORY_OVER_MOTOR)
    for place in range(len(factor)):
        factor[place] = motor_threshold_mA(unit, width_us[place])
