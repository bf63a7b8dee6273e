"""A recording's estimator, fitted and simulated again over the same force: are its errors those of the recording."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from tests.thenar.estimator_recordings import FORCE_HZ, Read, joined, pinching, read_by
from thenar.fit.estimator import fit_estimator
from thenar.plant_models.settings import Estimator

EDGES_N = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0)
LEAST_S = 15.0


class Circle(NamedTuple):
    """Simulated over recorded: mean absolute errors by force level, the farthest from 1, correlation time."""

    levels: tuple[float, ...]
    worst_level: float
    correlation: float


def level_errors(read: Read) -> np.ndarray:
    """Mean absolute error (N) at the sample by force level, NaN where there is too little."""
    error = np.abs(read.estimate_N - read.force_N)
    gap_s = float(np.median(np.diff(read.arrives_s)))
    found = []
    for low, high in pairwise(EDGES_N):
        inside = (read.force_N >= low) & (read.force_N < high)
        found.append(error[inside].mean() if inside.sum() * gap_s > LEAST_S else np.nan)
    return np.array(found)


def correlation_s(read: Read) -> float:
    """Where the autocorrelation of the error, less its mean by force level, falls below 1 / e, in s."""
    error = read.estimate_N - read.force_N
    place = np.digitize(read.force_N, np.arange(0.0, 31.0, 1.0))
    for level in np.unique(place):
        error[place == level] -= error[place == level].mean()
    gap_s = float(np.median(np.diff(read.arrives_s)))
    square = float(np.mean(error * error))
    before = 1.0
    for lag in range(1, error.size // 4):
        now = float(np.mean(error[lag:] * error[:-lag])) / square
        if now < 1.0 / np.e:
            return gap_s * (lag - 1 + (before - 1.0 / np.e) / (before - now))
        before = now
    return float("nan")


def circle(seed: int, minutes: float, again: int) -> Circle:
    """Draw a glove, record it, fit it, simulate the fit `again` times over the same force."""
    draws = np.random.default_rng([seed, 21])
    truth = Estimator(
        latency_ms=draws.uniform(60.0, 250.0),
        true_N=(0.0, 10.0, 20.0, 30.0),
        reads_N=(
            draws.uniform(0.0, 1.5),
            draws.uniform(7.0, 11.0),
            draws.uniform(13.0, 18.0),
            draws.uniform(18.0, 26.0),
        ),
        noise_floor_N=draws.uniform(0.15, 0.5),
        noise_share=draws.uniform(0.02, 0.1),
        noise_tau_ms=draws.uniform(60.0, 300.0),
        jitter_ms=draws.uniform(0.5, 3.0),
        latency_jitter_ms=draws.uniform(2.0, 8.0),
    )
    force = pinching(minutes, seed)
    original = read_by(truth, force, seed)
    fit = fit_estimator(joined(np.arange(force.size) / FORCE_HZ, force, original), seed=seed)
    anew = [read_by(Estimator(**fit.table), force, 1000 + seed * 100 + one) for one in range(again)]
    levels = np.mean([level_errors(one) for one in anew], axis=0) / level_errors(original)
    times = float(np.mean([correlation_s(one) for one in anew])) / correlation_s(original)
    some = levels[np.isfinite(levels)]
    return Circle(tuple(np.round(levels, 3)), float(np.abs(some - 1.0).max()), times)
