"""The auditor's books: per check how often it was exercised and broken, the closest value and the first offences."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.safety.audit.checks import CHECKS
from thenar.safety.audit.verdicts import OFFENCES_KEPT
from thenar.shared.compiled import step_for_all as step

EXERCISED: Final = 0
FAILED: Final = 1
SLIPS: Final = 128
"""More than any one row of a log can fill."""
AT_MOST, AT_LEAST, BROKEN = range(3)
"""What a slip says: a value with an upper or a lower bound, one that broke its rule."""


class Books(NamedTuple):
    """Arrays with a row per check: `counts` (K, 2), `closeness` (K,), `closest` (K, 5), `offences` (K, kept, 5).

    The five numbers are trial, time in us, channel (-1 none), value and bound. What the checks say of one row is
    first written on `slips` (SLIPS, 7), of which `used` (1,) are full, and then entered all at once: so a check is a
    few stores, and the whole walk is quick to compile.
    """

    counts: NDArray[Any]
    closeness: NDArray[Any]
    closest: NDArray[Any]
    offences: NDArray[Any]
    slips: NDArray[Any]
    used: NDArray[Any]


class Where(NamedTuple):
    """The place in a log that a check speaks of."""

    trial: int
    t_us: int
    channel: int


def new_books() -> Books:
    """Empty books."""
    rows = len(CHECKS)
    return Books(
        np.zeros((rows, 2), np.int64),
        np.full(rows, -1.0),
        np.zeros((rows, 5), np.int64),
        np.zeros((rows, OFFENCES_KEPT, 5), np.int64),
        np.zeros((SLIPS, 7), np.int64),
        np.zeros(1, np.int64),
    )


@step
def met(books: Books, check: int) -> None:
    """Count one exercise of a check."""
    books.counts[check, EXERCISED] += 1


@step
def _closeness(larger: int, smaller: int) -> float:
    """How far one number has come towards one that it must not pass; above 1 exactly when it has passed it."""
    if smaller > 0:
        return larger / smaller
    return 2.0 + larger if larger > smaller else 1.0 if larger == smaller else 0.0


@step
def _slip(books: Books, check: int, where: Where, value: int, bound: int, kind: int) -> None:
    at = books.used[0]
    slip = books.slips[at]
    slip[0], slip[1] = check, kind
    slip[2], slip[3], slip[4], slip[5], slip[6] = where.trial, where.t_us, where.channel, value, bound
    books.used[0] = at + 1


@step
def at_most(books: Books, check: int, where: Where, value: int, bound: int) -> None:
    """Note a value that must be at most `bound`."""
    _slip(books, check, where, value, bound, AT_MOST)


@step
def at_least(books: Books, check: int, where: Where, value: int, bound: int) -> None:
    """Note a value that must be at least `bound`."""
    _slip(books, check, where, value, bound, AT_LEAST)


@step
def broke(books: Books, check: int, where: Where, value: int, bound: int) -> None:
    """Note an offence, however the value and its bound compare."""
    _slip(books, check, where, value, bound, BROKEN)


@step
def enter(books: Books) -> None:
    """Enter every slip in the books: the closest value of its check, and the first offences."""
    for at in range(books.used[0]):
        slip = books.slips[at]
        check, kind, value, bound = slip[0], slip[1], slip[5], slip[6]
        broken = kind == BROKEN or (kind == AT_MOST and value > bound) or (kind == AT_LEAST and value < bound)
        closeness = _closeness(bound, value) if kind == AT_LEAST else _closeness(value, bound)
        if broken:
            closeness = max(closeness, 1.0 + abs(value - bound) / (1.0 + abs(bound)))
            count = books.counts[check, FAILED]
            if count < books.offences.shape[1]:
                books.offences[check, count, :] = slip[2:]
            books.counts[check, FAILED] = count + 1
        if closeness > books.closeness[check]:
            books.closeness[check] = closeness
            books.closest[check, :] = slip[2:]
    books.used[0] = 0
