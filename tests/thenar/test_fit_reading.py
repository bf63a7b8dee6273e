"""Reading recordings: CSV, Parquet and XDF give the numbers that were written, dates and renamed columns included."""

from __future__ import annotations

import datetime
import decimal
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import csv as arrow_csv
from pyarrow import parquet

from tests.thenar.made_recordings import (
    ESTIMATE_N,
    ESTIMATOR,
    FORCE_N,
    RECRUITMENT,
    ROWS,
    T_S,
    TARGET_N,
    WEARER,
    lines_of,
    write,
)
from tests.thenar.made_xdf import MadeStream, header, samples, xdf
from thenar.fit.reading import read
from thenar.shared.errors import InputError


def problems_of(file: Path, kind: str, **asked: object) -> str:
    """The screen of a file that can't be used."""
    with pytest.raises(InputError) as refused:
        read(file, kind, **asked)  # type: ignore[arg-type]
    return str(refused.value)


def test_a_csv_gives_its_numbers_hash_and_count_of_rows(tmp_path: Path) -> None:
    file = write(tmp_path, lines_of(ESTIMATOR))
    recording = read(file, "estimator")
    for name, values in ESTIMATOR.items():
        np.testing.assert_array_equal(recording.columns[name], np.array([float(f"{value:.10g}") for value in values]))
    assert recording.rows == ROWS
    assert len(recording.sha256) == 64
    assert (recording.begins, recording.ends, recording.repairs) == ("", "", ())


@pytest.mark.parametrize(
    "change",
    [
        lambda text: b"\xef\xbb\xbf" + text,
        lambda text: text.replace(b"\n", b"\r\n"),
        lambda text: text.replace(b"\n", b"\r"),
        lambda text: text.replace(b"\n", b"\n# a note in between\n\n", 40),
        lambda text: text.replace(b"t_s,force_N", b'"t_s" , "force_N"'),
        lambda text: text.replace(b",", b" , "),
        lambda text: text.rstrip(b"\n"),
    ],
    ids=["byte order mark", "CRLF", "CR", "comments between", "quoted names", "blanks", "no last line end"],
)
def test_ways_of_writing_the_same_table_are_read_the_same(tmp_path: Path, change: object) -> None:
    file = write(tmp_path, lines_of(ESTIMATOR))
    before = read(file, "estimator").columns
    file.write_bytes(change(file.read_bytes()))  # type: ignore[operator]
    after = read(file, "estimator").columns
    for name in ESTIMATOR:
        np.testing.assert_array_equal(before[name], after[name])


def test_numbers_in_scientific_notation_and_with_signs_are_read(tmp_path: Path) -> None:
    lines = lines_of(ESTIMATOR)
    lines[1], lines[2] = "0,+6.2e0,.5E1", "1e-2,6.,-0.25"
    columns = read(write(tmp_path, lines), "estimator").columns
    assert [columns[name][:2].tolist() for name in ESTIMATOR] == [[0.0, 0.01], [6.2, 6.0], [5.0, -0.25]]


def test_quantities_of_different_rates_share_a_file_and_a_time(tmp_path: Path) -> None:
    slow = np.where(np.arange(ROWS) % 4 == 0, ESTIMATE_N, np.nan)
    together = read(write(tmp_path, lines_of(ESTIMATOR | {"estimate_N": slow})), "estimator")
    force = [f"{at:.10g},{value:.10g}," for at, value in zip(T_S, FORCE_N, strict=True)]
    estimate = [f"{at:.10g},,{value:.10g}" for at, value in zip(T_S, slow, strict=True) if np.isfinite(value)]
    one_by_one = sorted([*force, *estimate], key=lambda line: float(line.split(",")[0]))
    apart = read(write(tmp_path, ["t_s,force_N,estimate_N", *one_by_one]), "estimator")
    for name in ESTIMATOR:
        np.testing.assert_array_equal(together.columns[name], apart.columns[name])
    assert apart.rows == ROWS + len(estimate)
    assert (np.diff(apart.columns["t_s"]) > 0.0).all()
    assert apart.series("estimate_N").t_s.size == len(estimate)


def test_a_staircase_has_no_times(tmp_path: Path) -> None:
    columns = read(write(tmp_path, lines_of(RECRUITMENT)), "recruitment").columns
    assert list(columns) == ["current_mA", "width_us", "force_N"]
    np.testing.assert_allclose(columns["force_N"], RECRUITMENT["force_N"])


