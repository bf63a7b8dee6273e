"""The run folder: whole or not at all, and every number in it reads back as it was."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from tests.thenar.made_trials import label, lively_trial
from thenar.report.folder import RunFolder, free_folder, plain, read_events, unfinished_beside
from thenar.report.tables import column_hashes, read_trial, trials_in
from thenar.shared.columns import PULSES, TRACE
from thenar.shared.errors import InputError


def _fill(folder: RunFolder, trials: int = 2) -> None:
    for index in range(trials):
        folder.add(lively_trial(label(index)))
    folder.close_tables()
    folder.write_json("summary.json", {"nothing": math.nan})


def _leave_early(final: Path, error: type[BaseException]) -> None:
    with RunFolder(final, "abc") as folder:
        folder.add(lively_trial(label(0)))
        raise error


def _fill_while_taken(final: Path) -> None:
    with RunFolder(final, "abc") as folder:
        _fill(folder)
        final.mkdir()
        (final / "mine.txt").write_text("mine")


def test_a_finished_folder_holds_only_final_names(tmp_path: Path) -> None:
    with RunFolder(tmp_path / "run", "abc") as folder:
        _fill(folder)
    names = sorted(path.name for path in (tmp_path / "run").iterdir())
    assert names == ["decisions.parquet", "events.jsonl", "pulses.parquet", "summary.json", "trace.parquet"]
    assert [path.name for path in tmp_path.iterdir()] == ["run"]


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError, SystemExit])
def test_a_run_that_ends_early_leaves_nothing(tmp_path: Path, error: type[BaseException]) -> None:
    with pytest.raises(error):
        _leave_early(tmp_path / "run", error)
    assert list(tmp_path.iterdir()) == []


def test_the_final_name_appears_only_at_the_end(tmp_path: Path) -> None:
    with RunFolder(tmp_path / "run", "abc") as folder:
        _fill(folder)
        assert not (tmp_path / "run").exists()
        assert unfinished_beside(tmp_path / "run") == [folder.working]


def test_a_folder_with_files_in_it_is_never_overwritten(tmp_path: Path) -> None:
    taken = tmp_path / "run"
    taken.mkdir()
    (taken / "manifest.json").write_text("{}")
    with pytest.raises(InputError, match="choose another --out, or delete this one"), RunFolder(taken, "abc"):
        pass
    assert (taken / "manifest.json").read_text() == "{}"


def test_a_folder_taken_while_the_run_goes_on_is_kept(tmp_path: Path) -> None:
    taken = tmp_path / "run"
    with pytest.raises(InputError, match="already holds files"):
        _fill_while_taken(taken)
    assert [path.name for path in tmp_path.iterdir()] == ["run"]
    assert (taken / "mine.txt").read_text() == "mine"


def test_an_empty_folder_may_be_filled(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    with RunFolder(tmp_path / "run", "abc") as folder:
        _fill(folder)
    assert (tmp_path / "run" / "summary.json").is_file()


def test_a_folder_that_can_not_be_made_is_told_of(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="a folder that can be made"), RunFolder(tmp_path / "file" / "run", "abc"):
        pass


def test_every_number_reads_back_bit_for_bit(tmp_path: Path) -> None:
    trials = [lively_trial(label(index), seed=9) for index in range(3)]
    with RunFolder(tmp_path / "run", "abc") as folder:
        for trial in trials:
            folder.add(trial)
        folder.close_tables()
    for trial in trials:
        for name, was in (("trace", trial.trace), ("pulses", trial.pulses)):
            read = read_trial(tmp_path / "run" / f"{name}.parquet", trial.label.index)
            assert column_hashes(read) == column_hashes(was)
    assert trials_in(tmp_path / "run" / "trace.parquet") == {0, 1, 2}


def test_tables_carry_units_meanings_and_the_scenario_hash(tmp_path: Path) -> None:
    with RunFolder(tmp_path / "run", "abc") as folder:
        _fill(folder)
    for name, columns in (("trace", TRACE), ("pulses", PULSES)):
        file = pq.ParquetFile(tmp_path / "run" / f"{name}.parquet")
        assert file.schema_arrow.metadata[b"scenario_sha256"] == b"abc"
        assert b"not a medical device" in file.schema_arrow.metadata[b"caution"]
        for column in columns:
            field = file.schema_arrow.field(column.name)
            assert str(field.type) == {"int64": "int64", "float64": "double"}[column.kind]
            assert field.metadata == {b"unit": column.unit.encode(), b"meaning": column.meaning.encode()}


def test_each_trial_is_a_row_group_in_zstd_with_split_bytes(tmp_path: Path) -> None:
    with RunFolder(tmp_path / "run", "abc") as folder:
        _fill(folder, trials=3)
    stored = pq.ParquetFile(tmp_path / "run" / "trace.parquet").metadata
    assert stored.num_row_groups == 3
    for place, column in enumerate(TRACE):
        chunk = stored.row_group(1).column(place)
        assert chunk.compression == "ZSTD"
        assert {"float64": "BYTE_STREAM_SPLIT", "int64": "DELTA_BINARY_PACKED"}[column.kind] in chunk.encodings


def test_events_read_back_with_their_trial_and_nan_as_null(tmp_path: Path) -> None:
    with RunFolder(tmp_path / "run", "abc") as folder:
        _fill(folder)
    lines = [json.loads(line) for line in (tmp_path / "run" / "events.jsonl").read_text().splitlines()]
    assert [line["trial"] for line in lines] == [0] * 5 + [1] * 5
    assert lines[3]["depth"] is None
    with (tmp_path / "run" / "events.jsonl").open("rb") as log:
        assert read_events(log, {1})[1][4] == {"t_us": 2_000_010, "kind": "trip", "cause": "R31"}


def test_a_table_refuses_columns_that_do_not_fit(tmp_path: Path) -> None:
    trial = lively_trial(label(0))
    for wrong, message in (
        ({"trip": trial.trace["trip"].astype(float)}, "trip holds float64"),
        ({"trip": trial.trace["trip"][:-1]}, "differ in length"),
        ({"spurious": trial.trace["trip"]}, "spurious"),
    ):
        broken = replace(trial, trace=trial.trace | wrong)
        with pytest.raises(ValueError, match=message), RunFolder(tmp_path / "run", "abc") as folder:
            folder.add(broken)


def test_json_holds_plain_numbers_only() -> None:
    made = plain(
        {"a": np.float64(0.1), "b": np.int64(3), "c": (math.inf, math.nan, 1.5), "d": np.array([1, 2]), "e": True}
    )
    assert made == {"a": 0.1, "b": 3, "c": [None, None, 1.5], "d": [1, 2], "e": True}
    assert json.loads(json.dumps(made)) == made


def test_free_folders_are_numbered(tmp_path: Path) -> None:
    assert free_folder(tmp_path, "hold").name == "hold-1"
    (tmp_path / "hold-1").mkdir()
    assert free_folder(tmp_path, "hold").name == "hold-2"
