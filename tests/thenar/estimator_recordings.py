"""Recordings of a rehabilitation lab's sensor glove under known truths, made with the project's own estimator."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from thenar.fit.recording import Recording
from thenar.plant_models.estimator import (
    DROPPED,
    STUCK,
    bias_knots,
    estimator_params,
    plan_readings,
    reading_N,
    stated_sd_N,
)
from thenar.plant_models.settings import Estimator

FORCE_HZ = 1000


class Read(NamedTuple):
    """What the estimator gave: arrival (s), reading (N), stated SD (N), true force when sampled (N)."""

    arrives_s: NDArray[np.float64]
    estimate_N: NDArray[np.float64]
    stated_N: NDArray[np.float64]
    force_N: NDArray[np.float64]


def pinching(minutes: float, seed: int, top_N: float = 30.0) -> NDArray[np.float64]:
    """True force (N) at 1 kHz: holds at drawn levels, ramps, squeezes and free play between 0 and `top_N`."""
    draws = np.random.default_rng([seed, 17])
    count = round(60 * minutes * FORCE_HZ)
    force = np.empty(0)
    level = 0.0
    while force.size < count:
        kind, seconds = draws.integers(4), draws.uniform(3.0, 8.0)
        time = np.arange(round(seconds * FORCE_HZ)) / FORCE_HZ
        new = top_N * draws.random()
        if kind == 0:
            part = np.full(time.size, new)
        elif kind == 1:
            part = level + (new - level) * time / seconds
        elif kind == 2:
            part = new * np.sin(np.pi * draws.uniform(0.4, 1.0) * time) ** 2
        else:
            wander = gaussian_filter1d(draws.standard_normal(time.size), 0.25 * FORCE_HZ, mode="wrap")
            part = new + 0.25 * top_N * wander / wander.std()
        level = float(part[-1])
        force = np.append(force, part)
    slow = gaussian_filter1d(np.clip(force[:count], 0.0, top_N), 0.06 * FORCE_HZ)
    shake = gaussian_filter1d(draws.standard_normal(count), 0.02 * FORCE_HZ)
    made: NDArray[np.float64] = np.maximum(0.0, slow * (1.0 + 0.02 * shake / shake.std()))
    return made


def read_by(truth: Estimator, force_N: NDArray[np.float64], seed: int) -> Read:
    """`force_N` (1 kHz) as `truth` reads it; silent and overtaken readings are left out, as the controller does."""
    plan = plan_readings(truth, round(force_N.size / FORCE_HZ * 1e6) - 1, seed, 0, 0)
    params, knots = estimator_params(truth), bias_knots(truth)
    at_sample = np.interp(plan.sampled_us / 1e6, np.arange(force_N.size) / FORCE_HZ, force_N)
    rows: list[tuple[float, ...]] = []
    last, newest_us = 0.0, -1
    order = np.argsort(plan.arrives_us, kind="stable")
    values = np.empty(order.size)
    for index, force in enumerate(at_sample):
        if plan.mode[index] != STUCK:
            last = reading_N(params, knots, force, plan.offset_N[index], plan.gain[index], plan.unit_noise[index])
        values[index] = last
    for index in order:
        if plan.mode[index] == DROPPED or plan.sampled_us[index] <= newest_us:
            continue
        newest_us = int(plan.sampled_us[index])
        stated = stated_sd_N(params, values[index])
        rows.append((plan.arrives_us[index] / 1e6, values[index], stated, at_sample[index]))
    return Read(*np.array(rows).T)


def recorded(
    truth: Estimator, minutes: float, seed: int, *, top_N: float = 30.0, clock_s: float = 0.0, force_sd_N: float = 0.01
) -> Recording:
    """A recording of `truth`: force at 1 kHz with a transducer's noise, estimates as they arrive plus `clock_s`."""
    force = pinching(minutes, seed, top_N)
    read = read_by(truth, force, seed)
    noisy = force + force_sd_N * np.random.default_rng([seed, 18]).standard_normal(force.size)
    return joined(np.arange(force.size) / FORCE_HZ, noisy, read, clock_s)


def joined(force_s: Any, force_N: Any, read: Read, clock_s: float = 0.0, stated: bool = True) -> Recording:
    """Force and readings as one recording, rows in order of time, empty cells NaN."""
    at = np.concatenate([force_s, read.arrives_s + clock_s])
    order = np.argsort(at, kind="stable")
    none, nothing = np.full(force_s.size, np.nan), np.full(read.arrives_s.size, np.nan)
    columns = {
        "t_s": at[order],
        "force_N": np.concatenate([force_N, nothing])[order],
        "estimate_N": np.concatenate([none, read.estimate_N])[order],
    }
    if stated:
        columns["stated_sd_N"] = np.concatenate([none, read.stated_N])[order]
    return Recording("estimator", "glove.csv", "0" * 64, at.size, "", "", columns)


def drawn_truth(seed: int) -> Estimator:
    """A truth from what sensor gloves, armbands and pads span (ranges in the code; from memory and assumption)."""
    draws = np.random.default_rng([seed, 19])
    true_N = np.array([0.0, 4.0, 8.0, 13.0, 18.0, 24.0, 36.0])
    bend, gain = draws.uniform(0.7, 1.3), draws.uniform(0.7, 1.2)
    reads_N = draws.uniform(0.0, 1.5) + 30.0 * gain * (true_N / 30.0) ** bend
    if draws.random() < 0.3:
        reads_N = np.minimum(reads_N, draws.uniform(14.0, 22.0))
    sometimes = draws.random(4) < 0.5
    return Estimator(
        rate_Hz=float(draws.choice([20.0, 30.0, 40.0, 50.0, 100.0])),
        jitter_ms=draws.uniform(0.5, 4.0),
        latency_ms=draws.uniform(40.0, 300.0),
        latency_jitter_ms=draws.uniform(1.0, 7.0),
        true_N=tuple(true_N),
        reads_N=tuple(reads_N),
        noise_floor_N=draws.uniform(0.1, 0.5),
        noise_share=draws.uniform(0.01, 0.10),
        noise_tau_ms=float(np.exp(draws.uniform(np.log(40.0), np.log(400.0)))),
        drift_N_per_sqrt_min=draws.uniform(0.05, 0.6) if sometimes[0] else 0.0,
        jumps_per_min=draws.uniform(0.3, 1.2) if sometimes[1] else 0.0,
        jump_offset_sd_N=draws.uniform(1.0, 3.0),
        jump_gain_sd=draws.uniform(0.08, 0.25),
        dropouts_per_min=draws.uniform(0.5, 5.0) if sometimes[2] else 0.0,
        dropout_ms=draws.uniform(100.0, 800.0),
        stucks_per_min=draws.uniform(0.3, 2.0) if sometimes[3] else 0.0,
        stuck_ms=draws.uniform(400.0, 2500.0),
        stated_over_true_sd=draws.uniform(0.5, 1.5),
    )
