"""Reading what a finished folder holds, for a page: records, tables and pictures, and what kind of folder it is."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any, Final

from thenar.shared.errors import InputError, Problem

KINDS: Final = {
    "run": "manifest.json",
    "sweep": "ledger.sqlite",
    "tune": "tune.json",
    "compare": "comparison.json",
    "breakeven": "breakeven.json",
    "plan": "plan.json",
    "challenge": "evidence.json",
    "sensitivity": "sensitivity.json",
    "margins": "margins.json",
}
"""The command that makes a folder, and the file by which it is known."""


def kind_of(folder: Path) -> str:
    """Which command made `folder`, as a key of KINDS. Raises InputError when none did or it isn't finished."""
    allowed = "a finished folder of " + ", ".join(f"`thenar {kind}`" for kind in KINDS)
    if not folder.is_dir():
        found = "a file" if folder.exists() else "no such folder"
        raise InputError([Problem(str(folder), "", found, allowed)])
    for kind, file in KINDS.items():
        if (folder / file).is_file():
            return kind
    raise InputError([Problem(str(folder), "", f"none of {', '.join(KINDS.values())} in it", allowed)])


def record_in(folder: Path, name: str) -> dict[str, Any]:
    """The JSON record `name` of a folder. Raises InputError when it is missing or damaged."""
    file = folder / name
    try:
        found = json.loads(file.read_bytes().decode("utf-8"))
    except OSError as error:
        raise InputError([Problem(str(file), "", error.strerror or str(error), "a file that thenar wrote")]) from None
    except (ValueError, RecursionError) as error:
        raise InputError([Problem(str(file), "", str(error), "JSON as thenar wrote it")]) from None
    if not isinstance(found, dict):
        raise InputError([Problem(str(file), "", f"a {type(found).__name__}", "a JSON object as thenar wrote it")])
    return found


def rows_in(folder: Path, name: str) -> tuple[list[str], list[list[str]]]:
    """Headers and rows of the CSV table `name` of a folder. Raises InputError when it is missing or no text."""
    file = folder / name
    try:
        with file.open(encoding="utf-8", newline="") as handle:
            headers, *rows = list(csv.reader(handle)) or [[]]
    except OSError as error:
        raise InputError([Problem(str(file), "", error.strerror or str(error), "a table that thenar wrote")]) from None
    except (ValueError, csv.Error) as error:
        raise InputError([Problem(str(file), "", str(error), "a CSV table as thenar wrote it")]) from None
    return headers, rows
