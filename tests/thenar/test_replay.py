"""`thenar replay`: exact anywhere, and it finds the smallest change."""

from __future__ import annotations

import json
import math
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import thenar.safety.profile
from tests.folders import resealed
from tests.thenar.small_runs import SMALL, thenar_process, write_scenario
from tests.waiting import LONG_S
from thenar import load_scenario, run_scenario
from thenar.cli import main
from thenar.replay import first_difference, replay_run
from thenar.report.folder import sealed
from thenar.shared.errors import InputError

OWN_LAW = '''\
"""A small law of our own."""

from thenar import Demand, Stimulus

REST = Stimulus(0.0, 0.0, 0.0)


class Nudge:
    """A fixed push while the estimate is below target."""

    def __init__(self, settings, calibration):
        self.push = Stimulus(settings["push_mA"], calibration.agonist.width_us, calibration.agonist.rate_Hz)

    def decide(self, observation):
        """Push or rest."""
        return Demand(self.push if observation.estimate_N < observation.target_N else REST, REST)
'''


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run with a user's law, a recording and a limit profile of its own, whose originals are gone."""
    base = tmp_path_factory.mktemp("origin")
    study = base / "study"
    study.mkdir()
    (base / "laws").mkdir()
    (base / "laws" / "nudge.py").write_text(OWN_LAW)
    (study / "own hand.csv").write_text("t_s,force_N\n0,1.5\n1,4.25\n3,3.125\n")
    shipped = Path(thenar.safety.profile.__file__).parent / "profiles" / "forearm-25cm2.toml"
    tighter = shipped.read_text("utf-8").replace("peak_mA = { value = 40.0", "peak_mA = { value = 9.0")
    tighter = tighter.replace('name = "forearm-25cm2"', 'name = "lab pads"\nbased_on = "forearm-25cm2"')
    assert tighter.count("session_min = { value = 30.0,") == 1
    tighter = tighter.replace(
        "session_min = { value = 30.0,", 'session_min = { value = 40.0, reason = "a long bench session",'
    )
    (study / "tighter.toml").write_text(tighter, "utf-8")
    text = SMALL.replace(
        'name = "proportional"', 'file = "../laws/nudge.py"\nclass = "Nudge"\nsettings = { push_mA = 9.5 }'
    )
    text = text.replace('"forearm-25cm2"', '"tighter.toml"')
    text = text.replace('name = "first engraver"', 'name = "first engraver"\nrecording = "own hand.csv"')
    loaded = load_scenario(write_scenario(study, text), check_law=True)
    run_scenario(loaded, base / "run", jobs=1)
    shutil.rmtree(study)
    shutil.rmtree(base / "laws")
    return base / "run"


@pytest.fixture
def folder(finished: Path, tmp_path: Path) -> Path:
    """A copy of the finished run, somewhere else, to be tampered with."""
    return Path(shutil.copytree(finished, tmp_path / "moved" / "copy"))


