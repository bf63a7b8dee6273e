"""No pulse outside the limits: the whole gallery and laws that ask for everything, judged by sums over windows."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.thenar.engine_trials import Push, fault, pushed, the_trial
from tests.thenar.pulse_audit import broken_limits
from thenar.engine.events import run_trial
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial, plan_trials
from thenar.scenarios.gallery import gallery_file, gallery_names
from thenar.scenarios.loader import load_scenario

BAD_LAWS = Path(__file__).with_name("bad_laws.py")
PROFILES = ("forearm-25cm2", "thumb-8cm2")
EAGER = "[wearer.agonist.recruitment]\nrheobase_mA = 20.0\n[wearer.antagonist.recruitment]\nrheobase_mA = 20.0"
"""A person with high thresholds, so that the ceiling of R07 lies far above the other bounds."""


@pytest.mark.parametrize("name", gallery_names())
def test_pulses_of_the_gallery_stay_inside_the_limits(name: str) -> None:
    """Every wearer and condition of every shipped scenario, first repeat."""
    fired = 0
    for trial in plan_trials(load_scenario(gallery_file(name))):
        if trial.stimulated and trial.label.repeat == 0:
            result = run_trial(trial)
            assert broken_limits(trial, result) == []
            fired += result.pulses["t_us"].size
    if name == "not-screened":
        assert fired == 0, "the interlock never armed"
    else:
        assert fired > 100, "there was something to judge"


def greedy(tmp_path: Path, law: str, profile: str, person: str = "", seconds: float = 75.0) -> Trial:
    """A trial whose law asks for far too much, on both channels or one."""
    shutil.copy(BAD_LAWS, tmp_path / "bad_laws.py")
    tables = (
        f'[law]\nfile = "bad_laws.py"\nclass = "{law}"\n[limits]\nprofile = "{profile}"\n[wearer]\nmax_pinch_N = 250.0'
    )
    return the_trial(tables, person, base=tmp_path, seconds=seconds)


@pytest.mark.parametrize("person", ["", EAGER])
@pytest.mark.parametrize("profile", PROFILES)
@pytest.mark.parametrize("law", ["Hard", "OneSided", "Swaps", "Flickers", "Jumps", "Utmost"])
def test_a_law_that_asks_for_everything_gets_no_pulse_outside_the_limits(
    tmp_path: Path, law: str, profile: str, person: str
) -> None:
    trial = greedy(tmp_path, law, profile, person)
    result = run_trial(trial)
    assert broken_limits(trial, result) == []
    if law != "Utmost":  # which asks for so long a pulse that next to no current is left
        assert result.pulses["t_us"].size > 1_000


@pytest.mark.parametrize("profile", PROFILES)
@pytest.mark.parametrize("person", ["", EAGER])
def test_a_full_demand_reaches_its_tightest_limit_and_no_further(tmp_path: Path, profile: str, person: str) -> None:
    """The audit above would be worth little if limits were never met. Charge is reckoned with the asked 450 us."""
    trial = greedy(tmp_path, "OneSided", profile, person)
    result = run_trial(trial)
    bounds = trial.profile.agonist
    tightest_mA = min(bounds.peak_mA.value, trial.calibration.agonist.ceiling_mA, bounds.charge_uC.value * 1e3 / 450.0)
    step_mA = trial.profile.loop.device_step_mA.value
    assert result.pulses["current_mA"].max() == pytest.approx(tightest_mA // step_mA * step_mA)
    assert result.pulses["width_us"].max() == bounds.width_max_us.value
    assert np.diff(result.pulses["t_us"]).min() == 1e6 / bounds.rate_Hz.value
    assert {"R06", "R08", "R09", "R11", "R20", "R21", "R23"} <= set(result.reason_ticks)
    gaps_us = np.diff(result.pulses["t_us"])
    assert gaps_us.max() > 1_000_000, "a rest after twenty seconds"


def clean() -> tuple[Trial, TrialResult]:
    """A run of three seconds that breaks nothing, both channels at work."""
    trial = the_trial(EAGER, "[wearer]\nmax_pinch_N = 250.0", fault("emergency-stop", 2.5), seconds=3.0)
    result, _ = pushed(trial, Push(trial.calibration, 0.2, 0.2))
    assert set(result.pulses["channel"].tolist()) == {0, 1}
    return trial, result


def tampered(result: TrialResult, name: str, index: int, value: float) -> TrialResult:
    """The result with one number of one pulse changed."""
    column = result.pulses[name].copy()
    column[index] = value
    return replace(result, pulses={**result.pulses, name: column})


def without(result: TrialResult, *kinds: str) -> TrialResult:
    """The result with events of some kinds left out."""
    return replace(result, events=tuple(event for event in result.events if event["kind"] not in kinds))


def test_the_audit_passes_a_clean_run_and_finds_every_planted_fault() -> None:
    trial, result = clean()
    assert broken_limits(trial, result) == []
    last = result.pulses["t_us"].size - 1
    t_us = result.pulses["t_us"]
    planted = {
        "R06": tampered(result, "current_mA", 40, 40.1),
        "R07": tampered(result, "current_mA", 40, trial.calibration.agonist.ceiling_mA + 5.0),
        "R08": tampered(result, "width_us", 40, 401),
        "R09": tampered(result, "current_mA", 40, 48.1),
        "R10": tampered(result, "current_mA", 40, 100.1),
        "R11": tampered(result, "t_us", 2, t_us[0] + 19_999),
        "R18": tampered(result, "current_mA", 40, 0.0),
        "R20": tampered(result, "current_mA", 40, result.pulses["current_mA"][40] + 2.0),
        "R21": tampered(result, "current_mA", 0, 0.9),
        "R26": tampered(result, "t_us", 41, t_us[40] + 600),
        "R36": tampered(result, "current_mA", 40, result.pulses["current_mA"][40] - 0.05),
        "R34": tampered(result, "t_us", last, 2_500_000),
        "R05": without(result, "armed"),
        "R03": tampered(result, "width_us", 40, 249),
        "R37": tampered(result, "width_us", 40, 251),
    }
    for rule, bad in planted.items():
        assert any(line.startswith(rule) or f"or {rule}" in line for line in broken_limits(trial, bad)), rule


def test_the_audit_finds_windows_that_are_overfull() -> None:
    """A train made by hand: 30 mA, 400 us, every 20 ms for 25 s."""
    trial, result = clean()
    count = 1_250
    fired = {
        "t_us": np.arange(count, dtype=np.int64) * 20_000,
        "channel": np.zeros(count, dtype=np.int64),
        "current_mA": np.full(count, 30.0),
        "width_us": np.full(count, 400, dtype=np.int64),
        "gap_us": np.full(count, 50, dtype=np.int64),
    }
    train = replace(result, pulses=fired, events=({"t_us": 0, "kind": "armed"},))
    rows = {name: np.resize(values, 2_501) for name, values in result.trace.items()}
    found = " ".join(broken_limits(trial, replace(train, trace=rows)))
    assert "R23 without a rest: 2.498e+07 above 2e+07" in found
    # 51 pulses in a closed second: 30 mA x sqrt(2 x 400 us x 51 / 1 s) = 6.06 mA; 30 x 2 x 400 us x 51 / 1 s = 1.22 mA.
    small = trial.profile.agonist
    bounds = {"rms_mA": 6.0, "rms_density_mA_per_cm2": 0.48, "rectified_mA": 1.2, "power_density_W_per_cm2": 7e-4}
    tight = small.model_copy(
        update={name: getattr(small, name).model_copy(update={"value": value}) for name, value in bounds.items()}
    )
    judged = replace(trial, profile=trial.profile.model_copy(update={"agonist": tight}))
    found = " ".join(broken_limits(judged, replace(train, trace=rows)))
    for words in ("R12: 6.05", "R13: 0.484", "R15: 0.000734", "R16: 1.224"):
        assert words in found
    fired["t_us"] = fired["t_us"] + np.arange(count) // 800 * 2_000_000
    rows = {name: np.resize(values, 2_801) for name, values in result.trace.items()}
    window = broken_limits(trial, replace(train, trace=rows, duration_us=28_000_000))
    assert not any("R23" in line for line in window), "a rest of two seconds after sixteen makes it fair"
