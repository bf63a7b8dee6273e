"""One planted fault, and the small edits that several of them share."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

from thenar.safety.audit.edits import (
    ONE_CHANNEL,
    STEADY,
    Edit,
    Script,
    all_of,
    at_row,
    at_rows,
    latched_from,
    silent_from,
    under,
)


class Plant(NamedTuple):
    """One planted fault of `rule`: the edit that stays inside, the one that doesn't, and what may fail with it."""

    rule: str
    what: str
    inside: Edit
    outside: Edit
    script: Script = ONE_CHANNEL
    also: frozenset[str] = frozenset()


def bounds(rule: str, what: str, name: str, inside: int, step: int, **more: Any) -> Plant:
    """A bound that just holds what the log shows, and one that is `step` tighter."""
    return Plant(rule, what, under(**{name: inside}), under(**{name: inside + step}), **more)


def answered(rule: str, what: str, sensed: Edit) -> Plant:
    """Something that must latch: answered by a latch, and not answered."""
    return Plant(rule, what, all_of(latched_from(STEADY, int(rule[1:])), sensed), sensed)


LATER: Final = range(STEADY, STEADY + 2)
CLEARED: Final = range(STEADY + 10, STEADY + 90)


def cleared_by(cause: int) -> Edit:
    """Latched by R30 for 10 rows, then armed again by an operator who names a cause."""
    again = at_rows(CLEARED, state=1, trip=0, trip_us=-1, reasons=0)
    return all_of(latched_from(STEADY, 30), again, at_row(CLEARED.start, rearm_cause=cause))


DISARMED: Final = all_of(silent_from(STEADY), at_rows(range(STEADY + 1, STEADY + 90), state=0, arm=0))
CREEPING: Final = all_of(
    at_rows(range(STEADY - 48, STEADY), agonist_contact_ohm=1_500), at_row(STEADY - 49, agonist_contact_ohm=1_000)
)
"""An impedance that was at its lowest 0.98 s before the steady row."""
SHARE_KNOWN: Final = at_rows(range(200), agonist_contact_per_mille=500)

STEADY_US: Final = 20_000 * STEADY


def small_command(row: int) -> Edit:
    """A first step asked for and admitted in this row."""
    command = {"agonist_uA": 800, "agonist_width_us": 250, "agonist_period_us": 25_000}
    asked = {"agonist_asked_uA": 800, "agonist_asked_width_us": 250, "agonist_asked_period_us": 25_000}
    return at_row(row, **command, **asked)


def lowered(rows: int) -> Edit:
    """So many rows in which compliance lowers the current: the first six hold five pulses, the seventh one more."""
    began = STEADY - 1
    return at_rows(range(began, began + rows), agonist_asked_uA=20_000, agonist_contact_ohm=8_000, reasons=1 << 16)


def asks(**values: int) -> Edit:
    """The demand of the steady row changed, with a reason."""
    return at_row(STEADY, reasons=1 << 35, **values)


def commands(**values: int) -> Edit:
    """The command of the pulse before the steady row changed, with a reason."""
    return at_row(STEADY - 1, reasons=1 << 35, **values)
