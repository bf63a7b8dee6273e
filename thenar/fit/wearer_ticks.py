"""A recording of target and force on the ticks of a wearer's control, with what of it can be compared with the model.

Compared is where the target has rested for a second: how people rise to a new target is no part of the model. The force
is taken at most 33 times a second, so that what lies above 17 Hz (the sensor's own filter, mains) decides little.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d
from scipy.signal import filtfilt, firwin

from thenar.fit.recording import Recording, Series
from thenar.plant_models.wearer import NEW_TARGET_N_PER_S
from thenar.shared.errors import InputError, Problem
from thenar.shared.ticks import US_PER_S

TICK_US: Final = 10_000
TICK_RATE_HZ: Final = US_PER_S / TICK_US
COMPARED_HZ: Final = 100.0 / 3.0
SLOWEST_HZ: Final = 10.0
LONGEST_GAP_S: Final = 0.25
SETTLING_S: Final = 1.0
LEAST_STEADY_S: Final = 5.0
LONGEST_S: Final = 4.0 * 3600.0
RESTING_SHARE: Final = 0.02
"""A target of no more than this share of the highest one is rest."""
STILL_SHARE: Final = 0.005
"""A target that moves by no more than this share of the highest one within a second rests."""
FILTER_HZ: Final = 40.0


class Ticks(NamedTuple):
    """The recording on ticks of 10 ms, all of shape (ticks,) but the last three.

    `target_N`, `force_N` (gaps filled), `shown` (0 or 1); `steady`: where a target rests; `used`: 1 where force is
    compared there; `begins`: number of the production whose target begins there, else -1; `production`: the one that is
    on; `unseen_again`: 1 where sight of the own force ends; `begins_s`: time of the first tick in the recording, s;
    `from_memory`: whether a production begins without sight of the own force, shape (productions,); `rate_Hz`: of the
    recording.
    """

    target_N: NDArray[np.float64]
    force_N: NDArray[np.float64]
    shown: NDArray[np.float64]
    steady: NDArray[np.bool_]
    used: NDArray[np.float64]
    begins: NDArray[np.int64]
    production: NDArray[np.int64]
    unseen_again: NDArray[np.float64]
    begins_s: float
    from_memory: NDArray[np.bool_]
    rate_Hz: float

    def holds(self) -> list[NDArray[np.int64]]:
        """Ticks of each stretch of one production that is compared."""
        kept = np.flatnonzero(self.steady)
        cut = np.flatnonzero((np.diff(kept) > 1) | (np.diff(self.production[kept]) != 0)) + 1
        return [part for part in np.split(kept, cut) if part.size]


def refused(recording: Recording, key: str, found: str, allowed: str) -> InputError:
    """The error for a recording that can't be fitted."""
    return InputError([Problem(recording.file, key, found, allowed)])


def on_ticks(recording: Recording, own_force: str | None) -> Ticks:
    """`recording` on ticks. `own_force`: "shown", "hidden" or None where a column says it. Raises InputError."""
    for column in ("target_N", "force_N"):
        if not recording.has(column):
            raise refused(recording, column, "no numbers", "target and measured force, N, over time")
    force, target = recording.series("force_N"), recording.series("target_N")
    rate_Hz = _rate_Hz(recording, force)
    begins_s, ends_s = max(force.t_s[0], target.t_s[0]), force.t_s[-1]
    if not LEAST_STEADY_S <= ends_s - begins_s <= LONGEST_S:
        raise refused(recording, "t_s", f"{ends_s - begins_s:.3g} s of target and force", "5 s to 4 h")
    if np.ptp(force.values) <= 0.0:
        raise refused(recording, "force_N", f"constant, {force.values[0]:g} N", "a measured force, which moves")
    t_s = begins_s + np.arange(int((ends_s - begins_s) * TICK_RATE_HZ) + 1) / TICK_RATE_HZ
    target_N = _held(target, t_s)
    top_N = float(target_N.max())
    if top_N <= 0.0:
        raise refused(recording, "target_N", f"never above {top_N:g} N", "targets above zero")
    shown = _shown(recording, own_force, t_s)
    steady = _known(force, t_s) & _steady(target_N, top_N) & (target_N > RESTING_SHARE * top_N)
    every = max(round(TICK_RATE_HZ / COMPARED_HZ), math.ceil(TICK_RATE_HZ / rate_Hz))
    steady_s = steady.sum() / TICK_RATE_HZ
    if steady_s < LEAST_STEADY_S:
        raise refused(
            recording, "target_N", f"{steady_s:.3g} s in which a target above zero rests",
            f"at least {LEAST_STEADY_S:g} s; a target counts once it has rested for {SETTLING_S:g} s",
        )  # fmt: skip
    used = steady & (np.arange(steady.size) % every == 0)
    jumps = np.abs(np.diff(target_N, prepend=-1.0)) > NEW_TARGET_N_PER_S / TICK_RATE_HZ
    jumps[0] = True
    production = np.cumsum(jumps) - 1
    from_memory = shown[jumps] < 0.5
    hidden_again = (np.diff(shown, prepend=shown[0]) < 0.0).astype(np.float64)
    return Ticks(
        target_N, _force_at(force, t_s, rate_Hz), shown, steady, used.astype(np.float64),
        np.where(jumps, production, -1), production, hidden_again, float(begins_s), from_memory, rate_Hz,
    )  # fmt: skip


