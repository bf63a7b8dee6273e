"""TOML files as a person writes them: read whole, parsed, refused with where and why."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Final

from thenar.scenarios.pieces import placed
from thenar.shared.errors import InputError, Problem

LARGEST_BYTES: Final = 1_000_000

Table = dict[str, Any]


def bytes_of(path: Path) -> bytes:
    """The bytes of a TOML file. Raises InputError when it is too large or can't be read."""
    file = str(path)
    try:
        if path.is_dir():
            raise InputError([Problem(file, "", "a folder", "a TOML file")])
        with path.open("rb") as handle:
            data = handle.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:
        found = getattr(error, "strerror", None) or str(error)
        raise InputError([Problem(file, "", found, "a readable TOML file")]) from None
    if len(data) > LARGEST_BYTES:
        raise InputError([Problem(file, "", f"more than {LARGEST_BYTES} bytes", f"at most {LARGEST_BYTES} bytes")])
    return data


def table_in(text: str, file: str) -> Table:
    """The table in a TOML text; a byte order mark at its start is left out. Raises InputError."""
    try:
        text.encode("utf-8")
        return tomllib.loads(text.removeprefix("\ufeff"))
    except RecursionError:
        found = "nesting too deep to read"
    except ValueError as error:  # not TOML, text that UTF-8 can't hold, or an integer of thousands of digits
        found = str(error)
    raise InputError(placed(InputError([Problem(file, "", found, "TOML 1.0 text in UTF-8")]), ""))
