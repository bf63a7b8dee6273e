"""Force traces from CSV files: a column `t_s` in seconds and a named column in newtons."""

from __future__ import annotations

import csv
import hashlib
import math
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.shared.errors import SHOWN_AT_MOST, InputError, Problem, nearest, shown
from thenar.shared.text_input import bytes_in, csv_fault, long_cell
from thenar.shared.ticks import US_PER_S

TIME_COLUMN: Final = "t_s"
LARGEST_BYTES: Final = 100_000_000


class Recording(NamedTuple):
    """One force trace. `t_s`: shape (n,), s, strictly rising, n >= 2; `force_N`: shape (n,), N. All finite."""

    file: str
    column: str
    sha256: str
    t_s: NDArray[np.float64]
    force_N: NDArray[np.float64]


def read_recording(path: Path, column: str, name: str | None = None) -> Recording:
    """The column `column` (N) over `t_s` of a CSV file. Lines that start with `#` are comments.

    `name`: what errors call the file (its path when None). Raises InputError that names file, line, column, what
    was found and what is allowed, and for an unknown column the nearest one.
    """
    file = str(path) if name is None else name
    data = bytes_in(path, LARGEST_BYTES, "CSV file", file)
    try:
        lines = data.decode("utf-8-sig").splitlines(keepends=True)
    except UnicodeDecodeError as error:
        raise InputError([Problem(file, "", str(error), "CSV text in UTF-8")]) from None
    t_s, force_N = _columns(lines, column, file)
    return Recording(file, column, hashlib.sha256(data).hexdigest(), t_s, force_N)


def resample(recording: Recording, step_us: int, count: int, repeat: bool = False) -> NDArray[np.float64]:
    """Force at 0, `step_us`, 2 `step_us`, ... after the first row, straight lines between rows.

    `step_us`: us, positive; `count`: how many values. After the last row its value stays, or with `repeat` the
    recording starts over at once. Returns shape (count,), N.
    """
    at_us = np.arange(count, dtype=np.int64) * step_us
    row_us = (recording.t_s - recording.t_s[0]) * US_PER_S
    when_us = np.mod(at_us, row_us[-1]) if repeat else at_us.astype(np.float64)
    force_N: NDArray[np.float64] = np.interp(when_us, row_us, recording.force_N)
    return force_N


def _columns(lines: list[str], column: str, file: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times and forces of all rows, shapes (n,) and (n,). Raises InputError with the first problems."""
    numbered = [(number, line) for number, line in enumerate(lines, start=1) if _says_something(line)]
    if not numbered:
        raise InputError([Problem(file, "", "no rows", f"a line of column names, with {TIME_COLUMN} and {column}")])
    names = [name.strip() for name in numbered[0][1].split(",")]
    problems = [problem for number, line in numbered if (problem := long_cell(line, ",", names, file, number))]
    if problems:
        raise InputError(problems)
    rows = csv.reader((line for _, line in numbered), strict=True)
    t_s: list[float] = []
    force_N: list[float] = []
    try:
        header = [name.strip() for name in next(rows)]
        places = _places(header, column, file, numbered[0][0])
        for row in rows:
            line = numbered[rows.line_num - 1][0]
            numbers = _row(row, header, places, file, line, problems)
            if numbers and t_s and numbers[0] <= t_s[-1]:
                allowed = f"later than {t_s[-1]!r} s in the row before"
                problems.append(Problem(file, f"line {line}, {TIME_COLUMN}", repr(numbers[0]), allowed))
            if len(problems) >= SHOWN_AT_MOST:
                break
            if numbers:
                t_s.append(numbers[0])
                force_N.append(numbers[1])
    except csv.Error as error:
        line = numbered[min(rows.line_num, len(numbered)) - 1][0]
        problems.append(Problem(file, f"line {line}", csv_fault(error), "comma-separated values"))
    if not problems and len(t_s) < 2:
        problems.append(Problem(file, "", f"{len(t_s)} rows of numbers", "at least 2 rows"))
    if problems:
        raise InputError(problems)
    return np.array(t_s, dtype=np.float64), np.array(force_N, dtype=np.float64)


def _says_something(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _places(header: list[str], column: str, file: str, line: int) -> tuple[int, int]:
    """Where the time and the force stand in a row. Raises InputError for a missing or doubled column."""
    problems = []
    for wanted in (TIME_COLUMN, column):
        if header.count(wanted) == 1:
            continue
        found = f"{header.count(wanted)} columns of this name" if wanted in header else "no such column"
        allowed = f"one column {wanted}; here are {shown(', '.join(header))}"
        problems.append(Problem(file, f"line {line}, {wanted}", found, allowed, nearest(wanted, header)))
    if problems:
        raise InputError(problems)
    return header.index(TIME_COLUMN), header.index(column)


def _row(
    row: list[str], header: list[str], places: tuple[int, int], file: str, line: int, problems: list[Problem]
) -> tuple[float, float] | None:
    """Time and force of one row; None, and one more entry in `problems`, when it can't be read."""
    if len(row) != len(header):
        problems.append(
            Problem(file, f"line {line}", f"{len(row)} values", f"{len(header)} values, a decimal point (not a comma)")
        )
        return None
    numbers = []
    for place in places:
        number = _number(row[place])
        if number is None:
            problems.append(Problem(file, f"line {line}, {header[place]}", shown(row[place]), "a finite number"))
            return None
        numbers.append(number)
    return numbers[0], numbers[1]


def _number(text: str) -> float | None:
    """`text` as a finite float; None for anything else ("1_000" is not a number here)."""
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) and "_" not in text else None
