"""The walk through both logs in the order of delivery: each decision, then the pulses that came after it."""

from __future__ import annotations

from typing import Any, Final

from numpy.typing import NDArray

from thenar.safety.audit.admitted import (
    asked_beyond,
    compliance,
    given,
    minimal,
    on_time_ends,
    planned_stop,
    ramps,
    reported,
    rise,
    shares,
    wanted,
)
from thenar.safety.audit.answers import Tick, tick_of
from thenar.safety.audit.books import Books, Notes, Where, at_least, at_most, enter, met
from thenar.safety.audit.checks import (
    R03_AGE,
    R03_GAP,
    R05_PULSE,
    R17_ROW,
    R34_PULSE,
    R37_PULSE,
    R37_PULSE_WIDTH,
    R37_SPACING,
)
from thenar.safety.audit.conduct import arming, clock, demand, frozen, latch, life, stop
from thenar.safety.audit.memory import LONG_AGO, BoundArrays, Memory, begin_trial, full
from thenar.safety.audit.owed import command_ends_us, counted, decided, missed, same
from thenar.safety.audit.pulses import delivered, measured, note_pulse, rises, session, single_pulse, spacing, windows
from thenar.safety.audit.senses import balance, contact, estimate, forget, soft_bound
from thenar.shared.compiled import entry
from thenar.shared.compiled import step_for_all as step

STOPPING: Final = 2


@entry
def walk(
    limits: BoundArrays,
    terms: NDArray[Any],
    books: Books,
    notes: Notes,
    memory: Memory,
    pulses: NDArray[Any],
    decisions: NDArray[Any],
    at: NDArray[Any],
) -> bool:
    """Judge both logs from the places in `at[:2]` on (moved forward). False when the memory needs room first.

    `at`: shape (4,). True with a log left over means that the other one is used up and `at[2]` (pulses) or `at[3]`
    (decisions) says that more of it will come. `terms`: (1 when there is a decision log, mark of the limits or 0, 1
    when pulses are reconciled with commands). `pulses`, `decisions`: records in order of trial, then of delivery.
    """
    now = memory.loop[0]
    while at[0] < len(pulses) or at[1] < len(decisions):
        if (at[0] == len(pulses) and at[2] == 1) or (at[1] == len(decisions) and at[3] == 1):
            return True
        decided = at[0] == len(pulses)
        if not decided and at[1] < len(decisions):
            decided = _decision_first(now, pulses[at[0]], decisions[at[1]])
        if decided:
            row = decisions[at[1]]
            if row.trial != now.trial:
                begin_trial(memory, row.trial)
            _judge_decision(notes, limits, memory, row, terms)
            at[1] += 1
        else:
            if full(memory):
                return False
            pulse = pulses[at[0]]
            if pulse.trial != now.trial:
                begin_trial(memory, pulse.trial)
            _judge_pulse(notes, limits, memory, pulse, terms)
            at[0] += 1
        enter(books, notes)
    return True


@step
def _decision_first(now: Any, pulse: Any, row: Any) -> bool:
    """Whether a decision comes before a pulse: by the count of decisions where it is given, else by time."""
    if row.trial != pulse.trial:
        return bool(row.trial < pulse.trial)
    if pulse.decisions_before < 0:
        return bool(row.t_us <= pulse.t_us)
    seen = now.seen_rows if now.trial == row.trial else 0
    return bool(seen < pulse.decisions_before)


@step
def _judge_pulse(notes: Notes, limits: BoundArrays, memory: Memory, pulse: Any, terms: NDArray[Any]) -> None:
    where = Where(pulse.trial, pulse.t_us, pulse.channel)
    now, loop, bounds = memory.loop[0], limits.loop[0], limits.channels[pulse.channel]
    own, other = memory.channels[pulse.channel], memory.channels[1 - pulse.channel]
    logged, reconciled = terms[0] == 1, terms[2] == 1
    if reconciled:
        _judge_owed(notes, limits, memory, pulse.t_us)
    single_pulse(notes, bounds, loop, where, pulse.current_uA, pulse.width_us)
    spacing(notes, bounds, loop, own, other, where)
    session(notes, loop, now, where, logged)
    windows(notes, bounds, loop, own, memory.past[pulse.channel], where, pulse)
    rises(notes, bounds, loop, own, now, where, pulse)
    delivered(notes, bounds, loop, own, now, where, pulse)
    measured(notes, own, where, pulse, bounds.net_per_mille, logged)
    if logged:
        _under_command(notes, loop, now, own, where, pulse)
    if reconciled:
        same(notes, loop, own, where, pulse)
        charge_pC = 2 * pulse.current_uA * pulse.width_us
        counted(loop, own, memory.past[pulse.channel], where, charge_pC, charge_pC * pulse.current_uA)
    else:
        own.bucket_at = own.end_at
    note_pulse(own, now, where, pulse)
    now.pulses += 1


