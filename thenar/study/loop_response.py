"""The frequency response of the opened loop about an operating point, piece by piece, every delay exact.

    L(jw) = law slope x sensor slope x E[exp(-jw age)] x P(jw) exp(-jw d) x hand / (1 + jw contact)

- `age`: from the sample that the estimator took to the pulse that acts on it. It holds the estimator's period, jitter
  and latency, the control tick's hold, and the wait of a pulse train. All of them are taken from the very plan of
  readings that a trial draws, so that rates that beat against each other count as they are. The mean over ages is the
  loop's response at the signal's own frequency; what sampling folds to other frequencies is left out.
- `P`: the muscle. Its force is linear in the share that each pulse fires (`plant_models.muscle`: the recruited
  sums enter dF/dt linearly, everything else follows from the pulses alone), so the response to one pulse within a
  steady train is all there is to know. It is found by running the muscle's own steps twice, with and without one pulse
  that fires more. Fatigue stands still meanwhile.
- `d`: from pulse to force. `hand`: overlap with the own force, or the antagonist's lever. `contact`: fingertip lag.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.plant_models.estimator import FRESH, plan_readings
from thenar.plant_models.muscle import MuscleState, advanced, muscle_params, rested, struck
from thenar.plant_models.settings import Estimator, Muscle, Wearer
from thenar.plant_models.voluntary import RELAX_PER_S
from thenar.shared.ticks import US_PER_MS, US_PER_S

LONGEST_STEP_MS: Final = 1.0
BASE_SHARE: Final = 0.4
MORE_SHARE: Final = 0.2
"""A train that fires 0.4, and one pulse that fires 0.6: linear, so any other two would do (a test tries)."""
TIME_CONSTANTS: Final = 14.0
"""How many of the slowest time constants a train settles for and a response is followed: exp(-14) is 1e-6."""
AGES_OVER_US: Final = 60 * US_PER_S
AGES_FROM_US: Final = 3 * US_PER_S
STARTS: Final = 20
LOWEST_HZ: Final = 0.005
GRID_POINTS: Final = 500


class PulseResponse(NamedTuple):
    """Force after one pulse that fires everything, within a train: `force_N` at `time_s`, shape (n,) each.

    `per_share_N`: mean force of a steady train for each unit of share, N. All per N of `reachable_N`.
    """

    time_s: NDArray[np.float64]
    force_N: NDArray[np.float64]
    per_share_N: float


def pulse_response(muscle: Muscle, period_us: int) -> PulseResponse:
    """The response of `muscle` to one pulse in a train of `period_us` us, per N of its reachable force."""
    return _pulse_response(muscle.model_copy(update={"reachable_N": 1.0, "fatigue_share": 0.0}), period_us)


@lru_cache(maxsize=64)
def _pulse_response(muscle: Muscle, period_us: int) -> PulseResponse:
    params = muscle_params(muscle)
    period_ms = period_us / US_PER_MS
    per_period = math.ceil(period_ms / LONGEST_STEP_MS)
    slowest_ms = max(params.tau_c_ms, params.tau1_rest_ms + params.tau2_ms if params.twitch_N == 0.0 else 0.0)
    periods = math.ceil(TIME_CONSTANTS * slowest_ms / period_ms)
    h_ms = period_ms / per_period
    half_decay = math.exp(-0.5 * h_ms / params.tau_c_ms)

    def train(state: MuscleState, first_share: float) -> tuple[MuscleState, list[float]]:
        forces = []
        for pulse in range(periods):
            state = struck(params, state, first_share if pulse == 0 else BASE_SHARE)
            for _ in range(per_period):
                forces.append(state.force_N)
                state, _ = advanced(params, state, h_ms, half_decay)
        return state, [*forces, state.force_N]

    settled, _ = train(rested(params), BASE_SHARE)
    plain = np.array(train(settled, BASE_SHARE)[1])
    more = np.array(train(settled, BASE_SHARE + MORE_SHARE)[1])
    force_N = (more - plain) / MORE_SHARE
    time_s = np.arange(force_N.size) * h_ms * 1e-3
    return PulseResponse(time_s, force_N, float(np.trapezoid(force_N, time_s)) / (period_us / US_PER_S))


def muscle_response(muscle: Muscle, period_us: int, frequency_rad_s: NDArray[np.float64]) -> NDArray[np.complex128]:
    """P(jw): mean force in N for each unit of share, behind the electromechanical delay. Shape of `frequency_rad_s`."""
    shape = _transformed(
        muscle.model_copy(update={"reachable_N": 1.0, "fatigue_share": 0.0, "delay_ms": 0.0}),
        period_us,
        frequency_rad_s.tobytes(),
    )
    delay_s = round(muscle.delay_ms * US_PER_MS) / US_PER_S
    response: NDArray[np.complex128] = muscle.reachable_N * shape * np.exp(-1j * frequency_rad_s * delay_s)
    return response


@lru_cache(maxsize=64)
def _transformed(muscle: Muscle, period_us: int, grid: bytes) -> NDArray[np.complex128]:
    """Fourier integral of the pulse response (trapezoids), over the pulse period."""
    found = pulse_response(muscle, period_us)
    frequency_rad_s = np.frombuffer(grid)
    turned = found.force_N * np.exp(-1j * np.outer(frequency_rad_s, found.time_s))
    whole: NDArray[np.complex128] = np.trapezoid(turned, found.time_s, axis=1) / (period_us / US_PER_S)
    return whole


def quiet_placement(estimator: Estimator) -> Estimator:
    """The estimator without what isn't part of a linear loop: dropouts, stuck output, jumps and drift."""
    idle = dict.fromkeys(
        ("dropouts_per_min", "stucks_per_min", "jumps_per_min", "drift_N_per_sqrt_min", "outlier_share"), 0.0
    )
    return estimator.model_copy(update=idle)


