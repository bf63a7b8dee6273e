"""`thenar audit`: what it reads, what it refuses, what it says and with which exit code."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest

from tests.safety.interlock_bench import PLAIN, limits_for
from tests.thenar.small_runs import write_scenario
from thenar.cli import main
from thenar.run import run_scenario
from thenar.safety.audit import planted
from thenar.safety.audit.edits import ONE_CHANNEL
from thenar.safety.audit.logs import DecisionLog, PulseLog
from thenar.safety.rehearsal import played
from thenar.scenarios.loader import load_scenario

BY_PROFILE = ("--limits", "forearm-25cm2", "--ceilings-mA", "40", "40")
Columns = dict[str, Any]


@pytest.fixture(scope="module")
def logs() -> tuple[PulseLog, DecisionLog]:
    """Both logs of a clean trial."""
    return played(limits_for(), ONE_CHANNEL)


def columns_of(log: PulseLog | DecisionLog) -> Columns:
    """The columns that a log has."""
    return {name: column for name, column in log._asdict().items() if column is not None}


def written(folder: Path, name: str, columns: Columns) -> str:
    """A CSV or Parquet file of these columns."""
    file = folder / name
    table = pa.table({key: pa.array(column) for key, column in columns.items()})
    if file.suffix == ".csv":
        pa.csv.write_csv(table, file)
    else:
        pq.write_table(table, file)
    return str(file)


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_log_files_are_audited_from_csv_and_parquet(
    kind: str, tmp_path: Path, logs: tuple[PulseLog, DecisionLog], capsys: pytest.CaptureFixture[str]
) -> None:
    pulses = written(tmp_path, f"pulses.{kind}", columns_of(logs[0]))
    decisions = written(tmp_path, f"decisions.{kind}", columns_of(logs[1]))
    assert main(["audit", pulses, "--decisions", decisions, *BY_PROFILE, "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert (record["pulses"], record["decisions"]) == (len(logs[0].t_us), len(logs[1].t_us))
    assert len(record["rows"]) == 39
    assert {row["rule"] for row in record["rows"] if row["verdict"] == "pass"} >= {"R03", "R20", "R22", "R37", "R38"}


def test_currents_in_milliamperes_give_the_same_audit(
    tmp_path: Path, logs: tuple[PulseLog, DecisionLog], capsys: pytest.CaptureFixture[str]
) -> None:
    columns = columns_of(logs[0])
    in_uA = written(tmp_path, "a.csv", columns)
    in_mA = written(tmp_path, "b.csv", {"current_mA": columns.pop("current_uA") / 1_000.0, **columns})
    told = []
    for file in (in_uA, in_mA):
        assert main(["audit", file, *BY_PROFILE, "--json"]) == 0
        told.append(capsys.readouterr().out)
    assert told[0] == told[1]


def test_a_broken_limit_gives_exit_code_1_and_is_named(
    tmp_path: Path, logs: tuple[PulseLog, DecisionLog], capsys: pytest.CaptureFixture[str]
) -> None:
    file = written(tmp_path, "pulses.csv", columns_of(logs[0]))
    out = tmp_path / "verdicts.json"
    arguments = ["audit", file, "--limits", "forearm-25cm2", "--ceilings-mA", "14.9", "40", "--out", str(out)]
    assert main(arguments) == 1
    told = capsys.readouterr().out
    assert "R07: trial 0" in told
    assert "found 15000 uA, allowed 14900" in told
    assert told.count("\nR") >= 39
    assert "no certification" in told.splitlines()[-1]
    assert json.loads(out.read_text("utf-8"))["failed"] == ["R07"]


def spoil(name: str, change: Callable[[Any], Any]) -> Callable[[Columns], Columns]:
    """One column changed."""
    return lambda columns: columns | {name: change(columns[name])}


def with_value(value: Any) -> Callable[[Any], Any]:
    """A column with its fifth value changed."""
    return lambda column: np.where(np.arange(len(column)) == 4, value, column)


def renamed(old: str, new: str) -> Callable[[Columns], Columns]:
    """A column under another name."""
    return lambda columns: {new if name == old else name: column for name, column in columns.items()}


@pytest.mark.parametrize("kind", ["csv", "parquet"])
@pytest.mark.parametrize(
    ("change", "told"),
    [
        (spoil("current_uA", with_value(-1)), "-1"),
        (spoil("current_uA", with_value(np.nan)), "current_uA"),
        (spoil("width_us", with_value(250.5)), "250.5"),
        (spoil("channel", with_value(2)), "0 to 1"),
        (spoil("current_uA", with_value(2_000_000)), "0 to 1000000"),
        (spoil("t_us", lambda column: column[::-1].copy()), "in order of time"),
        (renamed("current_uA", "curent_uA"), "nearest known name: current_uA"),
        (renamed("width_us", "width_ms"), "nearest known name: width_us"),
        (lambda columns: {name: c for name, c in columns.items() if name != "gap_us"}, "gap_us"),
        (lambda columns: columns | {"current_mA": columns["current_uA"] / 1_000.0}, "twice"),
    ],
)
def test_a_pulse_file_that_cant_be_trusted_is_refused(
    kind: str, change: Callable[[Columns], Columns], told: str, tmp_path: Path,
    logs: tuple[PulseLog, DecisionLog], capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    file = written(tmp_path, f"pulses.{kind}", change(columns_of(logs[0])))
    assert main(["audit", file, *BY_PROFILE]) == 2
    captured = capsys.readouterr()
    assert told in captured.err
    assert "Traceback" not in captured.err
    assert captured.out == ""


@pytest.mark.parametrize("name", ["pulses.csv", "pulses.parquet"])
def test_a_file_that_was_cut_is_refused(
    name: str, tmp_path: Path, logs: tuple[PulseLog, DecisionLog], capsys: pytest.CaptureFixture[str]
) -> None:
    file = Path(written(tmp_path, name, columns_of(logs[0])))
    file.write_bytes(file.read_bytes()[:-3])
    assert main(["audit", str(file), *BY_PROFILE]) == 2
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments", [(), ("nowhere.csv", *BY_PROFILE), ("nowhere.csv", "--limits", "forearm-25cm")], ids=str
)
def test_missing_logs_and_unknown_profiles_are_told(
    arguments: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["audit", *arguments]) == 2
    assert "allowed:" in capsys.readouterr().err


def test_a_file_of_its_own_needs_limits(
    tmp_path: Path, logs: tuple[PulseLog, DecisionLog], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["audit", written(tmp_path, "pulses.csv", columns_of(logs[0]))]) == 2
    assert "--limits" in capsys.readouterr().err


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run folder."""
    base = tmp_path_factory.mktemp("audited")
    run_scenario(load_scenario(write_scenario(base)), base / "run", jobs=1)
    return base / "run"


