"""Reading Parquet: columns by name, nulls as empty cells, the date from the file's own metadata."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

import numpy as np

from thenar.fit.headers import chosen_headers
from thenar.fit.kinds import DATE_COLUMN
from thenar.fit.on_record import ALLOWED, date_of, dates_in
from thenar.fit.raw import Block, Raw
from thenar.shared.errors import InputError, Problem, shown


def read_parquet(raw: Raw, content: bytes, renames: Mapping[str, str]) -> None:
    """Put the rows of `content` into `raw`, and what is wrong with it. Raises InputError for no readable Parquet."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        file = parquet.ParquetFile(io.BytesIO(content))
        headers = list(file.schema_arrow.names)
        metadata = dict(file.schema_arrow.metadata or {})
        chosen = chosen_headers(raw, headers, renames)
        if len(set(headers)) < len(headers):  # Arrow finds columns by name: two of one name can't be read
            raise InputError(raw.problems)
        table = file.read(columns=[headers[place] for place in chosen.values()], use_threads=False)
    except (pa.ArrowException, OSError, ValueError, MemoryError) as error:
        raise InputError([Problem(raw.file, "", f"no readable Parquet: {shown(str(error))}", "a whole file")]) from None
    raw.rows = int(table.num_rows)
    _note_date(raw, metadata.get(DATE_COLUMN.encode(), b""))
    block = Block("", "row", np.arange(1, raw.rows + 1), {})
    for name, place in chosen.items():
        column = table.column(headers[place])
        if name == DATE_COLUMN:
            _dates(raw, column)
        else:
            _number(raw, block, name, column)
    raw.blocks.append(block)


def _note_date(raw: Raw, stated: bytes) -> None:
    try:
        raw.dates += dates_in(f"{DATE_COLUMN}: {stated.decode()}") if stated else []
    except ValueError:
        raw.say(f"metadata {DATE_COLUMN}", shown(stated), ALLOWED)


def _dates(raw: Raw, column: Any) -> None:
    for value in column.unique().drop_null().to_pylist():
        try:
            raw.dates.append(date_of(value if isinstance(value, str) else value.isoformat()))
        except (ValueError, AttributeError):
            raw.say(f"column {DATE_COLUMN}", shown(value), ALLOWED)
            return


def _number(raw: Raw, block: Block, name: str, column: Any) -> None:
    import pyarrow as pa
    import pyarrow.types as of

    kind = column.type
    fits = of.is_floating(kind) or of.is_integer(kind) or of.is_boolean(kind) or of.is_decimal(kind)
    if of.is_null(kind):
        raw.put(block, name, np.full(raw.rows, np.nan), np.zeros(raw.rows, np.bool_))
        return
    if not fits:
        raw.say(block.key(name), f"values of type {kind}", "numbers")
        return
    try:
        numbers = column.cast(pa.uint8() if of.is_boolean(kind) else kind).cast(pa.float64(), safe=False)
    except pa.ArrowException as error:
        raw.say(block.key(name), shown(str(error)), "numbers")
        return
    empty = np.asarray(column.is_null().to_numpy(), dtype=np.bool_)
    values = np.array(numbers.to_numpy(), dtype=np.float64)
    raw.put(block, name, values, np.isnan(values) & ~empty)
