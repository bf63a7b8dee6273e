"""Force traces from CSV files: what is read, what is refused and how it is told, and how they are resampled."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thenar.scenarios.recording import Recording, read_recording, resample
from thenar.shared.errors import InputError, Problem


def written(folder: Path, content: str | bytes) -> Path:
    """A CSV file with that content."""
    path = folder / "hand.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def problems_in(folder: Path, content: str | bytes, column: str = "force_N") -> tuple[Problem, ...]:
    """What is wrong with a CSV file of that content."""
    with pytest.raises(InputError) as caught:
        read_recording(written(folder, content), column, "hand.csv")
    return caught.value.problems


def test_columns_are_found_by_name_in_any_order_past_comments_and_blank_lines(tmp_path: Path) -> None:
    content = "# invented\n\nforce_N,note,t_s\n1.5,a,0\n# half way\n2.5,b,0.1\n"
    recording = read_recording(written(tmp_path, content), "force_N")
    assert recording.t_s.tolist() == [0.0, 0.1]
    assert recording.force_N.tolist() == [1.5, 2.5]
    assert recording.sha256 == hashlib.sha256(content.encode()).hexdigest()


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    recording = read_recording(written(tmp_path, b"\xef\xbb\xbft_s,force_N\r\n0,1\r\n1,2\r\n"), "force_N")
    assert recording.force_N.tolist() == [1.0, 2.0]


def test_a_misspelt_column_is_answered_with_the_nearest_name(tmp_path: Path) -> None:
    (problem,) = problems_in(tmp_path, "t_s,forse_N\n0,1\n1,2\n")
    assert problem.file == "hand.csv"
    assert problem.key == "line 1, force_N"
    assert problem.nearest == "forse_N"


def test_a_quote_that_never_ends_is_told_as_such(tmp_path: Path) -> None:
    (problem,) = problems_in(tmp_path, 't_s,force_N\n0,1\n1,"2\n3,4\n')
    assert problem.allowed == "comma-separated values"


def test_a_column_that_is_there_twice_is_refused(tmp_path: Path) -> None:
    (problem,) = problems_in(tmp_path, "t_s,force_N,force_N\n0,1,1\n1,2,2\n")
    assert problem.found == "2 columns of this name"


@pytest.mark.parametrize("text", ["", "x", "nan", "inf", "-inf", "1_000", "1e999", "0x10"])
def test_what_is_no_finite_number_is_named_with_line_and_column(tmp_path: Path, text: str) -> None:
    (problem,) = problems_in(tmp_path, f"# first\nt_s,force_N\n0,1\n1,{text}\n2,3\n")
    assert problem == Problem("hand.csv", "line 4, force_N", repr(text), "a finite number")


@pytest.mark.parametrize("later", ["1", "0.5", "-3"])
def test_a_time_that_does_not_rise_is_named_with_its_line(tmp_path: Path, later: str) -> None:
    (problem,) = problems_in(tmp_path, f"t_s,force_N\n0,1\n1,2\n{later},3\n")
    assert problem.key == "line 4, t_s"
    assert problem.found == repr(float(later))
    assert "later than 1.0 s" in problem.allowed


def test_a_decimal_comma_is_told_as_such(tmp_path: Path) -> None:
    (problem,) = problems_in(tmp_path, "t_s,force_N\n0,1\n1,2,5\n")
    assert problem.key == "line 3"
    assert problem.found == "3 values"
    assert "decimal point" in problem.allowed


@pytest.mark.parametrize(
    "content",
    [b"", b"# nothing\n", b"t_s,force_N\n", b"t_s,force_N\n0,1\n", b"\xff\xfe\x00", b"t_s,force_N\n0,\xe9\n1,2\n"],
)
def test_an_empty_short_or_undecodable_file_is_refused(tmp_path: Path, content: bytes) -> None:
    assert problems_in(tmp_path, content)


@given(content=st.binary(max_size=200))
def test_no_bytes_whatsoever_get_past_the_reader_with_another_error(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "noise.csv"
    path.write_bytes(b"t_s,force_N\n0,1\n1,2\n" + content)
    try:
        recording = read_recording(path, "force_N")
    except InputError:
        return
    assert np.all(np.diff(recording.t_s) > 0)
    assert np.all(np.isfinite(recording.force_N))


def test_a_thousand_bad_rows_are_told_on_one_screen(tmp_path: Path) -> None:
    problems = problems_in(tmp_path, "t_s,force_N\n" + "0,x\n" * 1000)
    assert len(str(InputError(problems)).splitlines()) <= 60


@pytest.mark.parametrize("make", [lambda path: path.mkdir(), lambda path: None])
def test_a_folder_or_a_missing_file_is_refused(tmp_path: Path, make: object) -> None:
    assert callable(make)
    make(tmp_path / "hand.csv")
    with pytest.raises(InputError, match="a readable CSV file"):
        read_recording(tmp_path / "hand.csv", "force_N")


rows = st.lists(st.tuples(st.integers(1, 500_000), st.floats(0.0, 100.0)), min_size=2, max_size=30)


@given(rows=rows, start_s=st.floats(-100.0, 100.0), count=st.integers(1, 500))
def test_resampling_stays_within_the_recording_and_holds_its_last_value(
    rows: list[tuple[int, float]], start_s: float, count: int
) -> None:
    gaps_us = [gap for gap, _ in rows]
    t_s = (start_s + np.cumsum(gaps_us) * 1e-6).astype(np.float64)
    force_N = np.array([force for _, force in rows], dtype=np.float64)
    found = resample(Recording("r", "force_N", "", t_s, force_N), 10_000, count)
    assert found.shape == (count,)
    assert found[0] == force_N[0]
    assert force_N.min() <= found.min()
    assert found.max() <= force_N.max()
    after = np.arange(count) * 10_000 > sum(gaps_us[1:]) + 1
    assert np.all(found[after] == force_N[-1])


def test_resampling_at_the_rows_gives_the_rows() -> None:
    t_s = np.array([0.02 * row for row in range(100)])
    force_N = np.sin(t_s) + 2.0
    found = resample(Recording("r", "force_N", "", t_s, force_N), 20_000, 100)
    assert np.allclose(found, force_N, rtol=0, atol=1e-12)


def test_a_repeated_recording_starts_over_where_it_ends() -> None:
    recording = Recording("r", "force_N", "", np.array([0.0, 1.0]), np.array([2.0, 4.0]))
    found = resample(recording, 250_000, 9, repeat=True)
    assert found.tolist() == [2.0, 2.5, 3.0, 3.5, 2.0, 2.5, 3.0, 3.5, 2.0]


def test_a_cell_of_megabytes_is_told_by_line_and_column(tmp_path: Path) -> None:
    file = tmp_path / "own.csv"
    file.write_text("t_s,force_N\n0,1\n1," + "9" * 4_000_000 + "\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_recording(file, "force_N")
    (problem,) = caught.value.problems
    assert problem == (str(file), "line 3, force_N", "a cell of 4,000,001 characters", "at most 1,000 characters", "")


def test_a_quoted_cell_of_many_short_parts_is_told_in_words(tmp_path: Path) -> None:
    file = tmp_path / "own.csv"
    file.write_text('t_s,force_N\n0,1\n1,"' + "9," * 100_000 + '"\n', encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_recording(file, "force_N")
    (problem,) = caught.value.problems
    assert problem[:3] == (str(file), "line 3", "a cell of more than 131,072 characters")
