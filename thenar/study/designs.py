"""Which settings a sweep goes through: a full grid, or points drawn by Sobol's sequence or a Latin hypercube.

Sobol: scrambled (Owen's way), fills most evenly with a power of two. Latin hypercube: every axis is cut into as many
slices as there are samples, and each slice is met once. Both from scipy.stats.qmc, drawn from the seed.
"""

from __future__ import annotations

import itertools
import warnings
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from thenar.scenarios.changes import Value
from thenar.shared.errors import InputError, Problem
from thenar.study.axes import OVER, Axis

GRID: Final = "grid"
SOBOL: Final = "sobol"
LATIN_HYPERCUBE: Final = "latin-hypercube"
DESIGNS: Final = (GRID, SOBOL, LATIN_HYPERCUBE)
MOST_SETTINGS: Final = 100_000

Setting = Mapping[str, Value]


def settings_in(axes: Sequence[Axis], design: str, samples: int | None, seed: int) -> list[Setting]:
    """The settings of a design, each a value by key path; in a grid the last axis moves fastest.

    `samples`: how many to draw (None for a grid); `seed`: of the draws (no unit). Raises InputError.
    """
    if not axes:
        raise InputError([Problem(OVER, "", "nothing", "at least one KEY=LOW:HIGH:N")])
    if design == GRID:
        if samples is not None:
            allowed = "none: the points of a grid are counted in KEY=LOW:HIGH:N (--design sobol takes samples)"
            raise InputError([Problem("--samples", "", str(samples), allowed)])
        return _grid(axes)
    if samples is None or not 1 <= samples <= MOST_SETTINGS:
        found = "nothing" if samples is None else str(samples)
        allowed = f"a whole number from 1 to {MOST_SETTINGS}, how many settings to draw"
        raise InputError([Problem("--samples", "", found, allowed)])
    return _drawn(axes, design, samples, seed)


def _grid(axes: Sequence[Axis]) -> list[Setting]:
    count = 1
    for axis in axes:
        count *= len(axis.listed) if axis.span is None else axis.span.points or 1
    if count > MOST_SETTINGS:
        raise InputError([Problem(OVER, "", f"a grid of {count} settings", f"at most {MOST_SETTINGS}")])
    keys = [axis.key for axis in axes]
    return [dict(zip(keys, values, strict=True)) for values in itertools.product(*(axis.grid() for axis in axes))]


def _drawn(axes: Sequence[Axis], design: str, samples: int, seed: int) -> list[Setting]:
    from scipy.stats import qmc

    draws = np.random.default_rng(seed)
    sampler = (qmc.Sobol if design == SOBOL else qmc.LatinHypercube)(len(axes), seed=draws)
    with warnings.catch_warnings():
        # Sobol's balance needs a power of two; the command says so in its help.
        warnings.filterwarnings("ignore", message="The balance properties", category=UserWarning)
        points = sampler.random(samples).tolist()
    return [{axis.key: axis.at(share) for axis, share in zip(axes, point, strict=True)} for point in points]
