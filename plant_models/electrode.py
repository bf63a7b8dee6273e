"""Pads and skin: a series resistance and a parallel resistance with a capacitance, driven up to a voltage.

A pad that lifts keeps a share of its contact; both resistances then rise by one over that share.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from thenar.plant_models.settings import Electrode
from thenar.shared.compiled import step

READ_WIDTH_US: Final = 500.0
"""Impedance is told as of a phase this long, the longest that any limit allows: the same pad always reads
the same, whatever the width of the pulse, and no pulse needs more voltage than the reading says."""


class ElectrodeParams(NamedTuple):
    """Resistances in ohm, skin time constant in us, compliance in V."""

    series_ohm: float
    parallel_ohm: float
    skin_tau_us: float
    compliance_V: float


def electrode_params(settings: Electrode) -> ElectrodeParams:
    """Step parameters of checked settings."""
    return ElectrodeParams(
        series_ohm=settings.series_ohm,
        parallel_ohm=settings.parallel_ohm,
        skin_tau_us=settings.parallel_ohm * settings.parallel_nF * 1e-3,
        compliance_V=settings.compliance_V,
    )


@step
def load_ohm(params: ElectrodeParams, width_us: float, contact_share: float) -> float:
    """Voltage over current at the end of a phase of `width_us` us, ohm; infinite with no contact."""
    if contact_share <= 0.0:
        return math.inf
    charging = 1.0 - math.exp(-width_us / params.skin_tau_us)
    return (params.series_ohm + params.parallel_ohm * charging) / contact_share


@step
def delivered_mA(params: ElectrodeParams, current_mA: float, width_us: float, contact_share: float) -> float:
    """Current that flows when `current_mA` is driven for `width_us` us: the compliance caps it. mA."""
    if contact_share <= 0.0:
        return 0.0
    return min(current_mA, 1e3 * params.compliance_V / load_ohm(params, width_us, contact_share))
