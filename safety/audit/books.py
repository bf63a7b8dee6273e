"""The auditor's books: per check how often it was exercised and broken, the closest value and the first offences."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.safety.audit.checks import CHECKS
from thenar.safety.audit.verdicts import OFFENCES_KEPT
from thenar.shared.compiled import step_for_all as step

SLIPS: Final = 128
"""More than any one row of a log can fill, and one."""
AT_MOST, AT_LEAST, BROKEN = range(3)
"""What a slip says: a value with an upper or a lower bound, one that broke its rule."""


Notes = NDArray[Any]
"""int64, shape (SLIPS + K, 7): first the slips of the row at hand, then for each check how often it was exercised.

Slip 0 holds how many there are. What the checks say of one row is first written on slips and then entered all at
once: so a check is a few stores, and the walk is quick, and quick to compile.
"""


class Books(NamedTuple):
    """Arrays with a row per check: `failed` (K,), `closeness` (K,), `closest` (K, 5), `offences` (K, kept, 5).

    The five numbers are trial, time in us, channel (-1 none), value and bound.
    """

    failed: NDArray[Any]
    closeness: NDArray[Any]
    closest: NDArray[Any]
    offences: NDArray[Any]


class Where(NamedTuple):
    """The place in a log that a check speaks of."""

    trial: int
    t_us: int
    channel: int


def new_books() -> Books:
    """Empty books."""
    rows = len(CHECKS)
    return Books(
        np.zeros(rows, np.int64),
        np.full(rows, -1.0),
        np.zeros((rows, 5), np.int64),
        np.zeros((rows, OFFENCES_KEPT, 5), np.int64),
    )


def new_notes() -> Notes:
    """Notes without a slip."""
    return np.zeros((SLIPS + len(CHECKS), 7), np.int64)


def exercised(notes: Notes) -> NDArray[Any]:
    """How often each check was exercised, shape (K,)."""
    return notes[SLIPS:, 0]


@step
def met(notes: Notes, check: int) -> None:
    """Count one exercise of a check."""
    notes[SLIPS + check, 0] += 1


@step
def _closeness(larger: int, smaller: int) -> float:
    """How far one number has come towards one that it must not pass; above 1 exactly when it has passed it."""
    if smaller > 0:
        return larger / smaller
    return 2.0 + larger if larger > smaller else 1.0 if larger == smaller else 0.0


@step
def _slip(notes: Notes, check: int, where: Where, value: int, bound: int, kind: int) -> None:
    at = notes[0, 0] + 1
    notes[at, 0], notes[at, 1] = check, kind
    notes[at, 2], notes[at, 3], notes[at, 4] = where.trial, where.t_us, where.channel
    notes[at, 5], notes[at, 6] = value, bound
    notes[0, 0] = at


@step
def at_most(notes: Notes, check: int, where: Where, value: int, bound: int) -> None:
    """Note a value that must be at most `bound`."""
    _slip(notes, check, where, value, bound, AT_MOST)


@step
def at_least(notes: Notes, check: int, where: Where, value: int, bound: int) -> None:
    """Note a value that must be at least `bound`."""
    _slip(notes, check, where, value, bound, AT_LEAST)


@step
def broke(notes: Notes, check: int, where: Where, value: int, bound: int) -> None:
    """Note an offence, however the value and its bound compare."""
    _slip(notes, check, where, value, bound, BROKEN)


@step
def enter(books: Books, notes: Notes) -> None:
    """Enter every slip in the books: the closest value of its check, and the first offences."""
    for at in range(1, notes[0, 0] + 1):
        check, kind, value, bound = notes[at, 0], notes[at, 1], notes[at, 5], notes[at, 6]
        broken = kind == BROKEN or (kind == AT_MOST and value > bound) or (kind == AT_LEAST and value < bound)
        closeness = _closeness(bound, value) if kind == AT_LEAST else _closeness(value, bound)
        if broken:
            closeness = max(closeness, 1.0 + abs(value - bound) / (1.0 + abs(bound)))
            count = books.failed[check]
            if count < books.offences.shape[1]:
                for column in range(5):
                    books.offences[check, count, column] = notes[at, 2 + column]
            books.failed[check] = count + 1
        if closeness > books.closeness[check]:
            books.closeness[check] = closeness
            for column in range(5):
                books.closest[check, column] = notes[at, 2 + column]
    notes[0, 0] = 0
