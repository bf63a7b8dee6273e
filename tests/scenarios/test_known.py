"""A scenario can't ask for more than the recordings behind its fitted parts support, unless it says how to go on."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.scenarios.fitted_texts import FLEXOR, HOLD, SENSOR, put_fits
from tests.scenarios.texts import ON_FILE, SMALLEST, loaded, problems_of
from thenar.shared.errors import Problem

FITTED_SENSOR = '\n[estimator]\nfile = "sensor.toml"\n'
FITTED_HOLD = '\n[wearer]\nfiles = ["hold.toml"]\n'
FITTED_FLEXOR = '\n[wearer]\nfiles = ["flexor.toml"]\n'
DRAWN = '\n[population]\ncount = 2\naround = [["hold.toml"]]\n'
MEASURED = """
[calibration]
source = "on-file"
invented = true
max_pinch_N = 80.0

[calibration.agonist]
sensory_mA = 3.0
motor_mA = 6.0
ceiling_mA = 15.0
width_us = 250.0
rate_Hz = 40.0
full_current_mA = 10.0
spread = 0.3
reachable_N = 30.0
"""


def knowing(text: str, line: str, under: str = "[values]") -> str:
    """A fitted file whose values state a range."""
    nested = text.replace("[values.agonist.recruitment]", "[values.agonist]") if "agonist" in under else text
    assert under in nested
    return nested.replace(under, f"{under}\n{line}", 1)


@pytest.fixture
def fits(tmp_path: Path) -> Path:
    """Fitted files that know forces from 1 to 5.2 N, and currents up to 14 mA."""
    put_fits(tmp_path)
    (tmp_path / "sensor.toml").write_text(knowing(SENSOR, "known_N = [1.0, 5.2]"), "utf-8")
    (tmp_path / "hold.toml").write_text(knowing(HOLD, "known_N = [1.0, 5.2]"), "utf-8")
    (tmp_path / "flexor.toml").write_text(
        knowing(FLEXOR, "known_mA = [3.0, 14.0]\n[values.agonist.recruitment]", "[values.agonist]"), "utf-8"
    )
    return tmp_path


def at(level_N: str, more: str) -> str:
    """The least scenario at another level, with more tables."""
    return SMALLEST.replace("level_N = 5.0", f"level_N = {level_N}") + more


def refused(level_N: str, more: str, folder: Path) -> Problem:
    """The one problem of such a scenario."""
    (problem,) = problems_of(at(level_N, more), folder)
    return problem


@pytest.mark.parametrize(
    ("more", "part"), [(FITTED_SENSOR, "estimator"), (FITTED_HOLD, "wearer"), (DRAWN, "population.around[0]")]
)
@pytest.mark.parametrize(
    ("level_N", "fine"), [("0.0", True), ("0.4", False), ("0.5", True), ("5.7", True), ("5.8", False)]
)
def test_a_held_target_lies_within_what_is_known_or_half_a_newton_of_it_and_rest_always_may(
    more: str, part: str, level_N: str, fine: bool, fits: Path
) -> None:
    if fine:
        assert loaded(at(level_N, more), fits)
        return
    problem = refused(level_N, more, fits)
    assert problem.key == "target.level_N"
    assert problem.found == f"{level_N} N"
    assert problem.allowed.startswith("1 to 5.2 N")
    assert part in problem.allowed


def test_every_level_outside_is_named_at_once(fits: Path) -> None:
    levels = 'program = "steps"\nlevels_N = [3.0, 7.0, 11.0]\nevery_s = 2.0\n'
    (problem,) = problems_of(SMALLEST.replace('program = "constant"\nlevel_N = 5.0\n', levels) + FITTED_SENSOR, fits)
    assert (problem.key, problem.found) == ("target.levels_N", "7, 11 N")


@pytest.mark.parametrize(("top_N", "fine"), [(5.0, True), (6.0, False)])
def test_of_a_moving_target_the_highest_force_counts(top_N: float, fine: bool, fits: Path) -> None:
    ramp = f'program = "ramp-and-hold"\nfrom_N = 0.1\nto_N = {top_N}\nramp_s = 2.0\nhold_s = 2.0\n'
    text = SMALLEST.replace('program = "constant"\nlevel_N = 5.0\n', ramp) + FITTED_SENSOR
    assert [problem.key for problem in problems_of(text, fits)] == ([] if fine else ["target.to_N"])


def test_of_a_recorded_target_the_highest_force_counts(fits: Path) -> None:
    (fits / "target.csv").write_text("t_s,target_N\n0,1\n1,6\n2,1\n", "utf-8")
    recorded = 'program = "recording"\nfile = "target.csv"\n'
    text = SMALLEST.replace('program = "constant"\nlevel_N = 5.0\n', recorded) + FITTED_SENSOR
    assert [problem.key for problem in problems_of(text, fits)] == ["target.file"]


@pytest.mark.parametrize("more", [FITTED_SENSOR, FITTED_HOLD])
def test_a_scenario_that_says_how_to_go_on_may(more: str, fits: Path) -> None:
    assert loaded(at("7.0", more + 'beyond_known = "slope"\n'), fits)


def test_a_curve_by_hand_is_not_held_to_what_the_file_knows(fits: Path) -> None:
    own = FITTED_SENSOR + "true_N = [0.0, 20.0]\nreads_N = [0.0, 18.0]\n"
    assert loaded(at("7.0", own), fits).scenario.estimator.known_N is None
    assert refused("7.0", own + "known_N = [0.0, 6.0]\n", fits).allowed.startswith("0 to 6 N")


@pytest.mark.parametrize(
    ("calibration", "key"),
    [
        (ON_FILE, "wearer.agonist.recruitment.tolerance_over_motor"),
        (MEASURED, "calibration.agonist.ceiling_mA"),
    ],
)
def test_a_ceiling_above_the_highest_recorded_current_is_refused(calibration: str, key: str, fits: Path) -> None:
    problem = refused("5.0", FITTED_FLEXOR + calibration, fits)
    assert problem.key == key
    assert problem.allowed.startswith("3 to 14 mA")
    going_on = FITTED_FLEXOR + 'agonist.beyond_known = "slope"\n'
    assert loaded(at("5.0", going_on + calibration), fits)