def test_a_moved_run_replays_exactly_twice_in_a_row(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for _ in range(2):
        assert main(["replay", str(folder), "--run-law", "--jobs", "1"]) == 0
        assert capsys.readouterr().out == "identical: 4 trials, every column, event and result\n"


@pytest.mark.slow
def test_a_run_replays_exactly_in_another_process_and_working_directory(folder: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    process = thenar_process(["replay", str(folder), "--run-law", "--jobs", "2"], elsewhere)
    out, told = process.communicate(timeout=LONG_S)
    assert (process.returncode, out) == (0, "identical: 4 trials, every column, event and result\n"), told
    assert list(elsewhere.iterdir()) == []


def test_a_replay_leaves_the_folder_as_it_was(folder: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    assert replay_run(folder, run_law=True).identical
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


def test_a_replay_writes_nothing_outside_a_folder_of_its_own_and_clears_it_away(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The law is named "../laws/nudge.py": even so nothing is laid beside the folder that the replay makes."""
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    assert replay_run(folder, run_law=True).identical
    assert list(temporary.iterdir()) == []


def _rewrite(file: Path, change: Callable[[dict[str, np.ndarray]], None]) -> None:
    """Change the columns of a table in place, keeping its schema."""
    table = pq.read_table(file)
    columns = {name: table.column(name).to_numpy().copy() for name in table.column_names}
    change(columns)
    pq.write_table(pa.table(list(columns.values()), schema=table.schema), file)
    resealed(file.parent)


def test_one_changed_cell_is_found_and_laid_at_the_table_s_door(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The last bit of one force of the third trial."""

    def nudge(columns: dict[str, np.ndarray]) -> None:
        row = int(np.flatnonzero(columns["trial"] == 2)[100])
        columns["force_N"][row] = math.nextafter(columns["force_N"][row], math.inf)

    _rewrite(folder / "trace.parquet", nudge)
    assert main(["replay", str(folder), "--run-law", "--jobs", "1"]) == 1
    told = capsys.readouterr().out
    assert told.startswith("different: trial 2, trace.force_N, row 100, at 1000000 us: stored ")
    assert "the table was changed after the run" in told


def test_the_earliest_of_several_changes_is_told(folder: Path) -> None:
    def shift(columns: dict[str, np.ndarray]) -> None:
        mine = np.flatnonzero(columns["trial"] == 1)
        columns["t_us"][mine[5]] += 1
        columns["current_mA"][mine[3]] += 0.1

    _rewrite(folder / "pulses.parquet", shift)
    difference = replay_run(folder, run_law=True).difference
    assert difference is not None
    assert (difference.trial, difference.where, difference.row) == (1, "pulses.current_mA", 3)


def test_a_missing_row_is_found(folder: Path) -> None:
    table = pq.read_table(folder / "trace.parquet")
    pq.write_table(table.slice(0, table.num_rows - 1), folder / "trace.parquet")
    resealed(folder)
    difference = replay_run(folder, run_law=True).difference
    assert difference is not None
    assert (difference.trial, difference.row) == (3, 300)
    assert difference.stored == "nothing after 300 rows"


def test_rows_of_an_unknown_trial_are_found(folder: Path) -> None:
    def add(columns: dict[str, np.ndarray]) -> None:
        columns["trial"][-1] = 9

    _rewrite(folder / "pulses.parquet", add)
    difference = replay_run(folder, run_law=True).difference
    assert difference is not None
    assert (difference.trial, difference.where) == (9, "pulses")


@pytest.mark.parametrize(("line", "trial"), [(0, 0), (-1, 3)])
def test_a_changed_event_is_found(folder: Path, line: int, trial: int) -> None:
    lines = (folder / "events.jsonl").read_text("utf-8").splitlines()
    event = json.loads(lines[line])
    lines[line] = json.dumps(event | {"t_us": event["t_us"] + 1})
    (folder / "events.jsonl").write_text("\n".join(lines) + "\n")
    resealed(folder)
    difference = replay_run(folder, run_law=True).difference
    assert difference is not None
    assert (difference.trial, difference.where) == (trial, "events")


def test_a_missing_event_is_found(folder: Path) -> None:
    lines = (folder / "events.jsonl").read_text("utf-8").splitlines()
    (folder / "events.jsonl").write_text("\n".join(lines[:-1]) + "\n")
    resealed(folder)
    difference = replay_run(folder, run_law=True).difference
    assert difference is not None
    assert difference.stored == "no event"


def test_another_simulation_is_told_from_a_changed_table(folder: Path) -> None:
    """With another seed in the manifest the tables are untouched, and the hint says that the simulation differs."""
    _edit_manifest(folder, lambda manifest: manifest.update(seed=6))
    difference = replay_run(folder, run_law=True).difference
    assert difference is not None
    assert "the simulation itself gives something else" in difference.hint


def test_other_versions_are_noted(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _edit_manifest(folder, lambda manifest: manifest["made_by"]["libraries"].update(numpy="1.0"))
    assert main(["replay", str(folder), "--run-law", "--jobs", "1", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["identical"] is True
    assert any(line.startswith("numpy: 1.0 then, ") for line in told["changes"])


def _resealed_events(folder: Path, text: str) -> None:
    (folder / "events.jsonl").write_text(text)
    resealed(folder)


def _edit_manifest(folder: Path, edit: Callable[[dict[str, Any]], None]) -> None:
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    edit(manifest)
    (folder / "manifest.json").write_text(json.dumps(sealed(manifest)), "utf-8")


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (shutil.rmtree, "no such folder"),
        (lambda folder: (folder / "manifest.json").unlink(), "no manifest.json in it"),
        (lambda folder: (folder / "manifest.json").write_text("{"), "JSON as `thenar run` wrote it"),
        (lambda folder: (folder / "manifest.json").write_bytes(b"\xff\xfe"), "JSON as `thenar run` wrote it"),
        (lambda folder: _edit_manifest(folder, lambda m: m.pop("seed")), "seed"),
        (lambda folder: _edit_manifest(folder, lambda m: m.update(format=1)), "make the folder anew"),
        (lambda folder: _edit_manifest(folder, lambda m: m["scenario"].update(text="x")), "changed after the run"),
        (lambda folder: (folder / "events.jsonl").write_text("nonsense\n"), "events.jsonl"),
        (lambda folder: _resealed_events(folder, "nonsense\n"), "line 1 is no event"),
        (lambda folder: (folder / "events.jsonl").unlink(), "events.jsonl"),
        (lambda folder: (folder / "trace.parquet").write_bytes(b"PAR1"), "trace.parquet"),
        (lambda folder: next((folder / "inputs").glob("*.py")).write_text("x = 1"), "nudge.py"),
        (lambda folder: next((folder / "inputs").glob("*.csv")).unlink(), "own hand.csv"),
    ],
)
def test_a_damaged_folder_is_told_on_one_screen(
    folder: Path, damage: Callable[[Path], object], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    damage(folder)
    assert main(["replay", str(folder), "--run-law", "--jobs", "1"]) == 2
    found = capsys.readouterr().err
    assert told in found
    assert "Traceback" not in found
    assert len(found.splitlines()) < 25


def test_damage_is_an_input_error_for_callers_too(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        replay_run(tmp_path / "nothing")


def test_columns_are_compared_bit_for_bit_but_one_nan_is_another() -> None:
    other_nan = np.array([0x7FF8000000000001], dtype=np.uint64).view(np.float64)
    assert first_difference({"a": np.array([math.nan])}, {"a": other_nan}) is None
    assert first_difference({"a": np.array([0.0])}, {"a": np.array([-0.0])}) == ("a", 0, "0.0", "-0.0")
    assert first_difference({"a": np.array([1.0])}, {"a": np.array([1])}) == ("a", -1, "float64", "int64")
    assert first_difference({"a": np.array([1])}, {"b": np.array([1])}) == ("a", -1, "a column", "no such column")
