"""Fatigue under stimulation: order, direction, recovery, and the two-minute test of thenar units.

Model: Ding, Wexler & Binder-Macleod [@ding-2000]. Against people the published error is about 9 %
after fitting each person (same paper, read); with copied constants only order and direction are claimed.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.plant_models.body_runs import MuscleParams, muscle_at, quadriceps, train_us
from thenar.plant_models.muscle import muscle_params
from thenar.plant_models.settings import Muscle


def peaks_N(muscle: MuscleParams, rate_Hz: float, train_s: float, every_s: float, trains: int) -> np.ndarray:
    """The peak force of each of `trains` trains of `train_s` s that begin `every_s` s apart."""
    every_us = round(1e6 * every_s)
    starts_us = np.arange(trains) * every_us
    pulses_us = np.concatenate([train_us(rate_Hz, train_s, start_us) for start_us in starts_us])
    look_us = np.arange(0, trains * every_us, 1_000)
    return muscle_at(muscle, pulses_us, look_us).force_N.reshape(trains, -1).max(axis=1)


@pytest.mark.parametrize(
    ("rate_Hz", "after_10", "after_30", "after_60"),
    [(20.0, 0.78, 0.42, 0.29), (33.3, 0.74, 0.34, 0.25), (50.0, 0.73, 0.32, 0.23)],
)
def test_quadriceps_peaks_fall_as_in_another_implementation(
    rate_Hz: float, after_10: float, after_30: float, after_60: float
) -> None:
    # One second on, one off, peak over the first (other code, steps of 0.2 ms, two digits). Measured within 0.006.
    peaks = peaks_N(quadriceps(fatigue_share=1.0), rate_Hz, 1.0, 2.0, 60)
    found = peaks[[9, 29, 59]] / peaks[0]
    assert found == pytest.approx([after_10, after_30, after_60], abs=0.0075)
    assert np.all(np.diff(peaks) < 0.0)


def test_a_higher_rate_falls_further_with_the_quadriceps_constants() -> None:
    falls = [peaks_N(quadriceps(fatigue_share=1.0), rate_Hz, 1.0, 2.0, 60) for rate_Hz in (12.5, 20, 33.3, 50)]
    shares = np.array([peaks / peaks[0] for peaks in falls])
    assert np.all(np.diff(shares[:, 5:], axis=0) < 0.0)


def test_the_default_thumb_falls_at_every_rate_and_further_at_50_than_at_20_or_12_5_Hz() -> None:
    # Vromans & Faghri [@vromans-faghri-2017], read: thumb force falls at 10, 35 and 50 Hz. One minute of one
    # second on, one off; at these mild losses 33 and 50 Hz are too close to order.
    shares = []
    for rate_Hz in (12.5, 20.0, 50.0):
        peaks = peaks_N(muscle_params(Muscle()), rate_Hz, 1.0, 2.0, 60)
        shares.append(peaks[-1] / peaks[0])
        assert np.all(np.diff(peaks) < 0.0)
    assert 1.0 > shares[0] > shares[1] > shares[2]


@pytest.mark.parametrize("rate_Hz", [12.5, 40.0])
def test_every_deficit_recovers_as_one_exponential_whatever_the_history(rate_Hz: float) -> None:
    # tau_fat = 127 s (read): half of a deficit is left after 88 s. Exact once force is gone; held to 1e-6.
    muscle = muscle_params(Muscle(fatigue_share=1.0))
    settled_us = 63_000_000
    after_s = np.array([0.0, 10.0, 88.03, 127.0, 400.0])
    look_us = settled_us + np.round(after_s * 1e6).astype(np.int64)
    seen = muscle_at(muscle, train_us(rate_Hz, 60.0), look_us)
    for found, rest in (
        (seen.A, muscle.A_rest), (seen.km, muscle.km_rest), (seen.tau1_ms, muscle.tau1_rest_ms)
    ):  # fmt: skip
        deficit = (found - rest) / rest
        assert abs(deficit[0]) > 0.05
        np.testing.assert_allclose(deficit / deficit[0], np.exp(-after_s / 127.0), rtol=1e-6)
        assert deficit[2] / deficit[0] == pytest.approx(0.5, abs=1e-4)


def thenar_index(fatigue_share: float) -> float:
    """Last over first peak of 13 pulses at 40 Hz, one train per second for two minutes, everything recruited."""
    peaks = peaks_N(muscle_params(Muscle(fatigue_share=fatigue_share)), 40.0, 13 / 40.0, 1.0, 120)
    return float(peaks[-1] / peaks[0])


def test_the_default_thumb_has_the_fatigue_index_of_able_bodied_thenar_units() -> None:
    # [@thenar-units-2006], read: able-bodied units 0.85 (0.41-0.95), paralysed 0.31 (0.08-0.60), medians. The
    # default was chosen for the able-bodied median: 0.207 gives 0.850, 0.21 gives 0.848. A range, not a target to pin.
    index = thenar_index(Muscle().fatigue_share)
    assert 0.41 < index < 0.95
    assert index == pytest.approx(0.85, abs=0.01)


def test_fatigue_share_moves_the_index_through_the_published_ranges() -> None:
    # Measured: 0.95 at 0.077, 0.41 at 0.880, and the paralysed median 0.31 at 1.18 of the quadriceps rates.
    indices = [thenar_index(share) for share in (0.0, 0.077, 0.207, 0.88, 1.182)]
    assert indices == pytest.approx([1.0, 0.95, 0.85, 0.41, 0.31], abs=0.003)
