"""Files of text that a person hands over: read whole and bounded, TOML parsed, each refused with where and why."""

from __future__ import annotations

import csv
import os
import re
import stat
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO, Final

from thenar.shared.errors import InputError, Problem

LARGEST_TOML: Final = 1_000_000
"""Bytes of a TOML file."""
MOST_KEY_PARTS: Final = 32
"""Parts of one dotted key or table name: the parser's time grows with their square, and no key of ours has ten."""
LONGEST_CELL: Final = 1_000
"""Characters of one cell of a table that holds numbers and short names."""

_LONGEST_REASON: Final = 200
_NO_KEYS: Final = re.compile(
    r'"""(?:[^"\\]|\\.|"(?!""))*+(?:"{3,5}|\\?\Z)?'
    r"|'''(?:[^']|'(?!''))*+(?:'{3,5})?"
    r'|"(?:[^"\\\n]|\\[^\n])*+"?'
    r"|'[^'\n]*+'?|#[^\n]*+",
    re.DOTALL,
)
"""Strings and comments of a TOML text, ended or not (so that no search begins twice): what they hold is no key."""
_LONG_KEY: Final = re.compile(rf'(?<![\w."-])(?:(?:[\w-]++|"")[ \t]*+\.[ \t]*+){{{MOST_KEY_PARTS},}}+')


@contextmanager
def opened(path: Path, kind: str, shown_as: str | None = None) -> Iterator[BinaryIO]:
    """The ordinary file at `path`, open for reading. `kind`: what it should be, as "CSV file".

    `shown_as`: what errors call it (its path when None).
    Raises InputError for a folder, a device or a pipe (either might never end), and where the system refuses.
    """
    file, allowed = str(path) if shown_as is None else shown_as, f"a readable {kind}"
    try:
        # Without O_NONBLOCK, opening a pipe that nobody writes to waits for ever.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except (OSError, ValueError) as error:  # ValueError: a path that no file system takes
        raise InputError([Problem(file, "", getattr(error, "strerror", None) or str(error), allowed)]) from None
    try:
        mode = os.fstat(handle).st_mode
        if not stat.S_ISREG(mode):
            raise InputError([Problem(file, "", _what(mode), allowed)])
        with open(handle, "rb", closefd=False) as content:
            yield content
    finally:
        os.close(handle)


def bytes_in(path: Path, largest: int, kind: str, shown_as: str | None = None) -> bytes:
    """The bytes of the ordinary file at `path`. `shown_as`: what errors call it (its path when None).

    Raises InputError as `opened`, and for more than `largest` bytes.
    """
    with opened(path, kind, shown_as) as content:
        try:
            data = content.read(largest + 1)
        except OSError as error:
            found = error.strerror or str(error)
            raise InputError([Problem(str(path), "", found, f"a readable {kind}")]) from None
    if len(data) > largest:
        file = str(path) if shown_as is None else shown_as
        raise InputError([Problem(file, "", f"more than {largest:,} bytes", f"at most {largest:,} bytes")])
    return data


def _what(mode: int) -> str:
    for kind, word in ((stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket")):
        if kind(mode):
            return word
    return "a device"


def read_toml(path: Path) -> dict[str, Any]:
    """The table in a TOML file. Raises InputError when it can't be read or parsed."""
    return table_in(toml_text(path), str(path))


def toml_text(path: Path) -> str:
    """The text of a TOML file, with its byte order mark if it has one. Raises InputError."""
    try:
        return bytes_in(path, LARGEST_TOML, "TOML file").decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError([Problem(str(path), "", str(error), "TOML 1.0 text in UTF-8")]) from None


def table_in(text: str, file: str) -> dict[str, Any]:
    """The table in a TOML text; a byte order mark at its start is left out. Raises InputError."""
    try:
        text.encode("utf-8")
        long = _LONG_KEY.search(_NO_KEYS.sub(_blank, text))
        if long is not None:
            line = text.count("\n", 0, long.start()) + 1
            found = f"a key of more than {MOST_KEY_PARTS} parts between dots"
            raise InputError([Problem(file, f"line {line}", found, f"at most {MOST_KEY_PARTS} parts")])
        return tomllib.loads(text.removeprefix("\ufeff"))
    except RecursionError:
        found = "nesting too deep to read"
    except ValueError as error:  # not TOML, text that UTF-8 can't hold, or an integer of thousands of digits
        found = str(error)
    raise InputError([Problem(file, "", found[:_LONGEST_REASON], "TOML 1.0 text in UTF-8")])


def _blank(match: re.Match[str]) -> str:
    """Something of the same length and lines, which is no key but may be a part of one."""
    text = match[0]
    if text.startswith("#") or "\n" in text:
        return "".join(sign if sign == "\n" else " " for sign in text)
    return '""' + " " * (len(text) - 2)


def csv_fault(error: csv.Error) -> str:
    """What stopped the reading of a CSV table, in words."""
    if "field limit" in str(error):
        return f"a cell of more than {csv.field_size_limit():,} characters"
    return str(error)


def long_cell(line: str, separator: str, names: list[str], file: str, number: int) -> Problem | None:
    """What is wrong with a line of a table that has a cell longer than LONGEST_CELL characters; None without one."""
    if len(line) <= LONGEST_CELL:
        return None
    cells = line.split(separator)
    place = max(range(len(cells)), key=lambda at: len(cells[at]))
    if len(cells[place]) <= LONGEST_CELL:
        return None
    name = names[place] if place < len(names) else f"cell {place + 1}"
    found = f"a cell of {len(cells[place]):,} characters"
    return Problem(file, f"line {number}, {name}", found, f"at most {LONGEST_CELL:,} characters")
