"""Force noise of a simulated wearer against published steadiness, and against one real recorded contraction.

The recording: openhdemg 0.1.2 sample (see `recorded_trapezoid.py`), one person's vastus lateralis, voluntary, no
stimulation, no pinch. It checks our figures and says whether the noise is of a plausible kind, no more.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt, welch

from tests.outside.conftest import RecordedForce
from tests.plant_models.body_runs import Hold
from thenar.plant_models.settings import Production, Wearer

STEADY = Wearer(fatigue_per_s=0.0, production=Production(scatter_share=0.0, wander_share=0.0, drift_depth=0.0))
"""Tireless, without wander and drift: what is left is force noise."""
TICK_RATE_HZ = 100.0
SETTLING_S, HELD_S = 10.0, 120.0
SEEDS = range(4)


@cache
def held_N(level: float, seed: int, sees_own_force: bool) -> NDArray[np.float64]:
    """True force over two minutes of a hold at `level` of maximum, N at 100 Hz."""
    hold = Hold(STEADY.model_copy(update={"sees_own_force": sees_own_force}), SETTLING_S + HELD_S, seed)
    hold.target_N[:] = level * STEADY.max_pinch_N
    return hold.run()[round(SETTLING_S * TICK_RATE_HZ) :]


@cache
def wandering_N(level: float, seed: int) -> NDArray[np.float64]:
    """The same unseen, with the default slow wander."""
    wearer = STEADY.model_copy(update={"production": Production(scatter_share=0.0, drift_depth=0.0)})
    hold = Hold(wearer, SETTLING_S + HELD_S, seed)
    hold.target_N[:] = level * wearer.max_pinch_N
    return hold.run()[round(SETTLING_S * TICK_RATE_HZ) :]


def variation(force: NDArray[np.float64]) -> float:
    """Coefficient of variation, SD with n - 1."""
    return float(np.std(force, ddof=1) / np.mean(force))


def mean_variation(level: float, sees_own_force: bool = True) -> float:
    """The same, averaged over four holds of two minutes."""
    return float(np.mean([variation(held_N(level, seed, sees_own_force)) for seed in SEEDS]))


def band_shares(force: NDArray[np.float64], rate_Hz: float, edges_Hz: tuple[float, ...]) -> list[float]:
    """Shares of the power up to 20 Hz between `edges_Hz`; Welch, segments of 4 s, means removed."""
    frequency, power = welch(force, rate_Hz, nperseg=round(4 * rate_Hz))
    whole = power[(frequency >= edges_Hz[0]) & (frequency <= edges_Hz[-1])].sum()
    inside = [(frequency >= low) & (frequency < high) for low, high in pairwise(edges_Hz)]
    return [float(power[band].sum() / whole) for band in inside]


@pytest.mark.parametrize("sees_own_force", [True, False])
def test_the_coefficient_of_variation_lies_in_the_published_band(sees_own_force: bool) -> None:
    # About 2 % above 15 % of maximum, 3-6 % at 5 %, up to 10 % at 2-2.5 %: FDI steadiness papers, from memory. Baweja
    # et al. [@baweja-2009], read: 4.47 +- 3.14 % pooled over 2-70 %, seen. Band: 1-6 % over 5-60 %.
    # Measured 1.4-2.7 % unseen, 1.6-3.1 % seen; at 2 %: 5.4 and 6.2 %.
    for level in (0.05, 0.1, 0.2, 0.36, 0.5, 0.6):
        assert 0.01 < mean_variation(level, sees_own_force) < 0.06
    assert 0.03 < mean_variation(0.02, sees_own_force) < 0.10


def test_variation_is_least_between_20_and_50_percent_of_maximum() -> None:
    # [@motor-control-2004], read: mean over SD is best near 36 % of maximum, n = 94. Same noise at every level.
    levels = [0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.36, 0.4, 0.5, 0.6, 0.8]
    by_level = [mean_variation(level) for level in levels]
    assert 0.2 < levels[int(np.argmin(by_level))] < 0.5


def test_the_sd_of_force_rises_with_force_a_little_faster_than_in_proportion() -> None:
    # Jones, Hamilton & Wolpert [@jones-2002], from memory: SD of thumb force rises about linearly
    # with the mean. Slifkin & Newell [@slifkin-newell-1999], read: faster than linearly.
    levels = np.array([0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6])
    sd_N = np.array([np.mean([held_N(level, seed, True).std() for seed in SEEDS]) for level in levels])
    assert np.all(np.diff(sd_N) > 0.0)
    line = np.polynomial.Polynomial.fit(levels, sd_N, 1)
    assert 1.0 - np.var(sd_N - line(levels)) / np.var(sd_N) > 0.98
    assert np.polynomial.Polynomial.fit(levels, sd_N, 2).convert().coef[2] > 0.0


def test_force_made_by_stimulation_alone_has_none_of_this_noise() -> None:
    # Jones et al. [@jones-2002], from memory: electrically evoked force of the same muscle lacks the rise.
    hold = Hold(STEADY, 10.0, seed=1)
    hold.target_N[:] = 40.0
    assert hold.run(relaxed=True).max() == 0.0
    assert hold.noise.any() == np.False_


def test_pooled_variation_lies_within_one_sd_of_a_published_sample_with_and_without_sight() -> None:
    # [@baweja-2009], read: 4.47 +- 3.14 % with vision, 4.06 +- 3.11 % without, index abduction, 2-70 % of MVC.
    # Measured 2.6 % seen and 4.3 % unseen, slow wander included. The paper has sight a little worse, we have it better.
    levels = (0.02, 0.05, 0.1, 0.15, 0.3, 0.5, 0.7)
    seen = np.mean([mean_variation(level, True) for level in levels])
    unseen = np.mean([variation(wandering_N(level, seed)) for level in levels for seed in SEEDS])
    assert 0.0447 - 0.0314 < seen < 0.0447 + 0.0314
    assert 0.0406 - 0.0311 < unseen < 0.0406 + 0.0311


def test_correcting_by_sight_adds_variation_but_by_less_than_in_people() -> None:
    # [@smith-2018], grip, n = 32, read: visible feedback raises variation by 50-100 %, mostly near 1 Hz. Measured +15 %
    # (and +24 % between 0.5 and 2 Hz) on the same noise without wander: a known gap.
    for level in (0.1, 0.26, 0.5):
        assert 1.1 < mean_variation(level, True) / mean_variation(level, False) < 1.5


@pytest.mark.parametrize(
    ("from_s", "to_s", "mean", "sd", "cv_percent", "slope"),
    [
        (8, 26, 25.979, 0.368, 1.415, -0.014),
        (10, 24, 25.977, 0.349, 1.345, -0.028),
        (12, 22, 25.962, 0.324, 1.249, -0.031),
    ],
)
def test_our_figures_of_the_recorded_plateau_are_those_measured_once_before(
    recorded_trapezoid: RecordedForce, from_s: int, to_s: int, mean: float, sd: float, cv_percent: float, slope: float
) -> None:
    force, rate_Hz = recorded_trapezoid
    plateau = force[round(from_s * rate_Hz) : round(to_s * rate_Hz)]
    assert plateau.mean() == pytest.approx(mean, rel=0.005)
    assert plateau.std(ddof=1) == pytest.approx(sd, rel=0.005)
    assert 100.0 * variation(plateau) == pytest.approx(cv_percent, rel=0.005)
    assert np.polyfit(np.arange(plateau.size) / rate_Hz, plateau, 1)[0] == pytest.approx(slope, abs=0.0006)
    smooth = sosfiltfilt(butter(4, 20.0, fs=rate_Hz, output="sos"), force)
    assert variation(smooth[round(from_s * rate_Hz) : round(to_s * rate_Hz)]) == pytest.approx(
        variation(plateau), rel=0.01
    )


def test_band_shares_of_the_recorded_plateau_are_those_measured_once_before(recorded_trapezoid: RecordedForce) -> None:
    force, rate_Hz = recorded_trapezoid
    shares = band_shares(force[round(10 * rate_Hz) : round(24 * rate_Hz)], rate_Hz, (0.25, 1.0, 3.0, 7.0, 12.0, 20.0))
    assert shares == pytest.approx([0.37, 0.40, 0.14, 0.045, 0.037], rel=0.10)


def test_the_simulated_wearer_holds_26_percent_about_as_steadily_as_the_recorded_person(
    recorded_trapezoid: RecordedForce,
) -> None:
    # Recorded: CV 1.25-1.42 %, 77 % of the 0-20 Hz power below 3 Hz. Bands: CV 1-2.5 %, at least 60 % below 3 Hz.
    # Measured in simulation: CV 1.44 % unseen and 1.65 % seen, 82 and 88 % below 3 Hz. One person: a sanity check.
    force, rate_Hz = recorded_trapezoid
    plateau = force[round(10 * rate_Hz) : round(24 * rate_Hz)]
    for seen in (True, False):
        for seed in SEEDS:
            held = held_N(0.26, seed, seen)
            assert 0.01 < variation(held) < 0.025
            below_3_Hz = band_shares(held, TICK_RATE_HZ, (0.25, 3.0, 20.0))[0]
            assert below_3_Hz > 0.60
            assert below_3_Hz == pytest.approx(band_shares(plateau, rate_Hz, (0.25, 3.0, 20.0))[0], abs=0.15)
