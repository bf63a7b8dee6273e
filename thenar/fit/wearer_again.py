"""A fitted wearer at work, and how steadily a force is held, recorded or simulated.

Steadiness and spectrum are those of held force in segments of 4 s, each without its mean, or without its line where an
unseen force drifts: coefficient of variation, and shares of the power between 0.25 and 20 Hz (Welch's method).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import detrend, welch

from thenar.fit.wearer_known import wearer_with
from thenar.fit.wearer_steps import press
from thenar.fit.wearer_ticks import TICK_RATE_HZ, TICK_US, Ticks
from thenar.plant_models.body import body_params, rested_body
from thenar.plant_models.wearer import NAIVE, wearer_params
from thenar.shared.compiled import flat_floats
from thenar.shared.noise import stream
from thenar.shared.ticks import US_PER_MS

EDGES_HZ: Final = (0.25, 1.0, 3.0, 7.0, 20.0)
SEGMENT_S: Final = 4.0
WINDOW_S: Final = 2.0
TIMES: Final = 20


class Held(NamedTuple):
    """How force was held: mean coefficient of variation (%), band shares (bands,), and the spectrum.

    `frequency_Hz`, `power`: shape (n,), power relative to the square of the mean, 1/Hz; empty where no hold is long
    enough for a segment, and the band shares are NaN then.
    """

    variation_percent: float
    bands: NDArray[np.float64]
    frequency_Hz: NDArray[np.float64]
    power: NDArray[np.float64]


def simulated_N(
    values: Mapping[str, float],
    max_pinch_N: float,
    target_N: NDArray[np.float64],
    shown: NDArray[np.float64],
    random: np.random.Generator,
) -> NDArray[np.float64]:
    """Force of a wearer with `values` (by key path) on ticks of 10 ms, N, shape of `target_N`. `shown`: 0 or 1."""
    wearer = wearer_with(values, max_pinch_N)
    sights = [wearer.model_copy(update={"sees_own_force": sees}) for sees in (False, True)]
    unseen, seen = (flat_floats(wearer_params(one, TICK_US, False)) for one in sights)
    body = body_params(wearer)
    waits = np.array([round(ms * US_PER_MS / TICK_US) for ms in (wearer.visual_delay_ms, wearer.motor_delay_ms)])
    force_N = np.zeros(target_N.size)
    press(
        unseen, seen, flat_floats(body), target_N, shown, random.standard_normal((target_N.size, 4)), waits, TICK_US,
        flat_floats(NAIVE), flat_floats(rested_body(body)), np.zeros(target_N.size), force_N,
    )  # fmt: skip
    return force_N


class Stretch(NamedTuple):
    """A hold: places of its ticks, shape (n,), and whether the own force was hidden, so that it may drift."""

    places: NDArray[np.int64]
    drifts: bool


class AtTask(NamedTuple):
    """How well a task was done: mean |force - target| over what is compared, and RMS of force within windows of 2 s, N.

    `unsteady_N` is NaN where no hold is that long.
    """

    error_N: float
    unsteady_N: float


def at_task(force_N: NDArray[np.float64], ticks: Ticks) -> AtTask:
    """`force_N` (ticks,) at the targets of `ticks`, recorded or simulated."""
    used = ticks.used > 0.0
    width = round(WINDOW_S * TICK_RATE_HZ)
    windows = [force_N[hold[: hold.size // width * width]].reshape(-1, width) for hold in ticks.holds()]
    squares = np.concatenate([window.var(axis=1) for window in windows]) if windows else np.zeros(0)
    unsteady_N = math.sqrt(float(squares.mean())) if squares.size else math.nan
    return AtTask(float(np.abs(force_N - ticks.target_N)[used].mean()), unsteady_N)


def task_again(values: Mapping[str, float], max_pinch_N: float, ticks: Ticks, seed: int) -> list[AtTask]:
    """The recorded task done by the fitted wearer, TIMES times over. `values`: by key path; `seed`: of the noise."""
    streams = (stream(seed, 0, repeat, "fit wearer task") for repeat in range(TIMES))
    return [at_task(simulated_N(values, max_pinch_N, ticks.target_N, ticks.shown, one), ticks) for one in streams]


def held(force_N: NDArray[np.float64], stretches: Sequence[Stretch]) -> Held:
    """Steadiness of `force_N` (ticks,) in these stretches."""
    width = round(SEGMENT_S * TICK_RATE_HZ)
    variations, powers, weights = [], [], []
    frequency = np.zeros(0)
    for places, drifts in stretches:
        part = force_N[places]
        if part.size < width or part.mean() <= 0.0:
            continue
        mean = float(part.mean())
        less = "linear" if drifts else "constant"
        whole = detrend(part[: part.size // width * width].reshape(-1, width), axis=1, type=less)
        variations.append(100.0 * float(np.sqrt(whole.var(axis=1, ddof=1).mean())) / mean)
        frequency, power = welch(part / mean, TICK_RATE_HZ, nperseg=width, detrend=less)
        powers.append(power)
        weights.append(part.size)
    if not powers:
        return Held(float("nan"), np.full(len(EDGES_HZ) - 1, np.nan), frequency, frequency)
    pooled = np.average(powers, axis=0, weights=weights)
    return Held(float(np.average(variations, weights=weights)), band_shares(frequency, pooled), frequency, pooled)


def band_shares(frequency_Hz: NDArray[np.float64], power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shares of the power between EDGES_HZ, shape (bands,); both inputs of shape (n,)."""
    whole = power[(frequency_Hz >= EDGES_HZ[0]) & (frequency_Hz <= EDGES_HZ[-1])].sum()
    inside = [(frequency_Hz >= low) & (frequency_Hz < high) for low, high in pairwise(EDGES_HZ)]
    return np.asarray([float(power[band].sum() / whole) for band in inside])