@step
def _judge_owed(notes: Notes, limits: BoundArrays, memory: Memory, end_us: int) -> None:
    """Whatever either channel owed before `end_us`."""
    now, loop = memory.loop[0], limits.loop[0]
    agonist, antagonist = memory.channels[0], memory.channels[1]
    missed(notes, limits.channels[0], loop, now, agonist, antagonist, memory.past[0], 0, end_us)
    missed(notes, limits.channels[1], loop, now, antagonist, agonist, memory.past[1], 1, end_us)


@entry
def close(limits: BoundArrays, terms: NDArray[Any], books: Books, notes: Notes, memory: Memory, end_us: int) -> None:
    """The end of a trial, `end_us`: what was owed up to it, and whether the ticks went on until then."""
    now = memory.loop[0]
    if terms[0] != 1 or terms[2] != 1 or now.ticked == 0 or now.state == 0 or now.trip != 0:
        return
    _judge_owed(notes, limits, memory, end_us + 1)
    at_most(notes, R03_GAP, Where(now.trial, end_us, -1), end_us - now.t_us, limits.loop[0].tick_max_us)
    enter(books, notes)


@step
def _under_command(notes: Notes, loop: Any, now: Any, own: Any, where: Where, pulse: Any) -> None:
    """R03, R05, R17, R34, R37: a pulse leaves only under a living command of an open loop, and is no more than it."""
    if now.trip != 0:
        at_most(notes, R34_PULSE, where, max(where.t_us - now.trip_us, 1), 0)
        return
    if now.state == 0:
        at_most(notes, R05_PULSE, where, pulse.current_uA, 0)
        return
    met(notes, R37_PULSE)
    met(notes, R37_PULSE_WIDTH)
    at_most(notes, R37_PULSE, where, pulse.current_uA, own.admitted_uA)
    at_most(notes, R37_PULSE_WIDTH, where, pulse.width_us, own.admitted_us)
    if own.pulse_us != LONG_AGO and own.admitted_uA > 0:
        met(notes, R37_SPACING)
        at_least(notes, R37_SPACING, where, where.t_us - own.pulse_us, own.admitted_period_us)
    age_us, life_us = where.t_us - now.t_us, now.expires_us - now.t_us
    if age_us * 10 >= life_us * 9:
        met(notes, R03_AGE)
    at_most(notes, R03_AGE, where, age_us, life_us - 1)
    own.lowered_pulses = own.lowered_pulses + 1 if own.lowered == 1 else 0
    if own.lowered == 1:
        met(notes, R17_ROW)
        at_most(notes, R17_ROW, where, own.lowered_pulses, loop.saturated_pulses)


@step
def _judge_decision(notes: Notes, limits: BoundArrays, memory: Memory, row: Any, terms: NDArray[Any]) -> None:
    now = memory.loop[0]
    if terms[2] == 1:
        _judge_owed(notes, limits, memory, command_ends_us(now, row))
    tick = tick_of(now, row)
    if row.kind != 0:
        stop(notes, tick, row)
        latch(notes, limits.loop[0], now, tick, row, False)
    else:
        _judge_tick(notes, limits, memory, tick, row, terms)
        now.t_us, now.ticked = row.t_us, 1
        decided(now, memory.channels[0], row.agonist_uA)
        decided(now, memory.channels[1], row.antagonist_uA)
    _note_row(now, memory.channels[0], memory.channels[1], row)


