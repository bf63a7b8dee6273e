"""Reading a person's recording: CSV, Parquet or XDF to a checked Recording, or every problem of the file at once."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Final

import numpy as np

from thenar.fit.csv_text import read_csv
from thenar.fit.doubts import doubt
from thenar.fit.headers import check_renames
from thenar.fit.kinds import DATE_COLUMN, KINDS, Kind
from thenar.fit.on_record import span
from thenar.fit.raw import Floats, Raw
from thenar.fit.recording import TIME_COLUMN, Recording
from thenar.fit.repairs import check_repairs, mend, say_idle
from thenar.shared.errors import InputError, Problem
from thenar.shared.text_input import bytes_in

MOST_BYTES: Final = 2_000_000_000
_PARQUET: Final = b"PAR1"
_XDF: Final = b"XDF:"


def read(
    file: Path,
    kind: str,
    *,
    columns: Mapping[str, str] | None = None,
    streams: Mapping[str, str] | None = None,
    repairs: Collection[str] = (),
) -> Recording:
    """The recording in `file`, of one of KINDS. Nothing is mended but what `repairs` names.

    `columns`: our column name to the file's (CSV, Parquet); `streams`: our column name to STREAM or STREAM:CHANNEL
    (XDF); `repairs`: NAME or NAME:COLUMN. Raises InputError with every problem found.
    """
    name, one = str(file), KINDS[kind]
    asked = check_repairs(name, one, repairs)
    check_renames(name, one, columns or {}, "--column")
    check_renames(name, one, streams or {}, "--stream")
    content = bytes_in(file, MOST_BYTES, "recording: CSV, Parquet or XDF")
    raw = Raw(name, one, hashlib.sha256(content).hexdigest(), 0, [], asked)
    _fill(raw, file, content, columns or {}, streams or {})
    with np.errstate(over="ignore", invalid="ignore"):  # absurd numbers are told by their range
        mend(raw)
        doubt(raw)
    say_idle(raw)
    if raw.problems:
        raise InputError(raw.problems)
    begins, ends = span(raw.dates)
    return Recording(kind, name, raw.sha256, raw.rows, begins, ends, merged(raw), tuple(raw.mended))


def _fill(raw: Raw, file: Path, content: bytes, columns: Mapping[str, str], streams: Mapping[str, str]) -> None:
    """Hand over to the reader of the format: its first bytes tell it, else it is CSV."""
    ending = file.suffix.lower()
    is_xdf, is_parquet = content[:4] == _XDF, content[:4] == _PARQUET
    stated = {".xdf": "XDF", ".parquet": "Parquet"}.get(ending, "")
    if (ending == ".xdf" and not is_xdf) or (ending == ".parquet" and not is_parquet):
        raise InputError(
            [Problem(raw.file, "", f"a name ending in {ending} but no {stated} inside", f"a {stated} file")]
        )
    if not content.strip():
        raise InputError([Problem(raw.file, "", "an empty file", "a recording as CSV, Parquet or XDF")])
    if streams and not is_xdf:
        raise InputError([Problem(raw.file, "--stream", "no XDF file", "--column OURS=THEIRS for CSV and Parquet")])
    if columns and is_xdf:
        raise InputError([Problem(raw.file, "--column", "an XDF file", "--stream OURS=STREAM[:CHANNEL] for XDF")])
    if is_xdf:
        from thenar.fit.xdf_streams import read_xdf

        read_xdf(raw, content, streams)
    elif is_parquet:
        from thenar.fit.parquet_table import read_parquet

        read_parquet(raw, content, columns)
    else:
        read_csv(raw, content, columns)


def merged(raw: Raw) -> dict[str, Floats]:
    """All blocks as one long table by time; rows of the same time become one, as they fill different columns."""
    names = [name for name in raw.kind.names if any(name in block.columns for block in raw.blocks)]
    rows = sum(block.rows for block in raw.blocks)
    table = {name: np.full(rows, np.nan) for name in names}
    start = 0
    for block in raw.blocks:
        for name, values in block.columns.items():
            if name != DATE_COLUMN:
                table[name][start : start + block.rows] = values
        start += block.rows
    return _by_time(table, raw.kind) if raw.kind.timed else table


def _by_time(table: dict[str, Floats], kind: Kind) -> dict[str, Floats]:
    times, place = np.unique(table[TIME_COLUMN], return_inverse=True)
    if times.size == table[TIME_COLUMN].size and (np.diff(table[TIME_COLUMN]) > 0).all():
        return table
    joined = {TIME_COLUMN: times}
    for name in table.keys() - {TIME_COLUMN}:
        joined[name] = np.full(times.size, np.nan)
        held = np.isfinite(table[name])
        joined[name][place[held]] = table[name][held]
    return {name: joined[name] for name in kind.names if name in joined}
