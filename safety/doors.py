"""Packed doors: the interlock and the gate as Python and the engines call them, all state in int64 arrays.

A call that breaks off half-way leaves no command and no pulse behind, and the next call trips (R39):
the output is emptied and the memory marked busy before anything else is done.
"""

from __future__ import annotations

from typing import Any, Final

from numpy.typing import NDArray

from thenar.safety.budget import runs_out
from thenar.safety.gate import gate, next_pulse_us
from thenar.safety.inputs import TIME_RANGE_US, between, unpack_asked, unpack_senses
from thenar.safety.interlock import admit, unpack_admitted
from thenar.safety.limits import Limits, limits_mark, unpack_limits
from thenar.safety.memory import (
    DISARMED,
    LATCH_AT,
    halt,
    store_decision,
    store_pulse,
    tripped,
    unpack_memory,
    with_gone,
)
from thenar.safety.reasons import R35
from thenar.safety.windows import (
    advance_windows,
    look_back_from_pulse,
    look_back_from_ramp,
    note_amounts,
    note_oldest,
    note_run,
)
from thenar.shared.compiled import entry, step, store

_STATE: Final = LATCH_AT
_TRIP: Final = LATCH_AT + 1
_TRIP_US: Final = LATCH_AT + 2
_MARK: Final = LATCH_AT + 5
_BUSY: Final = LATCH_AT + 6
_CHANGED_LIMITS: Final = 35
"""The requirement that latches (R35)."""


@step
def decide(
    limits: Limits,
    memory: NDArray[Any],
    admitted: NDArray[Any],
    demand: NDArray[Any],
    senses: NDArray[Any],
    t_us: int,
) -> tuple[int, int]:
    """One control tick. Writes `memory` and `admitted` in place; returns the reasons mask and the limits' mark.

    All arrays are 1-d int64: `memory` (MEMORY_SIZE,), `admitted` (ADMITTED_SIZE,), `demand` (ASKED_SIZE,)
    from `edge.demand_units`, `senses` (SENSES_SIZE,) from `edge.senses_units`. `t_us`: time in us. The mark
    is of the limits that decided, for the decision log.
    """
    admitted[:] = 0
    memory[_BUSY] += 1
    return _decided(limits, memory, admitted, demand, senses, t_us)


@step
def _decided(
    limits: Limits,
    memory: NDArray[Any],
    admitted: NDArray[Any],
    demand: NDArray[Any],
    senses: NDArray[Any],
    t_us: int,
) -> tuple[int, int]:
    now_us = between(t_us, 0, TIME_RANGE_US)
    before = unpack_memory(memory)
    # What the gate saw leave the window is no more than what has left it now: where that will do, nobody looks back.
    if runs_out(limits.agonist, limits.loop, before.agonist, now_us):
        before = with_gone(before, 0, look_back_from_ramp(memory, limits.agonist, limits.loop, 0, now_us))
    if runs_out(limits.antagonist, limits.loop, before.antagonist, now_us):
        before = with_gone(before, 1, look_back_from_ramp(memory, limits.antagonist, limits.loop, 1, now_us))
    given, after, reasons = admit(limits, before, unpack_asked(demand), unpack_senses(senses), t_us)
    # Of the same numbers that `admit` has just marked: a compiler reckons it once.
    mark = limits_mark(limits)
    store_decision(memory, after)
    store(admitted, given)
    memory[_BUSY] = 0
    return reasons, mark


@entry
def admit_packed(
    limits: NDArray[Any],
    memory: NDArray[Any],
    admitted: NDArray[Any],
    demand: NDArray[Any],
    senses: NDArray[Any],
    t_us: int,
) -> int:
    """`decide` for a caller in Python: one control tick, the reasons mask returned. `limits`: shape (LIMITS_SIZE,)."""
    admitted[:] = 0
    memory[_BUSY] += 1
    reasons, _ = _decided(unpack_limits(limits), memory, admitted, demand, senses, t_us)
    return reasons


