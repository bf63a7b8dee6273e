"""Help and harm over force and error of the estimate, and at which force a given sensor starts to do harm.

A sensor's map: at each force its noise and its bias are scaled by one factor until its mean absolute error is the
row's; its latency stays as it is. A sensor with neither gets plain noise. A sensor's own curve is its mean absolute
error at each force. Each sensor has its own map, because the mixture decides: as large a mean error does far more harm
as a reading that is too low than as noise. Whether a sensor helps at a force isn't read off the map but run.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.plant_models.settings import Estimator
from thenar.scenarios.fitted import read_fitted
from thenar.shared.errors import InputError, Problem
from thenar.study.breakeven import Bench
from thenar.study.breakeven_sensors import errs, mean_abs_error_N, most_factor, scaled
from thenar.study.crossing import Crossing, crossing, mean_interval
from thenar.study.resampled import Interval

FORCES: Final = 14
ROWS: Final = 18
LARGEST_SHARE: Final = 0.8
"""The largest error of the map, as a share of its largest force."""
_FACTORS: Final = 60
_NOISES_N: Final = 40.0

Floats = NDArray[np.float64]


class Cell(NamedTuple):
    """One place of the map: mean over wearers of the difference in N with its interval; None: no such sensor."""

    force_N: float
    error_N: float
    difference_N: Interval | None


class OwnCurve(NamedTuple):
    """A sensor along forces: mean absolute error in N (forces,), what assistance with it makes of the wearers' error.

    `harms_from`: the crossing along force, in N.
    """

    name: str
    forces_N: Floats
    errors_N: Floats
    differences_N: tuple[Interval, ...]
    harms_from: Crossing


def forces_of(levels_N: Sequence[float], weakest_N: float) -> Floats:
    """The forces in N of the map: from half the lowest level to a third above the highest, shape (FORCES,).

    `weakest_N`: the weakest wearer's maximum, of which nine tenths are never passed.
    """
    highest = min(max(max(levels_N) * 4.0 / 3.0, min(levels_N)), 0.9 * weakest_N)
    return np.round(np.linspace(0.5 * min(levels_N), highest, FORCES), 3)


def errors_of(forces_N: Floats) -> Floats:
    """The errors in N of the map's rows, closer together where they are small, shape (ROWS,)."""
    return np.asarray(LARGEST_SHARE * float(forces_N[-1]) * (np.arange(ROWS) / (ROWS - 1.0)) ** 1.5)


def map_of(bench: Bench, sensor: Estimator, forces_N: Floats, errors_N: Floats) -> Iterator[Cell]:
    """Every cell of a sensor's map, force by force. Raises as `break_even` does."""
    sizes = _sizes(sensor)
    ladder = np.array([mean_abs_error_N(_made(sensor, size), forces_N, bench.seed) for size in sizes])
    for column, force in enumerate(forces_N.tolist()):
        for error in errors_N.tolist():
            size = _size_with(ladder[:, column], sizes, error)
            if math.isnan(size):
                yield Cell(force, error, None)
            else:
                yield Cell(force, error, mean_interval(bench.tried(force, _made(sensor, size)).differences_N))


def scales_its_own(sensor: Estimator) -> bool:
    """Whether the map's errors are the sensor's own, scaled; if not they are plain noise."""
    return errs(sensor, late=False)


def _made(sensor: Estimator, size: float) -> Estimator:
    """The map's sensor with errors of a size: a factor, or for a sensor with neither noise nor bias an SD in N."""
    if scales_its_own(sensor):
        return scaled(sensor, size, late=False)
    return sensor.model_copy(update={"noise_floor_N": size, "noise_share": 0.0})


def _sizes(sensor: Estimator) -> list[float]:
    largest = most_factor(sensor, late=False) if scales_its_own(sensor) else _NOISES_N
    sizes: list[float] = (largest * np.linspace(0.0, 1.0, _FACTORS) ** 2).tolist()
    return sizes


def _size_with(reached_N: Floats, sizes: Sequence[float], error_N: float) -> float:
    """The size whose mean absolute error is `error_N`, NaN when none is. `reached_N`: that of each size, (sizes,)."""
    if error_N <= reached_N[0]:
        return sizes[0]
    beyond = np.flatnonzero(reached_N >= error_N)
    if not beyond.size:
        return math.nan
    place = int(beyond[0])
    share = float((error_N - reached_N[place - 1]) / (reached_N[place] - reached_N[place - 1]))
    return sizes[place - 1] + share * (sizes[place] - sizes[place - 1])


def own_curve(bench: Bench, name: str, sensor: Estimator, forces_N: Floats) -> Iterator[OwnCurve | None]:
    """None after each force, the curve at the end."""
    differences = []
    for force in forces_N.tolist():
        differences.append(mean_interval(bench.tried(force, sensor).differences_N))
        yield None
    along = crossing(lambda force: bench.tried(force, sensor).differences_N, forces_N.tolist())
    errors_N = mean_abs_error_N(sensor, forces_N, bench.seed)
    yield OwnCurve(name, forces_N, errors_N, tuple(differences), along)


def fitted_sensor(path: Path) -> tuple[str, Estimator]:
    """Title and sensor of a fitted file; what the fit leaves open has thenar's default. Raises InputError."""
    fitted = read_fitted(path)
    if fitted.part_of != "estimator":
        found = f"a fit of {fitted.kind}, part of the {fitted.part_of}"
        raise InputError([Problem(str(path), "part_of", found, "a fitted estimator")])
    return fitted.title, Estimator(**dict(fitted.values))
