"""Traces of trials as a page takes them: packed lines, bars of the interlock, marks with reasons, latched stretches."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, BinaryIO, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.engine.band import BAND_LEAST_N, BAND_SHARE
from thenar.report.folder import FinishedFolder
from thenar.report.page_pack import pack, pack_whole
from thenar.report.page_words import told
from thenar.report.picture import event_words
from thenar.report.tables import read_table
from thenar.safety.reasons import RULES
from thenar.safety.requirements import REQUIREMENTS
from thenar.shared.errors import InputError, Problem
from thenar.shared.ticks import US_PER_S

FORCES: Final = ("target_N", "force_N", "estimate_N")
CURRENTS: Final = ("agonist_demand_mA", "agonist_admitted_mA", "antagonist_demand_mA", "antagonist_admitted_mA")
WIDTHS: Final = tuple(name.replace("_mA", "_width_us") for name in CURRENTS)
READ: Final = ("t_us", *FORCES, *CURRENTS, *WIDTHS, "reasons", "trip")
FINEST: Final = dict.fromkeys(FORCES, 1e-3) | dict.fromkeys(CURRENTS, 0.01) | dict.fromkeys(WIDTHS, 0.5)
"""Steps in which values are kept, N, mA and us: far below what a screen shows, and coarse enough to pack well."""
TABLE: Final = "trace.parquet"
MOST_BARS: Final = 20_000
MOST_MARKS: Final = 2_000
TITLES: Final = {row.name: row.title for row in REQUIREMENTS}


class Bars(NamedTuple):
    """Stretches in which one rule acted: row numbers from, until, from, until, ... (shape (2 * bars,))."""

    rule: str
    rows: NDArray[np.int64]


def rows_of(folder: FinishedFolder) -> dict[int, int]:
    """Rows in the trace of each trial of a run. Raises InputError when the table can't be read."""
    counted = folder.understood(
        TABLE, lambda table: read_table(table, ["trial"]).column("trial").value_counts().to_pylist()
    )
    return {entry["values"]: entry["counts"] for entry in counted}


def read_lines(folder: FinishedFolder, trial: int) -> dict[str, NDArray[Any]]:
    """The columns READ of one trial, shape (rows,). Raises InputError when the table can't be read."""

    def columns(file: BinaryIO) -> dict[str, NDArray[Any]]:
        table = read_table(file, ["trial", *READ], trial)
        return {name: table.column(name).to_numpy() for name in READ}

    found = folder.understood(TABLE, columns)
    if len(np.unique(np.diff(found["t_us"]))) > 1:
        raise InputError([Problem(folder.file(TABLE), f"trial {trial}", "rows at uneven times", folder.allowed)])
    return found


def trial_block(
    trial: int, trace: Mapping[str, NDArray[Any]], events: Sequence[Mapping[str, Any]], duration_us: int, width: int
) -> str:
    """One trial as JSON for `thenar/page/report.js`. `trace`: the columns READ; `width`: rows per stretch."""
    shown = [*FORCES, *CURRENTS, *(name for name in WIDTHS if _varies(trace[name]))]
    packed = pack({name: trace[name].astype(np.float64) for name in shown}, FINEST, width)
    step_us = int(trace["t_us"][1] - trace["t_us"][0]) if len(trace["t_us"]) > 1 else 1
    start_us = int(trace["t_us"][0]) if len(trace["t_us"]) else 0
    bars, apart = bars_of(trace["reasons"], width)
    marks = marks_of(events)
    block = {
        "trial": trial,
        "band": {"share": BAND_SHARE, "least_N": BAND_LEAST_N},
        "points": packed.points,
        "width": width,
        "step_s": step_us / US_PER_S,
        "start_s": start_us / US_PER_S,
        "end_s": duration_us / US_PER_S,
        "lines": [line._asdict() for line in packed.lines],
        "text": packed.text,
        "lanes": [
            {"name": bar.rule, "reason": TITLES.get(bar.rule, ""), "text": pack_whole(bar.rows), "count": len(bar.rows)}
            for bar in bars
        ],
        "marks": marks[:MOST_MARKS],
        "spans": _latched(trace, start_us, step_us),
        "said": _said(width, apart, step_us, len(marks)),
    }
    return json.dumps(block, allow_nan=False, separators=(",", ":"))


