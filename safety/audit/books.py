"""The auditor's books: per check how often it was exercised and broken, the closest value and the first offences."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.safety.audit.checks import CHECKS
from thenar.safety.audit.verdicts import OFFENCES_KEPT
from thenar.shared.compiled import step

EXERCISED: Final = 0
FAILED: Final = 1


class Books(NamedTuple):
    """Arrays with a row per check: `counts` (K, 2), `closeness` (K,), `closest` (K, 5), `offences` (K, kept, 5).

    The five numbers are trial, time in us, channel (-1 none), value and bound.
    """

    counts: NDArray[Any]
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
        np.zeros((rows, 2), np.int64),
        np.full(rows, -1.0),
        np.zeros((rows, 5), np.int64),
        np.zeros((rows, OFFENCES_KEPT, 5), np.int64),
    )


@step
def met(books: Books, check: int) -> None:
    """Count one exercise of a check."""
    books.counts[check, EXERCISED] += 1


@step
def _write(line: NDArray[Any], where: Where, value: int, bound: int) -> None:
    line[0] = where.trial
    line[1] = where.t_us
    line[2] = where.channel
    line[3] = value
    line[4] = bound


@step
def _closeness(larger: int, smaller: int) -> float:
    """How far one number has come towards one that it must not pass; above 1 exactly when it has passed it."""
    if smaller > 0:
        return larger / smaller
    return 2.0 + larger if larger > smaller else 1.0 if larger == smaller else 0.0


@step
def seen(books: Books, check: int, closeness: float, where: Where, value: int, bound: int) -> None:
    """Keep a value when it is the closest so far."""
    if closeness > books.closeness[check]:
        books.closeness[check] = closeness
        _write(books.closest[check], where, value, bound)


@step
def broke(books: Books, check: int, where: Where, value: int, bound: int) -> None:
    """Count an offence; the first few are kept."""
    count = books.counts[check, FAILED]
    if count < books.offences.shape[1]:
        _write(books.offences[check, count], where, value, bound)
    books.counts[check, FAILED] = count + 1


@step
def at_most(books: Books, check: int, where: Where, value: int, bound: int) -> None:
    """Note a value that must be at most `bound`."""
    seen(books, check, _closeness(value, bound), where, value, bound)
    if value > bound:
        broke(books, check, where, value, bound)


@step
def at_least(books: Books, check: int, where: Where, value: int, bound: int) -> None:
    """Note a value that must be at least `bound`."""
    seen(books, check, _closeness(bound, value), where, value, bound)
    if value < bound:
        broke(books, check, where, value, bound)
