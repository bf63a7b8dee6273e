"""`thenar compare --data`: a lab's own results through the same tables, and how well a rehearsal predicted them."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.thenar.small_runs import SMALL, write_scenario
from thenar.cli import main
from thenar.run import run_scenario
from thenar.scenarios.loader import load_scenario
from thenar.shared.errors import InputError
from thenar.study.compare_data import read_data

HANDS = SMALL[: SMALL.index("[[wearers]]")] + "[population]\ncount = 6\n\n" + SMALL[SMALL.index("[target]") :]
HEAD = "wearer,condition,trial,target_N,mean_abs_error_N"
Change = Callable[[float, str], float]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six drawn engravers, two conditions, two rungs: a finished run folder."""
    top = tmp_path_factory.mktemp("data")
    run_scenario(load_scenario(write_scenario(top, HANDS)), top / "run")
    return top / "run"


def measured(run: Path, folder: Path, change: Change = lambda value, _: value, named: str = "{}") -> Path:
    """A run's own table as if a lab had measured it. `change`: of a value and its condition; `named`: of wearers."""
    lines = [f"{HEAD},target"]
    for line in csv.DictReader((run / "trials.csv").read_text().splitlines()):
        value = float(change(float(line["mean_abs_error_N"]), line["condition"]))
        wearer = named.format(line["wearer_name"])
        lines.append(f"{wearer},{line['condition']},{line['trial']},{line['target_N']},{value!r},{line['target']}")
    file = folder / "lab.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def told(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, object]:
    """The record that the command prints."""
    assert main(["--json", "compare", *arguments]) == 0
    found: dict[str, object] = json.loads(capsys.readouterr().out)
    return found


def test_measured_results_alone_go_through_the_same_comparison(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = measured(run, tmp_path)
    alone = told(["--data", str(file)], capsys)
    of_run = told([str(run), "--measure", "mean_abs_error_N"], capsys)
    assert alone["comparisons"] == of_run["comparisons"]
    assert "prediction" not in alone
    assert "lab's own" in str(alone["what_this_cannot_say"])


def test_a_rehearsal_that_is_the_data_predicts_them_trial_by_trial(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = measured(run, tmp_path, lambda value, _: value + 1e-3 * np.sin(1e6 * value))
    found = told([str(run), "--data", str(file), "--margin", "0.1"], capsys)["prediction"]
    assert isinstance(found, dict)
    assert found["trials"]["concordance"] == pytest.approx(1.0, abs=1e-3)
    assert all(one["equivalent"] and one["same"] == 6 for one in found["differences"])
    assert all(one["p_ks"] > 0.9 for one in found["spreads"])


def test_a_rehearsal_that_misses_the_effect_is_not_called_equivalent(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = measured(run, tmp_path, lambda value, condition: value + (condition == "assisted") * 1.0, "bench {}")
    found = told([str(run), "--data", str(file), "--margin", "0.3"], capsys)["prediction"]
    assert isinstance(found, dict)
    assert found["trials"] is None
    assert not any(one["equivalent"] or one["same"] for one in found["differences"])
    assert all(one["low"] < -0.3 for one in found["differences"])


def test_the_screen_says_how_well_it_was_predicted(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["compare", str(run), "--data", str(measured(run, tmp_path)), "--margin", "5"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "How well the rehearsal predicted the mean absolute error (margin 5 N)" in said
    assert ": equivalent (" in said
    assert "concordance 1.00" in said


def test_the_template_is_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "lab.csv"
    assert main(["template", "comparison", "--to", str(file)]) == 0
    assert "thenar compare --data" in capsys.readouterr().out
    rows = read_data(file)
    assert [row.person for row in rows] == ["bench 1", "bench 1", "bench 2"]
    assert np.isnan(rows[2].values["cv_percent"])


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ("", "", "no line of numbers"),
        (f"{HEAD}\n", "", "no line of numbers"),
        ("wearer,condition,trial,target_N\na,b,1,4\n", "columns", "no measure"),
        ("wearer,condition,trial,mean_abs_error_N\na,b,1,4\n", "column target_N", "not there"),
        (f"{HEAD},mean_abs_eror_N\na,b,1,4,1,1\n", "column 'mean_abs_eror_N'", "unknown"),
        (f"{HEAD}\na,b,1,4,x\n", "line 2, column mean_abs_error_N", "'x'"),
        (f"{HEAD}\na,,1,4,1\n", "line 2, column condition", "''"),
        (f"{HEAD}\na,b,1,4,1\na,b,1,4,2\n", "line 3", "the same wearer, condition, trial and target as line 2"),
        (f"{HEAD}\na,b,1,4\n", "line 2", "4 cells"),
        (f"{HEAD}\na,b,1,inf,1\n", "line 2, column target_N", "'inf'"),
    ],
)
def test_what_is_wrong_is_named_by_line_and_column(text: str, key: str, words: str, tmp_path: Path) -> None:
    file = tmp_path / "lab.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as raised:
        read_data(file)
    problem = raised.value.problems[0]
    assert (problem.key, words in problem.found) == (key, True), problem


def test_a_prediction_needs_its_margin_and_a_comparison_something_to_compare(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = measured(run, tmp_path)
    assert main(["compare"]) == 2
    assert "nothing to compare" in capsys.readouterr().err
    assert main(["compare", str(run), "--data", str(file)]) == 2
    assert "decided before looking" in capsys.readouterr().err
    assert main(["compare", str(run), "--margin", "0.1"]) == 2
    assert "without folders and --data together" in capsys.readouterr().err
    assert main(["compare", "--data", str(file), "--measure", "cv_percent"]) == 2
    assert "a measure of the file: mean_abs_error_N" in capsys.readouterr().err
