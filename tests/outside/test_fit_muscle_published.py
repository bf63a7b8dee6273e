"""The published quadriceps constants, fitted back from trains that SciPy integrated.

Constants: Ding, Wexler & Binder-Macleod [@ding-2003], as quoted there; A_rest 3.009 N/ms,
tau2 124.4 ms, tau_c 20 ms from memory (see `test_calcium_force_model.py`). Force is scaled by 0.1, to within the range
of a pinch: by `test_force_scaled_by_k_keeps_its_relative_course_through_fatigue` the constants then stay the same but
for A_rest, alpha_Km and alpha_tau1. Outside reference: scipy.integrate.solve_ivp (DOP853) on the equations as written
out in `test_plant_against_reference_integrator.py`; nothing of our steps is in the recording.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from tests.outside.test_plant_against_reference_integrator import R0_OVER_KM, muscle_slope
from tests.plant_models.body_runs import quadriceps
from tests.thenar.muscle_recordings import recording_of, train_ms
from thenar.fit.muscle import fit_muscle
from thenar.plant_models.muscle import MuscleParams, muscle_params
from thenar.plant_models.settings import Muscle

SCALE = 0.1
DELAY_MS = 17.2
CONTACT_MS = 15.0
LOOK_MS = 4.0


def published() -> MuscleParams:
    """The published constants at a tenth of the force."""
    full = quadriceps(fatigue_share=1.0)
    return full._replace(A_rest=SCALE * full.A_rest, alpha_Km=full.alpha_Km / SCALE, alpha_tau1=full.alpha_tau1 / SCALE)


def slopes(_t: float, y: NDArray[np.float64], p: MuscleParams) -> list[float]:
    """Rates per ms of the muscle and of the force behind the contact."""
    state = y.tolist()
    return [*muscle_slope(p, tuple(state[:9])), (state[4] - state[9]) / CONTACT_MS]


def force_by_reference(
    p: MuscleParams, strikes_ms: NDArray[np.float64], looks_ms: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Force behind the contact in N at `looks_ms`, integrated from strike to strike."""
    y = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, p.A_rest, p.km_rest, p.tau1_rest_ms, 0.0])
    seen = np.zeros(looks_ms.size)
    last_ms = -1e9
    for now_ms, next_ms in zip(strikes_ms, [*strikes_ms[1:], looks_ms[-1] + 1.0], strict=True):
        weight = 1.0 + (y[7] + R0_OVER_KM - 1.0) * math.exp(-(now_ms - last_ms) / p.tau_c_ms)
        y[0] += weight
        y[2] += weight
        last_ms = now_ms
        inside = (looks_ms >= now_ms) & (looks_ms < next_ms)
        at_ms = np.r_[looks_ms[inside], next_ms]
        solved = solve_ivp(
            slopes,
            (now_ms, next_ms),
            y,
            method="DOP853",
            t_eval=at_ms,
            args=(p,),
            rtol=1e-7,
            atol=1e-10,
            first_step=1.0,
        )
        seen[inside] = solved.y[9, :-1]
        y = solved.y[:, -1].copy()
    return seen


def test_the_published_quadriceps_constants_are_found_again() -> None:
    # Noise 1 mN on 49 N.
    parts = [train_ms(500.0, 1.0, 2)]
    at_ms = 3_000.0
    for rate_Hz in (8.0, 12.5, 20.0, 33.0, 50.0, 80.0):
        parts.append(train_ms(at_ms, rate_Hz, round(0.8 * rate_Hz)))
        at_ms += 2_500.0
    for _ in range(15):
        parts.append(train_ms(at_ms, 40.0, 13))
        at_ms += 1_000.0
    parts += [train_ms(at_ms + 60_000.0, 20.0, 8), train_ms(at_ms + 62_000.0, 50.0, 20)]
    pulses_ms = np.round(np.concatenate(parts), 3)
    looks_ms = np.arange(0.0, pulses_ms[-1] + 1_500.0, LOOK_MS)
    force_N = force_by_reference(published(), pulses_ms + DELAY_MS, looks_ms)
    force_N += np.random.default_rng(1).normal(0.0, 1e-3, force_N.size)
    fit = fit_muscle(recording_of(force_N, np.round(1e3 * looks_ms).astype(np.int64), pulses_ms), contact_ms=CONTACT_MS)
    assert all(one.identifiable for one in fit.parameters)
    found = Muscle.model_validate(fit.table["agonist"]["muscle"])
    assert found.delay_ms == pytest.approx(DELAY_MS, abs=0.05)
    back, expected = muscle_params(found), published()
    for name, within in (
        ("tau_c_ms", 0.005), ("A_rest", 0.005), ("km_rest", 0.01), ("tau1_rest_ms", 0.005), ("tau2_ms", 0.005),
        ("alpha_A", 0.02), ("alpha_Km", 0.05), ("alpha_tau1", 0.02), ("tau_fat_ms", 0.03),
    ):  # fmt: skip
        assert getattr(back, name) == pytest.approx(getattr(expected, name), rel=within), name
