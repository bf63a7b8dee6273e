"""Staircases of evoked force made from the documents alone (docs/models.md): nothing of thenar is imported.

Right ones: force = maximum * Phi(log(current / half(width)) / spread), half(width) = product * (1 + chronaxie / width),
noise of SD floor + growth * force. Wrong ones: force that falls at high currents, or a second muscle that joins.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

Columns = dict[str, NDArray[np.float64]]
WRONG: Final = ("falls", "joins")


def staircase(rng: np.random.Generator, wrong: str = "") -> Columns:
    """A session of one drawn person. `wrong`: one of WRONG, or "" for the documents' own curve."""
    widths_us = np.repeat(rng.choice([[200.0], [100.0, 200.0, 400.0]][int(rng.random() < 0.6)], 3), 1)
    widths_us = np.unique(widths_us)
    steps, repeats = int(rng.integers(14, 22)), int(rng.choice([1, 1, 2]))
    product_mA, chronaxie_us = rng.uniform(4.0, 12.0), rng.uniform(150.0, 500.0)
    spread, maximum_N = rng.uniform(0.15, 0.35), rng.uniform(8.0, 40.0)
    floor_N, growth = rng.uniform(0.002, 0.01) * maximum_N, rng.uniform(0.01, 0.04)
    over = np.exp(np.linspace(-2.6, 2.8, steps) * spread)
    width_us = np.repeat(widths_us, steps * repeats)
    half_mA = product_mA * (1.0 + chronaxie_us / width_us)
    current_mA = half_mA * np.tile(np.repeat(over, repeats), widths_us.size)
    reached = np.log(current_mA / half_mA) / spread
    force_N = maximum_N * norm.cdf(reached)
    if wrong == "falls":
        force_N *= 1.0 - rng.uniform(0.25, 0.5) * np.clip(reached - 1.0, 0.0, 1.5) / 1.5
    elif wrong == "joins":
        force_N = maximum_N * (0.5 * norm.cdf(reached + 1.5, scale=0.4) + 0.5 * norm.cdf(reached - 1.3, scale=0.4))
    force_N = force_N + (floor_N + growth * force_N) * rng.standard_normal(force_N.size)
    order = rng.permutation(force_N.size)
    return {"current_mA": current_mA[order], "width_us": width_us[order], "force_N": force_N[order]}
