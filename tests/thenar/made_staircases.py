"""Staircases of drawn people: evoked force by the models of the plant, noise as the models' noise grows with force."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.fit.recording import Recording
from thenar.plant_models.calibration import fused_N
from thenar.plant_models.recruitment import motor_threshold_mA, recruited_share, recruitment_params
from thenar.plant_models.settings import Muscle, Noise, Recruitment, Wearer
from thenar.plant_models.wearer import noise_sd_share, wearer_params

# As plain Python: called with scalars some thousand times, and a test need not compile them.
share_of = getattr(recruited_share, "py_func", recruited_share)
threshold_of = getattr(motor_threshold_mA, "py_func", motor_threshold_mA)
noise_of = getattr(noise_sd_share, "py_func", noise_sd_share)


class Truth(NamedTuple):
    """Who was recorded, and how well the examiner sees: SD of log current at which a contraction is seen."""

    axons: Recruitment
    muscle: Muscle
    wearer: Wearer
    rate_Hz: float
    seeing: float


class Plan(NamedTuple):
    """How it was recorded: widths, steps a width, first and last current over the motor threshold, with responses."""

    widths_us: tuple[float, ...] = (100.0, 200.0, 400.0)
    steps: int = 18
    first: float = 0.7
    last: float = 2.9
    responses: bool = True


def drawn_truth(random: np.random.Generator, rate_Hz: float = 100.0) -> Truth:
    """Rheobase 2-9 mA, chronaxie 120-600 us, median over motor 1.25-1.9, spread 0.12-0.4, 12-60 N, noise 0.7-5 %."""
    axons = Recruitment(
        rheobase_mA=float(random.uniform(2.0, 9.0)),
        chronaxie_us=float(random.uniform(120.0, 600.0)),
        median_over_motor=float(random.uniform(1.25, 1.9)),
        spread=float(random.uniform(0.12, 0.4)),
    )
    noise = Noise(floor=float(random.uniform(0.0005, 0.003)), linear=float(random.uniform(0.007, 0.05)))
    return Truth(
        axons,
        Muscle(reachable_N=float(random.uniform(12.0, 60.0))),
        Wearer(max_pinch_N=float(random.uniform(60.0, 120.0)), noise=noise),
        rate_Hz,
        float(random.uniform(0.02, 0.08)),
    )


def recorded(truth: Truth, plan: Plan, random: np.random.Generator) -> dict[str, NDArray[np.float64]]:
    """The columns that a session with `truth` would leave; the grid of currents starts anywhere within a step."""
    axons = recruitment_params(truth.axons)
    current_mA, width_us = [], []
    for wide_us in plan.widths_us:
        threshold_mA = threshold_of(axons, wide_us)
        step = (plan.last - plan.first) / (plan.steps - 1)
        over = np.linspace(plan.first, plan.last, plan.steps) + step * (random.random() - 0.5)
        current_mA += list(threshold_mA * over)
        width_us += [wide_us] * plan.steps
    reach_N = fused_N(truth.muscle, truth.rate_Hz)
    force_N = np.array([reach_N * share_of(axons, *pulse) for pulse in zip(current_mA, width_us, strict=True)])
    top_N, body = truth.wearer.max_pinch_N, wearer_params(truth.wearer, 10_000, relaxed=True)
    sd_N = np.array([top_N * noise_of(body, force / top_N) for force in force_N])
    seen_at = np.array([threshold_of(axons, wide_us) for wide_us in width_us])
    seen_at = seen_at * np.exp(truth.seeing * random.standard_normal(seen_at.size))
    columns = {
        "current_mA": np.array(current_mA),
        "width_us": np.array(width_us),
        "force_N": force_N + sd_N * random.standard_normal(sd_N.size),
        "rate_Hz": np.full(sd_N.size, truth.rate_Hz),
    }
    if plan.responses:
        columns["response"] = (np.array(current_mA) > seen_at).astype(np.float64)
    return columns


def recording_of(columns: dict[str, NDArray[np.float64]]) -> Recording:
    """Those columns as a recording."""
    return Recording("recruitment", "key-pinch.csv", "0" * 64, columns["force_N"].size, "", "", columns)


def true_values(truth: Truth, reference_us: float) -> dict[str, float]:
    """The truth by the names of the findings."""
    axons = truth.axons
    threshold_mA = threshold_of(recruitment_params(axons), reference_us)
    reach_N = fused_N(truth.muscle, truth.rate_Hz)
    top_N, body = truth.wearer.max_pinch_N, wearer_params(truth.wearer, 10_000, relaxed=True)
    return {
        "maximum_N": reach_N,
        "half_mA": threshold_mA * axons.median_over_motor,
        "product_mA": axons.rheobase_mA * axons.median_over_motor,
        "chronaxie_us": axons.chronaxie_us,
        "spread": axons.spread,
        "threshold_mA": threshold_mA,
        "rheobase_mA": axons.rheobase_mA,
        "median_over_motor": axons.median_over_motor,
        "floor_N": top_N * noise_of(body, 0.0),
        "growth": (top_N * (noise_of(body, reach_N / top_N) - noise_of(body, 0.0))) / reach_N,
    }
