"""Logs of pulses and decisions in files of their own: CSV or Parquet, read in batches, refused when in doubt.

Pulses: t_us, channel (0 agonist, 1 antagonist), current_mA or current_uA, width_us, gap_us; and where there are any:
trial, second_current_mA (or _uA), second_width_us, decisions_before. Decisions: every column of `DecisionLog`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from thenar.safety.audit.logs import PULSE_RANGES, DecisionLog, PulseLog
from thenar.shared.errors import InputError, Problem, nearest
from thenar.shared.text_input import long_cell, opened

Columns = dict[str, NDArray[Any]]

IN_MILLIAMPERES: Final = {"current_mA": "current_uA", "second_current_mA": "second_current_uA"}
OPTIONAL: Final = ("trial", "second_current_uA", "second_width_us", "decisions_before")
BATCH_ROWS: Final = 131_072
_ROUNDING_UA: Final = 1e-6
_CSV_BLOCK: Final = 8_000_000


def pulse_batches(file: Path) -> Iterator[PulseLog]:
    """The pulses of a file, batch by batch, checked. Raises InputError on the first thing that can't be read."""
    names = PulseLog._fields
    last = (-1, -1)
    for columns in _batches(file, names, OPTIONAL, IN_MILLIAMPERES):
        whole = {name: _whole(file, name, column) for name, column in _in_microamperes(file, columns).items()}
        whole.setdefault("trial", np.zeros(len(whole["t_us"]), dtype=np.int64))
        for name, column in whole.items():
            _in_range(file, name, column, PULSE_RANGES[name])
        last = _in_order(file, whole["trial"], whole["t_us"], last)
        yield PulseLog(**whole)


def read_decisions(file: Path) -> DecisionLog:
    """The decisions of a file, all at once. Raises InputError when it can't be read."""
    batches = [
        {name: _whole(file, name, column) for name, column in columns.items()}
        for columns in _batches(file, DecisionLog._fields, (), {})
    ]
    if not batches:
        return DecisionLog(*(np.zeros(0, dtype=np.int64) for _ in DecisionLog._fields))
    log = DecisionLog(*(np.concatenate([batch[name] for batch in batches]) for name in DecisionLog._fields))
    if np.any(np.diff(log.trial) < 0):
        row = int(np.flatnonzero(np.diff(log.trial) < 0)[0]) + 1
        raise InputError([Problem(f"{file}: row {row}", "trial", "an earlier trial again", "rows by trial")])
    return log


def _batches(
    file: Path, names: Sequence[str], optional: Sequence[str], other_units: dict[str, str]
) -> Iterator[Columns]:
    """Batches of a CSV or Parquet file as arrays. Raises InputError: unknown columns, damage, missing values."""
    try:
        for number, batch in enumerate(_open(file, names, other_units)):
            if number == 0:
                _known_columns(file, batch.schema.names, names, optional, other_units)
            yield {name: _array(file, name, batch.column(name)) for name in batch.schema.names}
    except (OSError, pa.ArrowException) as error:
        _no_long_cell(file)
        found = error.strerror if isinstance(error, OSError) and error.strerror else str(error).partition("\n")[0]
        raise InputError(
            [Problem(str(file), "", found, "a whole CSV or Parquet file with the columns of a log")]
        ) from None


def _open(file: Path, names: Sequence[str], other_units: dict[str, str]) -> Iterator[Any]:
    with opened(file, "CSV or Parquet file"):
        pass
    if file.suffix.lower() in {".parquet", ".pq"}:
        with pq.ParquetFile(file) as table:
            _known_columns(file, table.schema_arrow.names, names, (*names,), other_units)
            yield from table.iter_batches(batch_size=BATCH_ROWS, use_threads=False)
        return
    _ends_with_a_line(file)
    kinds = {name: pa.int64() for name in names} | dict.fromkeys(other_units, pa.float64())
    convert = pa.csv.ConvertOptions(column_types=kinds)
    with pa.csv.open_csv(file, pa.csv.ReadOptions(block_size=_CSV_BLOCK), convert_options=convert) as table:
        yield from table


def _no_long_cell(file: Path) -> None:
    """Raise InputError with line and column where a cell of a CSV file is so long that it can be no number."""
    if file.suffix.lower() in {".parquet", ".pq"}:
        return
    with file.open(encoding="utf-8", errors="replace", newline="\n") as lines:
        names: list[str] = []
        for number, line in enumerate(lines, start=1):
            names = names or line.strip().split(",")
            problem = long_cell(line, ",", names, str(file), number)
            if problem is not None:
                raise InputError([problem])