@lru_cache(maxsize=64)
def acting_ages_us(estimator: Estimator, control_us: int, period_us: int, seed: int) -> NDArray[np.int64]:
    """How old the sample is that each pulse of a steady train acts on, us, shape (pulses,).

    The train fires every `period_us`; a pulse takes what the last tick (every `control_us`) made of the newest reading
    that had arrived by then. Readings as `plan_readings` draws them with `seed`. A train may begin at any control
    tick, and keeps its place between samples and ticks from then on: one train from each of STARTS ticks is counted.
    """
    plan = plan_readings(quiet_placement(estimator), AGES_OVER_US, seed, 0, 0)
    order = np.argsort(plan.arrives_us, kind="stable")
    order = order[plan.mode[order] == FRESH]
    newest_us = np.maximum.accumulate(plan.sampled_us[order])
    from_us = AGES_FROM_US + round(US_PER_MS * (estimator.latency_ms + estimator.latency_jitter_ms))
    first_us = -(-from_us // control_us) * control_us
    pulses_us = np.concatenate(
        [np.arange(first_us + tick * control_us, AGES_OVER_US, period_us) for tick in range(STARTS)]
    )
    ticks_us = pulses_us // control_us * control_us
    arrived = np.searchsorted(plan.arrives_us[order], ticks_us, side="right") - 1
    ages: NDArray[np.int64] = pulses_us - newest_us[arrived]
    return ages


@lru_cache(maxsize=64)
def age_response(
    estimator: Estimator, control_us: int, period_us: int, seed: int, grid: bytes
) -> NDArray[np.complex128]:
    """E[exp(-jw age)] over `acting_ages_us`. `grid`: frequencies in rad/s as the bytes of a float64 array."""
    ages_us, counts = np.unique(acting_ages_us(estimator, control_us, period_us, seed), return_counts=True)
    turned = np.exp(-1j * np.outer(np.frombuffer(grid), ages_us / US_PER_S))
    mean: NDArray[np.complex128] = turned @ (counts / counts.sum())
    return mean


def own_sight_response(wearer: Wearer, wearer_us: int, frequency_rad_s: NDArray[np.float64]) -> NDArray[np.complex128]:
    """The loop of a wearer who sees the own force, opened, before hand and contact.

    K / (jw) with the hold of a wearer's tick (half of it), the delays of sight and drive in whole ticks, and the lag of
    the active share (10 per s, `plant_models.voluntary`).
    """
    s = 1j * frequency_rad_s
    ticks = [round(delay_ms * US_PER_MS / wearer_us) for delay_ms in (wearer.visual_delay_ms, wearer.motor_delay_ms)]
    delay_s = (sum(ticks) + 0.5) * wearer_us / US_PER_S
    response: NDArray[np.complex128] = wearer.visual_gain_per_s / s * np.exp(-s * delay_s) / (1.0 + s / RELAX_PER_S)
    return response


def frequency_grid(control_us: int, estimator_us: int, period_us: int) -> NDArray[np.float64]:
    """Frequencies in rad/s, shape (GRID_POINTS,): up to half the slowest rate in the loop, where sampling ends sense.

    From far below every lag of the loop. Evenly spaced in the logarithm.
    """
    top_rad_s = math.pi * US_PER_S / max(control_us, estimator_us, period_us)
    return np.geomspace(2.0 * math.pi * LOWEST_HZ, top_rad_s, GRID_POINTS)
