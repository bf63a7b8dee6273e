"""Text that a person hands over is bounded before it is parsed, and refused in one screen."""

from __future__ import annotations

import os
import secrets
import time
import tomllib
from contextlib import suppress
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thenar.shared.errors import InputError
from thenar.shared.text_input import (
    LARGEST_TOML,
    LONGEST_CELL,
    MOST_KEY_PARTS,
    bytes_in,
    long_cell,
    read_toml,
    table_in,
)

PARTS = ["a", "B-7", "_", "3", '"x y"', "'q'", '"a.b\\".c"', '""']


def test_a_toml_file_is_read_or_told_why_not(tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    for start in (b"", b"\xef\xbb\xbf"):  # a byte order mark changes nothing
        file.write_bytes(start + 'title = "Bänk"'.encode())
        assert read_toml(file) == {"title": "Bänk"}
    cases = {
        b'title = "a': "TOML 1.0",
        b"\xff\xfe": "TOML 1.0",
        b"a = " + b"[" * 100_000: "TOML 1.0",
        b"a = " + b"9" * 5_000: "TOML 1.0",
        b"#" * (LARGEST_TOML + 1): "at most 1,000,000 bytes",
    }
    for content, allowed in cases.items():
        file.write_bytes(content)
        with pytest.raises(InputError) as caught:
            read_toml(file)
        (problem,) = caught.value.problems
        assert problem.file == str(file)
        assert allowed in problem.allowed
        assert len(str(problem).splitlines()) <= 4
    for path in (tmp_path, tmp_path / "missing.toml"):
        with pytest.raises(InputError, match="a readable TOML file"):
            read_toml(path)


@pytest.mark.parametrize("form", ["{} = 1", "x = 1\n[{}]\ny = 2", "[[{}]]", "a = {{ b = 1, {} = 2 }}", "  {}=1"])
@pytest.mark.parametrize("parts", [MOST_KEY_PARTS + 1, 100_000])
def test_a_key_of_too_many_parts_is_refused_with_its_line(form: str, parts: int) -> None:
    """Parsing 100,000 of them would take minutes."""
    draws = Random(seed := secrets.randbits(32))
    print("seed", seed)
    key = " . ".join(draws.choice(PARTS) for _ in range(parts))
    text = "# a scenario\n" + form.format(key)
    with pytest.raises(InputError, match=f"a key of more than {MOST_KEY_PARTS} parts") as caught:
        table_in(text, "bench.toml")
    assert caught.value.problems[0].key == f"line {text[: text.index(key)].count(chr(10)) + 1}"


dotted = st.lists(st.sampled_from(PARTS), min_size=1, max_size=MOST_KEY_PARTS).map(".".join)
values = st.sampled_from(
    ["1.5", '"a' + ".b" * 50 + '"', "'" + "x." * 50 + "'", '"""' + "y.z." * 40 + '"""', "[1.0, 2.0]"]
)


@given(dotted, values, st.sampled_from(["", " # " + "c.d." * 60]))
def test_a_key_of_few_parts_is_parsed_whatever_its_value_and_comment_hold(key: str, value: str, comment: str) -> None:
    text = f"{key} = {value}{comment}\n"
    assert table_in(text, "bench.toml") == tomllib.loads(text)


PIECES = (
    *("a", "a.", "a . ", '"a".', "-", '"', "'", '"""', "'''", "\\", '"\\', '"""a', "'a", '"\\"'),
    *("[", "[[", "{b = ", "=", "\n", "a\n", "#"),
)


@pytest.mark.parametrize("piece", PIECES)
@pytest.mark.parametrize("start", ["", "a = ", 'a = """', "a = '''", 'a = "', "#"])
def test_no_text_keeps_the_reader_busy(start: str, piece: str) -> None:
    """CPU seconds of this thread, which other work on the machine doesn't add to. What is quadratic takes minutes."""
    text = start + piece * (300_000 // len(piece))
    begun = time.thread_time()
    with suppress(InputError):
        table_in(text, "bench.toml")
    assert time.thread_time() - begun < 10.0


def test_only_ordinary_files_are_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path, found in ((tmp_path / "pipe", "a pipe"), (Path("/dev/zero"), "a device"), (tmp_path, "a folder")):
        with pytest.raises(InputError) as caught:
            bytes_in(path, 10, "CSV file")
        assert caught.value.problems == ((str(path), "", found, "a readable CSV file", ""),)


def test_a_cell_that_is_far_too_long_is_told_by_line_and_column() -> None:
    names = ["t_s", "force_N"]
    assert long_cell("1.0,2.0", ",", names, "a.csv", 2) is None
    assert long_cell("1.0," * LONGEST_CELL, ",", names, "a.csv", 2) is None
    problem = long_cell("1.0," + "7" * (LONGEST_CELL + 1), ",", names, "a.csv", 9)
    assert problem == ("a.csv", "line 9, force_N", "a cell of 1,001 characters", "at most 1,000 characters", "")
