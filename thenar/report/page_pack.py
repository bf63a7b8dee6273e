"""Traces small enough to lie inside a page: stretches of rows become their smallest and largest value, then bytes.

A line of n rows at `width` rows per stretch becomes two numbers per stretch, in the order in which they came, so no
peak is lost. Numbers become whole steps of a `quantum` (16 bits, 65535 where there is none), differences between
neighbours in their place, low and high bytes apart: that is what deflate makes small. `thenar/page/report.js` reads it.
"""

from __future__ import annotations

import zlib
from base64 import b64decode, b64encode
from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

GAP: Final = 65535
STEPS: Final = 65534
EFFORT: Final = 6

Floats = NDArray[np.float64]


class Line(NamedTuple):
    """One packed line: `name`, the smallest value `low`, and the step `quantum` (both in the line's own unit)."""

    name: str
    low: float
    quantum: float


class Packed(NamedTuple):
    """Lines of one trial. `points`: numbers per line; `width`: rows per stretch (1: every row as it is).

    `text`: base64 of the deflated bytes, two per number, line after line, low bytes before high bytes.
    """

    points: int
    width: int
    lines: list[Line]
    text: str


def extreme_pairs(values: Floats, width: int) -> Floats:
    """Smallest and largest of each `width` values, in their order; shape (2 * ceil(rows / width),).

    `values`: shape (rows,), any unit; NaN is left out, and a stretch of nothing else gives NaN twice.
    """
    rows = len(values)
    stretches = -(-rows // width)
    padded = np.full(stretches * width, np.nan)
    padded[:rows] = values
    blocks = padded.reshape(stretches, width)
    low_at = np.argmin(np.where(np.isnan(blocks), np.inf, blocks), axis=1)
    high_at = np.argmax(np.where(np.isnan(blocks), -np.inf, blocks), axis=1)
    each = np.arange(stretches)
    return np.column_stack(
        [blocks[each, np.minimum(low_at, high_at)], blocks[each, np.maximum(low_at, high_at)]]
    ).ravel()


def stepped(values: Floats, finest: float) -> tuple[NDArray[np.uint16], float, float]:
    """`values` (shape (points,)) as whole steps above the smallest; also that smallest value and the step.

    The step is `finest`, or larger where the range needs it. What is not finite becomes GAP.
    """
    known = np.isfinite(values)
    if not known.any():
        return np.full(len(values), GAP, np.uint16), 0.0, finest
    low, high = float(values[known].min()), float(values[known].max())
    quantum = max(finest, (high - low) / STEPS)
    steps = np.full(len(values), GAP, np.uint16)
    steps[known] = np.minimum(np.rint((values[known] - low) / quantum), STEPS).astype(np.uint16)
    return steps, low, quantum


def pack(columns: Mapping[str, Floats], finest: Mapping[str, float], width: int) -> Packed:
    """Pack `columns` (shape (rows,) each, one length) at `width` rows per stretch.

    `finest`: the smallest step worth keeping, by column, in its unit.
    """
    lines, content, points = [], [], 0
    for name, values in columns.items():
        kept = values if width == 1 else extreme_pairs(values, width)
        steps, low, quantum = stepped(kept, finest[name])
        lines.append(Line(name, low, quantum))
        content.append(_planes(steps))
        points = len(steps)
    return Packed(points, width, lines, _squeezed(b"".join(content)))


def unpack(packed: Packed) -> dict[str, Floats]:
    """The lines as the page sees them, shape (points,): what `pack` lost is at most half a quantum."""
    content = zlib.decompress(b64decode(packed.text))
    found = {}
    for number, line in enumerate(packed.lines):
        planes = np.frombuffer(content, np.uint8, 2 * packed.points, 2 * packed.points * number)
        differences = planes[: packed.points] + (planes[packed.points :].astype(np.uint16) << 8)
        steps = np.cumsum(differences.astype(np.uint64)).astype(np.uint16)
        values = line.low + steps * line.quantum
        found[line.name] = np.where(steps == GAP, np.nan, values)
    return found


def pack_whole(numbers: NDArray[np.int64]) -> str:
    """Rising whole numbers from 0 to 2**32 - 1 (shape (count,)) as base64 of deflated differences, four planes."""
    differences = np.diff(numbers, prepend=0).astype("<u4")
    planes = np.ascontiguousarray(differences.view(np.uint8).reshape(-1, 4).T)
    return _squeezed(planes.tobytes())


def _planes(steps: NDArray[np.uint16]) -> bytes:
    differences = np.diff(steps, prepend=np.uint16(0)).astype("<u2")  # wraps around, and so does the sum
    return np.ascontiguousarray(differences.view(np.uint8).reshape(-1, 2).T).tobytes()


def _squeezed(content: bytes) -> str:
    return b64encode(zlib.compress(content, EFFORT)).decode("ascii")
