"""The fit of a wearer against other people's code and one real recording.

Outside: statsmodels' Kalman filter, scipy.signal's frequency response and Welch spectrum. The recording: openhdemg
0.1.2 sample (see `recorded_trapezoid.py`), one person's vastus lateralis, voluntary, no stimulation, no pinch; its
force in percent of maximum is taken as newtons of a maximum of 100 N.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import curve_fit
from scipy.signal import dfreqresp, dlti, welch
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from tests.outside.conftest import RecordedForce
from tests.outside.test_force_steadiness import band_shares, variation
from tests.plant_models.body_runs import Hold
from tests.thenar.fit_wearer_trials import recording_of, wearer_of
from thenar.fit.found import Fit
from thenar.fit.wearer import fit_wearer
from thenar.fit.wearer_again import simulated_N
from thenar.fit.wearer_search import SENSOR_SHARE, Held
from thenar.fit.wearer_steps import ERROR, EXPECTED, LOG_VARIANCE, NOISE_SD, PER_WANDER, PER_Z
from thenar.fit.wearer_ticks import TICK_RATE_HZ, TICK_US, on_ticks
from thenar.plant_models.wearer import WearerParams, wearer_params

STRONG_N = 100.0
EDGES_HZ = (0.25, 1.0, 3.0, 7.0, 20.0)


def trapezoid(
    t_s: NDArray[np.float64], begins_s: float, top_s: float, falls_s: float, ends_s: float, top: float
) -> NDArray[np.float64]:
    """Zero, up, a plateau at `top`, down, zero."""
    return np.interp(t_s, [begins_s, top_s, falls_s, ends_s], [0.0, top, top, 0.0])


@pytest.fixture(scope="module")
def real_fit(recorded_trapezoid: RecordedForce) -> Fit:
    """The real recording through the fit. Its file has no target: the trapezoid closest to the force stands for it."""
    force, rate_Hz = recorded_trapezoid
    t_s = np.arange(force.size) / rate_Hz
    shape, _ = curve_fit(trapezoid, t_s[::64], force[::64], (1.0, 6.3, 25.5, 31.5, 26.0))
    return fit_wearer(recording_of(t_s, trapezoid(t_s, *shape), force), "shown", STRONG_N)


def test_noise_fitted_to_a_real_recording_simulates_with_its_variation_and_band_shares(
    recorded_trapezoid: RecordedForce, real_fit: Fit
) -> None:
    # The plateau from 10 to 24 s, as in test_force_steadiness.py, against another loop than the fit's: CV, and shares
    # of the power between 0.25 and 20 Hz, each within 15 %.
    force, rate_Hz = recorded_trapezoid
    plateau = force[round(10 * rate_Hz) : round(24 * rate_Hz)]
    wanted = [variation(plateau), *band_shares(plateau, rate_Hz, EDGES_HZ)]
    steady = {"production.scatter_share": 0.0, "production.wander_share": 0.0, "production.drift_depth": 0.0}
    told = {one.key: one.value for one in real_fit.parameters if one.identifiable and one.key != "max_pinch_N"}
    simulated = []
    for seed in range(100):
        hold = Hold(wearer_of(steady | told, STRONG_N), 24.0, seed)
        hold.target_N[:] = plateau.mean()
        held = hold.run(sees_own_force=True)[round(10.0 * TICK_RATE_HZ) :]
        simulated.append([variation(held), *band_shares(held, TICK_RATE_HZ, EDGES_HZ)])
    ratio = np.mean(simulated, axis=0) / wanted
    print("simulated over recorded: CV, then bands:", ratio)
    assert ratio == pytest.approx(1.0, abs=0.15)


def test_of_one_real_trapezoid_that_was_shown_noise_and_sight_are_told_but_neither_memory_nor_drift(
    real_fit: Fit,
) -> None:
    told = {one.key for one in real_fit.parameters if one.identifiable}
    assert {"noise.linear", "noise.slow_Hz", "max_pinch_N"} <= told
    assert not any(key.startswith("production.") for key in told)
    assert not {"noise.floor", "noise.quadratic"} & told


def test_the_filter_has_the_likelihood_of_statsmodels_kalman_filter() -> None:
    # statsmodels.tsa.statespace.KalmanFilter, the same linear chain as matrices: state as in wearer_steps.
    values = {"production.wander_share": 0.06, "noise.fast_share": 0.3}
    t_s = np.arange(3000) / TICK_RATE_HZ
    target_N = np.full(t_s.size, 20.0)
    force_N = simulated_N(values, STRONG_N, target_N, np.zeros(t_s.size), np.random.default_rng(5))
    ticks = on_ticks(recording_of(t_s, target_N, force_N), "hidden")
    held = Held(ticks, STRONG_N)
    ours = held.told_by(values, held.made_at_first())
    used = ticks.used > 0.0
    # From 5 s on, and from the state that a filter has that saw nothing before: compared is the sum from there on.
    ours_sum = -0.5 * float(np.sum(ours.told[used, ERROR] ** 2 + ours.told[used, LOG_VARIANCE] + np.log(2 * np.pi)))
    theirs_sum = statsmodels_likelihood(ticks.force_N, used, ours.told[:, EXPECTED], ours.intended, held, values)
    assert ours_sum == pytest.approx(theirs_sum, abs=1e-3)


def statsmodels_likelihood(
    force_N: NDArray[np.float64], used: NDArray[np.bool_], expected_N: NDArray[np.float64],
    intended: NDArray[np.float64], held: Held, values: dict[str, float],
) -> float:  # fmt: skip
    """Log likelihood of one hidden production that is on from the first target on."""
    wearer = wearer_of(values, STRONG_N)
    params: WearerParams = wearer_params(wearer, TICK_US, False)
    count, motor = force_N.size, round(wearer.motor_delay_ms * 1000 / TICK_US)
    onset = round(wearer.visual_delay_ms * 1000 / TICK_US + 1e-9) + motor
    transition, impact = np.zeros((6, 6, count)), np.zeros((6, 3, count))
    for tick in range(count):
        keeps = np.diag([1.0, params.keep_wander, params.keep_slow, params.keep_fast, 0.0, 0.0])
        kicks = np.zeros((6, 3))
        kicks[1, 0], kicks[2, 1], kicks[3, 2] = params.kick_wander, params.kick_slow, params.kick_fast
        ways = np.zeros((2, 6))
        ways[:, 4:6] = held.answers[:, 0:2]
        before = tick - motor
        if tick >= onset:
            ways[:, 0] = held.answers[:, 2] * intended[before, PER_Z]
            ways[:, 1] = held.answers[:, 2] * intended[before, PER_WANDER]
        ways[:, 2] = held.answers[:, 3] * intended[tick, NOISE_SD] * params.slow_weight
        ways[:, 3] = held.answers[:, 3] * intended[tick, NOISE_SD] * params.fast_weight
        whole = keeps.copy()
        whole[4:, :] = ways @ keeps
        whole[4:, 4:6] = ways[:, 4:6]
        transition[:, :, tick] = whole
        kicks[4:, :] = ways[:, :4] @ kicks[:4, :]
        impact[:, :, tick] = kicks
        if tick < onset:
            # The wander begins with the production.
            impact[1, :, tick] = 0.0
    observed = np.where(used, force_N - expected_N, np.nan)
    model = KalmanFilter(k_endog=1, k_states=6, k_posdef=3)
    model.bind(np.asfortranarray(observed.reshape(1, -1)))
    model["design"] = np.array([[0.0, 0.0, 0.0, 0.0, 0.0, 1.0]])
    model["obs_cov"] = np.array([[(SENSOR_SHARE * STRONG_N) ** 2]])
    model["transition"], model["selection"] = transition, impact
    model["state_cov"] = np.eye(3)
    first_z = -expected_z(held, values)
    model.initialize_known(np.array([first_z, 0, 0, 0, 0, 0.0]), np.diag([1.0, 0.0, 1.0, 1.0, 0.0, 0.0]))
    model.tolerance = 0.0
    return float(model.loglike())


def expected_z(held: Held, values: dict[str, float]) -> float:
    """The scatter of the only production that the filter is laid around: what it made over its habit, in SDs."""
    production = wearer_of(values, STRONG_N).production
    target_N = float(held.targets_N[0])
    habit_N = production.gain * target_N + production.offset_N
    return float((held.made_at_first()[0] - habit_N) / (production.scatter_share * production.gain * target_N))


@pytest.mark.filterwarnings("ignore::scipy.signal.BadCoefficients")
def test_simulated_noise_has_the_spectrum_that_scipy_finds_for_the_fitted_chain() -> None:
    # scipy.signal.dfreqresp of both first-order noises through the linear body, against Welch on five minutes of force.
    wearer = wearer_of({"production.scatter_share": 0.0, "production.wander_share": 0.0}, STRONG_N)
    values = {"production.scatter_share": 0.0, "production.wander_share": 0.0, "production.drift_depth": 0.0}
    t_s = np.arange(30_000) / TICK_RATE_HZ
    target_N = np.full(t_s.size, 8.0)
    force_N = simulated_N(values, STRONG_N, target_N, np.zeros(t_s.size), np.random.default_rng(6))
    frequency, power = welch(force_N[1000:], TICK_RATE_HZ, nperseg=800)
    held = Held(on_ticks(recording_of(t_s, target_N, force_N), "hidden"), STRONG_N)
    params = wearer_params(wearer, TICK_US, False)
    sd = wearer.noise.floor + wearer.noise.linear * 0.08 + wearer.noise.quadratic * 0.08**2
    inside = (frequency >= 0.25) & (frequency <= 20.0)
    theirs = np.zeros(inside.sum())
    for keep, kick, weight in (
        (params.keep_slow, params.kick_slow, params.slow_weight),
        (params.keep_fast, params.kick_fast, params.fast_weight),
    ):
        a = np.array([[keep, 0.0], [held.answers[1, 3] * sd * weight * keep, held.answers[1, 1]]])
        b = np.array([[kick], [held.answers[1, 3] * sd * weight * kick]])
        chain = dlti(a, b, np.array([[0.0, 1.0]]), np.array([[0.0]]), dt=1.0 / TICK_RATE_HZ)
        _, response = dfreqresp(chain, 2.0 * np.pi * frequency[inside] / TICK_RATE_HZ)
        theirs += np.abs(response) ** 2 * 2.0 / TICK_RATE_HZ
    for low, high in ((0.25, 1.0), (1.0, 3.0), (3.0, 7.0), (7.0, 20.0)):
        band = (frequency[inside] >= low) & (frequency[inside] < high)
        assert power[inside][band].sum() == pytest.approx(theirs[band].sum(), rel=0.15)
