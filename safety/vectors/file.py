"""The file: one header line, lines of limits, one line per vector, and a twin of it in which every vector is wrong."""

from __future__ import annotations

import itertools
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from thenar.safety.invented import CLEAR, ENGRAVER
from thenar.safety.memory import start_memory
from thenar.safety.profile import LimitProfile
from thenar.safety.vectors.layout import FLAGS, OVERFLOW, SCHEMA, UNITS, VERSION, fields
from thenar.safety.vectors.recorder import Numbers, Vector, whole
from thenar.safety.vectors.sources import aimed, drawn, thinned

CONTROL_PERIOD_US: Final = 20_000
PURPOSE: Final = (
    "What a simulated interlock answers, call by call. Play each vector from its own state; every output and the whole "
    "state after it must match. No medical device, no clinical limit, no certification."
)
CONTROL_PURPOSE: Final = (
    "Control file: one output of every vector is wrong on purpose. A runner that accepts any of them is broken."
)


def write_vectors(
    profile: LimitProfile, out: Path, count: int, seed: int, control: bool, advance: Callable[[int], None]
) -> None:
    """Write a file of `count` vectors; whole or not at all. `advance` is told how many have been written."""
    beside = out.with_name(f".{out.name}.{os.getpid()}")
    try:
        with beside.open("w", encoding="utf-8", newline="\n") as file:
            for number, line in enumerate(_lines(profile, count, seed, control)):
                file.write(line + "\n")
                if number % 500 == 0:
                    advance(number)
        beside.replace(out)
    finally:
        beside.unlink(missing_ok=True)
    advance(count)


def header_of(profile: LimitProfile, count: int, seed: int, control: bool) -> dict[str, Any]:
    """The first line of a file."""
    return {
        "schema": SCHEMA,
        "version": VERSION,
        "purpose": CONTROL_PURPOSE if control else PURPOSE,
        "profile": profile.name,
        "fingerprint": profile.fingerprint(),
        "count": count,
        "seed": seed,
        "control": int(control),
        "control_period_us": CONTROL_PERIOD_US,
        "units": UNITS,
        "overflow": OVERFLOW.splitlines(),
        "flags": FLAGS,
        "fields": fields(),
        "memory_default": whole(start_memory()),
    }


def _lines(profile: LimitProfile, count: int, seed: int, control: bool) -> Iterator[str]:
    yield _dense(header_of(profile, count, seed, control))
    limits = profile.limits_for(ENGRAVER, CONTROL_PERIOD_US, CLEAR)
    rng = np.random.default_rng(seed)
    first = thinned(list(aimed(limits)), count // 2)
    numbers: dict[tuple[int, ...], int] = {}
    for place, vector in enumerate(itertools.islice(itertools.chain(first, drawn(limits, rng)), count)):
        if vector.limits not in numbers:
            numbers[vector.limits] = len(numbers)
            yield _dense({"limits": numbers[vector.limits], "values": list(vector.limits)})
        record = record_of(vector, place, numbers[vector.limits])
        yield _dense(altered(record, place) if control else record)


def _dense(record: dict[str, Any]) -> str:
    return json.dumps(record, separators=(",", ":"), ensure_ascii=True)


def _changes(old: Numbers, new: Numbers) -> list[list[int]]:
    return [[int(place), int(new[place])] for place in np.flatnonzero(old != new)]


def record_of(vector: Vector, place: int, limits: int) -> dict[str, Any]:
    """A vector as it stands in a file. `limits`: number of the line of limits that it is played under."""
    return {
        "id": place,
        "comment": vector.comment,
        "flags": list(vector.flags),
        "limits": limits,
        "memory": _changes(start_memory(), vector.memory),
        "admitted": list(vector.admitted),
        "calls": list(vector.calls),
        "memory_after": _changes(vector.memory, vector.memory_after),
        "admitted_after": list(vector.admitted_after),
    }


def altered(record: dict[str, Any], turn: int) -> dict[str, Any]:
    """The record with one output wrong: which one goes round with `turn`."""
    calls = [dict(call) for call in record["calls"]]
    answers = [(call, key) for call in calls for key in ("admitted", "reasons", "pulse", "due_us") if key in call]
    after, last = [list(pair) for pair in record["memory_after"]], list(record["admitted_after"])
    choice = turn % (len(answers) + 2)
    if choice < len(answers):
        call, key = answers[choice]
        what = f"{key} of a call"
        call[key] = _off_by_one(call[key], turn) if isinstance(call[key], list) else call[key] ^ 1 << turn % 30
    elif choice == len(answers) and after:
        what = "an entry of memory_after"
        after[turn % len(after)][1] ^= 1
    else:
        what = "admitted_after"
        last = _off_by_one(last, turn)
    return record | {
        "comment": f"{record['comment']}; wrong: {what}",
        "flags": sorted([*record["flags"], "altered"]),
        "calls": calls,
        "memory_after": after,
        "admitted_after": last,
    }


def _off_by_one(numbers: list[int], turn: int) -> list[int]:
    changed = list(numbers)
    changed[turn % len(changed)] ^= 1
    return changed
