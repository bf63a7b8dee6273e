"""Sensitivity indices of any function of ranges: SALib's designs and reckoning, guarded where it stays silent.

- One output that isn't a number makes the library give zeros for every index: such an output is an error here.
- Outputs that are all the same give no indices (nothing varies, so nothing has a share): an error too.
- The library takes seed 0 for "no seed": it is never given 0.

Sobol: first-order index (share of the variance that the key has alone) and total index (share that goes when the key is
held still, all its interactions included); [@saltelli-2010].
Morris: mean of absolute elementary effects (mu*), their mean (mu) and SD (sigma: curvature or interaction);
[@morris-1991] [@campolongo-2007].
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.study.ranges import Range

METHODS: Final = ("sobol", "morris")
LEVEL: Final = 0.95
RESAMPLES: Final = 1_000
LEVELS: Final = 4
"""Grid levels of Morris paths, the number that his paper uses."""

Floats = NDArray[np.float64]


class Index(NamedTuple):
    """One key's index: `value` and half the width of its 95 % interval `half` (Morris: in the measure's unit)."""

    value: float
    half: float


class KeyIndices(NamedTuple):
    """What hangs on one key. Sobol: `first` and `total`. Morris: `first` is mu, `total` is mu*, `sigma` their SD.

    `first.half` is NaN for Morris, where no interval of mu is given; `sigma` is NaN for Sobol.
    """

    key: str
    first: Index
    total: Index
    sigma: float


class NotMeasurableError(Exception):
    """Outputs that no index can be made from; the text says why, `sample` is the first at fault (-1: all of them)."""

    def __init__(self, why: str, sample: int = -1) -> None:
        super().__init__(why)
        self.sample = sample


def sample_count(method: str, keys: int, samples: int) -> int:
    """How many points a design has: samples x (keys + 2) for Sobol, samples x (keys + 1) for Morris."""
    return samples * (keys + (2 if method == "sobol" else 1))


def design(method: str, ranges: Sequence[Range], samples: int, seed: int) -> Floats:
    """Points to run, shape (sample_count, keys), each coordinate a share (0 to 1) of its key's range: `values_at`.

    `samples`: a power of two for Sobol (raises ValueError on another), paths for Morris.
    """
    problem = _problem(ranges)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if method == "sobol":
            from SALib.sample import sobol

            if samples & (samples - 1):
                raise ValueError("a power of two")
            points = sobol.sample(problem, samples, calc_second_order=False, seed=_never_0(seed))
        else:
            from SALib.sample import morris

            points = morris.sample(problem, samples, num_levels=LEVELS, seed=_never_0(seed))
    return np.asarray(points, dtype=np.float64)


def values_at(ranges: Sequence[Range], point: Floats) -> dict[str, float]:
    """The values at one point of a design (shape (keys,)) by key, each in its own unit."""
    return {one.key: one.plain(one.at(float(share))) for one, share in zip(ranges, point, strict=True)}


def indices_of(
    method: str, ranges: Sequence[Range], points: Floats, outputs: Sequence[float] | Floats, seed: int
) -> list[KeyIndices]:
    """Indices of every key, in the order of `ranges`, from the outputs at the points of `design` (shape (points,)).

    Raises NotMeasurableError where an output isn't a finite number, or where all of them are the same.
    """
    numbers = np.asarray(outputs, dtype=np.float64)
    wrong = np.flatnonzero(~np.isfinite(numbers))
    if len(wrong):
        why = f"{len(wrong)} of {len(numbers)} outputs are not finite numbers"
        raise NotMeasurableError(why, int(wrong[0]))
    spread, size = float(np.ptp(numbers)), float(np.max(np.abs(numbers)))
    if spread <= 1e-12 * size or spread == 0.0:
        raise NotMeasurableError(f"all {len(numbers)} outputs are the same, {numbers[0]:g}")
    problem = _problem(ranges)
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        found = _sobol(problem, numbers, seed) if method == "sobol" else _morris(problem, points, numbers, seed)
    for one in found:
        if not math.isfinite(one.total.value) or not math.isfinite(one.first.value):
            raise NotMeasurableError(f"no index comes out for {one.key}")
    return found


def _sobol(problem: dict[str, Any], outputs: Floats, seed: int) -> list[KeyIndices]:
    from SALib.analyze import sobol

    answer = sobol.analyze(
        problem, outputs, calc_second_order=False, num_resamples=RESAMPLES, conf_level=LEVEL, seed=_never_0(seed)
    )
    return [
        KeyIndices(
            key,
            Index(float(answer["S1"][place]), float(answer["S1_conf"][place])),
            Index(float(answer["ST"][place]), float(answer["ST_conf"][place])),
            math.nan,
        )
        for place, key in enumerate(problem["names"])
    ]


def _morris(problem: dict[str, Any], points: Floats, outputs: Floats, seed: int) -> list[KeyIndices]:
    """Effects per whole range of a key, so that keys of different units can be held against each other."""
    from SALib.analyze import morris

    answer = morris.analyze(
        problem, points, outputs, conf_level=LEVEL, num_levels=LEVELS, num_resamples=RESAMPLES, seed=_never_0(seed)
    )
    return [
        KeyIndices(
            key,
            Index(float(answer["mu"][place]), math.nan),
            Index(float(answer["mu_star"][place]), float(answer["mu_star_conf"][place])),
            float(answer["sigma"][place]),
        )
        for place, key in enumerate(problem["names"])
    ]


def _problem(ranges: Sequence[Range]) -> dict[str, Any]:
    """The design is made in shares of each range (0 to 1), so that a logarithmic one needs no care of the library."""
    return {"num_vars": len(ranges), "names": [one.key for one in ranges], "bounds": [[0.0, 1.0]] * len(ranges)}


def _never_0(seed: int) -> int:
    return seed % (2**32 - 1) + 1
