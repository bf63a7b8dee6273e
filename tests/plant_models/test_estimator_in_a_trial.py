"""What a controller gets from the estimator over a whole trial: late, stuck, silent and re-seated."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from thenar.engine.events import run_trial
from thenar.engine.trial import plan_trials
from thenar.scenarios.loader import parse_scenario

SCENARIO = """
schema = 1
title = "Sensor trouble"
seed = 9
duration_s = 12.0
conditions = ["unassisted"]

[clock]
trace_rate_Hz = 1000.0

[target]
program = "sine"
mean_N = 8.0
amplitude_N = 3.0
period_s = 2.0

[estimator]
rate_Hz = 40.0
jitter_ms = 0.0
latency_ms = 110.0
latency_jitter_ms = 0.0
noise_floor_N = 0.1
noise_share = 0.02

[law]
name = "proportional"

[[faults]]
kind = "stuck"
at_s = 3.0
for_s = 1.0

[[faults]]
kind = "dropout"
at_s = 6.0
for_s = 1.0

[[faults]]
kind = "jump"
at_s = 9.0
offset_N = 20.0
gain = 1.0
"""
LATENCY_MS = 110


@pytest.fixture(scope="module")
def trace() -> dict[str, NDArray[np.float64]]:
    """Rows every millisecond."""
    planned = plan_trials(parse_scenario(SCENARIO, "trouble.toml", Path()))[0]
    return run_trial(planned).trace


def test_nothing_is_known_before_the_first_estimate_has_arrived(trace: dict[str, NDArray[np.float64]]) -> None:
    assert np.all(np.isnan(trace["estimate_N"][:LATENCY_MS]))
    assert np.all(trace["estimate_age_us"][:LATENCY_MS] == -1)
    assert trace["estimate_age_us"][LATENCY_MS] == 1_000 * LATENCY_MS
    assert not np.isnan(trace["estimate_N"][LATENCY_MS:]).any()


def test_an_estimate_is_the_force_of_one_latency_ago_or_a_sample_more(trace: dict[str, NDArray[np.float64]]) -> None:
    calm = slice(500, 3_000)
    assert trace["estimate_age_us"][calm].min() == 110_000
    assert trace["estimate_age_us"][calm].max() == 134_000
    sampled = np.arange(500, 3_000) - trace["estimate_age_us"][calm] // 1_000
    error_N = trace["estimate_N"][calm] - trace["force_N"][sampled]
    assert 0.05 < error_N.std() < 0.6


def test_a_stuck_estimator_repeats_its_last_reading_as_if_it_were_fresh(trace: dict[str, NDArray[np.float64]]) -> None:
    stuck = slice(3_000 + LATENCY_MS, 4_000 + LATENCY_MS)
    assert len(np.unique(trace["estimate_N"][stuck])) == 1
    assert trace["estimate_N"][stuck][0] == trace["estimate_N"][2_999 + LATENCY_MS]
    assert trace["estimate_age_us"][stuck].max() <= 135_000
    assert np.ptp(trace["force_N"][stuck]) > 2.0


def test_a_silent_estimator_leaves_its_last_reading_to_age(trace: dict[str, NDArray[np.float64]]) -> None:
    silent = slice(6_000 + LATENCY_MS, 7_000 + LATENCY_MS)
    assert len(np.unique(trace["estimate_N"][silent])) == 1
    assert np.all(np.diff(trace["estimate_age_us"][silent]) == 1_000)
    assert trace["estimate_age_us"][6_999 + LATENCY_MS] > 1_100_000
    assert trace["estimate_age_us"][7_000 + LATENCY_MS] == 110_000


def test_a_reseated_estimator_reads_off_from_then_on(trace: dict[str, NDArray[np.float64]]) -> None:
    error_N = trace["estimate_N"][1_000:] - trace["force_N"][1_000:]
    assert np.abs(error_N[: 9_000 + LATENCY_MS - 1_000].mean()) < 1.0
    assert error_N[9_000 + LATENCY_MS - 1_000 :].mean() == pytest.approx(20.0, abs=1.0)
