"""Runs behind the trade checks: drawn wearers who see the target but not their own force, and what they reach.

Common practice, no source: the numbers of targets, times and errors are trade facts given for these checks.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

import numpy as np

from tests.scenarios.texts import ON_FILE
from thenar.engine.trial import Trial, plan_trials
from thenar.scenarios.loader import parse_scenario
from thenar.workers import cores, finished_in_order

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
STEPS_PAIR = STEPS.replace(', "stimulation-only"', "")
LEAD_IN_US = 5_000_000
HOLD = """
duration_s = 35.0
conditions = ["unassisted", "assisted"]
[target]
program = "constant"
level_N = 10.0
[handling]
strokes_per_s = 0.5
amplitude_N = 0.8
length_ms = 400.0
"""
"""30 s of hold count, after 5 s in which the force is found."""
AS_DRAWN = ""
JUST_MATCHED = """
production_gain_sd = 0.05
production_offset_sd_N = 0.3
"""
"""Wearers who have just matched the force with sight of it, before their eyes go to the work."""
GOOD_ESTIMATOR = """
[estimator]
rate_Hz = 40.0
latency_ms = 110.0
noise_floor_N = 0.25
noise_share = 0.06
"""
QUIET_ESTIMATOR = """
[estimator]
rate_Hz = 40.0
latency_ms = 110.0
noise_floor_N = 0.15
noise_share = 0.02
"""
"""A hold can only be steadied by a sensor whose noise lies below the hold's own variation."""
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
    """Means over wearers: error in N by condition and target in N, of the estimate in N, CV of the hold in %.

    `followers_cv_percent` leaves out wearers with a trust below zero: drawn rarely, they work against each nudge.
    """

    error_N: dict[tuple[str, float], float]
    estimate_error_N: float
    cv_percent: dict[str, float]
    followers_cv_percent: dict[str, float]


def trade_trials(
    task: str,
    estimator: str,
    seed: int,
    gain: float = 0.02,
    deadband_N: float = 0.5,
    trust: float = 0.5,
    wearers: int = WEARERS,
    spreads: str = AS_DRAWN,
) -> list[Trial]:
    """Trials of `wearers` drawn wearers; task, estimator and the population's spreads are given as TOML."""
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
{spreads}
[target]{task_tables}{estimator}{LAW.format(gain=gain, deadband_N=deadband_N)}{ON_FILE}"""
    return plan_trials(parse_scenario(text, "trade.toml", Path()))


def _processes() -> int:
    """All cores; one where the test processes share them already: two more would only have to start."""
    return 1 if "PYTEST_XDIST_WORKER" in os.environ else cores()


def means_over_wearers(trials: list[Trial]) -> Means:
    """Run the trials over the cores that are free and average over wearers. The CV leaves out the lead-in."""
    errors: dict[tuple[str, float], list[float]] = {}
    variation: dict[str, list[float]] = {}
    followers: dict[str, list[float]] = {}
    estimate_errors: list[float] = []
    for trial, finished in zip(trials, finished_in_order(trials, moving=False, jobs=_processes()), strict=True):
        trace, condition = finished.result.trace, finished.result.label.condition
        if condition != "stimulation-only":
            estimate_errors.append(float(np.nanmean(np.abs(trace["force_N"] - trace["estimate_N"]))))
        held = trace["force_N"][trace["t_us"] >= LEAD_IN_US]
        variation.setdefault(condition, []).append(100.0 * float(np.std(held, ddof=1) / np.mean(held)))
        if trial.wearer.cue.trust >= 0.0:
            followers.setdefault(condition, []).append(variation[condition][-1])
        for row in finished.rows:
            errors.setdefault((condition, row.target_N), []).append(row.value("mean_abs_error_N"))
    return Means(
        {key: float(np.mean(values)) for key, values in errors.items()},
        float(np.mean(estimate_errors)),
        {key: float(np.mean(values)) for key, values in variation.items()},
        {key: float(np.mean(values)) for key, values in followers.items()},
    )