@pytest.mark.parametrize(
    ("comment", "span"),
    [
        ("# recorded: 2026-11-03", ("2026-11-03", "2026-11-03")),
        ("# Recorded: 2026-11-03T10:00 to 2026-11-03T10:12", ("2026-11-03T10:00:00", "2026-11-03T10:12:00")),
        ("# recorded: 2026-11-05\n# recorded: 2026-11-03", ("2026-11-03", "2026-11-05")),
        ("# taken down: 2026-11-03", ("", "")),
    ],
)
def test_a_comment_dates_the_recording(tmp_path: Path, comment: str, span: tuple[str, str]) -> None:
    recording = read(write(tmp_path, [comment, *lines_of(ESTIMATOR)]), "estimator")
    assert (recording.begins, recording.ends) == span


def test_a_column_of_dates_dates_the_recording(tmp_path: Path) -> None:
    first, *rows = lines_of(ESTIMATOR)
    dates = ["2026-11-04"] * 700 + ["2026-11-03"] * 700 + [""] * 100
    lines = [f"{first},recorded", *(f"{row},{date}" for row, date in zip(rows, dates, strict=True))]
    recording = read(write(tmp_path, lines), "estimator")
    assert (recording.begins, recording.ends) == ("2026-11-03", "2026-11-04")
    lines[9] = f"{rows[8]},yesterday"
    assert "column recorded, line 10\n    found: 'yesterday'" in problems_of(write(tmp_path, lines), "estimator")


def test_a_bad_date_is_told_with_its_line(tmp_path: Path) -> None:
    told = problems_of(write(tmp_path, ["# bench 4", "# recorded: 3.11.2026", *lines_of(ESTIMATOR)]), "estimator")
    assert "bench.csv: line 2\n    found: '# recorded: 3.11.2026'" in told


def test_a_column_may_be_called_otherwise_and_that_is_put_on_record(tmp_path: Path) -> None:
    lines = lines_of({"t_s": T_S, "Kraft": FORCE_N, "estimate_N": ESTIMATE_N})
    recording = read(write(tmp_path, lines), "estimator", columns={"force_N": "Kraft"})
    np.testing.assert_allclose(recording.columns["force_N"], FORCE_N)
    assert recording.repairs == ("force_N was read from the column Kraft, as asked",)


def test_parquet_gives_the_same_as_csv(tmp_path: Path) -> None:
    slow = np.where(np.arange(ROWS) % 4 == 0, ESTIMATE_N, np.nan)
    csv = read(write(tmp_path, lines_of(ESTIMATOR | {"estimate_N": slow})), "estimator")
    nulls = pa.array(slow, mask=np.isnan(slow))
    table = pa.table({"t_s": T_S, "force_N": FORCE_N.astype(np.float64), "estimate_N": nulls})
    file = tmp_path / "bench.parquet"
    parquet.write_table(table.replace_schema_metadata({"recorded": "2026-11-03"}), file)
    recording = read(file, "estimator")
    for name in ESTIMATOR:
        np.testing.assert_allclose(recording.columns[name], csv.columns[name], rtol=1e-9)
    assert recording.begins == "2026-11-03"


def test_parquet_tells_nan_infinity_text_and_a_damaged_file(tmp_path: Path) -> None:
    file = tmp_path / "bench.parquet"
    bad = FORCE_N.copy()
    bad[4], bad[6] = np.nan, np.inf
    parquet.write_table(pa.table({"t_s": T_S, "force_N": bad, "estimate_N": [str(one) for one in ESTIMATE_N]}), file)
    told = problems_of(file, "estimator")
    assert "column force_N, row 5\n    found: 1 word instead of a value" in told
    assert "column force_N, row 7\n    found: 1 infinite value" in told
    assert "column estimate_N\n    found: values of type string" in told
    file.write_bytes(file.read_bytes()[:-40])
    assert "no readable Parquet" in problems_of(file, "estimator")


def test_parquet_columns_of_any_kind_of_number_are_read(tmp_path: Path) -> None:
    file = tmp_path / "bench.parquet"
    columns = {
        "t_s": pa.array([decimal.Decimal(f"{at:.2f}") for at in T_S]),
        "target_N": pa.array(TARGET_N.astype(np.int16)),
        "force_N": pa.array(FORCE_N.astype(np.float32)),
        "own_force_shown": pa.array([True] * (ROWS - 1) + [None]),
        "recorded": pa.array([datetime.date(2026, 11, 3)] * ROWS),
    }
    parquet.write_table(pa.table(columns), file)
    recording = read(file, "wearer")
    np.testing.assert_allclose(recording.columns["t_s"], T_S, atol=1e-12)
    np.testing.assert_allclose(recording.columns["force_N"], FORCE_N, rtol=1e-6)
    np.testing.assert_array_equal(recording.columns["target_N"], TARGET_N)
    assert np.isnan(recording.columns["own_force_shown"]).sum() == 1
    assert recording.begins == "2026-11-03"
    parquet.write_table(pa.table(columns | {"own_force_shown": pa.nulls(ROWS)}), file)
    assert not read(file, "wearer").has("own_force_shown")


