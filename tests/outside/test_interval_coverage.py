"""How often a 95 % interval of a mean over wearers holds the mean that the wearers were drawn from.

The truth is the distribution's own mean, known without any program. Normal data: 95 %, within what so many draws leave
open. Skewed and heavy-tailed data: printed, and held against Student's t on the same draws ([@efron-tibshirani-1993],
12.5, from memory: the bootstrap-t follows skew, the plain t doesn't).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from thenar.study.resampled import mean_interval

Draw = Callable[[np.random.Generator, tuple[int, int]], NDArray[np.float64]]
DRAWS: dict[str, tuple[Draw, float]] = {
    "normal": (lambda rng, shape: rng.normal(size=shape), 0.0),
    "exponential": (lambda rng, shape: rng.exponential(size=shape), 1.0),
    "lognormal, sigma 1": (lambda rng, shape: rng.lognormal(size=shape), math.exp(0.5)),
    "Student's t, 3 degrees": (lambda rng, shape: rng.standard_t(3, size=shape), 0.0),
}
SIZES = (5, 8, 12, 20)


def coverage(kind: str, size: int, draws: int, seed: int) -> tuple[float, float]:
    """Share of intervals that hold the mean: thenar's, and Student's t on the same draws."""
    draw, mean = DRAWS[kind]
    data = draw(np.random.default_rng(seed), (draws, size))
    held = 0
    for number, row in enumerate(data):
        found = mean_interval(row, number, resamples=999)
        held += found.low <= mean <= found.high
    plain = stats.ttest_1samp(data, mean, axis=1).pvalue >= 0.05
    return held / draws, float(plain.mean())


def test_normal_data_are_held_as_often_as_the_interval_says() -> None:
    seed = int(np.random.SeedSequence().generate_state(1)[0])
    print(f"seed {seed}")
    for size in (5, 12):
        held, plain = coverage("normal", size, 600, seed)
        print(f"n = {size}: {100 * held:.1f} %, Student's t {100 * plain:.1f} %")
        assert 0.91 < held < 0.985  # four standard errors of 600 draws about 95 %


@pytest.mark.campaign
@pytest.mark.parametrize("kind", DRAWS)
def test_coverage_over_4000_draws_in_each_cell(kind: str) -> None:
    seed = int(np.random.SeedSequence().generate_state(1)[0])
    print(f"seed {seed}")
    for size in (4, *SIZES, 30):
        held, plain = coverage(kind, size, 4_000, seed)
        print(f"{kind}, n = {size}: {100 * held:.1f} %, Student's t {100 * plain:.1f} %")
        if kind == "normal":
            assert 0.93 <= held <= 0.97
        if size in SIZES and kind in {"exponential", "lognormal, sigma 1"}:
            assert held > plain
