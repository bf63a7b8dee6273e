"""The force estimator: late, jittery, biased, noisy, sometimes silent, stuck or re-seated.

All that does not depend on force is drawn before the trial into a `ReadingPlan`, one entry per sample;
`reading` turns true force into an estimate. Scheduled faults are laid over the drawn ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.plant_models.settings import MOST_KNOTS, Estimator
from thenar.shared.compiled import step
from thenar.shared.noise import normals, stream, uniforms
from thenar.shared.ticks import US_PER_MS, US_PER_S, period_us, us_from_ms

FRESH: Final = 0
DROPPED: Final = 1
STUCK: Final = 2
KNOTS: Final = MOST_KNOTS + 3
"""Those of a curve, two below its first one and one far beyond its last."""
FAR_N: Final = 1000.0
"""Beyond any force of a hand."""
US_PER_MIN: Final = 60 * US_PER_S


class EstimatorParams(NamedTuple):
    """Noise SD in N and per N, stated over true SD, and the cut of readings in N."""

    noise_floor_N: float
    noise_share: float
    stated_over_true_sd: float
    range_N: float


class EstimatorFault(NamedTuple):
    """A scheduled fault: "dropout", "stuck" (both for a while) or "jump" (from then on; N and factor)."""

    kind: str
    start_us: int
    end_us: int
    offset_N: float
    gain: float


class ReadingPlan(NamedTuple):
    """Per sample, shape (samples,): when taken and when it arrives (us), unit noise, offset, gain, mode."""

    sampled_us: NDArray[np.int64]
    arrives_us: NDArray[np.int64]
    unit_noise: NDArray[np.float64]
    offset_N: NDArray[np.float64]
    gain: NDArray[np.float64]
    mode: NDArray[np.int64]


def estimator_params(settings: Estimator) -> EstimatorParams:
    """Step parameters of checked settings."""
    return EstimatorParams(settings.noise_floor_N, settings.noise_share, settings.stated_over_true_sd, settings.range_N)


def curve_from_zero(settings: Estimator) -> tuple[list[float], list[float]]:
    """The bias curve from no force on: true forces and readings, N. Below its first knot it goes straight on, to 0."""
    true_N, reads_N = [*settings.true_N], [*settings.reads_N]
    if true_N[0] > 0.0:
        slope = settings.beyond_slope * (reads_N[1] - reads_N[0]) / (true_N[1] - true_N[0])
        zero_N = true_N[0] - reads_N[0] / slope if slope * true_N[0] > reads_N[0] else 0.0
        if zero_N < true_N[0]:
            reads_N.insert(0, max(0.0, reads_N[0] - slope * true_N[0]))
            true_N.insert(0, zero_N)
        if zero_N > 0.0:
            true_N.insert(0, 0.0)
            reads_N.insert(0, 0.0)
    return true_N, reads_N


def bias_knots(settings: Estimator) -> NDArray[np.float64]:
    """The bias curve as shape (2, KNOTS): true forces and readings in N, the last knot repeated.

    It goes straight on at both ends, `beyond_slope` times as steep as its parts there; no reading is below zero.
    """
    true_N, reads_N = curve_from_zero(settings)
    if true_N[-1] < FAR_N:
        rise = (settings.reads_N[-1] - settings.reads_N[-2]) / (settings.true_N[-1] - settings.true_N[-2])
        reads_N.append(reads_N[-1] + settings.beyond_slope * rise * (FAR_N - true_N[-1]))
        true_N.append(FAR_N)
    knots = np.empty((2, KNOTS))
    for row, values in enumerate((true_N, reads_N)):
        knots[row] = [*values, *[values[-1]] * (KNOTS - len(values))]
    return knots


def drawn_sensor(settings: Estimator, seed: int, wearer: int) -> Estimator:
    """The sensor that wearer `wearer` (from 0) meets: beyond what is known of the curve its slope is drawn.

    The further beyond, the further apart two wearers' readings.
    """
    if settings.beyond_known != "slope" or settings.beyond_slope_sd == 0.0:
        return settings
    z = float(stream(seed, wearer, 0, "estimator beyond").standard_normal())
    drawn = settings.beyond_slope * math.exp(settings.beyond_slope_sd * z)
    return settings.model_copy(update={"beyond_slope": drawn})


def plan_readings(
    settings: Estimator, duration_us: int, seed: int, wearer: int, trial: int, faults: Sequence[EstimatorFault] = ()
) -> ReadingPlan:
    """Draw everything about the samples of one trial of `duration_us` us but the force itself."""
    gap_us = period_us(settings.rate_Hz)
    count = 1 + duration_us // gap_us
    nominal_us = np.arange(count, dtype=np.int64) * gap_us
    # Half a period at most, so that samples stay in order.
    jitter_us = min(us_from_ms(settings.jitter_ms), (gap_us - 1) // 2)
    late = uniforms(seed, wearer, trial, "estimator jitter", count)
    sampled_us = nominal_us + np.floor(late * jitter_us).astype(np.int64)
    extra = uniforms(seed, wearer, trial, "estimator latency", count) * us_from_ms(settings.latency_jitter_ms)
    arrives_us = sampled_us + us_from_ms(settings.latency_ms) + np.floor(extra).astype(np.int64)
    offset_N, gain = _placement(settings, sampled_us, seed, wearer, trial)
    mode = np.full(count, FRESH, dtype=np.int64)
    _lay_bursts(mode, STUCK, sampled_us, settings.stucks_per_min, settings.stuck_ms, seed, wearer, trial)
    _lay_bursts(mode, DROPPED, sampled_us, settings.dropouts_per_min, settings.dropout_ms, seed, wearer, trial)
    for fault in faults:
        during = (sampled_us >= fault.start_us) & (sampled_us < fault.end_us)
        if fault.kind == "dropout":
            mode[during] = DROPPED
        elif fault.kind == "stuck":
            mode[during] = STUCK
        else:
            after = sampled_us >= fault.start_us
            offset_N[after] += fault.offset_N
            gain[after] *= fault.gain
    if settings.outlier_share > 0.0:
        draws = stream(seed, wearer, trial, "estimator outliers")
        away = draws.random(count) < settings.outlier_share
        offset_N += away * settings.outlier_sd_N * draws.standard_normal(count)
    unit_noise = _correlated(settings, sampled_us, normals(seed, wearer, trial, "estimator noise", count))
    return ReadingPlan(sampled_us, arrives_us, unit_noise, offset_N, gain, mode)


def _correlated(settings: Estimator, sampled_us: NDArray[np.int64], kicks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unit-variance noise with an exponential correlation at the actual sample times."""
    values = np.empty(kicks.size)
    value = values[0] = kicks[0]
    for index in range(1, kicks.size):
        keep = math.exp(-float(sampled_us[index] - sampled_us[index - 1]) / (settings.noise_tau_ms * US_PER_MS))
        value = keep * value + math.sqrt(1.0 - keep * keep) * float(kicks[index])
        values[index] = value
    return values


