"""One stimulated muscle, pulse by pulse: calcium kinetics, force and fatigue, or a fixed twitch.

Ding, Wexler & Binder-Macleod [@ding-2000]; 2003 form of the equations from memory [@ding-2003]:

    CN     = sum_i R_i ((t - t_i) / tau_c) exp(-(t - t_i) / tau_c),  R_i = 1 + (R0 - 1) exp(-gap / tau_c)
    dF/dt  = A CN / (Km + CN) - F / (tau1 + tau2 CN / (Km + CN)),    R0  = Km + 1.04
    dA/dt  = -(A - A_rest) / tau_fat + alpha_A F   (Km and tau1 alike)

CN needs no integration: with S = sum_i R_i exp(-(t - t_i) / tau_c), over a time d both decay by
exp(-d / tau_c) and CN gains S d / tau_c. Recruitment enters as a weight on each pulse (`*_recruited`),
so that a change of current acts on new pulses only. Fatigue belongs to the fibres that are pulsed:
it is driven by `full_N`, the force the muscle would make if each pulse fired everything.

Time is in ms inside this file, force in N of pinch.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from thenar.plant_models.decay import decayed
from thenar.plant_models.settings import Muscle
from thenar.shared.compiled import over, step

A_QUADRICEPS_N_PER_MS: Final = 3.009
"""Rested force scale of the published quadriceps constants (from memory; 3.0009 in the table read)."""
R0_OVER_KM: Final = 1.04
"""R0 = Km + 1.04 ([@ding-2003], from memory)."""
REACH_RATE_HZ: Final = 100.0
LONG_AGO_MS: Final = 1e9
LONGEST_STEP_MS: Final = 5.0
STEP_SHARE: Final = 0.7
"""Sub-step over the time in which bound calcium changes by its own size: holds the error bar of the tests."""
LEAST_SHARE: Final = 1e-3
"""A pulse that fires less than this share is no pulse to the muscle: it moves nothing and tires nothing."""
QUIET: Final = 1e-9
"""Calcium (no unit) and force (N) below which a muscle counts as at rest."""


class MuscleParams(NamedTuple):
    """Constants in ms and N after scaling to the thumb; `twitch_N` > 0 selects the fixed twitch.

    `per_*`: one over the time constant of that name, 1/ms, because a product is cheaper than a quotient.
    """

    tau_c_ms: float
    A_rest: float
    km_rest: float
    tau1_rest_ms: float
    tau2_ms: float
    alpha_A: float
    alpha_Km: float
    alpha_tau1: float
    tau_fat_ms: float
    twitch_N: float
    per_tau_c: float
    per_tau_fat: float


class MuscleState(NamedTuple):
    """Calcium sums (no unit), forces in N, fatigue states, and ms since the last pulse."""

    surge: float
    calcium: float
    surge_recruited: float
    calcium_recruited: float
    force_N: float
    full_N: float
    A: float
    km: float
    tau1_ms: float
    since_pulse_ms: float


def plateau_factor_ms(tau_c_ms: float, km: float, tau1_ms: float, tau2_ms: float, rate_Hz: float) -> float:
    """Force over A of a long unfatigued train at `rate_Hz`, ms: the mean-calcium closed form."""
    gap_ms = 1e3 / rate_Hz
    enhancement = 1.0 + (km + R0_OVER_KM - 1.0) * math.exp(-gap_ms / tau_c_ms)
    calcium = enhancement * tau_c_ms / gap_ms
    bound = calcium / (km + calcium)
    return bound * (tau1_ms + tau2_ms * bound)


def muscle_params(settings: Muscle) -> MuscleParams:
    """Step parameters: quadriceps constants rescaled in force and time so that relative courses stay.

    With force scale k and time scale s: A takes k/s, time constants take s, alpha_A 1/s, alpha_Km 1/k,
    alpha_tau1 s/k. `reachable_N` fixes k through the closed-form plateau at 100 Hz.
    """
    s = settings.time_scale
    tau_c_ms = s * settings.tau_c_ms
    tau1_ms = s * settings.tau1_rest_ms
    tau2_ms = s * settings.tau2_ms
    A_rest = settings.reachable_N / plateau_factor_ms(tau_c_ms, settings.km_rest, tau1_ms, tau2_ms, REACH_RATE_HZ)
    k = A_rest * s / A_QUADRICEPS_N_PER_MS
    fixed_twitch = settings.model == "twitch"
    tau_c_ms = settings.contraction_ms if fixed_twitch else tau_c_ms
    tau_fat_ms = 1e3 * settings.tau_fat_s
    return MuscleParams(
        tau_c_ms=tau_c_ms,
        A_rest=A_rest,
        km_rest=settings.km_rest,
        tau1_rest_ms=tau1_ms,
        tau2_ms=tau2_ms,
        alpha_A=settings.fatigue_share * settings.alpha_A_per_ms2 / s,
        alpha_Km=settings.fatigue_share * settings.alpha_Km_per_ms_N / k,
        alpha_tau1=settings.fatigue_share * settings.alpha_tau1_per_N * s / k,
        tau_fat_ms=tau_fat_ms,
        twitch_N=settings.twitch_share * settings.reachable_N if fixed_twitch else 0.0,
        per_tau_c=1.0 / tau_c_ms,
        per_tau_fat=1.0 / tau_fat_ms,
    )


def rested(params: MuscleParams) -> MuscleState:
    """The state of a muscle that has not been pulsed for long."""
    return MuscleState(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, params.A_rest, params.km_rest, params.tau1_rest_ms, LONG_AGO_MS)


@step
def struck(params: MuscleParams, state: MuscleState, share: float) -> MuscleState:
    """The state just after a pulse that fires `share` (0..1) of the muscle."""
    if share < LEAST_SHARE:
        return state
    weight = 1.0
    if params.twitch_N == 0.0:
        weight = 1.0 + (state.km + R0_OVER_KM - 1.0) * decayed(state.since_pulse_ms * params.per_tau_c)
    return MuscleState(
        state.surge + weight,
        state.calcium,
        state.surge_recruited + weight * share,
        state.calcium_recruited,
        state.force_N,
        state.full_N,
        state.A,
        state.km,
        state.tau1_ms,
        0.0,
    )


@step
def is_quiet(state: MuscleState) -> bool:
    """True when nothing is left of past pulses but fatigue."""
    return state.surge < QUIET and state.calcium < QUIET and state.full_N < QUIET


@step
def tired(params: MuscleParams, state: MuscleState, h_ms: float, full_N_ms: float) -> tuple[float, float, float]:
    """A, km and tau1 (ms) after `h_ms` ms in which the full force had the integral `full_N_ms` (N ms).

    Every deficit shrinks with exp(-t / tau_fat), exactly; what is added shrinks by less than h / tau_fat.
    """
    kept = decayed(h_ms * params.per_tau_fat)
    return (
        params.A_rest + (state.A - params.A_rest) * kept + params.alpha_A * full_N_ms,
        params.km_rest + (state.km - params.km_rest) * kept + params.alpha_Km * full_N_ms,
        params.tau1_rest_ms + (state.tau1_ms - params.tau1_rest_ms) * kept + params.alpha_tau1 * full_N_ms,
    )


@step
def recovered(params: MuscleParams, state: MuscleState, gap_ms: float) -> MuscleState:
    """A quiet muscle after `gap_ms` ms: every deficit shrinks with exp(-t / tau_fat), exactly."""
    A, km, tau1_ms = tired(params, state, gap_ms, 0.0)
    return MuscleState(
        0.0,
        0.0,
        0.0,
        0.0,
        0.0,
        0.0,
        A,
        km,
        tau1_ms,
        state.since_pulse_ms + gap_ms,
    )


@step
def longest_step_ms(params: MuscleParams, state: MuscleState) -> float:
    """Sub-step in ms that force needs now: short while little calcium is bound and it changes fast."""
    change = abs(state.surge - state.calcium)
    if change * LONGEST_STEP_MS < STEP_SHARE * params.tau_c_ms * (state.km + state.calcium):
        return LONGEST_STEP_MS
    return STEP_SHARE * params.tau_c_ms * (state.km + state.calcium) / change


class Pull(NamedTuple):
    """What moves force and full force at one instant: gains in N per ms, and the share that is lost per ms."""

    force: float
    full: float
    decline: float


@step
def pull(params: MuscleParams, state: MuscleState, calcium: float, recruited: float) -> Pull:
    """The terms of dF/dt at this much calcium, at the fatigue of `state`; both divisions of the equation as one."""
    open_ = state.km + calcium
    slowed = state.tau1_ms * open_ + params.tau2_ms * calcium
    both = over(open_ * slowed)
    grown = state.A * (slowed * both)
    return Pull(recruited * grown, calcium * grown, open_ * open_ * both)


@step
def advanced(params: MuscleParams, state: MuscleState, h_ms: float, half_decay: float) -> tuple[MuscleState, float]:
    """State after `h_ms` ms without a pulse, and the force half-way (N). `half_decay`: exp(-h / 2 tau_c).

    Calcium is exact. A, km and tau1 change ten thousand times more slowly: they stand still for the sub-step and are
    then brought on. The force is linear with coefficients that calcium fixes: Simpson's rule with the Hermite
    midpoint (Lobatto IIIA of fourth order; Hairer, Norsett & Wanner, Solving ODEs I, II.7) is solved for its end.
    """
    half = 0.5 * h_ms
    share = half * params.per_tau_c
    calcium_mid = (state.calcium + state.surge * share) * half_decay
    surge_mid = state.surge * half_decay
    calcium_end = (calcium_mid + surge_mid * share) * half_decay
    recruited_mid = (state.calcium_recruited + state.surge_recruited * share) * half_decay
    surge_recruited_mid = state.surge_recruited * half_decay
    recruited_end = (recruited_mid + surge_recruited_mid * share) * half_decay
    force, full, A, km, tau1 = state.force_N, state.full_N, state.A, state.km, state.tau1_ms
    if params.twitch_N > 0.0:
        peak = params.twitch_N * math.e
        force_mid, force, full = peak * recruited_mid, peak * recruited_end, peak * calcium_end
    else:
        a = pull(params, state, state.calcium, state.calcium_recruited)
        m = pull(params, state, calcium_mid, recruited_mid)
        b = pull(params, state, calcium_end, recruited_end)
        sixth, eighth = h_ms * (1.0 / 6.0), 0.125 * h_ms
        middle = 4.0 * m.decline
        tilt = middle * eighth
        kept = 1.0 - sixth * (a.decline + middle * (0.5 - eighth * a.decline))
        per = over(1.0 + sixth * (b.decline + middle * (0.5 + eighth * b.decline)))
        force_a, full_a = a.force - a.decline * force, a.full - a.decline * full
        before, full_before = force, full
        force = (force * kept + sixth * (a.force + b.force + 4.0 * m.force - tilt * (a.force - b.force))) * per
        full = (full * kept + sixth * (a.full + b.full + 4.0 * m.full - tilt * (a.full - b.full))) * per
        force_b, full_b = b.force - b.decline * force, b.full - b.decline * full
        force_mid = 0.5 * (before + force) + eighth * (force_a - force_b)
        full_N_ms = h_ms * (0.5 * (full_before + full) + h_ms * (1.0 / 12.0) * (full_a - full_b))
        A, km, tau1 = tired(params, state, h_ms, full_N_ms)
    return MuscleState(
        surge_mid * half_decay,
        calcium_end,
        surge_recruited_mid * half_decay,
        recruited_end,
        force,
        full,
        A,
        km,
        tau1,
        state.since_pulse_ms + h_ms,
    ), force_mid
