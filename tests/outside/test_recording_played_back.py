"""The real recorded trapezoid played back as a wearer, through file, loader, engine, body, sensor, law and interlock.

Source: openhdemg 0.1.2 sample (see `recorded_trapezoid.py`): one thigh muscle, no stimulation. It stands in for a hand.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from tests.outside.conftest import RecordedForce
from tests.scenarios.texts import ON_FILE
from thenar.engine.events import run_trial
from thenar.engine.result import TrialResult
from thenar.engine.trial import plan_trials
from thenar.plant_models.settings import Wearer
from thenar.scenarios.loader import load_scenario

MAX_PINCH_N = 60.0
CSV_RATE_HZ = 128
HELD_S = 0.001  # mean age of the wearer's drive, which is held for 2 ms
SCENARIO = f"""
schema = 1
title = "A recorded trapezoid, played back"
seed = 7
duration_s = 32.0
conditions = ["unassisted", "assisted"]

[clock]
wearer_rate_Hz = 500.0

[wearer]
max_pinch_N = {MAX_PINCH_N}
recording = "trapezoid.csv"

[target]
program = "constant"
level_N = 17.0

[estimator]
rate_Hz = 40.0

[law]
name = "proportional"

[law.settings]
gain_fraction_per_N = 0.03
{ON_FILE}"""


@pytest.fixture(scope="module")
def trials(recorded_trapezoid: RecordedForce, tmp_path_factory: pytest.TempPathFactory) -> list[TrialResult]:
    """Both conditions, from files on disk."""
    folder: Path = tmp_path_factory.mktemp("played")
    force, rate_Hz = recorded_trapezoid
    every = round(rate_Hz / CSV_RATE_HZ)
    rows = [f"{i / CSV_RATE_HZ:.6f},{max(0.0, p) / 100 * MAX_PINCH_N:.6f}" for i, p in enumerate(force[::every])]
    (folder / "trapezoid.csv").write_text("t_s,force_N\n" + "\n".join(rows) + "\n", "utf-8")
    (folder / "trapezoid.toml").write_text(SCENARIO, "utf-8")
    return [run_trial(trial) for trial in plan_trials(load_scenario(folder / "trapezoid.toml"))]


def test_unassisted_force_is_the_recording_behind_the_contact(
    trials: list[TrialResult], recorded_trapezoid: RecordedForce
) -> None:
    # Expected: the recording through a first-order lag of `contact_ms` (15 ms), by SciPy. Measured: within 0.08 % of
    # maximum everywhere; CV of the plateau 1.30 % where the recording itself has 1.345 %.
    trace, (percent, rate_Hz) = trials[0].trace, recorded_trapezoid
    recorded_N = np.maximum(0.0, percent) / 100 * MAX_PINCH_N
    kept = np.exp(-1e3 / rate_Hz / Wearer().contact_ms)
    lagged_N = lfilter([1.0 - kept], [1.0, -kept], recorded_N)
    times_s = trace["t_us"] * 1e-6
    expected_N = np.interp(times_s - HELD_S, np.arange(percent.size) / rate_Hz, lagged_N)
    assert np.max(np.abs(trace["force_N"] - expected_N)) < 0.002 * MAX_PINCH_N
    plateau = (times_s >= 10.0) & (times_s < 24.0)
    held_N, ideal_N = trace["force_N"][plateau], expected_N[plateau]
    assert held_N.mean() == pytest.approx(0.25977 * MAX_PINCH_N, rel=0.001)
    assert held_N.std() == pytest.approx(ideal_N.std(), rel=0.005)


def test_assistance_adds_to_the_recording_and_can_not_change_it(trials: list[TrialResult]) -> None:
    unassisted, assisted = (trial.trace for trial in trials)
    assert np.array_equal(unassisted["voluntary_N"], assisted["voluntary_N"])
    assert trials[0].pulses["t_us"].size == 0
    assert trials[1].pulses["t_us"].size > 100
    held = (assisted["t_us"] >= 12_000_000) & (assisted["t_us"] < 24_000_000)
    error_N = [np.mean(np.abs(trace["force_N"][held] - 17.0)) for trace in (unassisted, assisted)]
    assert error_N[1] < error_N[0]
