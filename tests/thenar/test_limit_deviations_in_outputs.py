"""A run with limits looser than the shipped ones says so in every output that a person may see alone."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from matplotlib.image import imread

import thenar.safety.profile
from tests.folders import resealed
from tests.thenar.made_trials import label, lively_trial, made_trial
from tests.thenar.small_runs import SMALL, write_scenario
from tests.thenar.test_pictures import _panel, _png_texts
from thenar import load_scenario, run_scenario
from thenar.cli import main
from thenar.replay import replay_run
from thenar.report.error_picture import error_picture
from thenar.report.ink import DEVIATIONS_SHOWN, Loosened
from thenar.report.metrics import target_rows
from thenar.report.picture import force_picture
from thenar.report.summary import by_condition_and_target
from thenar.safety.deviation import Deviation

REASON = "pilot hands of the bench are strong"
PEAK = {
    "key": "agonist.peak_mA",
    "rule": "R06",
    "default": 40.0,
    "value": 45.0,
    "unit": "mA",
    "reason": REASON,
}
LINE = f"agonist.peak_mA 45 mA (default 40 mA): {REASON}"


def write_loosened(folder: Path) -> Path:
    """The small scenario with a limit profile of its own beside it, looser in one bound."""
    shipped = Path(thenar.safety.profile.__file__).parent / "profiles" / "forearm-25cm2.toml"
    text = shipped.read_text("utf-8").replace('name = "forearm-25cm2"', 'name = "pilot"\nbased_on = "forearm-25cm2"')
    text = text.replace("peak_mA = { value = 40.0,", f'peak_mA = {{ value = 45.0, reason = "{REASON}",', 1)
    (folder / "pilot.toml").write_text(text, "utf-8")
    return write_scenario(folder, SMALL.replace('"forearm-25cm2"', '"pilot.toml"'))


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run with loosened limits."""
    base = tmp_path_factory.mktemp("loosened")
    run_scenario(load_scenario(write_loosened(base)), base / "run", jobs=1)
    return base / "run"


def test_manifest_and_summary_name_the_base_and_every_deviation(finished: Path) -> None:
    for name in ("manifest.json", "summary.json"):
        limits = json.loads((finished / name).read_text("utf-8"))["limits"]
        assert (limits["profile"], limits["based_on"], limits["deviations"]) == ("pilot.toml", "forearm-25cm2", [PEAK])


def test_both_tables_carry_them_in_their_metadata(finished: Path) -> None:
    for name in ("trace", "pulses"):
        metadata = pq.read_schema(finished / f"{name}.parquet").metadata
        assert json.loads(metadata[b"limit_deviations"]) == [PEAK]


def test_every_row_of_the_tidy_table_carries_them(finished: Path) -> None:
    with (finished / "trials.csv").open(encoding="utf-8") as file:
        found = {row["limit_deviations"] for row in csv.DictReader(file)}
    assert found == {"agonist.peak_mA=45"}


def test_both_pictures_carry_them_in_their_alt_text(finished: Path) -> None:
    for name in ("force.png", "errors.png"):
        assert f"Limits deviate from forearm-25cm2: {LINE}." in _png_texts(finished / name)["Description"]


def test_a_loosened_run_replays_and_a_deviation_taken_out_of_the_manifest_is_noticed(finished: Path) -> None:
    replayed = replay_run(finished)
    assert replayed.identical
    assert replayed.changes == []
    manifest = json.loads((finished / "manifest.json").read_text("utf-8"))
    manifest["limits"]["deviations"] = []
    resealed(finished, manifest)
    replayed = replay_run(finished)
    assert replayed.identical
    assert ["loosens" in line for line in replayed.changes] == [True]


def test_check_and_run_say_them_on_the_screen(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(write_loosened(tmp_path))
    assert main(["check", file]) == 0
    (told,) = [line for line in capsys.readouterr().out.splitlines() if "deviates" in line]
    assert told.startswith("deviates from forearm-25cm2")
    assert told.endswith(LINE)
    assert main(["check", file, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["files"][0]["limit_deviations"] == [PEAK]
    assert main(["run", file, "--out", str(tmp_path / "run"), "--jobs", "1"]) == 0
    assert f"deviates from forearm-25cm2: {LINE}" in capsys.readouterr().out


def test_check_tells_a_bound_loosened_without_a_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(write_loosened(tmp_path))
    text = (tmp_path / "pilot.toml").read_text("utf-8").replace(f'reason = "{REASON}",', "")
    (tmp_path / "pilot.toml").write_text(text, "utf-8")
    assert main(["check", file]) == 2
    told = capsys.readouterr()
    assert 'allowed: at most 40 mA (the default of forearm-25cm2), or reason = "why" beside it' in told.err
    assert "agonist.peak_mA" in told.err
    assert "Traceback" not in told.err


def test_a_run_with_shipped_limits_says_of_no_deviation(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(write_scenario(tmp_path))]) == 0
    assert "deviates" not in capsys.readouterr().out
    assert Loosened().lines() == []
    assert Loosened().words() == ""


def _many(count: int) -> Loosened:
    found = [Deviation(f"agonist.bound_{n}", "R06", 1.0, 2.0, "mA", "a long reason " * 12) for n in range(count)]
    return Loosened("forearm-25cm2", found)


@pytest.mark.parametrize("count", [1, DEVIATIONS_SHOWN, DEVIATIONS_SHOWN + 20])
def test_the_lower_margin_grows_with_them_and_nothing_runs_out_of_the_picture(count: int, tmp_path: Path) -> None:
    trial = lively_trial(label(0))
    rows = target_rows(made_trial([4.0] * 20, [3.0] * 20), moving=False)
    table = by_condition_and_target(rows)
    force_picture(tmp_path / "plain.png", [_panel(trial)], "Hold", "the only wearer", {})
    force_picture(tmp_path / "force.png", [_panel(trial)], "Hold", "the only wearer", {}, _many(count))
    error_picture(tmp_path / "errors.png", table, rows, "Hold", _many(count))
    assert imread(tmp_path / "force.png").shape[0] > imread(tmp_path / "plain.png").shape[0]
    for name in ("force.png", "errors.png"):
        pixels = imread(tmp_path / name)
        assert min(edge.min() for edge in (pixels[0], pixels[-1], pixels[:, 0], pixels[:, -1])) == 1.0
    told = _many(count).lines()
    assert len(told) == min(count, DEVIATIONS_SHOWN + 1)
    if count > DEVIATIONS_SHOWN:
        assert told[-1] == f"and {count - DEVIATIONS_SHOWN} more, all in summary.json"