def test_a_run_folder_is_audited_by_its_own_limits(run_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", str(run_folder), "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["trials"] == len(json.loads((run_folder / "manifest.json").read_text("utf-8"))["trials"])
    assert record["pulses"] == pq.read_table(run_folder / "pulses.parquet").num_rows


def test_other_limits_than_the_runs_are_used_and_said(run_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["audit", str(run_folder), "--limits", "thumb-8cm2"])
    assert "whose values differ" in capsys.readouterr().out


@pytest.mark.parametrize("damage", ["a row less", "two rows swapped", "one value changed", "cut"])
def test_a_run_folder_that_was_changed_is_refused(
    damage: str, run_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "changed"
    shutil.copytree(run_folder, folder)
    file = folder / "pulses.parquet"
    table = pq.read_table(file)
    if damage == "cut":
        file.write_bytes(file.read_bytes()[:-100])
    elif damage == "a row less":
        pq.write_table(table.slice(0, table.num_rows - 1), file)
    elif damage == "two rows swapped":
        pq.write_table(table.take([1, 0, *range(2, table.num_rows)]), file)
    else:
        width = table.column("width_us").to_numpy().copy()
        width[3] += 1
        place = table.column_names.index("width_us")
        pq.write_table(table.set_column(place, table.schema.field(place), pa.array(width)), file)
    assert main(["audit", str(folder)]) == 2
    captured = capsys.readouterr()
    assert "pulses.parquet" in captured.err
    assert captured.out == ""


@pytest.mark.skipif(PLAIN, reason="without the compiler each plant is judged in test_audit_planted, and some below")
def test_the_self_test_notices_every_plant(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", "--self-test", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["holds"] is True
    assert record["without_a_plant"] == []
    assert all(plant["inside"] == [] and plant["rule"] in plant["outside"] for plant in record["plants"])


@pytest.mark.parametrize("as_json", [True, False])
def test_the_self_test_fails_when_a_requirement_has_no_plant(
    as_json: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    few = [plant for plant in planted.PLANTS if plant.rule in {"R06", "R26", "R34"}]
    monkeypatch.setattr(planted, "PLANTS", few)
    assert main(["audit", "--self-test", *(["--json"] if as_json else [])]) == 1
    told = capsys.readouterr().out
    if as_json:
        record = json.loads(told)
        assert (record["holds"], len(record["without_a_plant"])) == (False, 36)
        assert all(plant["inside"] == [] and plant["rule"] in plant["outside"] for plant in record["plants"])
    else:
        assert f"{len(few)} of {len(few)} planted faults noticed" in told
        assert "without a plant: R01, " in told


def test_a_cell_of_megabytes_in_a_log_is_told_by_line_and_column(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "pulses.csv"
    names = "t_us,channel,current_mA,width_us,gap_us"
    file.write_text(f"{names}\n1,0,1.0,200,50\n2,0,{'9' * 20_000_000},200,50\n", encoding="utf-8")
    assert main(["audit", str(file), *BY_PROFILE]) == 2
    told = capsys.readouterr().err
    assert f"{file}: line 3, current_mA\n    found: a cell of 20,000,000 characters" in told


def test_a_pipe_in_place_of_a_log_is_refused_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo(tmp_path / "pulses.csv")
    assert main(["audit", str(tmp_path / "pulses.csv"), *BY_PROFILE]) == 2
    assert "found: a pipe" in capsys.readouterr().err
