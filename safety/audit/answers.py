"""What a control tick owes when something is wrong: a latch (shut), or nothing admitted for now (silent)."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

from thenar.safety.audit.books import Notes, Where, at_least, at_most, broke, met
from thenar.shared.compiled import step_for_all as step

LAW_FINE: Final = 0
LAW_LATE: Final = 2
CURRENT_RANGE_UA: Final = 1_000_000
WIDTH_RANGE_US: Final = 10_000
PERIOD_RANGE_US: Final = (1_000, 10_000_000)
"""Type ranges of R01: outside them a demand can't be used."""
TIME_RANGE_US: Final = 1_000_000_000_000_000


class Tick(NamedTuple):
    """One row of the decision log in short. All but the place are 0 or 1, and `admits_uA` the larger admitted current.

    `was_open`: armed and nothing latched before the call; `latched`: a trip was latched before it; `opens`: the call
    was asked to arm a shut loop; `is_open`: armed after it; `latches`: a trip is latched after it.
    `usable`: the demand can be used; `quiet`: and asks for nothing; `late`: the law has not answered in time.
    """

    where: Where
    was_open: bool
    latched: bool
    opens: bool
    is_open: bool
    latches: bool
    admits_uA: int
    usable: bool
    quiet: bool
    late: bool


@step
def _in_range(current_uA: int, width_us: int, period_us: int) -> bool:
    return (
        0 <= current_uA <= CURRENT_RANGE_UA
        and 0 <= width_us <= WIDTH_RANGE_US
        and (period_us == 0 or PERIOD_RANGE_US[0] <= period_us <= PERIOD_RANGE_US[1])
    )


@step
def tick_of(now: Any, row: Any) -> Tick:
    """A row of the decision log against what came before it."""
    tripped_before = now.trip != 0 or (row.trip != 0 and row.trip_us < row.t_us)
    usable = (
        row.law_fault == LAW_FINE
        and row.asked_fault == 0
        and _in_range(row.agonist_asked_uA, row.agonist_asked_width_us, row.agonist_asked_period_us)
        and _in_range(row.antagonist_asked_uA, row.antagonist_asked_width_us, row.antagonist_asked_period_us)
    )
    agonist = min(row.agonist_asked_uA, row.agonist_asked_width_us, row.agonist_asked_period_us)
    antagonist = min(row.antagonist_asked_uA, row.antagonist_asked_width_us, row.antagonist_asked_period_us)
    was_open = now.state != 0 and not tripped_before
    return Tick(
        Where(row.trial, row.t_us, -1),
        was_open,
        tripped_before,
        not was_open and row.arm != 0 and (not tripped_before or row.rearm_cause != 0),
        row.state != 0 and row.trip == 0,
        row.trip != 0,
        max(row.agonist_uA, row.antagonist_uA),
        usable,
        usable and agonist == 0 and antagonist == 0,
        row.law_fault == LAW_LATE,
    )


@step
def on_channel(tick: Tick, channel: int) -> Where:
    """The tick's place, on one channel."""
    return Where(tick.where.trial, tick.where.t_us, channel)


@step
def shut(notes: Notes, check: int, tick: Tick, channel: int, value: int, bound: int) -> int:
    """A value beyond its bound must leave the loop latched (or shut, when it was). Returns 1 when it is beyond."""
    where = on_channel(tick, channel)
    if value <= bound:
        if tick.is_open:
            at_most(notes, check, where, value, bound)
        return 0
    _owed(notes, check, tick, where, value, bound)
    return 1


@step
def shut_below(notes: Notes, check: int, tick: Tick, channel: int, value: int, bound: int) -> int:
    """As `shut`, for a value that must be at least its bound."""
    where = on_channel(tick, channel)
    if value >= bound:
        if tick.is_open:
            at_least(notes, check, where, value, bound)
        return 0
    _owed(notes, check, tick, where, value, bound)
    return 1


@step
def _owed(notes: Notes, check: int, tick: Tick, where: Where, value: int, bound: int) -> None:
    """Something is wrong at this tick: exercised when it mattered, broken when no latch answers it."""
    if tick.was_open or tick.opens:
        met(notes, check)
    if tick.is_open or tick.admits_uA > 0 or (tick.was_open and not tick.latches):
        broke(notes, check, where, value, bound)


@step
def silent(notes: Notes, check: int, tick: Tick, channel: int, value: int, bound: int) -> int:
    """While a value is beyond its bound nothing may be admitted. Returns 1 when it is beyond."""
    where = on_channel(tick, channel)
    if value <= bound:
        if tick.admits_uA > 0:
            at_most(notes, check, where, value, bound)
        return 0
    if tick.was_open:
        met(notes, check)
    if tick.admits_uA > 0:
        at_most(notes, check, where, value, bound)
    return 1


@step
def must(notes: Notes, check: int, tick: Tick, channel: int, kept: bool) -> None:
    """Something that has to hold at this tick, counted as one exercise."""
    met(notes, check)
    at_most(notes, check, on_channel(tick, channel), 0 if kept else 1, 0)
