"""Of all noise that a recording allows, the one that simulates most like it.

Real force noise has bumps that a sum of two first-order spectra has not, and the likelihood weighs every frequency
alike, however little power lies there. So within the 95 % intervals, and not far from the most probable, the noise is
moved to where steadiness and band shares of simulated holds come closest to those recorded. Intervals stay.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from thenar.fit.wearer_again import Held, Stretch, held, simulated_N
from thenar.fit.wearer_known import BY_KEY
from thenar.fit.wearer_ticks import TICK_RATE_HZ, Ticks
from thenar.shared.noise import stream

MOVED: Final = ("noise.linear", "noise.slow_Hz", "noise.fast_Hz", "noise.fast_share")
NOISE_ALONE: Final = {
    "production.gain": 1.0, "production.offset_N": 0.0, "production.scatter_share": 0.0, "production.drift_depth": 0.0,
    "fatigue_per_s": 0.0,
}  # fmt: skip
"""A wearer that makes what is wanted, tireless: what is left is noise, wander and what sight makes of them."""
SETTLES_S: Final = 10.0
LONGEST_HOLD_S: Final = 20.0
SHORTEST_HOLD_S: Final = 4.0
TICKS_IN_ALL: Final = 60_000
MOST_TIMES: Final = 20
CORRECTED_S: Final = 4.0
"""A new target whose force is shown is first corrected for so long; that is no noise."""
FAR: Final = 0.10
"""Nothing is moved unless steadiness or a band's share is off by more than this."""
CLOSE: Final = 0.05
"""A mismatch of this share weighs as much as one SD away from the most probable."""
LEAST_BAND: Final = 0.02
TRIES: Final = 12
PROBE: Final = 0.02


class Holds(NamedTuple):
    """Holds as long and strong as those recorded: target (N) and sight on ticks, and stretches after settling."""

    target_N: NDArray[np.float64]
    shown: NDArray[np.float64]
    stretches: list[Stretch]


class Allowed(NamedTuple):
    """A number that may move: its key, most probable value and SD on the searched scale, and half its interval."""

    key: str
    scaled: float
    sd: float
    half: float


def at_rest(ticks: Ticks) -> list[Stretch]:
    """The recorded stretches in which force is held, not being corrected."""
    begun = np.flatnonzero(ticks.begins >= 0)
    found = []
    for hold in ticks.holds():
        shown = bool(ticks.shown[hold].any())
        from_tick = begun[ticks.production[hold[0]]] + (round(CORRECTED_S * TICK_RATE_HZ) if shown else 0)
        found.append(Stretch(hold[hold >= from_tick], not shown))
    return found


def like(ticks: Ticks) -> Holds:
    """Constant holds at the levels recorded, each after a time to settle."""
    targets, shown, stretches, at = [], [], [], 0
    for hold, drifts in at_rest(ticks):
        length = min(hold.size, round(LONGEST_HOLD_S * TICK_RATE_HZ))
        if length < SHORTEST_HOLD_S * TICK_RATE_HZ:
            continue
        whole = round(SETTLES_S * TICK_RATE_HZ) + length
        targets.append(np.full(whole, float(ticks.force_N[hold].mean())))
        shown.append(np.full(whole, 0.0 if drifts else 1.0))
        stretches.append(Stretch(np.arange(at + whole - length, at + whole), drifts))
        at += whole
    if not targets:
        return Holds(np.zeros(0), np.zeros(0), [])
    return Holds(np.concatenate(targets), np.concatenate(shown), stretches)


def noise_again(values: Mapping[str, float], max_pinch_N: float, holds: Holds, seed: int, times: int = 0) -> list[Held]:
    """Steadiness of simulated holds. `values`: by key path; `seed`: of the noise; `times`: 0 makes it ten minutes."""
    times = times or min(MOST_TIMES, math.ceil(TICKS_IN_ALL / holds.target_N.size))
    alone = dict(values) | NOISE_ALONE
    streams = (stream(seed, 0, repeat, "fit wearer noise") for repeat in range(times))
    return [held(simulated_N(alone, max_pinch_N, holds.target_N, holds.shown, one), holds.stretches) for one in streams]


def mismatch(recorded: Held, again: list[Held]) -> NDArray[np.float64]:
    """Logs of simulated over recorded variation and band shares, of bands that hold enough; shape (1 to 5,)."""
    counted = recorded.bands > LEAST_BAND
    bands = np.mean([one.bands for one in again], axis=0)[counted]
    variation = np.mean([one.variation_percent for one in again])
    return np.asarray(
        np.log(np.concatenate([[variation / recorded.variation_percent], bands / recorded.bands[counted]]))
    )


def closest(
    values: Mapping[str, float], max_pinch_N: float, ticks: Ticks, allowed: list[Allowed], seed: int
) -> dict[str, float]:
    """`values` with the `allowed` noise moved to where simulated holds come closest to those recorded."""
    holds = like(ticks)
    recorded = held(ticks.force_N, at_rest(ticks))
    if not holds.stretches or not allowed or not np.isfinite(recorded.bands).all():
        return dict(values)
    if np.abs(mismatch(recorded, noise_again(values, max_pinch_N, holds, seed))).max() < FAR:
        return dict(values)
    scale = np.array([one.sd for one in allowed])
    middle = np.array([one.scaled for one in allowed])
    reach = np.array([one.half for one in allowed])

    def moved(place: NDArray[np.float64]) -> dict[str, float]:
        shifted = middle + scale * place
        named = zip(allowed, shifted, strict=True)
        return dict(values) | {one.key: BY_KEY[one.key].value(float(at)) for one, at in named}

    def off(place: NDArray[np.float64]) -> NDArray[np.float64]:
        again = noise_again(moved(place), max_pinch_N, holds, seed)
        return np.concatenate([mismatch(recorded, again) / CLOSE, place])

    bounds = (-reach / scale, reach / scale)
    start = np.clip([(BY_KEY[one.key].scaled(values[one.key]) - one.scaled) / one.sd for one in allowed], *bounds)
    start = np.clip(start, bounds[0] + PROBE, bounds[1] - PROBE)
    found = least_squares(off, start, bounds=bounds, diff_step=PROBE, max_nfev=TRIES)
    return moved(found.x)
