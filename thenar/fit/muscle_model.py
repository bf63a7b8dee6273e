"""What of a muscle is fitted, in which coordinates, and its simulated force with derivatives.

Held by convention, because only products show in a force:
- `time_scale` multiplies every time constant, so it stays at the bench's default and the times are fitted.
- `fatigue_share` multiplies all three alphas, so `alpha_A_per_ms2` stays at its default.
- Current and width are the same throughout, or a recruitment curve says what each pulse fires: a share that all pulses
  have in common can't be told from `reachable_N`.

Coordinates are logarithms, but for the delay and `fatigue_share`, which may be nought, and the offset of the force
sensor. Each is held loosely at the model's default (`PRIORS`): what a recording can't tell stays there, and the
intervals of the others allow for it.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.fit.muscle_recording import Observed
from thenar.fit.muscle_run import muscle_force_N
from thenar.plant_models.muscle import muscle_params
from thenar.plant_models.settings import Muscle

DEFAULT: Final = Muscle()
OFFSET: Final = "offset_N"
SIMPSON: Final = (1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0)


class Coordinate(NamedTuple):
    """One fitted number: its key in settings.Muscle, unit, whether its logarithm is fitted, how loosely it is held.

    `loose`: SD around the default in its coordinate (log or its unit), inf for not at all; `low`, `high`: bounds in its
    unit; `difference`: step for derivatives in its coordinate.
    """

    key: str
    unit: str
    log: bool
    loose: float
    low: float
    high: float
    difference: float


PRIORS: Final = (
    Coordinate("reachable_N", "N", True, 1.5, 0.05, 200.0, 0.0),
    Coordinate("tau_c_ms", "ms", True, 0.7, 2.0, 200.0, 1e-4),
    Coordinate("km_rest", "1", True, 0.7, 0.005, 0.5, 1e-4),
    Coordinate("tau1_rest_ms", "ms", True, 0.7, 4.0, 500.0, 1e-4),
    Coordinate("tau2_ms", "ms", True, 0.7, 4.0, 500.0, 1e-4),
    Coordinate("delay_ms", "ms", False, 12.0, 0.0, 100.0, 0.02),
    Coordinate("fatigue_share", "1", False, 0.7, 0.0, 3.0, 1e-3),
    Coordinate("alpha_Km_per_ms_N", "1/(ms N)", True, 0.7, 1e-10, 1e-6, 1e-3),
    Coordinate("alpha_tau1_per_N", "1/N", True, 0.7, 1e-7, 1e-3, 1e-3),
    Coordinate("tau_fat_s", "s", True, 0.7, 5.0, 2000.0, 1e-3),
    Coordinate(OFFSET, "N", False, math.inf, -200.0, 200.0, 0.0),
)
COUNT: Final = len(PRIORS)
REACH: Final = 0
PLACE: Final = {coordinate.key: place for place, coordinate in enumerate(PRIORS)}
Vector = NDArray[np.float64]


def default_of(coordinate: Coordinate) -> float:
    """The value that a coordinate is held at, in its unit; 0 for the offset."""
    return 0.0 if coordinate.key == OFFSET else float(getattr(DEFAULT, coordinate.key))


def coordinates_of(values: Sequence[float]) -> Vector:
    """Values in their units, in the order of PRIORS, as coordinates. Shape (COUNT,)."""
    return np.array([math.log(value) if one.log else value for one, value in zip(PRIORS, values, strict=True)])


def values_of(at: Vector) -> Vector:
    """Coordinates as values in their units. Shape (COUNT,)."""
    return np.array([math.exp(x) if one.log else x for one, x in zip(PRIORS, at.tolist(), strict=True)])


CENTRE: Final = coordinates_of([default_of(one) for one in PRIORS])
LOOSE: Final = np.array([one.loose for one in PRIORS])
LOWEST: Final = coordinates_of([one.low for one in PRIORS])
HIGHEST: Final = coordinates_of([one.high for one in PRIORS])


def muscle_of(at: Vector) -> Muscle:
    """Checked settings of a muscle at coordinates."""
    held = np.clip(values_of(at), [one.low for one in PRIORS], [one.high for one in PRIORS])
    named = {one.key: float(value) for one, value in zip(PRIORS, held, strict=True) if one.key != OFFSET}
    return Muscle(**named)  # type: ignore[arg-type]


class Simulator:
    """Force of a muscle as a recording would show it, and its derivatives, a thread for each processor."""

    def __init__(self, seen: Observed, contact_ms: float) -> None:
        """`seen`: pulses and where to look; `contact_ms`: time constant of the fingertip contact, ms."""
        self._seen, self._contact_ms = seen, contact_ms
        half = 0.5 * seen.mean_ms
        looks = np.stack([seen.at_ms - half, seen.at_ms, seen.at_ms + half], axis=1).ravel()
        self._looks_ms = np.maximum.accumulate(looks) if half else seen.at_ms
        self._threads = ThreadPoolExecutor(max_workers=max(1, min(8, os.cpu_count() or 1)))

    def close(self) -> None:
        """End the threads."""
        self._threads.shutdown()

    def force_N(self, at: Vector) -> Vector:
        """Force in N at every stretch of the recording, shape (n,), at coordinates of shape (COUNT,)."""
        return self.settings_force_N(muscle_of(at)) + float(at[-1])

    def settings_force_N(self, muscle: Muscle) -> Vector:
        """As `force_N`, of settings, with no offset."""
        seen = self._seen
        force_N = muscle_force_N(
            muscle_params(muscle), muscle.delay_ms, self._contact_ms, seen.pulses_ms, seen.shares, self._looks_ms
        )
        # Simpson's rule for the mean: the model's force hardly bends within a stretch.
        return force_N.reshape(-1, 3) @ np.array(SIMPSON) if seen.mean_ms else force_N

    def with_slopes(self, at: Vector) -> tuple[Vector, NDArray[np.float64]]:
        """Force in N, shape (n,), and its derivatives by coordinate, shape (n, COUNT).

        Force is exactly proportional to `reachable_N`, whatever the fatigue; the others by one-sided differences,
        turned inwards at the upper bound.
        """
        steps = np.array([one.difference for one in PRIORS])
        steps = np.where(at + steps > HIGHEST, -steps, steps)
        moved = [place for place in range(COUNT) if steps[place]]
        points = [at, *(at + steps[place] * np.eye(COUNT)[place] for place in moved)]
        here, *others = self._threads.map(self.force_N, points)
        slopes = np.empty((here.size, COUNT))
        slopes[:, REACH] = here - at[-1]
        slopes[:, -1] = 1.0
        for place, other in zip(moved, others, strict=True):
            slopes[:, place] = (other - here) / steps[place]
        return here, slopes

    def many(self, points: Sequence[Vector]) -> list[Vector]:
        """Forces in N at several places."""
        return list(self._threads.map(self.force_N, points))
