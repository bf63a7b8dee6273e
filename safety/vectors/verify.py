"""Re-reads a vector file, refuses what does not have its exact shape, and holds the interlock to every vector."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from thenar.safety.doors import admit_packed, gate_packed, halt_packed, next_pulse_packed
from thenar.safety.inputs import ASKED_SIZE, SENSES_SIZE
from thenar.safety.interlock import ADMITTED_SIZE
from thenar.safety.limits import LIMITS_SIZE
from thenar.safety.memory import MEMORY_SIZE, start_memory
from thenar.safety.vectors.layout import FLAGS, PULSE, SCHEMA, VERSION, fields
from thenar.safety.vectors.recorder import Numbers, whole
from thenar.shared.errors import InputError, Problem
from thenar.shared.text_input import opened

_HEADER: Final = {
    "schema": str, "version": int, "purpose": str, "profile": str, "fingerprint": str, "count": int, "seed": int,
    "control": int, "control_period_us": int, "units": str, "overflow": list, "flags": dict, "fields": dict,
    "memory_default": list,
}  # fmt: skip
_FLAGS: Final = tuple(FLAGS)
"""A tuple, as what stands in a file instead of a flag may be a list, which no mapping can be asked for."""
_LIMITS: Final = {"limits": int, "values": list}
_VECTOR: Final = {
    "id": int, "comment": str, "flags": list, "limits": int, "memory": list, "admitted": list, "calls": list,
    "memory_after": list, "admitted_after": list,
}  # fmt: skip
_CALLS: Final[tuple[dict[str, type], ...]] = (
    {"tick_us": int, "asked": list, "senses": list, "admitted": list, "reasons": int},
    {"halt_us": int},
    {"gate_us": int, "channel": int, "pulse": list, "reasons": int},
    {"next_us": int, "channel": int, "due_us": int},
)
_SIZES: Final = {"asked": ASKED_SIZE, "senses": SENSES_SIZE, "admitted": ADMITTED_SIZE, "pulse": len(PULSE)}


class Verified(NamedTuple):
    """What a file was found to be: its header, and each vector that differs as (id, what differed first)."""

    header: dict[str, Any]
    differing: tuple[tuple[int, str], ...]


class _ShapeError(ValueError):
    """A line that has not the exact shape; the text says what was found."""


def verify_file(path: Path, advance: Callable[[int], None]) -> Verified:
    """Hold the interlock to every vector of a file. Raises InputError for a file that has not the exact shape.

    Refused are unknown or missing fields, other sizes, numbers beyond 64 bits, vectors out of order, a last line that
    is cut off, and more or fewer vectors than the header says.
    """
    reader = _Reader(advance)
    try:
        with opened(path, "file of vectors") as file:
            for line in file:
                reader.line(line)
        reader.end()
    except _ShapeError as error:
        problem = Problem(str(path), f"line {reader.lines}", str(error), "the exact shape: see thenar vectors --schema")
        raise InputError([problem]) from None
    return Verified(reader.header, tuple(reader.differing))


class _Reader:
    """What has been read so far."""

    def __init__(self, advance: Callable[[int], None]) -> None:
        self.advance = advance
        self.header: dict[str, Any] = {}
        self.known: dict[int, Numbers] = {}
        self.differing: list[tuple[int, str]] = []
        self.lines = self.done = 0

    def line(self, line: bytes) -> None:
        """Take the next line."""
        self.lines += 1
        record = _parsed(line)
        if self.lines == 1:
            self.header = _header(record)
        elif "values" in record:
            _fits(record, _LIMITS)
            if record["limits"] in self.known:
                raise _ShapeError(f"limits {record['limits']} given twice")
            self.known[record["limits"]] = _array(record["values"], LIMITS_SIZE)
        else:
            self._vector(record)

    def _vector(self, record: dict[str, Any]) -> None:
        _fits(record, _VECTOR)
        if record["id"] != self.done:
            raise _ShapeError(f"vector {record['id']} where {self.done} is due")
        wrong = _differs(record, self.known)
        if wrong:
            self.differing.append((self.done, wrong))
        self.done += 1
        self.advance(self.done)

    def end(self) -> None:
        """Say that no line is left."""
        if not self.lines:
            raise _ShapeError("an empty file")
        if self.done != self.header["count"]:
            raise _ShapeError(f"{self.done} vectors where the header says {self.header['count']}")


def _parsed(line: bytes) -> dict[str, Any]:
    if not line.endswith(b"\n"):
        raise _ShapeError("a line that is cut off")
    try:
        record = json.loads(line, object_pairs_hook=_once)
    except _ShapeError:
        raise
    except (ValueError, RecursionError):  # ValueError: no JSON, no text, or more digits than Python reads
        raise _ShapeError("no JSON") from None
    if not isinstance(record, dict):
        raise _ShapeError("no JSON object")
    return record


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    if len(dict(pairs)) != len(pairs):
        raise _ShapeError("a field named twice")
    return dict(pairs)


def _header(record: dict[str, Any]) -> dict[str, Any]:
    _fits(record, _HEADER)
    wanted = {
        "schema": SCHEMA, "version": VERSION, "flags": FLAGS, "fields": fields(),
        "memory_default": whole(start_memory()),
    }  # fmt: skip
    for key, value in wanted.items():
        if record[key] != value:
            raise _ShapeError(f"a header whose {key} is not that of this version")
    return record


def _fits(record: dict[str, Any], shape: dict[str, type]) -> None:
    if unknown := sorted(set(record) - set(shape)):
        raise _ShapeError(f"unknown field {unknown[0]}")
    for key, kind in shape.items():
        if key not in record:
            raise _ShapeError(f"no field {key}")
        if type(record[key]) is not kind:
            raise _ShapeError(f"{key} of another type")
        if kind is int:
            _whole(record[key])


def _whole(value: Any) -> int:
    if type(value) is not int or not -(2**63) <= value < 2**63:
        raise _ShapeError(f"a number that is no 64-bit integer: {str(value)[:30]}")
    return value


def _array(values: list[Any], size: int) -> Numbers:
    if len(values) != size:
        raise _ShapeError(f"{len(values)} numbers where {size} are due")
    return np.array([_whole(value) for value in values], dtype=np.int64)


def _with_changes(base: Numbers, pairs: list[Any]) -> Numbers:
    changed = base.copy()
    for pair in pairs:
        if not isinstance(pair, list) or len(pair) != 2 or not 0 <= _whole(pair[0]) < MEMORY_SIZE:
            raise _ShapeError("an entry of the memory that is no pair of a place and a value")
        changed[pair[0]] = _whole(pair[1])
    return changed


def _differs(record: dict[str, Any], known: dict[int, Numbers]) -> str:
    """What the interlock answers otherwise than the record says; "" when nothing."""
    if record["limits"] not in known:
        raise _ShapeError(f"limits {record['limits']} that no line has given")
    if unknown := [flag for flag in record["flags"] if flag not in _FLAGS]:
        raise _ShapeError(f"unknown flag {unknown[0]}")
    limits = known[record["limits"]]
    before = _with_changes(start_memory(), record["memory"])
    expected = _with_changes(before, record["memory_after"])
    memory, admitted = before.copy(), _array(record["admitted"], ADMITTED_SIZE)
    last = _array(record["admitted_after"], ADMITTED_SIZE)
    wrong = ""
    for place, call in enumerate(record["calls"]):
        found = _answer(call, limits, memory, admitted)
        for key, value in found.items():
            if not wrong and call[key] != value:
                wrong = f"call {place}: {key} {value}, the file says {call[key]}"
    if not wrong and not np.array_equal(memory, expected):
        at = int(np.flatnonzero(memory != expected)[0])
        wrong = f"memory after: {fields()['memory'][at]} {memory[at]}, the file says {expected[at]}"
    if not wrong and not np.array_equal(admitted, last):
        wrong = f"admitted after: {whole(admitted)}, the file says {whole(last)}"
    return wrong


def _answer(call: Any, limits: Numbers, memory: Numbers, admitted: Numbers) -> dict[str, Any]:
    """Play one call; its outputs by name."""
    shape = next((shape for shape in _CALLS if isinstance(call, dict) and next(iter(shape)) in call), None)
    if shape is None:
        raise _ShapeError("a call that is none of tick, halt, gate and next")
    _fits(call, shape)
    arrays = {key: _array(call[key], _SIZES[key]) for key in shape if key in _SIZES}
    if call.get("channel", 0) not in (0, 1):
        raise _ShapeError(f"channel {call['channel']}")
    if "tick_us" in call:
        reasons = int(admit_packed(limits, memory, admitted, arrays["asked"], arrays["senses"], call["tick_us"]))
        return {"admitted": whole(admitted), "reasons": reasons}
    if "halt_us" in call:
        halt_packed(memory, admitted, call["halt_us"])
        return {}
    if "gate_us" in call:
        out = np.zeros(len(PULSE), dtype=np.int64)
        reasons = int(gate_packed(limits, memory, admitted, call["channel"], call["gate_us"], out))
        return {"pulse": whole(out), "reasons": reasons}
    return {"due_us": int(next_pulse_packed(limits, memory, admitted, call["channel"], call["next_us"]))}
