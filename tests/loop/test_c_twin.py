"""The twin written by hand in C runs the same model: its trace and pulses are thenar's."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmarks.c_twin import AGREES, built, compared, compiler, difference, twin_run
from tests.thenar.engine_trials import ALL_AT_ONCE, RAGGED, fault, planned, the_trial
from thenar.engine.events import run_trial
from thenar.engine.trial import Trial, plan_trials
from thenar.scenarios.changes import with_values
from thenar.scenarios.gallery import gallery_file
from thenar.scenarios.loader import load_scenario

pytestmark = pytest.mark.skipif(compiler() is None, reason="no C compiler (cc, gcc or clang) on this machine")

MILLIAMPERES = '[law]\nname = "proportional"\n[law.settings]\nacts_on = "width"\ngain_mA_per_N = 1.5\nstart = "zero"\n'
TWITCH = '[wearer.agonist.muscle]\nmodel = "twitch"\ndelay_ms = 0.0\n'
RELAY = '[law]\nname = "bang-bang"\n[law.settings]\nchronaxie_us = 200.0\nagonist.share = 0.5\n'
BAD_SECONDS = (
    fault("electrode-lift", 1.0, 0.5, channel="agonist", contact_share=0.4),
    fault("controller-stall", 2.0, 0.25),
    fault("unbalanced-pulses", 2.5, 0.25, channel="agonist", missing_share=0.5),
    fault("emergency-stop", 3.0),
    fault("re-arm", 3.5, cause="R33"),
    fault("dropout", 4.0, 1.0),
)


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The twin, compiled once, with every warning an error."""
    return built(tmp_path_factory.mktemp("twin"), "-Wall", "-Wextra", "-Werror")


def shortened(name: str, seconds: float) -> list[Trial]:
    """The first wearer's trials of a scenario of the gallery, all conditions, cut to `seconds`."""
    loaded = with_values(load_scenario(gallery_file(name)), {"duration_s": seconds})
    return [trial for trial in plan_trials(loaded) if trial.label.wearer == 0]


def assert_equal(trials: list[Trial], program: Path) -> None:
    """Every trial within the bar, and at least one in which pulses left."""
    pulses = 0
    for trial in trials:
        twin, ours = twin_run(trial, program=program), run_trial(trial)
        apart = difference(twin, ours)
        pulses += len(ours.pulses["t_us"])
        print(f"{trial.label.condition}: worst relative difference {apart:.2g}")
        assert apart <= AGREES
    assert pulses > 0


def test_the_training_ladder_agrees_in_every_condition(program: Path) -> None:
    trials = shortened("key-pinch-ladder", 6.0)
    assert {trial.label.condition for trial in trials} == {"unassisted", "assisted", "stimulation-only"}
    assert_equal(trials, program)


def test_a_bang_bang_law_under_faults_agrees(program: Path) -> None:
    trial = the_trial(RELAY, RAGGED, *BAD_SECONDS, seconds=6.0)
    assert set(run_trial(trial).trace["trip"].tolist()) > {0, 33}
    assert_equal([trial], program)


def test_a_width_law_on_a_fixed_twitch_agrees_where_every_clock_meets(program: Path) -> None:
    level = '[target]\nprogram = "constant"\nlevel_N = 12.0'
    clocks = ALL_AT_ONCE.replace("[wearer.agonist.muscle]\ndelay_ms = 20.0\n", "")
    assert_equal(planned(level, MILLIAMPERES, clocks, TWITCH, seconds=4.0), program)


def test_a_repeated_run_starts_from_the_same_state(program: Path) -> None:
    trial = the_trial(RELAY, *BAD_SECONDS, seconds=6.0)
    assert difference(twin_run(trial, repeats=3, program=program), run_trial(trial)) <= AGREES


@pytest.mark.parametrize(
    ("key", "value"), [("wearer.contact_ms", 15.001), ("law.settings.deadband_N", 0.501), ("wearer.cue.trust", 0.501)]
)
def test_another_setting_is_noticed(key: str, value: float, program: Path) -> None:
    loaded = load_scenario(gallery_file("key-pinch-ladder"))
    cut = {"duration_s": 6.0, "population.count": 1}
    before, after = (plan_trials(with_values(loaded, cut | more))[1] for more in ({}, {key: value}))
    assert before.stimulated
    assert difference(twin_run(after, program=program), run_trial(before)) > AGREES


def test_a_fault_planted_in_the_twins_interlock_is_noticed(tmp_path: Path) -> None:
    trial = shortened("key-pinch-ladder", 6.0)[1]
    assert compared(trial, built(tmp_path, "-DFAULT=3")) > AGREES  # currents rounded to the nearest step


def test_a_law_that_the_twin_does_not_have_is_refused(tmp_path: Path, program: Path) -> None:
    (tmp_path / "mine.py").write_text("class Mine:\n    pass\n", "utf-8")
    trial = the_trial('[law]\nfile = "mine.py"\nclass = "Mine"\n', base=tmp_path)
    with pytest.raises(ValueError, match="built-in laws only"):
        twin_run(trial, program=program)
