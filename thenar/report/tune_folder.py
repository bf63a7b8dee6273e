"""The folder of a tuning: what was asked is written first, so that it can be gone on with; the results come last."""

from __future__ import annotations

import csv
import io
import json
import os
import secrets
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Final

from thenar.report.folder import FILES, UNFINISHED, json_of, plain, refuse_if_taken
from thenar.safety.deviation import Deviation
from thenar.scenarios.changes import Value, text_with, with_values
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError, Problem, shown

ASKED: Final = "asked.json"
RESULT: Final = "tune.json"


def open_folder(out: Path, asked: Mapping[str, object]) -> bool:
    """Make `out` for a tuning with these answers to what was asked. True when one is there to go on with.

    Raises InputError when the folder holds something else, another tuning, or a finished one.
    """
    record = json.loads(json.dumps(plain(asked)))
    file = out / ASKED
    if not file.is_file():
        refuse_if_taken(out)
        _make(out, record)
        return False
    try:
        there = json_of(file.read_bytes())
    except (OSError, ValueError) as error:
        raise InputError([Problem(str(file), "", f"damaged: {error}", "a file that a tuning wrote")]) from None
    if not isinstance(there, dict):
        raise InputError([Problem(str(file), "", f"damaged: {shown(there)}", "a file that a tuning wrote")])
    differing = sorted(key for key in {*there, *record} if there.get(key) != record.get(key))
    if differing:
        allowed = "the same command that began it, or another --out"
        raise InputError(
            Problem(str(out), key, f"{shown(record.get(key))}, but it was begun with {shown(there.get(key))}", allowed)
            for key in differing
        )
    if (out / FILES).exists():
        raise InputError([Problem(str(out), "--out", "a tuning that is finished", "another --out, for a new one")])
    return True


def _make(out: Path, record: object) -> None:
    working = out.with_name(out.name + UNFINISHED + secrets.token_hex(4))
    try:
        working.mkdir(parents=True)
        write_whole(working / ASKED, json.dumps(record, indent=2) + "\n")
        if out.is_dir():
            out.rmdir()
        working.rename(out)
    except OSError as error:
        allowed = "a folder that can be made and written"
        raise InputError([Problem(str(out), "--out", error.strerror or str(error), allowed)]) from None


def write_whole(file: Path, text: str) -> None:
    """Write a UTF-8 file whole or not at all, over what was there."""
    made_whole(file, lambda part: part.write_text(text, encoding="utf-8", newline="\n"))


def made_whole(file: Path, make: Callable[[Path], object]) -> None:
    """Let `make` write the file it is given; flushed to the disk, it then takes the place of `file`."""
    part = file.with_name(file.name + ".part")
    make(part)
    with part.open("rb+") as handle:
        os.fsync(handle.fileno())
    part.replace(file)


def write_scenario(out: Path, name: str, loaded: LoadedScenario, values: Mapping[str, Value]) -> None:
    """Write `loaded` with other values as `out`/`name`, comments and all, the files that it names beside it."""
    moved: dict[str, Value] = {}
    places: dict[str, str] = {}
    for file in loaded.files:
        beside = places.setdefault(file.name, _beside(file.name, places.values()))
        (out / beside).parent.mkdir(parents=True, exist_ok=True)
        content = file.path.read_bytes()
        made_whole(out / beside, lambda part, content=content: part.write_bytes(content))  # type: ignore[misc]
        if beside != file.name:
            moved[file.key] = beside
    changed = with_values(loaded, dict(values))
    # Files needn't lie beside the scenario itself, so the text is not read again.
    text = text_with(changed.text, moved, str(changed.path)) if moved else changed.text
    write_whole(out / name, text)


def _beside(name: str, taken: Collection[str]) -> str:
    """Where a file lies beside the scenario: as it is named there, or, from elsewhere, under a name not taken yet."""
    path = PurePosixPath(name)
    if ".." not in path.parts:
        return name
    return path.name if path.name not in taken else f"{len(taken):02d}-{path.name}"


def csv_text(headers: Sequence[str], rows: Iterable[Sequence[object]], deviations: Sequence[Deviation]) -> str:
    """A table as CSV text; floats read back exactly as they were, None is an empty cell.

    `deviations`: limits looser than the default, told in a last column `limit_deviations`, the same in every row.
    """
    loosened = ";".join(f"{found.key}={found.value:.12g}" for found in deviations)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*headers, "limit_deviations"])
    for row in rows:
        cells = ["" if cell is None else repr(cell) if isinstance(cell, float) else cell for cell in row]
        writer.writerow([*cells, loosened])
    return text.getvalue()