def test_parquet_columns_of_one_name_structures_and_moments_are_told(tmp_path: Path) -> None:
    file = tmp_path / "bench.parquet"
    twice = pa.table([pa.array(T_S), pa.array(FORCE_N), pa.array(FORCE_N)], names=["t_s", "force_N", "force_N"])
    parquet.write_table(twice, file)
    assert "column force_N\n    found: 2 columns of this name" in problems_of(file, "wearer")
    moments = pa.array([datetime.datetime(2026, 11, 3, 10)] * ROWS)  # noqa: DTZ001 - a lab's clock without a zone
    parquet.write_table(pa.table({"t_s": moments, "target_N": TARGET_N, "force_N": [{"a": 1.0}] * ROWS}), file)
    told = problems_of(file, "wearer")
    assert "column t_s\n    found: values of type timestamp[us]" in told
    assert "column force_N\n    found: values of type struct" in told


def made_streams() -> list[MadeStream]:
    """Force at 100 Hz on one computer, the estimate at 25 Hz on another whose clock is 40 s ahead, drifting 1 ms."""
    slow, ahead = T_S[::4], 40.0
    drift = 1.0e-3 / T_S[-1]
    theirs = slow + ahead + drift * slow
    offsets = [(at + ahead + drift * at + 1000.0, -(ahead + drift * at)) for at in (0.0, 5.0, 10.0, 14.0)]
    return [
        MadeStream(
            "Pinch", T_S + 1000.0, np.column_stack([FORCE_N, TARGET_N]), 100.0, ("grip", "target_N"), [(1000.0, 0.0)]
        ),
        MadeStream("Sensor", theirs + 1000.0, ESTIMATE_N[::4, np.newaxis], 25.0, (), offsets),
    ]


def test_xdf_streams_of_two_clocks_and_rates_become_one_table(tmp_path: Path) -> None:
    file = tmp_path / "bench.xdf"
    file.write_bytes(xdf(made_streams()))
    recording = read(file, "estimator", streams={"force_N": "Pinch:grip", "estimate_N": "Sensor"})
    force, estimate = recording.series("force_N"), recording.series("estimate_N")
    np.testing.assert_allclose(force.values, FORCE_N)
    np.testing.assert_allclose(force.t_s, T_S, atol=1e-6)
    np.testing.assert_allclose(estimate.values, ESTIMATE_N[::4])
    # The bar on a lag is 5 ms; two clocks 40 s apart must come together within a fraction of that.
    np.testing.assert_allclose(estimate.t_s, T_S[::4], atol=1e-4)
    assert recording.begins == "2026-11-03T10:00:00+01:00"
    assert recording.rows == ROWS + ROWS // 4
    assert (np.diff(recording.columns["t_s"]) > 0.0).all()


def test_an_xdf_channel_is_found_by_number_label_or_our_own_name(tmp_path: Path) -> None:
    file = tmp_path / "bench.xdf"
    file.write_bytes(xdf(made_streams()))
    for asked in ({"force_N": "Pinch:1"}, {"force_N": "Pinch:grip"}, {"force_N": "Pinch:1", "target_N": "Pinch:2"}):
        columns = read(file, "wearer", streams=asked).columns
        np.testing.assert_allclose(columns["force_N"], FORCE_N)
        np.testing.assert_allclose(columns["target_N"], TARGET_N)


def test_an_unknown_stream_or_channel_names_the_nearest(tmp_path: Path) -> None:
    file = tmp_path / "bench.xdf"
    file.write_bytes(xdf(made_streams()))
    told = problems_of(file, "estimator", streams={"force_N": "Pinc:grip", "estimate_N": "Sensor:2"})
    assert "--stream force_N\n    found: no stream 'Pinc'\n    allowed: one of Pinch (2 ch), Sensor (1 ch)" in told
    assert "nearest known name: Pinch" in told
    assert "--stream estimate_N\n    found: no channel '2'" in told
    told = problems_of(file, "estimator", streams={"force_N": "Pinch:grib"})
    assert "allowed: Pinch:CHANNEL with one of 1 grip, 2 target_N\n    nearest known name: grip" in told
    assert "column estimate_N\n    found: no stream of this name" in told
    assert "2 channels and none named" in problems_of(file, "estimator", streams={"force_N": "Pinch"})