def _ends_with_a_line(file: Path) -> None:
    """A CSV file whose last line was cut has no line end there."""
    with file.open("rb") as content:
        content.seek(0, 2)
        if content.tell() == 0:
            raise InputError([Problem(str(file), "", "an empty file", "a header line and one line per row")])
        content.seek(-1, 2)
        if content.read(1) != b"\n":
            raise InputError([Problem(str(file), "", "a last line without an end: the file was cut", "a whole file")])


def _known_columns(
    file: Path, found: Sequence[str], names: Sequence[str], optional: Sequence[str], other_units: dict[str, str]
) -> None:
    """Raise InputError when a column is unknown, there twice or missing."""
    allowed = [*names, *other_units]
    problems = [
        Problem(str(file), name, "an unknown column", "one of " + ", ".join(allowed), nearest(name, allowed))
        for name in found
        if name not in allowed
    ]
    held = [other_units.get(name, name) for name in found]
    problems += [
        Problem(str(file), name, "this column twice (or in two units)", "once")
        for name in dict.fromkeys(held)
        if held.count(name) > 1
    ]
    problems += [
        Problem(
            str(file),
            name,
            "no such column",
            "this column is needed",
            nearest(name, [n for n in found if n not in allowed]),
        )
        for name in names
        if name not in held and name not in optional
    ]
    if problems:
        raise InputError(problems)


def _array(file: Path, name: str, column: Any) -> NDArray[Any]:
    if column.null_count:
        raise InputError([Problem(str(file), name, f"{column.null_count} missing values", "a number in every row")])
    if not (pa.types.is_integer(column.type) or pa.types.is_floating(column.type)):
        raise InputError([Problem(str(file), name, f"values of type {column.type}", "whole numbers")])
    array: NDArray[Any] = column.to_numpy(zero_copy_only=False)
    return array


def _in_microamperes(file: Path, columns: Columns) -> Columns:
    """The columns with every current in uA. Raises InputError for one that is no whole number of uA."""
    held: Columns = {}
    for name, column in columns.items():
        if name not in IN_MILLIAMPERES:
            held[name] = column
            continue
        scaled = column * 1_000.0
        odd = ~(np.abs(scaled - np.rint(scaled)) <= _ROUNDING_UA)
        _refuse(file, name, column, odd, "a current in mA that is a whole number of uA")
        held[IN_MILLIAMPERES[name]] = np.rint(scaled)
    return held


def _whole(file: Path, name: str, column: NDArray[Any]) -> NDArray[np.int64]:
    """The column as int64. Raises InputError for anything but whole numbers."""
    if column.dtype.kind == "f":
        odd = ~(np.isfinite(column) & (np.abs(column) < 2.0**53) & (column == np.floor(column)))
        _refuse(file, name, column, odd, "whole numbers")
    elif column.dtype == np.uint64:
        _refuse(file, name, column, column > np.iinfo(np.int64).max, "whole numbers of at most 64 bits")
    return column.astype(np.int64)


def _in_range(file: Path, name: str, column: NDArray[np.int64], allowed: tuple[int, int]) -> None:
    _refuse(file, name, column, (column < allowed[0]) | (column > allowed[1]), f"{allowed[0]} to {allowed[1]}")


def _refuse(file: Path, name: str, column: NDArray[Any], odd: NDArray[np.bool_], allowed: str) -> None:
    """Raise InputError naming the first odd value, when there is one."""
    if odd.any():
        value = column[int(np.flatnonzero(odd)[0])].item()
        times = f" ({int(odd.sum())} such values)" if odd.sum() > 1 else ""
        raise InputError([Problem(str(file), name, f"{value!r}{times}", allowed)])


def _in_order(file: Path, trial: NDArray[np.int64], t_us: NDArray[np.int64], last: tuple[int, int]) -> tuple[int, int]:
    """The last trial and time. Raises InputError when a trial comes back or its time steps back."""
    trials = np.concatenate([[last[0]], trial])
    times = np.concatenate([[last[1]], t_us])
    later = np.diff(trials)
    wrong = np.flatnonzero((later < 0) | ((later == 0) & (np.diff(times) < 0)))
    if wrong.size:
        at = int(wrong[0])
        found = f"trial {trials[at + 1]} at {times[at + 1]} us after trial {trials[at]} at {times[at]} us"
        raise InputError([Problem(str(file), "t_us", found, "rows by trial, then in order of time")])
    return int(trials[-1]), int(times[-1])
