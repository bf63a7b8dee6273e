"""What is wrong with a recording after the repairs that were asked for: each matter told once, with a count.

A refusal names the repair that would mend it, where one exists; nothing is mended here.
"""

from __future__ import annotations

import numpy as np

from thenar.fit.doubts_shape import doubt_shapes
from thenar.fit.doubts_units import doubt_units
from thenar.fit.raw import Block, Flags, Raw, counted, mend_with
from thenar.fit.recording import TIME_COLUMN
from thenar.fit.repairs import DUPLICATES, JUMP_BACK_S, MISSING, SORT, backward, doubled, furthest_back_s

_PULSE = ("pulse_current_mA", "pulse_width_us")


def doubt(raw: Raw) -> None:
    """Add to `raw` every problem of its blocks. Call after `mend`."""
    _empty_columns(raw)
    for block in raw.blocks:
        _missing_words(raw, block)
        _rows_without(raw, block)
        if raw.kind.timed and TIME_COLUMN in block.columns:
            _time(raw, block)
        _half_pulses(raw, block)
    doubt_units(raw)
    doubt_shapes(raw)


def _tell(raw: Raw, block: Block, column: str, rows: Flags, found: str, allowed: str) -> None:
    """Add a problem at the first of `rows`, shape (n,), if any. `found`: what one of them is, | and more words."""
    if rows.any():
        what, mark, more = found.partition("|")
        raw.say(block.key(column, block.first(rows)), counted(int(rows.sum()), what) + mark.replace("|", more), allowed)


def _empty_columns(raw: Raw) -> None:
    """A needed column that is there but holds no number, when nothing else was told that explains it."""
    if not any(block.rows for block in raw.blocks):
        if not raw.problems:
            raw.say("", "no row of numbers", "rows below the names of the columns")
        return
    unusable = {name for block in raw.blocks for name, flags in block.unusable.items() if flags.any()}
    for one in raw.kind.columns:
        there = one.name not in unusable and any(one.name in block.columns for block in raw.blocks)
        if one.needed and there and not raw.values(one.name).size:
            raw.say(f"column {one.name}", f"no number in {counted(raw.rows, 'row')}", f"numbers in {one.unit}")


def _missing_words(raw: Raw, block: Block) -> None:
    for column, flags in block.missing.items():
        _tell(raw, block, column, flags, "word| instead of a value", _MISSING_ALLOWED)


_MISSING_ALLOWED = f"a number, or an empty cell where nothing was measured; {mend_with(MISSING)}"


def _rows_without(raw: Raw, block: Block) -> None:
    """Cells that every row needs: the time, or in a table without time all needed columns."""
    every = [TIME_COLUMN] if raw.kind.timed else [one.name for one in raw.kind.columns if one.needed]
    for column in every:
        if column in block.columns and raw.values(column).size:
            told = [held[column] for held in (block.missing, block.unusable) if column in held]
            empty = np.isnan(block.columns[column]) & ~np.any([np.zeros(block.rows, np.bool_), *told], axis=0)
            _tell(raw, block, column, empty, "empty cell", f"a number in every row; {mend_with(MISSING)}")


def _time(raw: Raw, block: Block) -> None:
    back, furthest = backward(block), furthest_back_s(block)
    if furthest > JUMP_BACK_S:
        found = f"time| before an earlier one, by up to {furthest:.6g} s: a clock that began again?"
        _tell(raw, block, TIME_COLUMN, back, found, "one recording a file: split it where time goes back")
        return
    found = f"time| before an earlier one, by up to {furthest:.3g} s"
    _tell(raw, block, TIME_COLUMN, back, found, f"rising times; {mend_with(SORT)}")
    twice = {column: doubled(block, column) for column in block.columns}
    worst = max(twice, key=lambda column: int(twice[column].sum()))
    allowed = f"one value of a column at a time; {mend_with(DUPLICATES)} (the first stays)"
    _tell(raw, block, worst, twice[worst], "second value| at the same time", allowed)


def _half_pulses(raw: Raw, block: Block) -> None:
    """A pulse has a current and a width, or it isn't known what was given."""
    if not all(column in block.columns for column in _PULSE):
        return
    has = [np.isfinite(block.columns[column]) for column in _PULSE]
    for column, with_it, other in ((_PULSE[1], has[1], has[0]), (_PULSE[0], has[0], has[1])):
        _tell(raw, block, column, other & ~with_it, "pulse| without it", "current and width in the row of a pulse")