def bars_of(reasons: NDArray[np.int64], width: int) -> tuple[list[Bars], int]:
    """When each rule acted, and how many rows apart two bars must be to stay two.

    `reasons`: shape (rows,), bit n-1 for requirement Rn. Bars closer than `width` rows become one; where there are
    still more than MOST_BARS, closer ones than twice that, and so on.
    """
    found = []
    for number in range(RULES):
        acted = ((reasons >> number) & 1).astype(np.int8)
        if acted.any():
            found.append(Bars(f"R{number + 1:02d}", np.flatnonzero(np.diff(acted, prepend=0, append=0))))
    apart = max(1, width)
    joined = [Bars(bar.rule, _joined(bar.rows, apart)) for bar in found]
    while sum(len(bar.rows) for bar in joined) > 2 * MOST_BARS:
        apart *= 2
        joined = [Bars(bar.rule, _joined(bar.rows, apart)) for bar in found]
    return joined, apart


def _joined(rows: NDArray[np.int64], apart: int) -> NDArray[np.int64]:
    """Bars with fewer than `apart` rows between them as one."""
    starts, ends = rows[::2], rows[1::2]
    parted = starts[1:] - ends[:-1] >= apart
    kept_starts = starts[np.concatenate([[True], parted])]
    kept_ends = ends[np.concatenate([parted, [True]])]
    return np.column_stack([kept_starts, kept_ends]).ravel()


def marks_of(events: Sequence[Mapping[str, Any]]) -> list[dict[str, object]]:
    """What happened, but for changes of the target, each with its reason in words."""
    kinds = {"trip": "trip", "fault": "starts", "fault-ends": "ends"}
    return [
        {
            "t_s": event["t_us"] / US_PER_S,
            "word": event_words(event),
            "reason": _reason(event),
            "kind": kinds.get(str(event["kind"]), "event"),
        }
        for event in events
        if event["kind"] != "target"
    ]


def _reason(event: Mapping[str, Any]) -> str:
    named = [str(event["cause"])] if "cause" in event else [str(name) for name in event.get("reasons", ())]
    parts = [f"{name} {TITLES[name]}" for name in named if name in TITLES]
    said = ("t_us", "kind", "cause", "reasons", "fault", "needs", "channel")
    parts += [told(key, value) for key, value in event.items() if key not in said]
    if event.get("needs"):
        parts.append(f"to clear it: {event['needs']}")
    return "; ".join(parts)


def _latched(trace: Mapping[str, NDArray[Any]], start_us: int, step_us: int) -> list[dict[str, object]]:
    """Stretches over which a trip had latched, with its rule."""
    trip = trace["trip"]
    edges = np.flatnonzero(np.diff(trip, prepend=0, append=0))
    spans = []
    for start, stop in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        rule = f"R{int(trip[start]):02d}"
        if trip[start]:
            from_s, until_s = ((start_us + row * step_us) / US_PER_S for row in (start, stop))
            reason = f"latched by {rule} {TITLES.get(rule, '')}"
            spans.append({"from_s": from_s, "until_s": until_s, "reason": reason})
    return spans


def _varies(numbers: NDArray[Any]) -> bool:
    """Whether a pulse width is more than one number and off."""
    used = numbers[np.isfinite(numbers.astype(np.float64)) & (numbers != 0)]
    return bool(len(used)) and bool(used.min() < used.max())


def _said(width: int, apart: int, step_us: int, marks: int) -> str:
    """What the charts of a trial leave out, in words."""
    step_ms = step_us / 1000
    said = (
        f"Every row of the trace is here ({step_ms:g} ms apart)."
        if width == 1
        else f"Each point is {width * step_ms:g} ms, smallest and largest kept; all of it is in trace.parquet."
    )
    if apart > 1:
        said += f" Bars of the interlock closer than {apart * step_ms:g} ms are drawn as one."
    if marks > MOST_MARKS:
        said += f" The first {MOST_MARKS} of {marks} marks are shown; all are in events.jsonl."
    return said + " Values are rounded to 0.001 N, 0.01 mA and 0.5 us."
