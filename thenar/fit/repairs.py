"""Repairs of a recording: each is done only when asked for by name, and leaves a sentence with a count."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Final

import numpy as np

from thenar.fit.csv_text import DECIMAL_COMMA, SEMICOLONS, TABS
from thenar.fit.headers import IGNORE
from thenar.fit.kinds import Kind
from thenar.fit.raw import Block, Flags, Floats, Raw, counted
from thenar.fit.recording import TIME_COLUMN
from thenar.fit.saturation import cut_offs
from thenar.fit.unit_words import TRUST_UNITS, UNIT_REPAIRS
from thenar.fit.xdf_streams import DAMAGED, TRUST_CLOCKS
from thenar.shared.errors import InputError, Problem, nearest, shown

MISSING: Final = "drop-missing"
DUPLICATES: Final = "drop-duplicates"
SORT: Final = "sort-time"
ZERO: Final = "start-at-zero"
SATURATED: Final = "drop-saturated"
OUTSIDE: Final = "drop-outside"
SWAPS: Final = {
    "swap-target-force": ("target_N", "force_N"),
    "swap-target-estimate": ("target_N", "estimate_N"),
    "swap-force-estimate": ("force_N", "estimate_N"),
    "swap-current-width": ("current_mA", "width_us"),
    "swap-pulse-current-width": ("pulse_current_mA", "pulse_width_us"),
}
KEEP_SATURATED: Final = "keep-saturated"
TRUST_COLUMNS: Final = "trust-columns"
TRUSTS: Final = (TRUST_UNITS, TRUST_COLUMNS, KEEP_SATURATED, TRUST_CLOCKS)
WHILE_READING: Final = (SEMICOLONS, TABS, DECIMAL_COMMA, IGNORE, DAMAGED, TRUST_CLOCKS)
JUMP_BACK_S: Final = 1.0  # s, a step back that is no jitter but a clock that began again

_OF_COLUMNS: Final = (*UNIT_REPAIRS, SATURATED, OUTSIDE, TRUST_UNITS, KEEP_SATURATED)


def repair_names(kind: Kind) -> tuple[str, ...]:
    """The repairs that can be asked for in a recording of `kind`."""
    units = [one.name for one in UNIT_REPAIRS.values() if any(_in_unit(name, one.to) for name in kind.names)]
    swaps = [name for name, pair in SWAPS.items() if set(pair) <= set(kind.names)]
    timed = [DUPLICATES, SORT, ZERO] if kind.timed else []
    return (MISSING, *timed, SATURATED, OUTSIDE, *swaps, *units, *TRUSTS[:3], *WHILE_READING)


def check_repairs(file: str, kind: Kind, asked: Collection[str]) -> tuple[str, ...]:
    """`asked` in order, each once. Raises InputError for a repair or a column of one that there isn't."""
    known = repair_names(kind)
    problems = []
    for one in asked:
        name, mark, column = one.partition(":")
        if name not in known:
            problems.append(
                Problem(file, f"--repair {one}", shown(name), f"one of {', '.join(known)}", nearest(name, known))
            )
        elif mark and (name not in _OF_COLUMNS or column not in _columns_of(kind, name)):
            fits = _columns_of(kind, name) if name in _OF_COLUMNS else ()
            allowed = f"{name} with one of :{', :'.join(fits)}" if fits else f"{name} alone, it is for all columns"
            problems.append(Problem(file, f"--repair {one}", shown(column), allowed, nearest(column, fits)))
    if problems:
        raise InputError(problems)
    return tuple(dict.fromkeys(asked))


def mend(raw: Raw) -> None:
    """Do what was asked for, in an order in which one repair helps the next, and say what was done."""
    steps: list[tuple[str, Callable[[Raw], str]]] = [(MISSING, _drop_missing)]
    steps += [(name, lambda raw, name=name: _swap(raw, name)) for name in SWAPS]  # type: ignore[misc]
    steps += [(name, lambda raw, name=name: _convert(raw, name)) for name in UNIT_REPAIRS]  # type: ignore[misc]
    steps += [(ZERO, _start_at_zero), (OUTSIDE, _drop_outside), (SORT, _sort), (DUPLICATES, _drop_duplicates)]
    steps += [(SATURATED, _drop_saturated)]
    for name, step in steps:
        if raw.asks(name):
            raw.mended += [f"{name}: {done}" for done in [step(raw)] if done]


def say_idle(raw: Raw) -> None:
    """Put on record what was asked for and found nothing to do. Call last."""
    names = dict.fromkeys(one.partition(":")[0] for one in raw.asked)
    idle = [name for name in names if not any(done.startswith(f"{name}:") for done in raw.mended)]
    raw.mended += [f"{name}: asked for, found nothing to do" for name in idle]


def columns_asked(raw: Raw, name: str) -> tuple[str, ...]:
    """The columns of the file that the repair `name` was asked for: all that it fits when none was named."""
    asked = {one.partition(":")[2] for one in raw.asked if one.partition(":")[0] == name}
    fits = _columns_of(raw.kind, name)
    there = {column for block in raw.blocks for column in block.columns}
    return tuple(column for column in fits if column in there and ("" in asked or column in asked))


def _columns_of(kind: Kind, name: str) -> tuple[str, ...]:
    if name in UNIT_REPAIRS:
        return tuple(column for column in kind.names if _in_unit(column, UNIT_REPAIRS[name].to))
    if name in {SATURATED, KEEP_SATURATED}:
        return tuple(column.name for column in kind.columns if column.measured)
    return kind.names


def _in_unit(column: str, unit: str) -> bool:
    return column.rpartition("_")[2] == unit