def test_streams_without_clock_corrections_need_a_word(tmp_path: Path) -> None:
    file = tmp_path / "bench.xdf"
    file.write_bytes(xdf([one._replace(offsets=()) for one in made_streams()]))
    asked = {"force_N": "Pinch:1", "estimate_N": "Sensor"}
    assert "no clock corrections for Pinch, Sensor" in problems_of(file, "estimator", streams=asked)
    recording = read(file, "estimator", streams=asked, repairs=["trust-clocks"])
    assert recording.repairs[-1].startswith("trust-clocks: no clock corrections for Pinch, Sensor")


def test_a_damaged_xdf_is_told_and_its_whole_beginning_read_when_asked(tmp_path: Path) -> None:
    streams = made_streams()
    whole, file = xdf(streams), tmp_path / "bench.xdf"
    file.write_bytes(whole + samples(1, streams[0])[:-5])
    asked = {"force_N": "Pinch:1", "estimate_N": "Sensor"}
    told = problems_of(file, "estimator", streams=asked)
    assert f"byte {len(whole)}\n    found: the file ends inside a chunk" in told
    recording = read(file, "estimator", streams=asked, repairs=["drop-damaged-end"])
    np.testing.assert_allclose(recording.series("force_N").values, FORCE_N)
    assert any(done.startswith("drop-damaged-end: ") for done in recording.repairs)


def test_an_xdf_that_states_more_samples_than_it_has_reserves_no_memory_for_them(tmp_path: Path) -> None:
    stream = made_streams()[1]
    lying = bytearray(samples(1, stream))
    lying[1 + 4 + 2 + 4 + 1 : 1 + 4 + 2 + 4 + 5] = b"\xff\xff\xff\x7f"
    file = tmp_path / "bench.xdf"
    file.write_bytes(b"XDF:" + header(1, stream) + bytes(lying))
    assert "a chunk of 2,147,483,647 samples in" in problems_of(file, "estimator", streams={"force_N": "Sensor"})


def test_a_staircase_is_no_matter_of_streams(tmp_path: Path) -> None:
    file = tmp_path / "bench.xdf"
    file.write_bytes(xdf(made_streams()))
    assert "one row per step and no clock" in problems_of(file, "recruitment")


def test_options_of_another_format_are_told(tmp_path: Path) -> None:
    csv, streams = write(tmp_path, lines_of(WEARER)), tmp_path / "bench.xdf"
    streams.write_bytes(xdf(made_streams()))
    assert "--stream" in problems_of(csv, "wearer", streams={"force_N": "Pinch"})
    assert "--column" in problems_of(streams, "wearer", columns={"force_N": "Pinch"})
    csv.rename(tmp_path / "bench2.parquet")
    assert "no Parquet inside" in problems_of(tmp_path / "bench2.parquet", "wearer")
    assert "No such file" in problems_of(tmp_path / "gone.csv", "wearer")
    assert "a folder" in problems_of(tmp_path, "wearer")


@pytest.mark.slow
def test_ten_minutes_at_1_khz_are_read_in_seconds(tmp_path: Path) -> None:
    """Measured 1.0 to 1.9 s on two shared cores; the bound leaves room for a busy machine, not for a Python loop."""
    rows, file = 600_000, tmp_path / "long.csv"
    moments = np.arange(rows) / 1000.0
    force = 6.0 + 3.0 * np.sin(moments) + np.random.default_rng(1).normal(0.0, 0.1, rows)
    table = pa.table({"t_s": moments, "force_N": force, "estimate_N": 0.9 * force + 0.001 * (np.arange(rows) % 7)})
    arrow_csv.write_csv(table, file)
    start = time.process_time()
    recording = read(file, "estimator")
    assert recording.rows == rows
    assert time.process_time() - start < 8.0


def test_a_cell_of_megabytes_is_told_by_line_and_column(tmp_path: Path) -> None:
    """A library would tell of its own blocks."""
    file = tmp_path / "own.csv"
    file.write_text("t_s,force_N,estimate_N\n0,1,1\n1," + "9" * 40_000_000 + ",1\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read(file, "estimator")
    (problem,) = caught.value.problems
    assert problem.key == "line 3, force_N"
    assert problem.found == "a cell of 40,000,000 characters"
