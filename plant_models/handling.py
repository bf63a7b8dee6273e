"""Handling of the held tool: half-sine strokes that push on the fingertip or take force away."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from thenar.plant_models.settings import Handling
from thenar.shared.noise import stream
from thenar.shared.ticks import US_PER_MS, US_PER_S


def handling_N(settings: Handling, tick_us: int, count: int, seed: int, wearer: int, trial: int) -> NDArray[np.float64]:
    """Handling force in N at `count` ticks of `tick_us` us, shape (count,).

    Strokes begin at Poisson times; size and length are uniform within half of their mean either way.
    """
    forces = np.zeros(count)
    if settings.strokes_per_s <= 0.0 or settings.amplitude_N <= 0.0:
        return forces
    draws = stream(seed, wearer, trial, "handling")
    times_us = np.arange(count, dtype=np.int64) * tick_us
    start_us = 0.0
    while True:
        start_us -= US_PER_S / settings.strokes_per_s * math.log1p(-draws.random())
        length_us = settings.length_ms * US_PER_MS * (0.5 + draws.random())
        size_N = settings.amplitude_N * (0.5 + draws.random())
        size_N = -size_N if draws.random() < settings.release_share else size_N
        if start_us >= count * tick_us:
            return forces
        phase = (times_us - start_us) / length_us
        during = (phase > 0.0) & (phase < 1.0)
        forces[during] += size_N * np.sin(np.pi * phase[during])