def _rate_Hz(recording: Recording, force: Series) -> float:
    if force.t_s.size < 2:
        raise refused(recording, "force_N", f"{force.t_s.size} values", "at least 5 s of measured force")
    rate_Hz = 1.0 / float(np.median(np.diff(force.t_s)))
    if rate_Hz < SLOWEST_HZ * 0.99:
        raise refused(
            recording, "force_N", f"{rate_Hz:.3g} values a second", f"at least {SLOWEST_HZ:g}: noise and sight are fast"
        )
    return rate_Hz


def _held(series: Series, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """A series that keeps its value until the next (shape of `t_s`)."""
    place = np.searchsorted(series.t_s, t_s + 1e-9, side="right") - 1
    return np.asarray(series.values[np.maximum(place, 0)])


def _shown(recording: Recording, own_force: str | None, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
    if own_force is not None:
        return np.full(t_s.size, 1.0 if own_force == "shown" else 0.0)
    if not recording.has("own_force_shown"):
        raise refused(
            recording, "own_force_shown", "no such column",
            "a column of 0 and 1, or --own-force shown or hidden for the whole recording",
        )  # fmt: skip
    return (_held(recording.series("own_force_shown"), t_s) > 0.5).astype(np.float64)


def _known(force: Series, t_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Where a measured force lies close enough on both sides."""
    after = np.clip(np.searchsorted(force.t_s, t_s - 1e-9), 0, force.t_s.size - 1)
    before = np.maximum(np.searchsorted(force.t_s, t_s + 1e-9, side="right") - 1, 0)
    return np.asarray(force.t_s[after] - force.t_s[before] <= LONGEST_GAP_S)


def _steady(target_N: NDArray[np.float64], top_N: float) -> NDArray[np.bool_]:
    """Where the target has rested for the settling time, up to here."""
    width = round(SETTLING_S * TICK_RATE_HZ) + 1
    shift = (width - 1) // 2
    highest = maximum_filter1d(target_N, width, origin=shift, mode="nearest")
    lowest = minimum_filter1d(target_N, width, origin=shift, mode="nearest")
    steady = highest - lowest <= STILL_SHARE * top_N
    steady[: width - 1] = False
    return np.asarray(steady)


def _force_at(force: Series, t_s: NDArray[np.float64], rate_Hz: float) -> NDArray[np.float64]:
    """Force at `t_s`, N, rid of what lies above 40 Hz where the recording is that fast (no shift in time)."""
    if rate_Hz < 2.5 * TICK_RATE_HZ:
        return np.interp(t_s, force.t_s, force.values)
    even_s = np.arange(force.t_s[0], force.t_s[-1], 1.0 / rate_Hz)
    taps = 2 * round(0.15 * rate_Hz) + 1
    even_N = np.interp(even_s, force.t_s, force.values)
    smooth_N = filtfilt(firwin(taps, FILTER_HZ, fs=rate_Hz), [1.0], even_N, padlen=min(3 * taps, even_N.size - 1))
    return np.asarray(np.interp(t_s, even_s, smooth_N))
