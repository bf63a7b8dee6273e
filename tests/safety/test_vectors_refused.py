"""A vector file that has not the exact shape is refused, with what was found; never played in part and called fine."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.safety.interlock_bench import limits_for
from thenar.cli import main
from thenar.safety.interlock import start_admitted
from thenar.safety.memory import MEMORY_SIZE, start_memory
from thenar.safety.profile import load_profile
from thenar.safety.vectors.file import header_of, record_of
from thenar.safety.vectors.recorder import Recorder, whole
from thenar.safety.vectors.verify import verify_file
from thenar.shared.compiled import flat_integers
from thenar.shared.errors import InputError

REST = np.zeros(7, dtype=np.int64)
CALM = np.array([3_000, 1, 30_000, 1, 0, 0, 1, 0, -1, -1, -1, -1, 0, 0, 0, 0], dtype=np.int64)
Records = list[dict[str, Any]]


def quiet(_: int) -> None:
    """Nobody watches."""


def short_file() -> Records:
    """A header, a line of limits and three vectors that hold calls of all four kinds."""
    limits = flat_integers(limits_for())
    recorder = Recorder(limits, start_memory(), start_admitted(), "written by hand", "boundary", 2)
    recorder.tick(REST, CALM, 0)
    recorder.next_pulse(0, 0)
    recorder.gate(1, 5_000)
    recorder.halt(6_000)
    recorder.tick(REST, CALM, 20_000)
    recorder.close()
    header = header_of(load_profile("forearm-25cm2"), 3, 1, False)
    vectors = [record_of(vector, place, 0) for place, vector in enumerate(recorder.vectors)]
    return [header, {"limits": 0, "values": whole(limits)}, *vectors]


def written(folder: Path, records: Records) -> Path:
    """The records as a file."""
    file = folder / "vectors.jsonl"
    file.write_text("".join(json.dumps(record) + "\n" for record in records), "utf-8")
    return file


def refusal(file: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """What is said of a file that is refused; never a traceback, and always exit code 2."""
    with pytest.raises(InputError):
        verify_file(file, quiet)
    assert main(["vectors", "--verify", str(file)]) == 2
    said = capsys.readouterr().err
    assert "Traceback" not in said
    return said


def test_the_file_that_is_damaged_below_is_itself_fine(tmp_path: Path) -> None:
    records = short_file()
    assert {next(iter(call)) for record in records[2:] for call in record["calls"]} == {
        "tick_us", "halt_us", "gate_us", "next_us",
    }  # fmt: skip
    assert verify_file(written(tmp_path, records), quiet).differing == ()


def put(line: int, *path: str | int, value: Any) -> Callable[[Records], None]:
    """A value of one record replaced, or a new one put in."""

    def damage(records: Records) -> None:
        place: Any = records[line]
        for step in path[:-1]:
            place = place[step]
        place[path[-1]] = value

    return damage


WAYS: dict[str, tuple[Callable[[Records], Any], str]] = {
    "a vector too few": (lambda records: records.pop(), "2 vectors where the header says 3"),
    "a vector twice": (lambda records: records.append(records[-1]), "vector 2 where 3 is due"),
    "out of order": (lambda records: records.reverse() or records.insert(0, records.pop()), "vector 2 where 0 is due"),
    "limits given twice": (lambda records: records.insert(1, records[1]), "limits 0 given twice"),
    "limits that nobody gave": (put(-1, "limits", value=10_000), "limits 10000 that no line has given"),
    "limits too few": (lambda records: records[1]["values"].pop(), "numbers where"),
    "unknown field": (put(-1, "more", value=1), "unknown field more"),
    "unknown field in a call": (put(-1, "calls", 0, "more", value=1), "unknown field more"),
    "a missing field": (lambda records: records[-1].pop("admitted_after"), "no field admitted_after"),
    "a field missing in the header": (lambda records: records[0].pop("seed"), "no field seed"),
    "a field of another type": (put(-1, "comment", value=3), "comment of another type"),
    "true for one": (put(-1, "id", value=True), "id of another type"),
    "a fraction": (put(-1, "admitted", 0, value=0.5), "no 64-bit integer: 0.5"),
    "beyond 64 bits": (put(-1, "admitted", 0, value=2**63), "no 64-bit integer: 9223372036854775808"),
    "below 64 bits": (put(-1, "calls", 0, "tick_us", value=-(2**63) - 1), "no 64-bit integer: -9223372036854775809"),
    "numbers too few": (put(-1, "admitted", value=[0]), "1 numbers where"),
    "another version": (put(0, "version", value=2), "a header whose version"),
    "other names": (put(0, "fields", "memory", 3, value="something"), "a header whose fields"),
    "a place outside": (put(-1, "memory", value=[[MEMORY_SIZE, 1]]), "no pair of a place and a value"),
    "no pair": (put(-1, "memory_after", value=[3]), "no pair of a place and a value"),
    "a place that is no number": (put(-1, "memory_after", value=[["3", 1]]), "no 64-bit integer: 3"),
    "an unknown flag": (put(-1, "flags", value=["boundary", "odd"]), "unknown flag odd"),
    "a flag that is no word": (put(-1, "flags", value=[["boundary"]]), "unknown flag ['boundary']"),
    "a call of no kind": (put(-1, "calls", 0, value={"tock_us": 1}), "none of tick, halt, gate and next"),
    "a call that is no object": (put(-1, "calls", 0, value=[1]), "none of tick, halt, gate and next"),
    "a third channel": (put(3, "calls", 0, "channel", value=2), "channel 2"),
}


@pytest.mark.parametrize("way", WAYS)
def test_a_damaged_record_is_refused(way: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    records = short_file()
    damage, told = WAYS[way]
    damage(records)
    assert told in refusal(written(tmp_path, records), capsys)


@pytest.mark.parametrize(
    ("last", "told"),
    [
        (b'{"id":2,', "a line that is cut off"),
        (b'{"id":2,\n', "no JSON"),
        (b"\xff\xfe\n", "no JSON"),
        (b"[" * 200_000 + b"\n", "no JSON"),
        (b'{"id":' + b"9" * 5_000 + b"}\n", "no JSON"),
        (b"[2]\n", "no JSON object"),
        (b'{"id":2,"id":2}\n', "a field named twice"),
    ],
    ids=["cut off", "no JSON", "no text", "too deep", "too many digits", "no object", "a field twice"],
)
def test_a_damaged_line_is_refused(last: bytes, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = written(tmp_path, short_file()[:-1])
    file.write_bytes(file.read_bytes() + last)
    said = refusal(file, capsys)
    assert told in said
    assert "line 5" in said


def test_an_empty_file_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "an empty file" in refusal(written(tmp_path, []), capsys)


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (put(-1, "calls", 0, "reasons", value=1), "call 0: reasons"),
        (put(2, "calls", 1, "due_us", value=7), "call 1: due_us -1, the file says 7"),
        (put(3, "calls", 0, "pulse", 0, value=100), "call 0: pulse"),
        (put(2, "memory_after", value=[]), "memory after: "),
        (put(2, "admitted_after", 0, value=1), "admitted after: "),
    ],
)
def test_a_record_of_the_exact_shape_with_another_answer_differs_and_is_not_refused(
    damage: Callable[[Records], None], told: str, tmp_path: Path
) -> None:
    records = short_file()
    damage(records)
    ((_, wrong),) = verify_file(written(tmp_path, records), quiet).differing
    assert told in wrong
