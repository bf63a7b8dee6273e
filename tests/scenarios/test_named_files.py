"""Files that a scenario names: which names are taken, and what a person is told about a file that can't be used."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.scenarios.texts import SMALLEST, the_problem_of


@pytest.mark.parametrize("name", ["/r.csv", "C:/r.csv", "a\\\\b.csv", "a\\u0000b.csv", "x" * 300, "."])
def test_a_file_name_that_cannot_move_with_its_scenario_is_refused(name: str) -> None:
    problem = the_problem_of(SMALLEST + f'[wearer]\nrecording = "{name}"\n')
    assert problem.key == "wearer.recording"


def test_an_absolute_file_name_is_refused_even_where_the_file_is_there(tmp_path: Path) -> None:
    (tmp_path / "hand.csv").write_text("t_s,force_N\n0,1\n1,2\n")
    text = SMALLEST + f'[wearer]\nrecording = "{(tmp_path / "hand.csv").as_posix()}"\n'
    assert "relative to the scenario file" in the_problem_of(text).allowed


def test_a_missing_file_is_answered_with_the_nearest_one_beside_the_scenario(tmp_path: Path) -> None:
    (tmp_path / "left-hand.csv").write_text("t_s,force_N\n0,1\n1,2\n")
    text = SMALLEST + '[wearer]\nrecording = "lefthand.csv"\n'
    assert the_problem_of(text, tmp_path).nearest == "left-hand.csv"


def test_a_recorded_target_below_zero_or_above_the_wearer_is_refused(tmp_path: Path) -> None:
    text = SMALLEST.replace('program = "constant"\nlevel_N = 5.0', 'program = "recording"\nfile = "aim.csv"')
    for lowest, highest, allowed in ((-0.5, 5.0, "forces from 0"), (0.0, 95.0, "at most max_pinch_N")):
        (tmp_path / "aim.csv").write_text(f"t_s,target_N\n0,{lowest}\n1,{highest}\n")
        problem = the_problem_of(text, tmp_path)
        assert problem.key == "target.file"
        assert allowed in problem.allowed


def test_a_broken_recording_is_told_with_its_own_file_line_and_column(tmp_path: Path) -> None:
    (tmp_path / "hand.csv").write_text("t_s,force_N\n0,1\n1,x\n")
    problem = the_problem_of(SMALLEST + '[wearer]\nrecording = "hand.csv"\n', tmp_path)
    assert problem.file == str(tmp_path / "hand.csv")
    assert problem.key == "line 3, force_N"
