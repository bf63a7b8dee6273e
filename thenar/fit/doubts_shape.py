"""Recordings that can't be what they say: too short, flat, cut off at an extreme value, or with columns exchanged."""

from __future__ import annotations

from typing import Final

import numpy as np

from thenar.fit.raw import Floats, Raw, counted, mend_with
from thenar.fit.recording import TIME_COLUMN
from thenar.fit.repairs import KEEP_SATURATED, SATURATED, SWAPS, TRUST_COLUMNS, columns_asked
from thenar.fit.saturation import cut_offs, flat

_NOTHING: Final = np.empty(0)
_GRID_S: Final = 0.02
_RULED: Final = (
    0.8,
    0.4,
)  # shares of straight places: a force with more than the first, a target with less than the second


def doubt_shapes(raw: Raw) -> None:
    """Add to `raw` what is wrong with its columns as a whole."""
    _short(raw)
    _flat(raw)
    _cut(raw)
    _one_step_only(raw)
    _exchanged(raw)


def _short(raw: Raw) -> None:
    kind, times = raw.kind, raw.judged(TIME_COLUMN)
    counts = {one.name: raw.judged(one.name).size for one in kind.columns if one.needed and one.measured}
    few = [f"{counted(count, 'value')} of {name}" for name, count in counts.items() if 0 < count < kind.least_rows]
    brief = kind.timed and times.size and np.ptp(times) < kind.least_s
    if few or brief:
        found = ", ".join([*few, *([f"{np.ptp(times):.4g} s"] if brief else [])])
        lasting = f" over {kind.least_s:g} s" if kind.timed else ""
        raw.say("", f"{found}: too short", f"at least {kind.least_rows} values{lasting}")


def _flat(raw: Raw) -> None:
    for one in raw.kind.columns:
        values = raw.judged(one.name)
        if one.measured and flat(values):
            found = f"{values[0]:g} in all {counted(values.size, 'value')}: constant"
            raw.say(f"column {one.name}", found, "a measured force, which is never constant")


def _cut(raw: Raw) -> None:
    kept = columns_asked(raw, KEEP_SATURATED) if raw.asks(KEEP_SATURATED) else ()
    for one in cut_offs(raw):
        if one.column in kept:
            raw.mended.append(
                f"{KEEP_SATURATED}: {counted(one.times, 'value')} of {one.column} at {one.extreme:g} kept"
            )
            continue
        block = next(block for block in raw.blocks if (block.columns.get(one.column, _NOTHING) == one.extreme).any())
        where = block.key(one.column, block.first(block.columns[one.column] == one.extreme))
        found = (
            f"{counted(one.times, 'value')} ({100.0 * one.share:.1f} %) at the {one.which}, {one.extreme:g}: saturated?"
        )
        asked = mend_with(f"{SATURATED}:{one.column}")
        keep = f"--repair {KEEP_SATURATED}:{one.column}"
        raw.say(where, found, f"values within the sensor's range; {asked}, or keep them with {keep}")


def _one_step_only(raw: Raw) -> None:
    """A staircase needs steps."""
    if raw.kind.timed:
        return
    steps = [raw.judged(name) for name in ("current_mA", "width_us")]
    if all(values.size > 1 and np.ptp(values) == 0.0 for values in steps):
        raw.say(
            "columns current_mA, width_us",
            "one current and one width in all rows: constant",
            "steps of current or width",
        )


def _exchanged(raw: Raw) -> None:
    """Tell columns whose numbers look like each other's."""
    for name, (one, other) in SWAPS.items():
        if one not in raw.kind.names or other not in raw.kind.names or raw.asks(name):
            continue
        why = _why_exchanged(raw, one, other)
        if why and raw.asks(TRUST_COLUMNS):
            raw.mended.append(f"{TRUST_COLUMNS}: {one} and {other} kept as they are")
        elif why:
            asked = f"{mend_with(name)}; if they are right: --repair {TRUST_COLUMNS}"
            raw.say(f"columns {one}, {other}", f"{why}: exchanged?", f"each under its own name; {asked}")


def _why_exchanged(raw: Raw, one: str, other: str) -> str:
    if one.endswith("_mA"):
        return why_current_is_width(raw.judged(one), raw.judged(other))
    if one == "force_N":
        return ""  # told by who comes first, once their lag is known (estimator_pairs.py)
    if raw.kind.name == "session" and other != "estimate_N":
        return ""
    ruled = {name: _straight_share(raw, name) for name in (one, other)}
    if ruled[other] > _RULED[0] and ruled[one] < _RULED[1]:
        return f"{100 * ruled[other]:.0f} % of {other} lie on straight lines, {100 * ruled[one]:.0f} % of {one}"
    return ""


def why_current_is_width(current: Floats, width: Floats) -> str:
    """Why these currents look like widths and the widths like currents, "" when they don't."""
    current, width = current[current != 0.0], width[width != 0.0]
    if not current.size or not width.size:
        return ""
    middle, other = float(np.median(current)), float(np.median(width))
    if not (50.0 <= middle <= 2000.0 and 1.0 <= other <= 100.0 and middle > 2.0 * other and current.max() > 100.0):
        return ""
    return f"currents about {middle:g} and widths about {other:g}"


def _straight_share(raw: Raw, column: str) -> float:
    """The share of `column`, seen every 20 ms, that goes on straight; 0 where that can't be told."""
    held = held_over_time(raw, column)
    if held is None or held[0].size < 50 or np.ptp(held[1]) == 0.0:
        return 0.0
    times, values = held
    step = max(_GRID_S, float(np.median(np.diff(times))), float(np.ptp(times)) / 200_000)
    seen = np.interp(np.arange(times[0], times[-1], step), times, values)
    bends = np.abs(np.diff(seen, 2))
    return float((bends <= 1e-4 * np.ptp(values)).mean()) if bends.size else 0.0


def held_over_time(raw: Raw, column: str) -> tuple[Floats, Floats] | None:
    """Times and numbers of `column` in the block that has most of it, or None where time goes back or is missing."""
    having = [block for block in raw.blocks if column in block.columns and TIME_COLUMN in block.columns]
    if not having:
        return None
    block = max(having, key=lambda one: one.rows)
    known = np.isfinite(block.columns[TIME_COLUMN]) & np.isfinite(block.columns[column])
    times = block.columns[TIME_COLUMN][known]
    return None if times.size < 2 or (np.diff(times) < 0.0).any() else (times, block.columns[column][known])
