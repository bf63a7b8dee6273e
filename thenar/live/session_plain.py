"""What a session says, as plain JSON values: rows by column, null where there is no number."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from thenar.engine.desk import TRACE_FLOATS, TRACE_INTEGERS
from thenar.live.session_lane import Said


def plain_said(said: Said) -> Said:
    """A message as plain JSON values: rows by column, no NaN."""
    if said["is"] == "rows":
        floats, integers = said["arrays"]
        columns = {name: _listed(floats[:, place]) for place, name in enumerate(TRACE_FLOATS)}
        columns |= {name: integers[:, place].tolist() for place, name in enumerate(TRACE_INTEGERS)}
        kept = {key: value for key, value in said.items() if key not in ("arrays", "rows")}
        return {**kept, "columns": columns}
    return {key: _value(value) for key, value in said.items()}


def _listed(values: Iterable[Any]) -> list[float | None]:
    column = np.asarray(values, dtype=np.float64)
    found: list[float | None] = column.tolist()
    if not np.isfinite(column).all():
        found = [value if value is not None and math.isfinite(value) else None for value in found]
    return found


def _value(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return _listed(value)
    if isinstance(value, dict):
        return {key: _value(below) for key, below in value.items()}
    if isinstance(value, (list, tuple)):
        return [_value(below) for below in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
