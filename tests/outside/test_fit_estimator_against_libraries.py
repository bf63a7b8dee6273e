"""Parts of the estimator fit beside general libraries: statsmodels (AR(1)), scikit-learn (isotonic), scipy (trapezoid).

statsmodels: Seabold & Perktold (2010), Proc. 9th Python in Science Conf.; scikit-learn: Pedregosa et al. (2011), J.
Mach. Learn. Res. 12, 2825-2830 (both from memory). What they reckon is reckoned here anew, nothing is quoted.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import trapezoid as scipy_trapezoid
from sklearn.isotonic import IsotonicRegression
from statsmodels.tsa.arima.model import ARIMA

from tests.thenar.estimator_recordings import recorded
from thenar.fit.estimator import fit_estimator
from thenar.fit.estimator_clock import trapezoid
from thenar.fit.estimator_curve import Linear
from thenar.fit.estimator_filter import Course, Spread
from thenar.fit.estimator_noise import badness, fitted_spread
from thenar.plant_models.estimator import plan_readings
from thenar.plant_models.settings import Estimator

GAP_S = 0.025


def even_noise(tau_ms: float, seed: int, count: int = 3_000) -> np.ndarray:
    """The model's own unit noise, sampled evenly."""
    settings = Estimator(rate_Hz=40.0, jitter_ms=0.0, noise_tau_ms=tau_ms)
    return plan_readings(settings, round(count * GAP_S * 1e6) - 1, seed, 0, 0).unit_noise[:count]


@pytest.mark.parametrize(("tau_ms", "sd_N"), [(40.0, 0.3), (120.0, 0.5), (600.0, 1.2)])
def test_noise_and_likelihood_agree_with_an_ar1_of_statsmodels(tau_ms: float, sd_N: float) -> None:
    values = sd_N * even_noise(tau_ms, seed=3)
    count = values.size
    course = Course(np.full(count, GAP_S), np.zeros(count), np.zeros(count), np.ones(count, dtype=bool))
    theirs = ARIMA(values, order=(1, 0, 0), trend="n").fit()
    keep, kick = theirs.params
    linear = Linear(values, np.zeros(count), np.zeros((count, 0)), course)
    ours = fitted_spread(linear, Spread(0.4, 0.0, 0.1, 0.01), restricted=False)
    assert ours.tau_s == pytest.approx(-GAP_S / math.log(keep), rel=0.01)
    assert ours.floor_N == pytest.approx(math.sqrt(kick / (1.0 - keep * keep)), rel=0.01)
    same = Spread(math.sqrt(kick / (1.0 - keep * keep)), 0.0, -GAP_S / math.log(keep), 0.0)
    likelihood = -badness(course, values[:, None], same) - 0.5 * count * math.log(2.0 * math.pi)
    assert likelihood == pytest.approx(theirs.llf, rel=1e-5, abs=0.05)


def test_the_bias_curve_agrees_with_an_isotonic_regression_where_noise_is_small() -> None:
    truth = Estimator(
        true_N=(0.0, 6.0, 14.0, 22.0, 30.0), reads_N=(1.0, 6.0, 15.0, 18.0, 18.5), noise_floor_N=0.1, noise_share=0.01,
        jitter_ms=0.5, latency_jitter_ms=2.0,
    )  # fmt: skip
    recording = recorded(truth, 5.0, seed=4)
    fit = fit_estimator(recording, held_out=0.0)
    force, estimate = recording.series("force_N"), recording.series("estimate_N")
    at_sample = np.interp(estimate.t_s - fit.drawn["lag_s"], force.t_s, force.values)
    isotonic = IsotonicRegression(out_of_bounds="clip").fit(at_sample, estimate.values)
    at = np.linspace(1.0, 28.0, 55)
    off = np.interp(at, fit.table["true_N"], fit.table["reads_N"]) - isotonic.predict(at)
    assert np.abs(off).mean() < 0.1
    assert np.abs(off).max() < 0.4


@pytest.mark.parametrize(("wide", "narrow"), [(5.0, 0.5), (3.0, 2.9), (10.0, 2.0)])
def test_the_density_of_two_even_shifts_is_scipys_trapezoid(wide: float, narrow: float) -> None:
    at = np.linspace(-8.0, 8.0, 401)
    whole = wide + narrow
    theirs = scipy_trapezoid(narrow / whole, wide / whole, loc=-0.5 * whole, scale=whole).pdf(at)
    assert trapezoid(at, 0.0, wide, narrow) == pytest.approx(theirs, abs=1e-9)
    draws = np.random.default_rng(5).random((2, 200_000)) - 0.5
    seen, edges = np.histogram(wide * draws[0] + narrow * draws[1], bins=40, density=True)
    middle = 0.5 * (edges[1:] + edges[:-1])
    assert np.abs(seen - trapezoid(middle, 0.0, wide, narrow)).max() < 0.02 * 2.0
