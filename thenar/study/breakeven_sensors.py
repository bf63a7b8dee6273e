"""Sensors that err by a chosen size in one way, or in all ways of a scenario's sensor at once, and how much they err.

- noise: a standard deviation in N, the same at every force
- bias-under, bias-over: every reading lower or higher by so many N, cut at zero; a sensor that reads too low makes the
  law push too hard
- lag: ms from sample to controller
- together: every error of the scenario's sensor times one factor: noise, distance of the bias curve from the truth,
  drift, jumps, latency and its jitter. A curve that would fall with a factor above 1 is held flat instead.

In the first four the sensor is perfect but for the one error: no noise, a true curve, no latency, no jitter, nothing
drifts, jumps, drops out or sticks. Its rate, range and the correlation time of its noise are the scenario's.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from thenar.plant_models.estimator import DROPPED, FRESH, plan_readings
from thenar.plant_models.settings import Estimator
from thenar.shared.ticks import us_from_s

KINDS: Final = ("noise", "bias-under", "bias-over", "lag", "together")
UNITS: Final = {"noise": "N", "bias-under": "N", "bias-over": "N", "lag": "ms", "together": "times"}
IN_NEWTONS: Final = ("noise", "bias-under", "bias-over")
HIGHEST_N: Final = 400.0
"""Bias curves made here end at this force: more than any hand's maximum and both limits on a target."""
LARGEST_N: Final = 40.0
LONGEST_MS: Final = 2000.0
LARGEST_FACTOR: Final = 64.0
_GROWN: Final = (("noise_floor_N", 50.0), ("noise_share", 2.0), ("drift_N_per_sqrt_min", 50.0))
_GROWN_JUMPS: Final = (("jump_offset_sd_N", 50.0), ("jump_gain_sd", 1.0))
_GROWN_LATE: Final = (("latency_ms", 2000.0), ("latency_jitter_ms", 2000.0))
"""What a factor multiplies, with the most that a scenario may state."""
DRAWN_S: Final = 20.0
DRAWS: Final = 16
"""How long and how many simulated trials of a held force the mean absolute error is taken over."""

Floats = NDArray[np.float64]


def perfect(sensor: Estimator) -> Estimator:
    """The sensor without any error. Its rate, range and correlation time stay."""
    nothing: dict[str, Any] = {
        "jitter_ms": 0.0, "latency_ms": 0.0, "latency_jitter_ms": 0.0, "noise_floor_N": 0.0, "noise_share": 0.0,
        "drift_N_per_sqrt_min": 0.0, "jumps_per_min": 0.0, "dropouts_per_min": 0.0, "stucks_per_min": 0.0,
        "outlier_share": 0.0,
        "true_N": (0.0, HIGHEST_N), "reads_N": (0.0, HIGHEST_N), "file": "",
    }  # fmt: skip
    return sensor.model_copy(update=nothing)


def with_error(sensor: Estimator, kind: str, size: float) -> Estimator:
    """A sensor with an error of `size` in the unit that UNITS gives to `kind` (one of KINDS). Not negative."""
    if kind == "together":
        return scaled(sensor, size)
    alone = perfect(sensor)
    if size == 0.0:
        return alone
    if kind == "noise":
        return alone.model_copy(update={"noise_floor_N": size})
    if kind == "lag":
        return alone.model_copy(update={"latency_ms": size})
    if kind == "bias-under":
        curve: dict[str, Any] = {"true_N": (0.0, size, HIGHEST_N), "reads_N": (0.0, 0.0, HIGHEST_N - size)}
    else:
        curve = {"true_N": (0.0, HIGHEST_N), "reads_N": (size, HIGHEST_N + size)}
    return alone.model_copy(update=curve)


