"""Voluntary force with endurance: three compartments [@xia-frey-law-2008].

Active, resting and fatigued shares add to one. A controller moves units from resting to active
towards the wanted share (LD = LR = 10 /s, from memory), which is also the lag of voluntary force.
R and F as a third party copied them from [@frey-law-2012]; R grows at rest [@looft-2018].
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from thenar.shared.compiled import step, step_for_all

DEVELOP_PER_S: Final = 10.0
RELAX_PER_S: Final = 10.0


class VoluntaryParams(NamedTuple):
    """Rates per s; `played_back` 1.0 makes the active share follow the drive at once, without fatigue."""

    fatigue_per_s: float
    recovery_per_s: float
    rest_multiplier: float
    played_back: float


class VoluntaryState(NamedTuple):
    """Active, resting and fatigued shares of the motor units (no unit, sum one)."""

    active: float
    resting: float
    fatigued: float


@step
def shares_slope(
    params: VoluntaryParams, active: float, resting: float, wanted: float, recovery_per_s: float
) -> tuple[float, float]:
    """Rates of change per s of the active and the resting share, also where rest runs short (LD = LR)."""
    flow = DEVELOP_PER_S * min(wanted - active, resting)
    fatigued = 1.0 - active - resting
    return flow - params.fatigue_per_s * active, -flow + recovery_per_s * fatigued


@step
def shares_after(
    params: VoluntaryParams, state: VoluntaryState, wanted: float, h_s: float
) -> tuple[VoluntaryState, float]:
    """State after `h_s` s of a constant wanted share, and the active share half-way."""
    if params.played_back > 0.0:
        return VoluntaryState(wanted, 1.0 - wanted, 0.0), wanted
    recovery_per_s = params.recovery_per_s
    if wanted <= 0.0:
        recovery_per_s = recovery_per_s * params.rest_multiplier
    # No more can tire than F h: with so much rest to spare, rest doesn't run short within the sub-step.
    if wanted - state.active > state.resting - params.fatigue_per_s * h_s:
        return short_of_rest(params, state, wanted, recovery_per_s, h_s)
    # LD = LR: up or down, one rate to the end. The exponentials as series up to the fourth power, as Runge-Kutta has.
    rate_per_s = RELAX_PER_S + params.fatigue_per_s
    z, y = rate_per_s * h_s, recovery_per_s * h_s
    moved = (RELAX_PER_S * wanted - rate_per_s * state.active) * h_s
    to_end = 1.0 - z * (1.0 / 2.0 - z * (1.0 / 6.0 - z * (1.0 / 24.0)))
    to_middle = 1.0 / 2.0 - z * (1.0 / 8.0 - z * (1.0 / 48.0 - z * (1.0 / 384.0)))
    on_mean = 1.0 / 2.0 - z * (1.0 / 6.0 - z * (1.0 / 24.0 - z * (1.0 / 120.0)))
    recovering = h_s * (1.0 - y * (1.0 / 2.0 - y * (1.0 / 6.0 - y * (1.0 / 24.0))))
    tiring = params.fatigue_per_s * (state.active + moved * on_mean)
    active = state.active + moved * to_end
    fatigued = state.fatigued + (tiring - recovery_per_s * state.fatigued) * recovering
    return VoluntaryState(active, 1.0 - active - fatigued, fatigued), state.active + moved * to_middle


@step_for_all
def short_of_rest(
    params: VoluntaryParams, state: VoluntaryState, wanted: float, recovery_per_s: float, h_s: float
) -> tuple[VoluntaryState, float]:
    """As `shares_after` when all or more is wanted that there is (Runge-Kutta 4)."""
    active, resting = state.active, state.resting
    half = 0.5 * h_s
    a_active, a_resting = shares_slope(params, active, resting, wanted, recovery_per_s)
    b_active, b_resting = shares_slope(
        params, active + half * a_active, resting + half * a_resting, wanted, recovery_per_s
    )
    c_active, c_resting = shares_slope(
        params, active + half * b_active, resting + half * b_resting, wanted, recovery_per_s
    )
    d_active, d_resting = shares_slope(
        params, active + h_s * c_active, resting + h_s * c_resting, wanted, recovery_per_s
    )
    sixth = h_s * (1.0 / 6.0)
    active_end = active + sixth * (a_active + 2.0 * (b_active + c_active) + d_active)
    resting_end = resting + sixth * (a_resting + 2.0 * (b_resting + c_resting) + d_resting)
    middle = 0.5 * (active + active_end) + 0.125 * h_s * (a_active - d_active)
    return VoluntaryState(active_end, resting_end, 1.0 - active_end - resting_end), middle


def endurance_s(params: VoluntaryParams, wanted: float) -> float:
    """Time a constant share of maximum can be held, s; infinite when it can be held for ever.

    Closed form ET = -ln(1 - R (1 - TL) / (F TL)) / R (re-derived; a third party's copy agrees).
    """
    F, R = params.fatigue_per_s, params.recovery_per_s
    left = 1.0 - R * (1.0 - wanted) / (F * wanted)
    return math.inf if left <= 0.0 else -math.log(left) / R
