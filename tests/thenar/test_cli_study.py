"""A study on the command line: `check` prints its running sheet, `run` leaves it, and a replay stays identical."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.thenar.small_runs import SMALL, write_scenario
from thenar.cli import main
from thenar.scenarios.loader import load_scenario
from thenar.study.sheet import running_sheet, sheet_csv

STUDY = """
[study]
order = "williams"
preparation_s = 60.0
practice_trials = 1
rest_between_trials_s = 10.0
rest_between_conditions_s = 20.0
measures = ["cv_percent"]
"""


def studied(folder: Path, more: str = "", repeats: int = 2) -> Path:
    """A small study of two engravers and two conditions."""
    return write_scenario(folder, SMALL.replace("seed = 5", f"seed = 5\nrepeats = {repeats}") + STUDY + more)


def test_check_prints_the_running_sheet_with_times_charge_and_warnings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(studied(tmp_path))]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "Running sheet (williams, 2 sequences)" in printed
    assert "The visit of first engraver" in printed
    assert "preparation until 1:00" in printed
    assert "Expected exposure per wearer" in printed
    assert "charge of a visit, mC (R24)" in printed
    assert "WARNING R23: rests of 10 s between stimulated trials are shorter than the 60 s" in printed
    assert "each trial starts with a rested wearer" in printed


def test_check_lays_a_study_out_without_rehearsing_it_when_asked_to(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(studied(tmp_path)), "--no-rehearsal"]) == 0
    printed = capsys.readouterr().out
    assert "Running sheet" in printed
    assert "Expected exposure" not in printed
    assert "were not rehearsed" in printed


def test_check_gives_the_whole_sheet_to_machines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(studied(tmp_path)), "--json"]) == 0
    (file,) = json.loads(capsys.readouterr().out)["files"]
    study = file["study"]
    assert (study["order"], study["sequences"], study["rehearsed"]) == ("williams", 2, True)
    assert [visit["name"] for visit in study["visits"]] == ["first engraver", "second engraver"]
    for visit in study["visits"]:
        assert len(visit["trials"]) == 2 * 3
        # 60 + 6 trials of 3 s + four rests of 10 s + one of 20 s = 138 s.
        assert visit["total_min"] == pytest.approx(138 / 60)
        charge_pC = [one["expected"]["agonist"]["charge_pC"] for one in visit["trials"] if "expected" in one]
        assert len(charge_pC) == 3
        assert visit["expected"]["agonist"]["charge_pC"] == sum(charge_pC) <= visit["at_most"]["agonist"]["charge_pC"]
    assert sum(visit["expected"]["agonist"]["charge_pC"] for visit in study["visits"]) > 0
    assert {warning["rule"] for warning in study["warnings"]} >= {"R23"}


def test_a_study_with_no_stimulation_needs_no_rehearsal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = studied(tmp_path)
    file.write_text(file.read_text("utf-8").replace('["unassisted", "assisted"]', '["unassisted"]'), encoding="utf-8")
    assert main(["check", str(file)]) == 0
    assert "No limit and no rest rule would be met." in capsys.readouterr().out
    assert main(["check", str(file), "--json"]) == 0


@pytest.mark.parametrize("command", ["check", "run"])
def test_an_unknown_measure_is_refused_with_the_nearest_name(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main([command, str(studied(tmp_path, 'primary = "rms_eror_N"\n'))]) == 2
    told = capsys.readouterr().err
    assert "study.primary" in told
    assert "nearest known name: rms_error_N" in told
    assert not (tmp_path / "runs").exists()


def test_a_run_leaves_the_sheet_and_places_in_the_table_and_replays_identically(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "made"
    file = studied(tmp_path)
    assert main(["run", str(file), "--out", str(out), "--seed", "4", "--jobs", "1"]) == 0
    assert "running sheet:" in capsys.readouterr().out
    scenario, names = load_scenario(file).scenario, ["first engraver", "second engraver"]
    with_seed = [sheet_csv(running_sheet(scenario, names, seed)) for seed in (4, scenario.seed)]
    assert (out / "sheet.csv").read_text("utf-8") == with_seed[0] != with_seed[1]
    with (out / "sheet.csv").open(encoding="utf-8", newline="") as lines:
        sheet = {row["trial"]: row for row in csv.DictReader(lines) if row["practice"] == "0"}
    with (out / "trials.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert {row["trial"] for row in rows} == set(sheet)
    for row in rows:
        placed = sheet[row["trial"]]
        same = ("wearer", "wearer_name", "condition", "repeat", "sequence", "block", "period", "position")
        assert [row[name] for name in same] == [placed[name] for name in same]
    assert {row["period"] for row in rows} == {"1", "2"}
    assert main(["replay", str(out), "--jobs", "1"]) == 0
    assert "identical" in capsys.readouterr().out


def test_a_run_without_a_study_leaves_no_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "made"
    assert main(["run", str(write_scenario(tmp_path)), "--out", str(out), "--jobs", "1"]) == 0
    assert "running sheet" not in capsys.readouterr().out
    assert not (out / "sheet.csv").exists()
    assert "period" not in (out / "trials.csv").read_text("utf-8").splitlines()[0].split(",")


def test_checking_a_scenario_without_a_study_brings_in_nothing_of_studies(tmp_path: Path) -> None:
    script = (
        "import sys\nfrom thenar.cli import main\nassert main(['check', sys.argv[1]]) == 0\n"
        "print([name for name in sys.modules if name.startswith('thenar.study')])"
    )
    arguments = [sys.executable, "-c", script, str(write_scenario(tmp_path))]
    done = subprocess.run(arguments, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
