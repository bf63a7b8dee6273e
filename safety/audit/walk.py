"""The walk through both logs in the order of delivery: each decision, then the pulses that came after it."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from thenar.safety.audit.admitted import (
    asked_beyond,
    compliance,
    given,
    minimal,
    planned_stop,
    ramps,
    reported,
    rise,
    shares,
    wanted,
)
from thenar.safety.audit.answers import Tick, tick_of
from thenar.safety.audit.books import Books, Where, at_least, at_most, enter, met
from thenar.safety.audit.checks import (
    R03_AGE,
    R05_PULSE,
    R17_ROW,
    R34_PULSE,
    R37_PULSE,
    R37_PULSE_WIDTH,
    R37_SPACING,
)
from thenar.safety.audit.conduct import arming, clock, demand, frozen, latch, life, stop
from thenar.safety.audit.memory import LONG_AGO, Bounds, Memory, begin_trial, full
from thenar.safety.audit.pulses import measured, note_pulse, rises, session, single_pulse, spacing, windows
from thenar.safety.audit.senses import balance, contact, estimate, soft_bound
from thenar.shared.compiled import entry
from thenar.shared.compiled import step_for_all as step

STOPPING_STATE = 2


@entry
def walk(
    limits: Bounds,
    terms: NDArray[Any],
    books: Books,
    memory: Memory,
    pulses: NDArray[Any],
    decisions: NDArray[Any],
    at: NDArray[Any],
) -> bool:
    """Judge both logs from the places in `at` on (shape (2,), moved forward). False when the memory needs room first.

     `terms`: (1 when there is a decision log, mark of the limits or 0, three bounds on net
    charge). `pulses`, `decisions`: records in order of trial, then of delivery.
    """
    while at[0] < len(pulses) or at[1] < len(decisions):
        if at[1] < len(decisions) and (at[0] == len(pulses) or _decision_first(memory, pulses[at[0]], decisions[at[1]])):  # fmt: skip
            row = decisions[at[1]]
            if row.trial != memory.loop[0].trial:
                begin_trial(memory, row.trial)
            _judge_decision(books, limits, memory, row, terms)
            enter(books)
            at[1] += 1
        else:
            if full(memory):
                return False
            pulse = pulses[at[0]]
            if pulse.trial != memory.loop[0].trial:
                begin_trial(memory, pulse.trial)
            _judge_pulse(books, limits, memory, pulse, terms)
            enter(books)
            at[0] += 1
    return True


@step
def _decision_first(memory: Memory, pulse: Any, row: Any) -> bool:
    """Whether a decision comes before a pulse: by the count of decisions where it is given, else by time."""
    if row.trial != pulse.trial:
        return bool(row.trial < pulse.trial)
    if pulse.decisions_before < 0:
        return bool(row.t_us <= pulse.t_us)
    seen = memory.loop[0].seen_rows if memory.loop[0].trial == row.trial else 0
    return bool(seen < pulse.decisions_before)


@step
def _judge_pulse(books: Books, limits: Bounds, memory: Memory, pulse: Any, terms: NDArray[Any]) -> None:
    where = Where(pulse.trial, pulse.t_us, pulse.channel)
    own = limits.channels[pulse.channel]
    logged = terms[0] == 1
    single_pulse(books, own, limits.loop[0], where, pulse.current_uA, pulse.width_us)
    spacing(books, limits, memory, where)
    session(books, limits.loop[0], memory, where, logged)
    windows(books, own, limits.loop[0], memory, where, pulse)
    rises(books, own, limits.loop[0], memory, where, pulse)
    measured(books, memory, where, pulse, terms[2], logged)
    if logged:
        _under_command(books, limits.loop[0], memory, where, pulse)
    note_pulse(memory, where, pulse)
    memory.loop[0].pulses += 1


@step
def _under_command(books: Books, loop: Any, memory: Memory, where: Where, pulse: Any) -> None:
    """R03, R05, R17, R34 and R37: a pulse leaves only under a living command of an open loop, and is no more than it."""
    now, own = memory.loop[0], memory.channels[where.channel]
    if now.trip != 0:
        at_most(books, R34_PULSE, where, max(where.t_us - now.trip_us, 1), 0)
        return
    if now.state == 0:
        at_most(books, R05_PULSE, where, pulse.current_uA, 0)
        return
    met(books, R37_PULSE)
    met(books, R37_PULSE_WIDTH)
    at_most(books, R37_PULSE, where, pulse.current_uA, own.admitted_uA)
    at_most(books, R37_PULSE_WIDTH, where, pulse.width_us, own.admitted_us)
    if own.pulse_us != LONG_AGO and own.admitted_uA > 0:
        met(books, R37_SPACING)
        at_least(books, R37_SPACING, where, where.t_us - own.pulse_us, own.admitted_period_us)
    age_us, life_us = where.t_us - now.t_us, now.expires_us - now.t_us
    if age_us * 10 >= life_us * 9:
        met(books, R03_AGE)
    at_most(books, R03_AGE, where, age_us, life_us - 1)
    own.lowered_pulses = own.lowered_pulses + 1 if own.lowered == 1 else 0
    if own.lowered == 1:
        met(books, R17_ROW)
        at_most(books, R17_ROW, where, own.lowered_pulses, loop.saturated_pulses)


@step
def _judge_decision(books: Books, limits: Bounds, memory: Memory, row: Any, terms: NDArray[Any]) -> None:
    tick = tick_of(memory, row)
    if row.kind != 0:
        stop(books, tick, row)
        latch(books, limits.loop[0], memory, tick, row, False)
    else:
        _judge_tick(books, limits, memory, tick, row, terms)
        memory.loop[0].t_us, memory.loop[0].ticked = row.t_us, 1
    _note_row(memory, row)


@step
def _judge_tick(books: Books, limits: Bounds, memory: Memory, tick: Tick, row: Any, terms: NDArray[Any]) -> None:
    loop = limits.loop[0]
    pushing = _pushes(memory, 0, limits.channels[0].motor_uA) or _pushes(memory, 1, limits.channels[1].motor_uA)
    called = clock(books, loop, memory, tick)
    called |= contact(books, limits.channels[0], loop, memory, tick, 0, row.agonist_contact_ohm)
    called |= contact(books, limits.channels[1], loop, memory, tick, 1, row.antagonist_contact_ohm)
    net = (terms[2], terms[3], terms[4])
    called |= balance(books, net, memory, tick, 0, row.agonist_net_pC, row.agonist_cut_short)
    called |= balance(books, net, memory, tick, 1, row.antagonist_net_pC, row.antagonist_cut_short)
    unheard, late_ramp = demand(books, loop, memory, tick, row)
    unbelieved, stale = estimate(books, limits, memory, tick, row, pushing)
    called |= unheard | unbelieved | frozen(books, loop, memory, tick, row)
    life(books, loop, tick, row)
    stop(books, tick, row)
    latch(books, loop, memory, tick, row, called != 0 or stale)
    planned_stop(books, memory, tick, row)
    arming(books, limits, memory, tick, row, terms[1])
    soft_bound(books, loop, memory, tick, row)
    _judge_commands(books, limits, memory, tick, row, stale, late_ramp)


@step
def _pushes(memory: Memory, channel: int, motor_uA: int) -> bool:
    return bool(memory.channels[channel].admitted_uA >= max(motor_uA, 1))


@step
def _judge_commands(books: Books, limits: Bounds, memory: Memory, tick: Tick, row: Any, stale: bool, late: bool) -> None:  # fmt: skip
    altered = not tick.usable and not tick.late
    for channel in range(2):
        bounds = limits.channels[channel]
        ohm = row.agonist_contact_ohm if channel == 0 else row.antagonist_contact_ohm
        asked, got = wanted(memory, tick, row, channel), given(row, channel)
        altered = altered or asked != got
        if tick.was_open:
            asked_beyond(books, bounds, asked)
        minimal(books, limits.loop[0], tick, channel, asked, got)
        compliance(books, bounds, memory, tick, channel, asked, got, ohm)
        rise(books, bounds, memory, tick, channel, asked, got)
        ramps(books, bounds, memory, tick, channel, got.current_uA, row.state == STOPPING_STATE, stale, late)
    reported(books, tick, row, altered)
    shares(
        books,
        limits,
        tick,
        wanted(memory, tick, row, 0),
        wanted(memory, tick, row, 1),
        (row.agonist_uA, row.antagonist_uA),
    )


@step
def _note_row(memory: Memory, row: Any) -> None:
    """Remember what a row of the decision log leaves for the next one and for the pulses after it."""
    now = memory.loop[0]
    now.state, now.trip, now.trip_us, now.expires_us = row.state, row.trip, row.trip_us, row.expires_us
    now.seen_rows += 1
    now.decisions += 1
    for channel in range(2):
        own, got = memory.channels[channel], given(row, channel)
        own.admitted_uA, own.admitted_us, own.admitted_period_us = got.current_uA, got.width_us, got.period_us
        own.per_mille = row.agonist_contact_per_mille if channel == 0 else row.antagonist_contact_per_mille