@step
def _judge_tick(notes: Notes, limits: BoundArrays, memory: Memory, tick: Tick, row: Any, terms: NDArray[Any]) -> None:
    now, loop = memory.loop[0], limits.loop[0]
    agonist, antagonist = memory.channels[0], memory.channels[1]
    pushing = (
        agonist.admitted_uA >= max(limits.channels[0].motor_uA, 1)
        or antagonist.admitted_uA >= max(limits.channels[1].motor_uA, 1)
    )  # fmt: skip
    called = clock(notes, loop, now, tick)
    called |= _judge_pads(notes, limits, memory, tick, row)
    unheard, late = demand(notes, loop, now, tick, row)
    unbelieved, stale = estimate(notes, loop, now, memory.lines, tick, row, pushing)
    called |= unheard | unbelieved | frozen(notes, loop, now, tick, row)
    life(notes, loop, tick, row)
    stop(notes, tick, row)
    latch(notes, loop, now, tick, row, called != 0 or stale)
    planned_stop(notes, agonist, antagonist, tick, row)
    arming(notes, limits.channels[0], limits.channels[1], loop, now, tick, row, terms[1])
    soft_bound(notes, loop, agonist, tick, row)
    altered = _judge_command(notes, limits.channels[0], loop, memory, tick, row, 0, stale, late)
    altered |= _judge_command(notes, limits.channels[1], loop, memory, tick, row, 1, stale, late)
    reported(notes, tick, row, altered or (not tick.usable and not tick.late))
    caps = (
        max(min(limits.channels[0].peak_uA, limits.channels[0].ceiling_uA), 1),
        max(min(limits.channels[1].peak_uA, limits.channels[1].ceiling_uA), 1),
    )
    wishes = wanted(agonist, tick, row, 0), wanted(antagonist, tick, row, 1)
    got = (row.agonist_uA, row.antagonist_uA)
    shares(notes, caps, loop.summed_share_per_mille, tick, wishes[0], wishes[1], got)


@step
def _judge_pads(notes: Notes, limits: BoundArrays, memory: Memory, tick: Tick, row: Any) -> int:
    loop, agonist, antagonist = limits.loop[0], memory.channels[0], memory.channels[1]
    called = 0
    if row.agonist_contact_ohm < 0:
        forget(memory.lines, 0)
    else:
        called |= contact(notes, limits.channels[0], loop, memory.lines, tick, 0, row.agonist_contact_ohm)
    if row.antagonist_contact_ohm < 0:
        forget(memory.lines, 1)
    else:
        called |= contact(notes, limits.channels[1], loop, memory.lines, tick, 1, row.antagonist_contact_ohm)
    near, far = limits.channels[0], limits.channels[1]
    called |= balance(notes, near, agonist, memory.lines, tick, 0, row.agonist_net_pC, row.agonist_cut_short)
    return called | balance(
        notes, far, antagonist, memory.lines, tick, 1, row.antagonist_net_pC, row.antagonist_cut_short
    )


@step
def _judge_command(
    notes: Notes, limits: Any, loop: Any, memory: Memory, tick: Tick, row: Any, channel: int, stale: bool, late: bool
) -> bool:
    """Everything on one channel of an admitted command. Returns whether it differs from what was wanted."""
    own = memory.channels[channel]
    asked, got = wanted(own, tick, row, channel), given(row, channel)
    ohm = row.agonist_contact_ohm if channel == 0 else row.antagonist_contact_ohm
    if tick.was_open:
        asked_beyond(notes, limits, asked)
    minimal(notes, loop, tick, channel, asked, got)
    compliance(notes, limits, loop, own, tick, channel, asked, got, ohm)
    rise(notes, limits, own, tick, channel, asked, got)
    ramps(notes, limits, own, tick, channel, got.current_uA, row.state == STOPPING, stale, late)
    on_time_ends(notes, limits, loop, memory.loop[0], own, memory.lines, tick, row, channel, asked, got)
    return bool(asked != got)


@step
def _note_row(now: Any, agonist: Any, antagonist: Any, row: Any) -> None:
    """Remember what a row of the decision log leaves for the next one and for the pulses after it."""
    now.state, now.trip, now.trip_us, now.expires_us = row.state, row.trip, row.trip_us, row.expires_us
    now.seen_rows += 1
    now.decisions += 1
    agonist.admitted_uA, agonist.admitted_us = row.agonist_uA, row.agonist_width_us
    agonist.admitted_period_us, agonist.per_mille = row.agonist_period_us, row.agonist_contact_per_mille
    antagonist.admitted_uA, antagonist.admitted_us = row.antagonist_uA, row.antagonist_width_us
    antagonist.admitted_period_us, antagonist.per_mille = row.antagonist_period_us, row.antagonist_contact_per_mille
