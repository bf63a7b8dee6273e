"""The tidy table of a sweep: a row per setting, trial and target, as Parquet or CSV, written a setting at a time.

Columns: the swept keys under their full paths, `setting`, `trial`, `run_in_setting` (the setting under which the trial
was run: another one for unassisted trials that settings share), labels, measures, and one `<identifier>_trace_rows`
column for each requirement that acted anywhere in the sweep.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from thenar.caution import SHORT
from thenar.controller.describe import unit_of
from thenar.report.metrics import METRICS, TargetRow
from thenar.report.tables import abandon
from thenar.shared.errors import InputError, Problem

ENDINGS: Final = (".parquet", ".csv")


class SweptRow(NamedTuple):
    """One row of one setting. `values`: of the swept keys, in their order; `deviations`: limits looser than shipped."""

    setting: int
    values: tuple[Any, ...]
    run_in: int
    deviations: str
    row: TargetRow


class TableOf(NamedTuple):
    """What a table is of: swept keys, the scenario's SHA-256, requirements that acted, rows setting by setting.

    `keys`: the kind of each key's values, "int64", "float64", "bool" or "string"; `settings` gives the rows of one
    setting after another, each sorted by trial and target.
    """

    keys: Mapping[str, str]
    scenario_sha256: str
    acted: tuple[str, ...]
    settings: Callable[[], Iterable[list[SweptRow]]]


class _Column(NamedTuple):
    name: str
    kind: str
    unit: str
    meaning: str
    of: Callable[[SweptRow], Any]


def check_target(file: Path) -> None:
    """Raise InputError unless a table can be written to `file`: its ending, and the folder it lies in."""
    if file.suffix.lower() not in ENDINGS:
        found = f"a name that ends in {file.suffix!r}" if file.suffix else "a name without an ending"
        raise InputError([Problem(str(file), "--to", found, f"a file name that ends in {' or '.join(ENDINGS)}")])
    if file.is_dir() or not file.absolute().parent.is_dir():
        found = "a folder" if file.is_dir() else "in a folder that isn't there"
        raise InputError([Problem(str(file), "--to", found, "a file in a folder that is there")])


def write_table(part: Path, table: TableOf, ending: str) -> None:
    """Write a table to `part`. `ending`: ".parquet" or ".csv"."""
    if ending == ".csv":
        _write_csv(part, table)
    else:
        _write_parquet(part, table)


def _write_csv(part: Path, table: TableOf) -> None:
    columns = _columns(table)
    with part.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow([column.name for column in columns])
        for rows in table.settings():
            writer.writerows([_cell(column.of(row)) for column in columns] for row in rows)


def _write_parquet(part: Path, table: TableOf) -> None:
    columns = _columns(table)
    fields = [
        pa.field(
            column.name,
            _TYPES[column.kind],
            nullable=False,
            metadata={"unit": column.unit, "meaning": column.meaning},
        )
        for column in columns
    ]
    schema = pa.schema(fields, metadata={"scenario_sha256": table.scenario_sha256, "caution": SHORT})
    writer = pq.ParquetWriter(part, schema, compression="zstd")
    try:
        for rows in table.settings():
            arrays = [pa.array([column.of(row) for row in rows], type=_TYPES[column.kind]) for column in columns]
            writer.write_table(pa.table(arrays, schema=schema))
        writer.close()
    except BaseException:
        abandon(writer)
        raise


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return "" if math.isnan(value) else repr(value)
    return value


def _columns(table: TableOf) -> list[_Column]:
    return [
        *(_key_column(place, key, kind) for place, (key, kind) in enumerate(table.keys.items())),
        *_LABELS,
        *(_measure_column(place) for place in range(len(METRICS))),
        *(_acted_column(identifier) for identifier in table.acted),
    ]


def _key_column(place: int, key: str, kind: str) -> _Column:
    def of(row: SweptRow) -> Any:
        value = row.values[place]
        if kind == "float64":
            return float(value)
        return _cell(value) if kind == "string" and not isinstance(value, str) else value

    return _Column(key, kind, unit_of(key, float) if kind in ("int64", "float64") else "", "swept key", of)


def _measure_column(place: int) -> _Column:
    metric = METRICS[place]
    if metric.unit == "1":
        return _Column(metric.name, "int64", metric.unit, metric.meaning, lambda row: int(row.row.values[place]))
    return _Column(metric.name, "float64", metric.unit, metric.meaning, lambda row: row.row.values[place])


def _acted_column(identifier: str) -> _Column:
    meaning = f"trace rows at which {identifier} had acted"
    return _Column(
        f"{identifier}_trace_rows", "int64", "1", meaning, lambda row: row.row.interventions.get(identifier, 0)
    )


_TYPES: Final = {"int64": pa.int64(), "float64": pa.float64(), "string": pa.string(), "bool": pa.bool_()}

_LABELS: Final = (
    _Column("setting", "int64", "", "number of the setting, from 0", lambda row: row.setting),
    _Column("trial", "int64", "", "number of the trial within the setting, from 0", lambda row: row.row.label.index),
    _Column(
        "run_in_setting",
        "int64",
        "",
        "the setting that the trial was run in: unassisted trials are shared by settings that differ in the law alone",
        lambda row: row.run_in,
    ),
    _Column("wearer", "int64", "", "number of the wearer, from 0", lambda row: row.row.label.wearer),
    _Column("wearer_name", "string", "", "name of the wearer", lambda row: row.row.label.wearer_name),
    _Column("condition", "string", "", "what worked", lambda row: row.row.label.condition),
    _Column("repeat", "int64", "", "number of the repeat, from 0", lambda row: row.row.label.repeat),
    _Column("target", "string", "", "the target level in words", lambda row: row.row.target),
    _Column("target_N", "float64", "N", "the target level, NaN for a moving target", lambda row: row.row.target_N),
    _Column("time_s", "float64", "s", "how long the target was shown", lambda row: row.row.time_s),
    _Column("holds", "int64", "1", "stretches of time with this target", lambda row: row.row.holds),
    _Column("settled_holds", "int64", "1", "those of them that settled", lambda row: row.row.settled_holds),
    _Column("limit_deviations", "string", "", "bounds looser than the default", lambda row: row.deviations),
)