def _drop_missing(raw: Raw) -> str:
    """Words for a missing value become empty cells; rows that lack what every row needs go."""
    words = rows = 0
    every = (TIME_COLUMN,) if raw.kind.timed else tuple(one.name for one in raw.kind.columns if one.needed)
    for block in raw.blocks:
        words += sum(int(flags.sum()) for flags in block.missing.values())
        block.missing = {}
        lacking = np.zeros(block.rows, np.bool_)
        for name in every:
            lacking |= np.isnan(block.columns[name]) if name in block.columns else False
        rows += int(lacking.sum())
        block.keep(~lacking)
    parts = [f"{counted(words, 'word')} for a missing value taken as an empty cell"] if words else []
    parts += [f"{counted(rows, 'row')} without {' or '.join(every)} left out"] if rows else []
    return "; ".join(parts)


def _swap(raw: Raw, name: str) -> str:
    one, other = SWAPS[name]
    changed = 0
    for block in raw.blocks:
        for held in (block.columns, block.missing, block.unusable):
            pair = {one: held.pop(other, None), other: held.pop(one, None)}
            held.update({column: values for column, values in pair.items() if values is not None})  # type: ignore[misc]
        changed += block.rows
    return f"{one} and {other} exchanged in {counted(changed, 'row')}" if changed else ""


def _convert(raw: Raw, name: str) -> str:
    repair = UNIT_REPAIRS[name]
    parts = []
    for column in columns_asked(raw, name):
        numbers = 0
        for block in raw.blocks:
            if column in block.columns:
                block.columns[column] = block.columns[column] * repair.factor
                numbers += int(np.isfinite(block.columns[column]).sum())
        parts.append(f"{counted(numbers, 'value')} of {column} multiplied by {repair.factor:.9g}")
    return ", ".join(parts)


def _start_at_zero(raw: Raw) -> str:
    times = raw.values(TIME_COLUMN)
    if not times.size or times.min() == 0.0:
        return ""
    start = float(times.min())
    for block in raw.blocks:
        if TIME_COLUMN in block.columns:
            block.columns[TIME_COLUMN] = block.columns[TIME_COLUMN] - start
    return f"{start:.17g} s taken from {counted(times.size, 'time')}"


def _drop_outside(raw: Raw) -> str:
    parts = []
    for column in columns_asked(raw, OUTSIDE):
        one, emptied = raw.kind.column(column), 0
        for block in raw.blocks:
            if column in block.columns and column != TIME_COLUMN:
                emptied += _empty(block, column, outside(block.columns[column], one.low, one.high))
        parts += (
            [f"{counted(emptied, 'value')} of {column} outside {one.low:g} to {one.high:g} left out"] if emptied else []
        )
    return ", ".join(parts)


def _drop_saturated(raw: Raw) -> str:
    parts = []
    for one in cut_offs(raw):
        if one.column in columns_asked(raw, SATURATED):
            for block in raw.blocks:
                if one.column in block.columns:
                    _empty(block, one.column, block.columns[one.column] == one.extreme)
            parts.append(f"{counted(one.times, 'value')} of {one.column} at {one.extreme:g} left out")
    return ", ".join(parts)


def outside(values: Floats, low: float, high: float) -> Flags:
    """Which of `values`, shape (n,), are numbers outside `low` to `high`."""
    with np.errstate(invalid="ignore"):
        found: Flags = (values < low) | (values > high)
    return found


def _empty(block: Block, column: str, rows: Flags) -> int:
    block.columns[column] = np.where(rows, np.nan, block.columns[column])
    return int(rows.sum())


def backward(block: Block) -> Flags:
    """Which rows of `block` have a time before that of an earlier row. Shape (n,)."""
    times = block.columns.get(TIME_COLUMN)
    if times is None or not times.size:
        return np.zeros(block.rows, np.bool_)
    latest = np.fmax.accumulate(np.where(np.isnan(times), -np.inf, times))
    return np.concatenate(([False], times[1:] < latest[:-1]))


def furthest_back_s(block: Block) -> float:
    """The largest step back in time, s, 0 for none."""
    times = block.columns.get(TIME_COLUMN)
    if times is None or not times.size:
        return 0.0
    latest = np.fmax.accumulate(np.where(np.isnan(times), -np.inf, times))
    with np.errstate(invalid="ignore"):
        back = latest - times
    return float(np.nanmax(back, initial=0.0))


def _sort(raw: Raw) -> str:
    """Rows that go back in time are put into order, but for a clock that began again: that would mix two recordings."""
    moved = 0
    for block in raw.blocks:
        if backward(block).any() and furthest_back_s(block) <= JUMP_BACK_S:
            moved += int(backward(block).sum())
            block.keep(np.argsort(block.columns[TIME_COLUMN], kind="stable"))
    return f"{counted(moved, 'row')} put back into the order of time" if moved else ""


def doubled(block: Block, column: str) -> Flags:
    """Which rows give `column` a second value at the same time, wherever they stand. Shape (n,)."""
    again = np.zeros(block.rows, np.bool_)
    times = block.columns.get(TIME_COLUMN)
    if times is None or column == TIME_COLUMN:
        return again
    held = np.flatnonzero(np.isfinite(block.columns[column]) & np.isfinite(times))
    if (np.diff(times[held]) < 0.0).any():
        held = held[np.argsort(times[held], kind="stable")]
    again[held[1:][np.diff(times[held]) == 0.0]] = True
    return again


def _drop_duplicates(raw: Raw) -> str:
    """The first value of each column at each time stays."""
    parts = []
    for block in raw.blocks:
        for column in block.columns:
            emptied = _empty(block, column, doubled(block, column))
            parts += [f"{counted(emptied, 'second value')} of {column} at the same time left out"] if emptied else []
    return ", ".join(parts)
