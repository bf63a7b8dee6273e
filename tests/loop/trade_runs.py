"""Runs behind the trade checks: drawn wearers who see the target but not their own force, and what they reach.

Common practice, no source: the numbers of targets, times and errors are trade facts given for these checks.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np

from thenar.engine.events import run_trial
from thenar.engine.trial import Trial, plan_trials
from thenar.report.metrics import target_rows
from thenar.scenarios.loader import parse_scenario

LEVELS_N = (3.0, 6.0, 9.0)
WEARERS = 40
STEPS = f"""
duration_s = 117.0
conditions = ["unassisted", "assisted", "stimulation-only"]
[target]
program = "steps"
levels_N = {list(LEVELS_N)}
every_s = 3.0
order = "random"
"""
HOLD = """
duration_s = 30.0
conditions = ["unassisted", "assisted"]
[target]
program = "constant"
level_N = 10.0
[handling]
strokes_per_s = 0.8
amplitude_N = 1.2
length_ms = 400.0
"""
GOOD_ESTIMATOR = """
[estimator]
rate_Hz = 40.0
latency_ms = 110.0
noise_floor_N = 0.25
noise_share = 0.06
"""
SATURATING_ESTIMATOR = """
[estimator]
rate_Hz = 40.0
latency_ms = 110.0
noise_floor_N = 0.25
noise_share = 0.06
true_N = [0.0, 5.0, 8.0, 12.0]
reads_N = [0.0, 5.0, 6.2, 6.6]
"""
LAW = """
[law]
name = "proportional"
[law.settings]
deadband_N = {deadband_N}
gain_fraction_per_N = {gain}
"""


class Means(NamedTuple):
    """Means over wearers by (condition, target in N): force error, error of the estimate, variation."""

    error_N: dict[tuple[str, float], float]
    estimate_error_N: float
    variation_percent: dict[str, float]


def trade_trials(
    task: str, estimator: str, seed: int, gain: float = 0.02, deadband_N: float = 0.5, trust: float = 0.5,
    wearers: int = WEARERS,
) -> list[Trial]:
    """Trials of `wearers` drawn wearers in the task and with the estimator given as TOML."""
    task_head, _, task_tables = task.partition("[target]")
    text = f"""schema = 1
title = "trade check"
seed = {seed}
{task_head}
[wearer]
sees_target = true
sees_own_force = false
cue.trust = {trust}
[population]
count = {wearers}
[target]{task_tables}{estimator}{LAW.format(gain=gain, deadband_N=deadband_N)}"""
    return plan_trials(parse_scenario(text, "trade.toml", Path()))


def means_over_wearers(trials: list[Trial]) -> Means:
    """Run the trials and average over wearers."""
    errors: dict[tuple[str, float], list[float]] = {}
    variation: dict[str, list[float]] = {}
    estimate_errors: list[float] = []
    for trial in trials:
        result = run_trial(trial)
        force_N, estimate_N = result.trace["force_N"], result.trace["estimate_N"]
        if trial.label.condition != "stimulation-only":
            estimate_errors.append(float(np.nanmean(np.abs(force_N - estimate_N))))
        for row in target_rows(result, moving=False):
            errors.setdefault((trial.label.condition, row.target_N), []).append(row.value("mean_abs_error_N"))
            variation.setdefault(trial.label.condition, []).append(row.value("cv_percent"))
    return Means(
        {key: float(np.mean(values)) for key, values in errors.items()},
        float(np.mean(estimate_errors)),
        {key: float(np.nanmean(values)) for key, values in variation.items()},
    )
