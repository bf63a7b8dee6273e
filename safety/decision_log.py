"""One row for each decision of the interlock: what was asked, what was sensed, what was admitted and why (R38)."""

from __future__ import annotations

from typing import Any, Final

from numpy.typing import NDArray

from thenar.safety.inputs import ASKED_SIZE, SENSES_SIZE
from thenar.safety.limits import limits_mark, unpack_limits
from thenar.safety.memory import LATCH_AT
from thenar.shared.columns import DECISIONS
from thenar.shared.compiled import entry, fixed, store

TICK: Final = 0
HALT: Final = 1
"""Kinds of a row: a control tick, an emergency stop between ticks."""

FIELDS: Final = tuple(column.name for column in DECISIONS if column.name != "trial")
DECISION_SIZE: Final = len(FIELDS)
ASKED_AT: Final = FIELDS.index("asked_fault")
SENSES_AT: Final = FIELDS.index("estimate_mN")
MARK_AT: Final = FIELDS.index("limits_mark")
EXPIRES_AT: Final = FIELDS.index("expires_us")
REASONS_AT: Final = FIELDS.index("reasons")
_BUSY_AT: Final = LATCH_AT + 6


@entry
def broken_off(memory: NDArray[Any]) -> int:
    """1 when an earlier packed call broke off (R39), to be asked before the next one; else 0."""
    return 1 if memory[_BUSY_AT] > 0 else 0


@entry
def log_tick(
    row: NDArray[Any],
    t_us: int,
    memory: NDArray[Any],
    admitted: NDArray[Any],
    demand: NDArray[Any],
    senses: NDArray[Any],
    reasons: int,
    mark: int,
    broken: int,
) -> None:
    """Fill `row` (int64, shape (DECISION_SIZE,)) after a control tick.

    The arrays as `decide` left them; `reasons` and `mark` as it returned them.
    """
    row[0] = TICK
    row[1] = t_us
    store(row, fixed(demand, ASKED_SIZE), ASKED_AT)
    store(row, fixed(senses, SENSES_SIZE), SENSES_AT)
    row[MARK_AT] = mark
    row[MARK_AT + 1] = broken
    store(row, fixed(admitted, 7, 1), EXPIRES_AT)
    row[REASONS_AT] = reasons
    store(row, fixed(memory, 3, LATCH_AT), REASONS_AT + 1)


@entry
def log_halt(row: NDArray[Any], t_us: int, limits: NDArray[Any], memory: NDArray[Any]) -> None:
    """Fill `row` after an emergency stop between two ticks: nothing asked, nothing admitted, stop pressed."""
    row[:] = 0
    row[0] = HALT
    row[1] = t_us
    row[SENSES_AT + 5] = 1
    row[MARK_AT] = limits_mark(unpack_limits(limits))
    row[EXPIRES_AT] = t_us
    row[REASONS_AT] = 1 << 32
    store(row, fixed(memory, 3, LATCH_AT), REASONS_AT + 1)