@step
def pass_gate(
    limits: Limits,
    memory: NDArray[Any],
    admitted: NDArray[Any],
    channel: int,
    t_us: int,
    out: NDArray[Any],
) -> int:
    """May `channel` (0 agonist, 1 antagonist) fire at `t_us`? Writes `memory` and `out`, returns the reasons mask.

    `out`: int64, shape (3,): current in uA (0: no pulse), width and pause between the phases in us.
    """
    out[:] = 0
    memory[_BUSY] += 1
    return _gated(limits, memory, admitted, channel, t_us, out)


@step
def _gated(
    limits: Limits,
    memory: NDArray[Any],
    admitted: NDArray[Any],
    channel: int,
    t_us: int,
    out: NDArray[Any],
) -> int:
    advance_windows(memory, limits.loop, channel, t_us)
    gone_us, oldest = look_back_from_pulse(memory, limits.loop, channel, between(t_us, 0, TIME_RANGE_US))
    before = with_gone(unpack_memory(memory), channel, gone_us)
    pulse, after, reasons = gate(limits, before, unpack_admitted(admitted), channel, t_us)
    store_pulse(memory, after, channel)
    if pulse.current_uA > 0:
        charge_pC = 2 * pulse.current_uA * pulse.width_us
        old = before.agonist.train if channel == 0 else before.antagonist.train
        new = after.agonist.train if channel == 0 else after.antagonist.train
        note_amounts(memory, channel, charge_pC, pulse.current_uA * charge_pC)
        note_oldest(memory, channel, oldest)
        if new.run != old.run:
            note_run(memory, channel, new.run, t_us, old.on_us)
        store(out, pulse)
    memory[_BUSY] -= 1
    return reasons


@entry
def gate_packed(
    limits: NDArray[Any],
    memory: NDArray[Any],
    admitted: NDArray[Any],
    channel: int,
    t_us: int,
    out: NDArray[Any],
) -> int:
    """`pass_gate` for a caller in Python. `limits`: int64, shape (LIMITS_SIZE,).

    An array can be written to between two ticks, which the numbers that the engines hold can't: so it is held against
    the mark of arming here as well (R35), before anything is weighed by it.
    """
    out[:] = 0
    memory[_BUSY] += 1
    own = unpack_limits(limits)
    if memory[_STATE] != DISARMED and limits_mark(own) != memory[_MARK]:
        store(memory, tripped(unpack_memory(memory).latch, _CHANGED_LIMITS, between(t_us, 0, TIME_RANGE_US)), LATCH_AT)
        memory[_BUSY] -= 1
        return R35
    return _gated(own, memory, admitted, channel, t_us, out)


@step
def next_pulse(limits: Limits, memory: NDArray[Any], admitted: NDArray[Any], channel: int, t_us: int) -> int:
    """When `channel` may fire next under the admitted command, in us; -1 when it has nothing to do."""
    return next_pulse_us(limits, unpack_memory(memory), unpack_admitted(admitted), channel, t_us)


@entry
def next_pulse_packed(
    limits: NDArray[Any], memory: NDArray[Any], admitted: NDArray[Any], channel: int, t_us: int
) -> int:
    """`next_pulse` for a caller in Python. `limits`: int64, shape (LIMITS_SIZE,)."""
    return next_pulse(unpack_limits(limits), memory, admitted, channel, t_us)


@entry
def halt_packed(memory: NDArray[Any], admitted: NDArray[Any], t_us: int) -> None:
    """Emergency stop (R33): nothing leaves from this instant on. Writes both arrays in place."""
    admitted[:] = 0
    store(memory, halt(unpack_memory(memory), t_us).latch, LATCH_AT)


@entry
def trip_cause(memory: NDArray[Any]) -> int:
    """Number n of the requirement Rn that has latched, 0 when none."""
    return int(memory[_TRIP])


@entry
def trip_time_us(memory: NDArray[Any]) -> int:
    """When the latched trip happened, in us; NEVER (a large negative number) when none is latched."""
    return int(memory[_TRIP_US])


@entry
def is_armed(memory: NDArray[Any]) -> bool:
    """Whether output is possible at all (armed, or ramping down to a planned stop)."""
    return int(memory[_STATE]) != DISARMED
