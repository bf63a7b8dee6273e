"""Plays a schedule straight at the packed doors, and logs what was decided and what left.

`play` goes through the interlock; `play_open` is the same stimulator without one, to show what it holds back.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.safety.attack.ops import (
    ASKED,
    BREAK_OFF,
    CHANGE,
    CHANNEL,
    DELAY_US,
    FIELD,
    FIRE,
    GATE,
    HALT,
    KIND,
    LATCHED,
    OVERWRITE,
    RESTART,
    RESTORE,
    SENSED,
    TICK,
    Ops,
    most_pulses,
)
from thenar.safety.decision_log import DECISION_SIZE, broken_off, log_halt, log_tick
from thenar.safety.doors import decide, gate_packed, halt_packed, is_armed, next_pulse_packed, trip_cause
from thenar.safety.inputs import ASKED_SIZE, CURRENT_RANGE_UA, PERIOD_RANGE_US, SENSES_SIZE, WIDTH_RANGE_US
from thenar.safety.interlock import start_admitted
from thenar.safety.limits import Limits, unpack_limits
from thenar.safety.memory import ARMED, LATCH_AT, NEVER, start_memory
from thenar.shared.compiled import entry_that_allocates, flat_integers

PULSE_SIZE: Final = 7
"""Columns of a pulse: trial, t_us, channel, current_uA, width_us, gap_us, decisions_before."""
_BUSY_AT: Final = LATCH_AT + 6
_CAUSE: Final = FIELD["rearm_cause"] - SENSED
_COUNT: Final = FIELD["estimate_count"] - SENSED
_STOP: Final = FIELD["stop"] - SENSED
_LARGEST_US: Final = 900_000_000_000_000


class Played(NamedTuple):
    """What a play left: `pulses` (n, PULSE_SIZE) and `decisions` (m, 1 + DECISION_SIZE), the trial first in both."""

    pulses: NDArray[np.int64]
    decisions: NDArray[np.int64]


@entry_that_allocates
def _fire_until(
    limits: Any, memory: Any, admitted: Any, out: Any, pulses: Any, place: Any, from_us: int, end_us: int
) -> None:
    """Both channels fire as an engine would, from `from_us` until just before `end_us`."""
    first = from_us
    second = from_us
    while True:
        agonist_us = next_pulse_packed(limits, memory, admitted, 0, first)
        antagonist_us = next_pulse_packed(limits, memory, admitted, 1, second)
        channel = 0
        at_us = agonist_us
        if agonist_us < 0 or 0 <= antagonist_us < agonist_us:
            channel = 1
            at_us = antagonist_us
        if at_us < 0 or at_us >= end_us:
            return
        first = max(first, at_us)
        second = max(second, at_us)
        _ask(limits, memory, admitted, out, pulses, place, channel, at_us)


@entry_that_allocates
def _ask(limits: Any, memory: Any, admitted: Any, out: Any, pulses: Any, place: Any, channel: int, at_us: int) -> None:
    """One question at the gate; a pulse that leaves is logged. `place`: trial, pulses, decisions, decisions of it."""
    gate_packed(limits, memory, admitted, channel, at_us, out)
    if out[0] > 0:
        row = place[1]
        pulses[row, 0] = place[0]
        pulses[row, 1] = at_us
        pulses[row, 2] = channel
        pulses[row, 3] = out[0]
        pulses[row, 4] = out[1]
        pulses[row, 5] = out[2]
        pulses[row, 6] = place[3]
        place[1] = row + 1


@entry_that_allocates
def _decided(decisions: Any, place: Any) -> int:
    """The next free row of the log, with its trial written."""
    row = place[2]
    decisions[row, 0] = place[0]
    place[2] = row + 1
    place[3] += 1
    return int(row)


@entry_that_allocates
def _play(
    ops: Any,
    limits: Any,
    kept: Any,
    memory: Any,
    fresh: Any,
    admitted: Any,
    senses: Any,
    out: Any,
    pulses: Any,
    decisions: Any,
    place: Any,
) -> None:
    t_us = 0
    fire = 0
    estimates = 0
    started = 0
    for index in range(len(ops)):
        op = ops[index]
        kind = op[KIND]
        at_us = min(max(t_us + op[DELAY_US], 0), _LARGEST_US) if started == 1 else 0
        if kind == TICK:
            if fire == 1 and at_us > t_us:
                _fire_until(limits, memory, admitted, out, pulses, place, t_us, at_us)
            t_us = at_us
            started = 1
            senses[:] = op[SENSED:]
            estimates += senses[_COUNT]
            senses[_COUNT] = estimates
            if senses[_CAUSE] == LATCHED:
                senses[_CAUSE] = trip_cause(memory)
            asked = op[ASKED:SENSED]
            broken = broken_off(memory)
            reasons, mark = decide(unpack_limits(limits), memory, admitted, asked, senses, t_us)
            row = _decided(decisions, place)
            log_tick(decisions[row, 1:], t_us, memory, admitted, asked, senses, reasons, mark, broken)
            fire = op[FIRE]
        elif kind == HALT:
            if fire == 1 and at_us > t_us:
                _fire_until(limits, memory, admitted, out, pulses, place, t_us, at_us)
            halt_packed(memory, admitted, at_us)
            log_halt(decisions[_decided(decisions, place), 1:], at_us, limits, memory)
        elif kind == GATE:
            _ask(limits, memory, admitted, out, pulses, place, op[CHANNEL], at_us)
        elif kind == OVERWRITE and is_armed(memory):
            limits[op[CHANNEL] % limits.size] += op[CHANGE]
        elif kind == RESTORE:
            limits[:] = kept
        elif kind == BREAK_OFF:
            memory[_BUSY_AT] = 1
        elif kind == RESTART:
            memory[:] = fresh
            admitted[:] = 0
            place[0] += 1
            place[3] = 0
            fire = 0


def play(ops: Ops, limits: Limits, trial: int = 0) -> Played:
    """Play `ops` (rows, WIDTH) from power-on under `limits`. Trials are numbered from `trial`, one per restart."""
    kept, memory = flat_integers(limits), start_memory()
    pulses = np.zeros((most_pulses(ops, limits.agonist.period_min_us), PULSE_SIZE), dtype=np.int64)
    decisions = np.zeros((len(ops), 1 + DECISION_SIZE), dtype=np.int64)
    place = np.array([trial, 0, 0, 0], dtype=np.int64)
    senses, out = np.zeros(SENSES_SIZE, dtype=np.int64), np.zeros(3, dtype=np.int64)
    _play(
        ops, kept.copy(), kept, memory, memory.copy(), start_admitted(), senses, out, pulses, decisions, place
    )  # fmt: skip
    return Played(pulses[: place[1]], decisions[: place[2]])


@entry_that_allocates
def _take_over(command: Any, asked: Any) -> None:
    """What is asked becomes the command, brought into the type ranges; a zero in any field is rest."""
    current = min(max(asked[0], 0), CURRENT_RANGE_UA)
    width = min(max(asked[1], 0), WIDTH_RANGE_US)
    period = min(max(asked[2], 0), PERIOD_RANGE_US[1])
    rest = current == 0 or width == 0 or period < PERIOD_RANGE_US[0]
    command[0] = 0 if rest else current
    command[1] = 0 if rest else width
    command[2] = 0 if rest else period


@entry_that_allocates
def _fire_open(
    command: Any, channel: int, pulses: Any, place: Any, last: Any, from_us: int, end_us: int, gap_us: int
) -> None:
    """Every pulse of a command from `from_us` until just before `end_us`."""
    due_us = max(last[channel] + command[2], from_us)
    while command[0] > 0 and due_us < end_us and place[1] < len(pulses):
        row = place[1]
        pulses[row, 0] = place[0]
        pulses[row, 1] = due_us
        pulses[row, 2] = channel
        pulses[row, 3] = command[0]
        pulses[row, 4] = command[1]
        pulses[row, 5] = gap_us
        pulses[row, 6] = place[3]
        place[1] = row + 1
        last[channel] = due_us
        due_us += command[2]


@entry_that_allocates
def _play_open(ops: Any, pulses: Any, decisions: Any, place: Any, mark: int, gap_us: int) -> None:
    t_us = 0
    started = 0
    last = np.full(2, NEVER)
    command = np.zeros(6, dtype=np.int64)
    for index in range(len(ops)):
        op = ops[index]
        if op[KIND] == RESTART:
            place[0] += 1
            place[3] = 0
            command[:] = 0
        if op[KIND] != TICK:
            continue
        at_us = min(max(t_us + op[DELAY_US], 0), _LARGEST_US) if started == 1 else 0
        for channel in range(2):
            _fire_open(command[3 * channel : 3 * channel + 3], channel, pulses, place, last, t_us, at_us, gap_us)
        t_us = at_us
        started = 1
        if op[ASKED] == 0:
            for channel in range(2):
                _take_over(
                    command[3 * channel : 3 * channel + 3], op[ASKED + 1 + 3 * channel : ASKED + 4 + 3 * channel]
                )
        row = place[2]
        decisions[row, 0] = place[0]
        decisions[row, 1] = 0
        decisions[row, 2] = t_us
        decisions[row, 3 : 3 + ASKED_SIZE] = op[ASKED:SENSED]
        decisions[row, 3 + ASKED_SIZE : 3 + ASKED_SIZE + SENSES_SIZE] = op[SENSED:]
        at = 3 + ASKED_SIZE + SENSES_SIZE
        decisions[row, at] = mark
        decisions[row, at + 2] = t_us + 60_000_000
        decisions[row, at + 3 : at + 9] = command
        decisions[row, at + 10] = ARMED
        place[2] = row + 1
        place[3] += 1


def play_open(ops: Ops, limits: Limits, mark: int, trial: int = 0) -> Played:
    """Play `ops` at a stimulator that does what it is asked, held to the type ranges alone, and log it the same way.

    `mark`: of the limits, for the log. Stops, broken calls and changed limits mean nothing to it.
    """
    pulses = np.zeros((most_pulses(ops), PULSE_SIZE), dtype=np.int64)
    decisions = np.zeros((len(ops), 1 + DECISION_SIZE), dtype=np.int64)
    place = np.array([trial, 0, 0, 0], dtype=np.int64)
    _play_open(ops, pulses, decisions, place, mark, limits.loop.interphase_us)
    left = pulses[: place[1]]
    # The two channels were played one after the other within a period; a log is in the order of delivery.
    order = np.lexsort((left[:, 2], left[:, 1], left[:, 6], left[:, 0]))
    return Played(left[order], decisions[: place[2]])