def _placement(
    settings: Estimator, sampled_us: NDArray[np.int64], seed: int, wearer: int, trial: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Offset (N) and gain per sample from drift and random re-seating."""
    steps = normals(seed, wearer, trial, "estimator drift", sampled_us.size)
    gaps_min = np.diff(sampled_us, prepend=0) / US_PER_MIN
    offset_N = np.cumsum(settings.drift_N_per_sqrt_min * np.sqrt(gaps_min) * steps)
    gain = np.ones(sampled_us.size)
    draws = stream(seed, wearer, trial, "estimator jumps")
    for start_us in _random_times(draws, settings.jumps_per_min, int(sampled_us[-1])):
        after = sampled_us >= start_us
        offset_N[after] += settings.jump_offset_sd_N * draws.standard_normal()
        gain[after] *= max(0.1, 1.0 + settings.jump_gain_sd * draws.standard_normal())
    return offset_N, gain


def _lay_bursts(
    mode: NDArray[np.int64],
    kind: int,
    sampled_us: NDArray[np.int64],
    per_min: float,
    mean_ms: float,
    seed: int,
    wearer: int,
    trial: int,
) -> None:
    draws = stream(seed, wearer, trial, f"estimator bursts {kind}")
    for start_us in _random_times(draws, per_min, int(sampled_us[-1])):
        length_us = -mean_ms * US_PER_MS * math.log1p(-draws.random())
        mode[(sampled_us >= start_us) & (sampled_us < start_us + length_us)] = kind


def _random_times(draws: np.random.Generator, per_min: float, end_us: int) -> list[int]:
    """Poisson times in us up to `end_us`, none at a rate of zero."""
    times: list[int] = []
    if per_min <= 0.0:
        return times
    now_us = -US_PER_MIN / per_min * math.log1p(-draws.random())
    while now_us <= end_us:
        times.append(int(now_us))
        now_us -= US_PER_MIN / per_min * math.log1p(-draws.random())
    return times


@step
def biased_N(knots: Any, force_N: float) -> float:
    """Bias curve at `force_N` N, not negative: linear between knots. `knots`: shape (2, KNOTS), N."""
    if force_N <= knots[0, 0]:
        return float(knots[1, 0])
    for index in range(1, KNOTS):
        if force_N < knots[0, index]:
            share = (force_N - knots[0, index - 1]) / (knots[0, index] - knots[0, index - 1])
            return float(knots[1, index - 1] + share * (knots[1, index] - knots[1, index - 1]))
    return float(knots[1, KNOTS - 1])


@step
def reading_N(
    params: EstimatorParams, knots: Any, force_N: float, offset_N: float, gain: float, unit_noise: float
) -> float:
    """Estimate in N of a true force in N, with this sample's offset, gain and unit noise."""
    sd_N = params.noise_floor_N + params.noise_share * force_N
    return min(params.range_N, max(0.0, gain * biased_N(knots, force_N) + offset_N + sd_N * unit_noise))


@step
def stated_sd_N(params: EstimatorParams, estimate_N: float) -> float:
    """The uncertainty in N that the estimator states with a reading of `estimate_N` N."""
    return params.stated_over_true_sd * (params.noise_floor_N + params.noise_share * estimate_N)
