"""How often an estimator is re-seated and how large its jumps are, with small jumps that no search finds allowed for.

A jump counts as found when its chi-square exceeds a threshold; the chance of that, at each size and each jump's own
precision, is a mean over angles. The likelihood of the found ones is divided by it.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.stats import poisson

from thenar.fit.estimator_bursts import FEWEST_BURSTS, most_per_min
from thenar.fit.estimator_curve import KEPT_CHI2

Numbers = NDArray[np.float64]
Told = tuple[float, float, float]

OFFSETS_N: Final = np.geomspace(0.05, 20.0, 40)
GAINS: Final = np.geomspace(0.005, 1.0, 36)
ANGLES: Final = (np.arange(24) + 0.5) * math.pi / 24
CUT: Final = 1.9207
LEAST_CHANCE: Final = 0.25
NOTHING: Final = (math.nan, math.nan, math.nan)


class JumpSizes(NamedTuple):
    """Jumps per minute, SD of offsets (N) and of gain errors: (value, low, high); `found`: how many were found.

    `chance`: of a jump to be found.
    """

    found: int
    per_min: Told
    offset_sd_N: Told
    gain_sd: Told
    chance: float


def jump_sizes(offset_N: Numbers, gain: Numbers, blocks: Numbers, long_min: float) -> JumpSizes:
    """From found jumps, shape (k,) each, and their covariances `blocks` (k, 2, 2)."""
    count = int(offset_N.size)
    if count < FEWEST_BURSTS:
        return JumpSizes(count, (0.0, 0.0, most_per_min(count, long_min)), NOTHING, NOTHING, math.nan)
    both = np.stack([offset_N, gain], axis=1)
    told = np.empty((OFFSETS_N.size, GAINS.size))
    chances = np.empty_like(told)
    for i, offset_sd in enumerate(OFFSETS_N):
        for j, gain_sd in enumerate(GAINS):
            told[i, j], chances[i, j] = _likelihood(both, blocks, offset_sd, gain_sd)
    # A chance near zero would explain anything: sizes that a search could hardly find are no explanation of found ones.
    told = np.where(chances >= LEAST_CHANCE, told, -1e9)
    place = np.unravel_index(int(np.argmax(told)), told.shape)
    cut = CUT * (1.0 + 1.0 / (2.0 * count))
    chance = float(chances[place])
    low, high = _rate_ends(count)
    return JumpSizes(
        count,
        (count / chance / long_min, low / chance / long_min, high / chance / long_min),
        _ends(OFFSETS_N, told.max(axis=1), cut),
        _ends(GAINS, told.max(axis=0), cut),
        chance,
    )


def _likelihood(both: Numbers, blocks: Numbers, offset_sd: float, gain_sd: float) -> tuple[float, float]:
    """Log likelihood of found jumps of these SDs, and the mean chance of such a jump to be found."""
    seen = blocks + np.diag([offset_sd**2, gain_sd**2])
    inverse, size = np.linalg.inv(seen), np.linalg.det(seen)
    fit = -0.5 * np.einsum("ki,kij,kj->k", both, inverse, both) - 0.5 * np.log(size)
    # chi-square = r^2 (a cos^2 + b sin^2), with a, b the eigenvalues of C^-1 (C + sizes) and r^2 exponential of mean 2.
    trace = np.einsum("kij,kji->k", np.linalg.inv(blocks), seen)
    product = size / np.linalg.det(blocks)
    root = np.sqrt(np.maximum(0.0, 0.25 * trace**2 - product))
    first, second = 0.5 * trace + root, np.maximum(1e-12, 0.5 * trace - root)
    mixed = first[:, None] * np.cos(ANGLES) ** 2 + second[:, None] * np.sin(ANGLES) ** 2
    chance = np.maximum(1e-12, np.mean(np.exp(-0.5 * KEPT_CHI2 / mixed), axis=1))
    return float(np.sum(fit - np.log(chance))), float(np.mean(chance))


def _ends(values: Numbers, told: Numbers, cut: float) -> Told:
    best = int(np.argmax(told))
    inside = np.flatnonzero(told >= told[best] - cut)
    low, high = int(inside[0]), int(inside[-1])
    ends = []
    for edge, beyond in ((low, low - 1), (high, high + 1)):
        if 0 <= beyond < values.size:
            share = (told[edge] - told[best] + cut) / (told[edge] - told[beyond])
            ends.append(float(np.exp(np.log(values[edge]) + share * (np.log(values[beyond]) - np.log(values[edge])))))
        else:
            ends.append(float(values[edge]))
    return float(values[best]), ends[0], ends[1]


def _rate_ends(count: int) -> tuple[float, float]:
    """Means at which `count` events are just not odd (mid-P, 2.5 % on each side)."""
    means = np.linspace(1e-3, 20.0 + 5.0 * count, 20_000)
    below = poisson.cdf(count - 1, means) + 0.5 * poisson.pmf(count, means)
    inside = means[(below >= 0.025) & (below <= 0.975)]
    return float(inside[0]), float(inside[-1])