def scaled(sensor: Estimator, factor: float, late: bool = True) -> Estimator:
    """`sensor` with every error times `factor`; `late`: its latency too. Raises ValueError beyond `most_factor`."""
    if not 0.0 <= factor <= most_factor(sensor, late):
        raise ValueError(f"a factor from 0 to {most_factor(sensor, late):g}")
    grown = {name: min(most, factor * getattr(sensor, name)) for name, most in _grown(sensor, late)}
    true_N = np.array(sensor.true_N)
    reads_N = np.maximum.accumulate(np.maximum(0.0, true_N + factor * (np.array(sensor.reads_N) - true_N)))
    return sensor.model_copy(update=grown | {"reads_N": tuple(reads_N.tolist())})


def most_factor(sensor: Estimator, late: bool = True) -> float:
    """The largest factor for `scaled` that leaves every value within what a scenario may state."""
    bounds: list[float] = [
        most / getattr(sensor, name) for name, most in _grown(sensor, late) if getattr(sensor, name) > 0.0
    ]
    return min([LARGEST_FACTOR, *bounds])


def errs(sensor: Estimator, late: bool = True) -> bool:
    """Whether a factor changes anything about this sensor."""
    return scaled(sensor, 2.0 if most_factor(sensor, late) >= 2.0 else 0.5, late) != sensor


def _grown(sensor: Estimator, late: bool) -> tuple[tuple[str, float], ...]:
    """What a factor multiplies: jumps only where there are any."""
    return _GROWN + (_GROWN_JUMPS if sensor.jumps_per_min > 0.0 else ()) + (_GROWN_LATE if late else ())


def sizes_to_try(sensor: Estimator, kind: str, level_N: float) -> list[float]:
    """Sizes of an error from zero up, each twice the one before, at a force of `level_N` N."""
    if kind == "together":
        first, last = 0.25, most_factor(sensor)
    elif kind == "lag":
        first, last = LONGEST_MS / 32.0, LONGEST_MS
    else:
        first, last = level_N / 8.0, min(LARGEST_N, 8.0 * level_N) if kind != "bias-under" else 2.0 * level_N
    sizes = [0.0]
    while first < last:
        sizes.append(first)
        first *= 2.0
    return [*sizes, last]


def mean_abs_error_N(sensor: Estimator, force_N: Floats, seed: int) -> Floats:
    """Mean of |reading - force| in N of a sensor at held forces, shapes (n,): simulated, its latency left out.

    Over DRAWS trials of DRAWN_S s; a sample that never left counts as none, a stuck one repeats the one before. At a
    held force a late reading is as good as a prompt one. NaN when no sample left.
    """
    plain = {"noise_floor_N": 0.0, "noise_share": 0.0, "true_N": (0.0, 1.0), "reads_N": (0.0, 1.0), "file": ""}
    prompt = {"latency_ms": 0.0, "latency_jitter_ms": 0.0, "stated_over_true_sd": 1.0, "range_N": 1.0}
    draws = _draws(sensor.model_copy(update=plain | prompt), seed)
    read_N = np.interp(force_N, sensor.true_N, sensor.reads_N)
    found = np.empty(len(force_N))
    for place, (force, read) in enumerate(zip(force_N.tolist(), read_N.tolist(), strict=True)):
        sd_N = sensor.noise_floor_N + sensor.noise_share * force
        readings = np.clip(draws[1] * read + draws[0] + sd_N * draws[2], 0.0, sensor.range_N)
        found[place] = float(np.mean(np.abs(readings - force))) if readings.size else math.nan
    return found


@lru_cache(maxsize=256)
def _draws(sensor: Estimator, seed: int) -> Floats:
    """Offset in N, gain and unit noise of every reading that left, shape (3, readings)."""
    found = []
    for trial in range(DRAWS):
        plan = plan_readings(sensor, us_from_s(DRAWN_S), seed, 0, trial)
        columns = np.stack([plan.offset_N, plan.gain, plan.unit_noise])
        shown = np.maximum.accumulate(np.where(plan.mode == FRESH, np.arange(plan.mode.size), -1))
        kept = (plan.mode != DROPPED) & (shown >= 0)
        found.append(columns[:, shown[kept]])
    return np.concatenate(found, axis=1)
