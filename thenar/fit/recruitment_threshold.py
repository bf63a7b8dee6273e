"""The motor threshold from noted responses: where a contraction was seen, and where not.

Force alone tells the current of half recruitment, the product of motor threshold and `median_over_motor`. A response
is seen with probability Phi(log(current / threshold) / jitter); the jitter of seeing lies anywhere from 1 to 20 %
(assumed, flat in its logarithm). Between the highest current without and the lowest with a response the likelihood is
flat, so intervals are the middle 95 % of its mass (flat in the logarithm of the threshold), not a rise from a peak.
Chronaxie and half recruitment come in with the uncertainty that the forces leave them.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from scipy.special import log_ndtr, logsumexp
from scipy.stats import t as student

from thenar.fit.recruitment_likelihood import Place, threshold_factors
from thenar.fit.recruitment_profile import CHRONAXIE_US, CONFIDENCE, Staircase, covariance
from thenar.fit.recruitment_steps import Floats, Responses

JITTERS: Final = np.geomspace(0.01, 0.2, 6)
NODES: Final = 15
GRID: Final = 400
BEYOND: Final = 0.5
"""How far beyond the noted currents a threshold is sought, in log current."""
DRAWS: Final = 400


class Found(NamedTuple):
    """Draws of equal weight, shape (n,): motor threshold at the reference width, and the model's parameters."""

    threshold_mA: Floats
    rheobase_mA: Floats
    chronaxie_us: Floats
    median_over_motor: Floats


def bracketed(responses: Responses) -> bool:
    """Whether steps with and without a response were noted."""
    return bool(responses.seen.any() and not responses.seen.all())


def thresholds(staircase: Staircase, best: Floats, responses: Responses, seed: int) -> Found:
    """What the responses say of the motor threshold, beside the best point (6,) of the forces."""
    random = np.random.default_rng(seed)
    spread = covariance(staircase, best)
    chronaxie_sd = math.sqrt(max(0.0, spread[Place.CHRONAXIE, Place.CHRONAXIE]))
    pull = spread[Place.HALF, Place.CHRONAXIE] / chronaxie_sd if chronaxie_sd > 0.0 else 0.0
    half_sd = math.sqrt(max(0.0, spread[Place.HALF, Place.HALF] - pull * pull))
    count = NODES if chronaxie_sd > 0.0 else 1
    nodes = student.ppf((np.arange(count) + 0.5) / count, staircase.left_over)
    weights, logs = np.empty(count), []
    for place, node in enumerate(nodes):
        chronaxie_us = _chronaxie_us(best, node * chronaxie_sd)
        grid, mass = _mass(responses, chronaxie_us, staircase.reference_us)
        weights[place] = logsumexp(mass)
        logs.append(_drawn(grid, mass, random))
    chosen = random.choice(count, size=count * DRAWS, p=np.exp(weights - logsumexp(weights)))
    log_threshold = np.array(logs)[chosen, random.integers(0, DRAWS, chosen.size)]
    log_half = best[Place.HALF] + pull * nodes[chosen] + half_sd * student.rvs(
        staircase.left_over, size=chosen.size, random_state=random
    )  # fmt: skip
    chronaxies_us = np.array([_chronaxie_us(best, node * chronaxie_sd) for node in nodes])
    factors = np.array([factor_at(chronaxie_us, staircase.reference_us) for chronaxie_us in chronaxies_us])
    threshold_mA = np.exp(log_threshold)
    return Found(threshold_mA, threshold_mA / factors[chosen], chronaxies_us[chosen], np.exp(log_half - log_threshold))


def middle(draws: Floats) -> tuple[float, float, float]:
    """Median and the ends of the middle 95 % of draws."""
    tail = 0.5 * (1.0 - CONFIDENCE)
    low, median, high = (float(value) for value in np.quantile(draws, (tail, 0.5, 1.0 - tail)))
    return median, low, high


def _chronaxie_us(best: Floats, shift: float) -> float:
    return float(min(max(math.exp(best[Place.CHRONAXIE] + shift), CHRONAXIE_US[0]), CHRONAXIE_US[1]))


def factor_at(chronaxie_us: float, width_us: float) -> float:
    """Motor threshold over rheobase at a width in us, by the model."""
    factor = np.empty(1)
    threshold_factors(chronaxie_us, np.array([width_us]), factor)
    return float(factor[0])


def _mass(responses: Responses, chronaxie_us: float, reference_us: float) -> tuple[Floats, Floats]:
    """Log thresholds at the reference width, shape (GRID,), and the log of the likelihood over all jitters at each."""
    pulsed = responses.current_mA > 0.0
    factor = np.empty(int(pulsed.sum()))
    threshold_factors(chronaxie_us, np.ascontiguousarray(responses.width_us[pulsed]), factor)
    log_mA = np.log(responses.current_mA[pulsed] / factor * factor_at(chronaxie_us, reference_us))
    side = np.where(responses.seen[pulsed], 1.0, -1.0)
    grid = np.linspace(log_mA.min() - BEYOND, log_mA.max() + BEYOND, GRID)
    over = side * (log_mA - grid[:, None])
    by_jitter = np.array([log_ndtr(over / jitter).sum(axis=1) for jitter in JITTERS])
    return grid, logsumexp(by_jitter, axis=0)


def _drawn(grid: Floats, mass: Floats, random: np.random.Generator) -> Floats:
    """DRAWS log thresholds from the mass on an even grid, spread evenly between its points."""
    share = np.exp(mass - logsumexp(mass))
    step = grid[1] - grid[0]
    return np.asarray(random.choice(grid, size=DRAWS, p=share) + step * (random.random(DRAWS) - 0.5))
