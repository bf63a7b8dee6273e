"""A schedule of attacks as one table of whole numbers: one row per operation, in the order of play."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from thenar.safety.inputs import ASKED_SIZE, SENSES_SIZE, Senses

TICK: Final = 0
HALT: Final = 1
GATE: Final = 2
OVERWRITE: Final = 3
RESTORE: Final = 4
BREAK_OFF: Final = 5
RESTART: Final = 6
"""Kinds: a control tick; an emergency stop between ticks; a pulse asked for at any odd time; one limit changed under
the armed loop; the limits put back; a packed call that broke off; the interlock started afresh in mid-train."""

KIND: Final = 0
DELAY_US: Final = 1
"""TICK: time since the tick before; HALT and GATE: time since the last tick."""
CHANNEL: Final = 2
"""GATE: the channel; OVERWRITE: the place of the limit."""
CHANGE: Final = 3
"""OVERWRITE: what is added to it."""
FIRE: Final = 4
"""TICK: 1 when both channels then fire as an engine would, until the next operation of time."""
ASKED: Final = 5
SENSED: Final = ASKED + ASKED_SIZE
WIDTH: Final = SENSED + SENSES_SIZE

LATCHED: Final = -1
"""As `rearm_cause`: name whatever has latched. Estimates are counted up by `estimate_count`."""

FIELD: Final = {name: SENSED + place for place, name in enumerate(Senses._fields)}
"""Column of every sense by name."""
CALM: Final = np.array([3_000, 1, 30_000, 1, 0, 0, 1, 0, -1, -1, -1, -1, 0, 0, 0, 0], dtype=np.int64)
"""What is sensed when nothing is wrong: 3 N, fresh, one new estimate, armed."""

Ops = NDArray[np.int64]


def calm_ticks(count: int, period_us: int) -> Ops:
    """`count` control ticks on time, at rest, sensing nothing wrong, both channels free to fire; (count, WIDTH).

    The estimate wavers by a few mN, as a living one does.
    """
    ops = np.zeros((count, WIDTH), dtype=np.int64)
    ops[:, DELAY_US] = period_us
    ops[:, FIRE] = 1
    ops[:, SENSED:] = CALM
    ops[:, FIELD["estimate_mN"]] += 10 * (np.arange(count) % 7)
    return ops


class Script:
    """Operations written one stretch after the other, for attacks that aim at one rule."""

    def __init__(self, period_us: int) -> None:
        """`period_us`: nominal control period."""
        self.period_us = period_us
        self._parts: list[Ops] = []

    def ticks(
        self, count: int, asked: tuple[int, ...] = (), *, delay_us: int = 0, fire: int = 1, **senses: int
    ) -> None:
        """`count` ticks that ask for `asked` (up to ASKED_SIZE numbers, fault first) and sense `senses`."""
        ops = calm_ticks(count, delay_us or self.period_us)
        ops[:, FIRE] = fire
        ops[:, ASKED : ASKED + len(asked)] = asked
        for name, value in senses.items():
            ops[:, FIELD[name]] = value
        self._parts.append(ops)

    def event(self, kind: int, delay_us: int = 0, channel: int = 0, change: int = 0) -> None:
        """One operation that is no tick."""
        ops = np.zeros((1, WIDTH), dtype=np.int64)
        ops[0, : CHANGE + 1] = kind, delay_us, channel, change
        self._parts.append(ops)

    def clear(self, **senses: int) -> None:
        """The operator re-arms by the right name, with nothing asked; a second calm tick then runs armed."""
        self.ticks(1, (), rearm_cause=LATCHED, **senses)
        self.ticks(1)

    def ops(self) -> Ops:
        """Everything written so far, (rows, WIDTH)."""
        return np.concatenate(self._parts)


def push(current_uA: int, width_us: int = 250, period_us: int = 25_000, fault: int = 0) -> tuple[int, ...]:
    """A demand on the agonist alone."""
    return (fault, current_uA, width_us, period_us, 0, 0, 0)


def pull(current_uA: int, width_us: int = 250, period_us: int = 25_000) -> tuple[int, ...]:
    """A demand on the antagonist alone."""
    return (0, 0, 0, 0, current_uA, width_us, period_us)


def both(agonist_uA: int, antagonist_uA: int, width_us: int = 250, period_us: int = 25_000) -> tuple[int, ...]:
    """A demand on both channels."""
    return (0, agonist_uA, width_us, period_us, antagonist_uA, width_us, period_us)


def most_pulses(ops: Ops, period_us: int = 1_000) -> int:
    """Room for pulses that a play of `ops` can need at most when no channel fires twice within `period_us`."""
    spans = np.abs(ops[:, DELAY_US])[ops[:, KIND] != OVERWRITE]
    return int((spans // period_us + 2).sum()) * 2 + 16


def laid_out(arrays: Any) -> Ops:
    """Several schedules as one."""
    return np.concatenate(list(arrays))
