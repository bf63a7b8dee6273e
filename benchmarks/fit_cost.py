"""What fits of ten minutes at 1 kHz cost: `python -m benchmarks.fit_cost`, on the recordings of the recovery tests."""

from __future__ import annotations

import os
import time
from collections.abc import Callable

import numpy as np

from tests.thenar import estimator_recordings, muscle_recordings
from thenar.fit.estimator import fit_estimator
from thenar.fit.found import Fit
from thenar.fit.muscle import fit_muscle
from thenar.fit.recording import Recording

MINUTES = 10.0
TRUTHS = 3
TRAINS = 392
"""One-second trains of the fatigue run that make the muscle's recording ten minutes long."""


def measure() -> str:
    """Two lines, seconds of wall clock for each drawn truth, and how busy the machine was."""
    return f"{_estimator()}\n{_muscle()}\nload average of the last minute: {os.getloadavg()[0]:.1f}"


def _estimator() -> str:
    truths = [estimator_recordings.drawn_truth(seed) for seed in range(TRUTHS)]
    files = [estimator_recordings.recorded(truth, MINUTES, seed) for seed, truth in enumerate(truths)]
    fit_estimator(files[0])  # compiled before the clock runs
    return f"fit estimator, {MINUTES:.0f} min at 1 kHz: {_times(fit_estimator, files)}"


def _muscle() -> str:
    files = []
    for seed in range(TRUTHS):
        rng = np.random.default_rng(seed)
        muscle = muscle_recordings.drawn_muscle(rng)
        noise = muscle_recordings.drawn_noise(rng, muscle.reachable_N)
        pulses_ms = muscle_recordings.protocol_ms(trains=TRAINS)
        files.append(muscle_recordings.simulated(muscle, noise, rng, pulses_ms, 1000.0))
    minutes = max(float(file.columns["t_s"][-1]) for file in files) / 60
    return f"fit muscle, {minutes:.1f} min at 1 kHz: {_times(fit_muscle, files)}"


def _times(fit: Callable[[Recording], Fit], files: list[Recording]) -> str:
    took = []
    for file in files:
        begun = time.perf_counter()
        fit(file)
        took.append(f"{time.perf_counter() - begun:.1f}")
    return f"{', '.join(took)} s"


if __name__ == "__main__":
    print(measure())
