"""What a finished sweep leaves beside its ledger: a line per setting, summary.json, the picture, the tidy table."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final, NamedTuple

from thenar.report.sweep_summary import SettingLine, line_of
from thenar.report.sweep_table import SweptRow, TableOf, write_table
from thenar.study.sweep import SweepFolder

PICTURE: Final = "sweep.png"
SUMMARY: Final = "summary.json"
TEMPORARY: Final = ".part"
_KINDS: Final = {bool: "bool", int: "int64", float: "float64"}


class SweepResults(NamedTuple):
    """A line per setting in the order of the design, and the requirements that acted anywhere, R01 first."""

    lines: list[SettingLine]
    acted: tuple[str, ...]


def results_of(folder: SweepFolder) -> SweepResults:
    """The results of a finished sweep, a setting's rows in memory at a time."""
    lines = []
    acted: set[str] = set()
    keys = keys_of(folder)
    for setting in folder.sweep.plan.settings:
        rows = [row for _, row in folder.ledger.rows(setting)]
        acted.update(identifier for row in rows for identifier in row.interventions)
        lines.append(line_of(setting.number, tuple(setting.values[key] for key in keys), rows))
    return SweepResults(lines, tuple(sorted(acted)))


def keys_of(folder: SweepFolder) -> tuple[str, ...]:
    """The swept keys in the order in which they were asked for."""
    return tuple(axis.key for axis in folder.sweep.axes)


def export(folder: SweepFolder, acted: tuple[str, ...], file: Path) -> None:
    """Write the tidy table to `file` (its ending says how), whole or not at all; a file of that name is replaced."""
    settings = folder.sweep.plan.settings
    keys = {key: _kind([setting.values[key] for setting in settings]) for key in keys_of(folder)}

    def rows() -> Iterator[list[SweptRow]]:
        for setting in settings:
            values = tuple(setting.values[key] for key in keys)
            yield [
                SweptRow(setting.number, values, run_in, setting.deviations, row)
                for run_in, row in folder.ledger.rows(setting)
            ]

    table = TableOf(keys, folder.sweep.loaded.sha256, acted, rows)
    write_whole(file, lambda part: write_table(part, table, file.suffix.lower()))


def write_whole(file: Path, make: Callable[[Path], object]) -> None:
    """Let `make` write under a temporary name, put that on the disk, then give it its name."""
    part = file.with_name(file.name + TEMPORARY)
    try:
        make(part)
        with part.open("rb+") as handle:
            os.fsync(handle.fileno())
        part.replace(file)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _kind(values: list[Any]) -> str:
    """The kind of a column that holds `values`: words where they are mixed."""
    kinds = {_KINDS.get(type(value), "string") for value in values}
    if kinds == {"int64", "float64"}:
        return "float64"
    return kinds.pop() if len(kinds) == 1 else "string"
