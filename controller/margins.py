"""Margins of a loop from its frequency response: how much gain, phase lag or delay until it oscillates for ever.

The response is that of the opened loop, L(jw) = law x body x sensor with every delay in it, as numbers on a grid of
frequencies: a delay is exact there, where a rational form of it (Pade) would not be. The closed loop is
1 / (1 + L): it oscillates for ever where L = -1.

    gain margin    1 / |L| where the phase crosses -180 degrees
    phase margin   phase + 180 degrees where |L| crosses 1
    delay margin   the phase margin as time at that frequency

Two calculations that share nothing but the numbers: `loop_margins` through the `control` library, `direct_margins`
by interpolation. Both take the loop to be stable when opened, as a body with a law that doesn't integrate is.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

FULL_TURN_DEG: Final = 360.0


class Margins(NamedTuple):
    """Margins of one loop. Infinite where there is no crossing on the grid; frequencies are then NaN.

    `gain`: the smallest factor on the loop gain at which the loop oscillates for ever, at `phase_crossover_rad_s`.
    `phase_deg` and `delay_s`: the smallest over all gain crossovers; `gain_crossover_rad_s` is that of the phase
    margin. Both are negative when the loop is unstable as it is (-inf when |L| crosses 1 beyond the grid).
    `distance`: smallest |1 + L|, no unit.
    """

    gain: float
    phase_deg: float
    delay_s: float
    phase_crossover_rad_s: float
    gain_crossover_rad_s: float
    distance: float

    @property
    def gain_dB(self) -> float:
        """The gain margin in dB; infinite when there is none."""
        return 20.0 * math.log10(self.gain) if self.gain > 0.0 else -math.inf

    @property
    def crossover_Hz(self) -> float:
        """Frequency in Hz at which |L| = 1, NaN when it never is."""
        return self.gain_crossover_rad_s / (2.0 * math.pi)

    @property
    def ultimate_period_s(self) -> float:
        """Period in s of the oscillation at the ultimate gain, NaN when there is none."""
        return 2.0 * math.pi / self.phase_crossover_rad_s

    @property
    def stable(self) -> bool:
        """Whether the loop settles as it is."""
        return self.gain > 1.0


class _Crossings(NamedTuple):
    """Gain margins with their frequencies, and gain crossovers with phase + 180 degrees (whole turns counted)."""

    gains: NDArray[np.float64]
    at_phase_rad_s: NDArray[np.float64]
    phases_deg: NDArray[np.float64]
    at_gain_rad_s: NDArray[np.float64]


def loop_margins(frequency_rad_s: ArrayLike, response: ArrayLike) -> Margins:
    """Margins through the `control` library.

    `frequency_rad_s`: shape (n,), rising, above 0, rad/s. `response`: L at each, shape (n,), complex, no unit.
    The grid must be fine enough that the phase turns by far less than half a turn from one to the next, and must begin
    before the phase reaches -180 degrees. Raises ValueError on a grid that is no grid, or numbers that are none.

    Left to itself the library reports the crossing whose margin lies closest to 1, which is a later one when the loop
    is already unstable, and it loses whole turns of phase. So all crossings are asked for, the smallest gain is taken,
    and the turns are counted from the low end of the grid.
    """
    grid, data = _checked(frequency_rad_s, response)
    if not np.any(np.abs(data) > 0.0):
        return _smallest(_Crossings(*(np.empty(0),) * 4), data)
    import control  # takes more than a second to load

    gains, phases_deg, _, at_phase, at_gain, _ = control.stability_margins(
        control.FRD(data, grid, smooth=True), returnall=True
    )
    found = _Crossings(
        *(np.atleast_1d(np.asarray(part, dtype=np.float64)) for part in (gains, at_phase, phases_deg, at_gain))
    )
    lag_deg = np.interp(found.at_gain_rad_s, grid, _phase_deg(data)) + 0.5 * FULL_TURN_DEG
    turns = np.round((lag_deg - found.phases_deg) / FULL_TURN_DEG)
    return _smallest(found._replace(phases_deg=found.phases_deg + FULL_TURN_DEG * turns), data)


def direct_margins(frequency_rad_s: ArrayLike, response: ArrayLike) -> Margins:
    """The same by straight lines between grid points, in phase and log magnitude over log frequency.

    Arguments and errors as `loop_margins`. Close to it by about the square of the grid's step in log frequency.
    """
    grid, data = _checked(frequency_rad_s, response)
    if not np.all(np.abs(data) > 0.0):
        return _smallest(_Crossings(*(np.empty(0),) * 4), data)
    along, phase_deg, size = np.log(grid), _phase_deg(data), np.log(np.abs(data))
    half = 0.5 * FULL_TURN_DEG
    gains, at_phase = [], []
    for turn in range(math.floor(float(phase_deg.min()) / FULL_TURN_DEG) - 1, 1):
        for place in _zeros(phase_deg + half - turn * FULL_TURN_DEG):
            gains.append(math.exp(-_between(size, place)))
            at_phase.append(math.exp(_between(along, place)))
    unity = _zeros(size)
    phases = [_between(phase_deg, place) + half for place in unity]
    at_gain = [math.exp(_between(along, place)) for place in unity]
    return _smallest(_Crossings(*(np.array(part) for part in (gains, at_phase, phases, at_gain))), data)


def _smallest(found: _Crossings, data: NDArray[np.complex128]) -> Margins:
    gain, at_phase = math.inf, math.nan
    if found.gains.size:
        least = int(np.argmin(found.gains))
        gain, at_phase = float(found.gains[least]), float(found.at_phase_rad_s[least])
    # Unstable with no crossover on the grid: |L| stays above 1 to its end, and the crossover lies beyond.
    none = -math.inf if gain < 1.0 else math.inf
    phase_deg, delay_s, at_gain = none, none, math.nan
    if found.phases_deg.size:
        least = int(np.argmin(found.phases_deg))
        phase_deg, at_gain = float(found.phases_deg[least]), float(found.at_gain_rad_s[least])
        delay_s = float(np.min(np.radians(found.phases_deg) / found.at_gain_rad_s))
    return Margins(gain, phase_deg, delay_s, at_phase, at_gain, float(np.min(np.abs(1.0 + data))))


def _phase_deg(data: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Phase in degrees with whole turns counted, from the first value within half a turn of 0."""
    return np.degrees(np.unwrap(np.angle(data)))


def _zeros(values: NDArray[np.float64]) -> list[float]:
    """Places (in grid steps) at which `values` crosses 0, by straight lines between the points."""
    signs = values >= 0.0
    left = np.flatnonzero(signs[:-1] != signs[1:])
    return [float(at + values[at] / (values[at] - values[at + 1])) for at in left.tolist()]


def _between(values: NDArray[np.float64], place: float) -> float:
    """`values` at a place between two grid points."""
    return float(np.interp(place, np.arange(values.size), values))


def _checked(frequency_rad_s: ArrayLike, response: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    grid = np.asarray(frequency_rad_s, dtype=np.float64)
    data = np.asarray(response, dtype=np.complex128)
    if grid.ndim != 1 or grid.size < 2 or grid.shape != data.shape:
        raise ValueError(f"frequencies and responses of one length, at least 2: shapes {grid.shape} and {data.shape}")
    if not (np.all(np.isfinite(grid)) and grid[0] > 0.0 and np.all(np.diff(grid) > 0.0)):
        raise ValueError("frequencies must be finite, rising and above 0")
    if not np.all(np.isfinite(data)):
        raise ValueError("a response that is not finite")
    return grid, data
