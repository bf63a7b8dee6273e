"""Garbage and damaged files: whatever the bytes, reading gives a recording that keeps its word, or a refusal."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.thenar.made_recordings import ESTIMATE_N, ESTIMATOR, FORCE_N, T_S, lines_of, write
from tests.thenar.made_xdf import MadeStream, xdf
from thenar.fit.kinds import KINDS
from thenar.fit.reading import read
from thenar.fit.recording import Recording
from thenar.fit.repairs import repair_names
from thenar.shared.errors import InputError


def read_or_refused(file: Path, kind: str, repairs: tuple[str, ...] = ()) -> Recording | InputError:
    """What reading gives: a recording that keeps its word, or a refusal. Anything else fails the test."""
    try:
        found = read(file, kind, repairs=repairs)
    except InputError as refused:
        return refused
    if KINDS[kind].timed:
        assert (np.diff(found.columns["t_s"]) > 0.0).all()
    for one in KINDS[kind].columns:
        assert found.has(one.name) or not one.needed
    return found


GARBAGE = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
GOOD = ("\n".join(lines_of(ESTIMATOR)) + "\n").encode()
STREAMS = [
    MadeStream("force_N", T_S, FORCE_N[:, np.newaxis], 100.0, (), [(0.0, 0.1), (9.0, 0.1)]),
    MadeStream("estimate_N", T_S[::4], ESTIMATE_N[::4, np.newaxis], 25.0, (), [(0.0, 0.2), (9.0, 0.2)]),
]
PIECES = st.sampled_from(
    [
        b",",
        b";",
        b"\n",
        b"\r",
        b'"',
        b"#",
        b"\x00",
        b"\xff",
        b"nan",
        b"1e999",
        b"-",
        b"\xe2\x82\xac",
        b"# recorded: x\n",
    ]
)


@GARBAGE
@given(content=st.binary(max_size=400), head=st.sampled_from([b"", b"XDF:", b"PAR1", b"t_s,force_N,estimate_N\n"]))
def test_random_bytes_give_a_refusal_or_a_recording(tmp_path: Path, content: bytes, head: bytes) -> None:
    file = tmp_path / "garbage"
    file.write_bytes(head + content)
    read_or_refused(file, "estimator", ("drop-missing", "sort-time", "drop-duplicates"))


@GARBAGE
@given(
    edits=st.lists(st.tuples(st.integers(0, len(GOOD) - 1), PIECES, st.integers(0, 12)), min_size=1, max_size=6),
    repairs=st.lists(st.sampled_from(repair_names(KINDS["estimator"])), max_size=4, unique=True),
)
def test_a_csv_with_bytes_changed_gives_a_refusal_or_a_recording(
    tmp_path: Path, edits: list[tuple[int, bytes, int]], repairs: list[str]
) -> None:
    content = GOOD
    for place, piece, gone in edits:
        content = content[:place] + piece + content[place + gone :]
    file = tmp_path / "changed.csv"
    file.write_bytes(content)
    read_or_refused(file, "estimator", tuple(repairs))


@GARBAGE
@given(edits=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=4), end=st.floats(0.2, 1))
def test_an_xdf_with_bytes_changed_gives_a_refusal_or_a_recording(
    tmp_path: Path, edits: list[tuple[float, int]], end: float
) -> None:
    content = bytearray(xdf(STREAMS))
    for share, byte in edits:
        content[int(share * (len(content) - 1))] = byte
    file = tmp_path / "changed.xdf"
    file.write_bytes(bytes(content[: int(end * len(content))]))
    read_or_refused(file, "estimator", ("drop-damaged-end", "trust-clocks"))


CELLS = st.one_of(
    st.floats(width=64).map(repr),
    st.sampled_from(["", "NaN", "-", "1e308", "-1e308", "5e-324", "0", "1", "1,5", "x"]),
)


@GARBAGE
@given(
    kind=st.sampled_from(sorted(KINDS)),
    rows=st.lists(st.lists(CELLS, min_size=10, max_size=10), max_size=30),
    repairs=st.data(),
)
def test_rows_of_any_numbers_give_a_refusal_or_a_recording(
    tmp_path: Path, kind: str, rows: list[list[str]], repairs: st.DataObject
) -> None:
    names = KINDS[kind].names
    asked = repairs.draw(st.lists(st.sampled_from(repair_names(KINDS[kind])), max_size=5, unique=True))
    file = write(tmp_path, [",".join(names), *(",".join(row[: len(names)]) for row in rows)])
    read_or_refused(file, kind, tuple(asked))


def test_a_sample_without_a_time_stamp_follows_the_one_before(tmp_path: Path) -> None:
    """The specification lets a recorder leave out stamps that follow from the rate."""
    stream = STREAMS[1]._replace(name="Sensor")
    rows = stream.values.astype("<f8")
    body = b"\x08" + struct.pack("<d", 0.0) + rows[0].tobytes() + b"".join(b"\x00" + row.tobytes() for row in rows[1:])
    marked = xdf([stream])
    plain = b"".join(b"\x08" + struct.pack("<d", at) + row.tobytes() for at, row in zip(stream.t_s, rows, strict=True))
    length = struct.pack("<I", 2 + 4 + 5 + len(plain))
    content = marked.replace(length, struct.pack("<I", 2 + 4 + 5 + len(body))).replace(plain, body)
    file = tmp_path / "bench.xdf"
    file.write_bytes(content)
    assert len(content) == len(marked) - 8 * (len(rows) - 1)
    session = read(file, "session", streams={"estimate_N": "Sensor", "target_N": "Sensor"})
    np.testing.assert_allclose(session.columns["t_s"], T_S[::4], atol=1e-9)
