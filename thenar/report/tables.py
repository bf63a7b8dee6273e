"""The two Parquet tables of a run folder: how columns are written, read back and hashed.

One row group per trial, zstd, byte-stream split for floats, delta packing for whole numbers. Units and
meanings sit in the fields' metadata, the scenario's hash and loosened limits in the schema's. Hash columns, never
files: a Parquet file names the library that wrote it.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Final, Self

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from thenar.caution import SHORT
from thenar.safety.deviation import Deviation
from thenar.shared.columns import DECISIONS, PULSES, TRACE, Column

TABLES: Final[dict[str, tuple[Column, ...]]] = {"trace": TRACE, "pulses": PULSES, "decisions": DECISIONS}
_TYPES: Final = {"int64": pa.int64(), "float64": pa.float64()}


def schema_of(columns: tuple[Column, ...], scenario_sha256: str, deviations: Sequence[Deviation] = ()) -> Any:
    """The Arrow schema of a table: types, units and meanings of `columns`, and in its metadata what goes with all.

    That is the scenario's hash, the bounds looser than the default (a JSON list) and the caution.
    """
    fields = [
        pa.field(
            column.name, _TYPES[column.kind], nullable=False, metadata={"unit": column.unit, "meaning": column.meaning}
        )
        for column in columns
    ]
    loosened = json.dumps([found._asdict() for found in deviations])
    metadata = {"scenario_sha256": scenario_sha256, "limit_deviations": loosened, "caution": SHORT}
    return pa.schema(fields, metadata=metadata)


class TableWriter:
    """Writes one table trial by trial to `file` and puts it on the disk (fsync) when closed.

    Memory stays flat: a trial's rows are written as one row group as soon as they are given.
    """

    def __init__(
        self, file: Path, columns: tuple[Column, ...], scenario_sha256: str, deviations: Sequence[Deviation] = ()
    ) -> None:
        self._columns = columns
        self._schema = schema_of(columns, scenario_sha256, deviations)
        floats = [column.name for column in columns if column.kind == "float64"]
        encodings = {column.name: "DELTA_BINARY_PACKED" for column in columns if column.kind == "int64"}
        self._sink = file.open("wb")
        try:
            self._writer = pq.ParquetWriter(
                self._sink,
                self._schema,
                compression="zstd",
                use_dictionary=False,
                use_byte_stream_split=floats,
                column_encoding=encodings,
            )
        except BaseException:
            self._sink.close()
            raise

    def add(self, trial: int, arrays: Mapping[str, NDArray[Any]]) -> None:
        """Write the rows of one trial. `arrays`: every column but "trial", shape (rows,).

        Raises ValueError when a column is missing, unknown, of another type or of another length.
        """
        checked = typed_columns(self._columns, arrays)
        rows = len(checked[self._columns[1].name])
        if not rows:
            return
        everything = {"trial": np.full(rows, trial, np.int64)} | checked
        table = pa.table([pa.array(everything[column.name]) for column in self._columns], schema=self._schema)
        self._writer.write_table(table, row_group_size=rows)

    def close(self) -> None:
        """Write the file's end and put everything on the disk."""
        self._writer.close()
        self._sink.flush()
        os.fsync(self._sink.fileno())
        self._sink.close()

    def abandon(self) -> None:
        """Let go of a table that will not be finished."""
        abandon(self._writer)
        with suppress(OSError):
            self._sink.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()
        else:
            self.abandon()


def abandon(writer: Any) -> None:
    """Let go of a `ParquetWriter`: as it is deleted it would try to finish its file again, and print a traceback."""
    with suppress(OSError, ValueError):
        writer.close()
    writer.is_open = False


def typed_columns(columns: tuple[Column, ...], arrays: Mapping[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    """The arrays in file order with their stored types. Raises ValueError when they don't fit `columns`."""
    wanted = [column for column in columns if column.name != "trial"]
    names = {column.name for column in wanted}
    if names != set(arrays):
        raise ValueError(f"columns differ from the table's: {sorted(names ^ set(arrays))}")
    found: dict[str, NDArray[Any]] = {}
    for column in wanted:
        array = np.asarray(arrays[column.name])
        if array.dtype != np.dtype(column.kind):
            raise ValueError(f"column {column.name} holds {array.dtype}, the table stores {column.kind}")
        found[column.name] = array
    if len({array.shape for array in found.values()}) > 1:
        raise ValueError(f"columns differ in length: { {name: array.shape for name, array in found.items()} }")
    return found


def read_trial(file: Path | BinaryIO, trial: int) -> dict[str, NDArray[Any]]:
    """The columns (but "trial") of one trial from a table, shape (rows,). Other trials' row groups aren't read."""
    table = read_table(file, trial=trial)
    return {name: table.column(name).to_numpy() for name in table.column_names if name != "trial"}


def read_table(file: Path | BinaryIO, columns: Sequence[str] | None = None, trial: int | None = None) -> pa.Table:
    """Rows of a Parquet file, of one trial or of all, in the thread that asks.

    Arrow's own threads now and then end a finished process by SIGABRT (its issue 34314).
    """
    with pq.ParquetFile(file) as whole:
        places = range(whole.num_row_groups)
        kept = [place for place in places if trial is None or _may_hold(whole.metadata.row_group(place), trial)]
        table = whole.read_row_groups(kept, None if columns is None else list(columns), use_threads=False)
    return table if trial is None else table.filter(pc.equal(table.column("trial"), trial))


def _may_hold(group: Any, trial: int) -> bool:
    """Whether rows of `trial` may be in a row group; groups without bounds may hold anything."""
    told = next(one for place in range(group.num_columns) if (one := group.column(place)).path_in_schema == "trial")
    bounds = told.statistics
    return bounds is None or not bounds.has_min_max or bounds.min <= trial <= bounds.max


def trials_in(file: Path | BinaryIO) -> set[int]:
    """The numbers of the trials that have rows in a table."""
    return set(read_table(file, ["trial"]).column("trial").unique().to_pylist())


def column_hashes(arrays: Mapping[str, NDArray[Any]]) -> dict[str, str]:
    """SHA-256 of every column's numbers (little-endian, every NaN alike), by column name."""
    return {name: _hash(array) for name, array in arrays.items()}


def _hash(array: NDArray[Any]) -> str:
    if array.dtype.kind == "f":
        array = np.where(np.isnan(array), np.nan, array)
    little = np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("<"))
    return hashlib.sha256(little.tobytes()).hexdigest()
