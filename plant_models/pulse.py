"""Biphasic, charge-balanced, rectangular pulses: charge, RMS and average current, energy.

Standard definitions for rectangular phases, two phases to a pulse.
"""

from __future__ import annotations

import math
from typing import Final

PHASES: Final = 2


def charge_uC(current_mA: float, width_us: float) -> float:
    """Charge of one phase in uC (mA times us is nC). Scalars in mA and us."""
    return current_mA * width_us * 1e-3


def rms_current_mA(current_mA: float, width_us: float, rate_Hz: float) -> float:
    """RMS current of a train, mA. Scalars in mA, us and Hz."""
    return current_mA * math.sqrt(PHASES * width_us * 1e-6 * rate_Hz)


def average_current_mA(current_mA: float, width_us: float, rate_Hz: float) -> float:
    """Average rectified current of a train, mA. Scalars in mA, us and Hz."""
    return current_mA * PHASES * width_us * 1e-6 * rate_Hz


def energy_mJ(current_mA: float, width_us: float, load_ohm: float) -> float:
    """Energy of one pulse into a resistive load, mJ. Scalars in mA, us and ohm."""
    return current_mA * current_mA * load_ohm * PHASES * width_us * 1e-9
