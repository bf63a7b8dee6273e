"""All that a control tick finds wrong, before anything is decided: one verdict from every judge."""

from __future__ import annotations

from typing import NamedTuple

from thenar.safety.arming import Findings
from thenar.safety.balance import judge_balance
from thenar.safety.inputs import Asked, Senses
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits, limits_mark
from thenar.safety.memory import (
    DISARMED,
    NEVER,
    BalanceMemory,
    CommandMemory,
    ContactMemory,
    EstimateMemory,
    Latch,
    Memory,
)
from thenar.safety.plausibility import judge_contact, judge_estimate
from thenar.safety.reasons import R24, R35, R39
from thenar.safety.validity import judge_clock, judge_demand
from thenar.shared.compiled import step


class Judged(NamedTuple):
    """Findings of one tick, and what the judges remember. `soft` is 1 above the soft force bound (R31)."""

    findings: Findings
    soft: int
    estimate: EstimateMemory
    agonist_contact: ContactMemory
    antagonist_contact: ContactMemory
    agonist_balance: BalanceMemory
    antagonist_balance: BalanceMemory
    heard_us: int
    faults: int
    mark: int


@step
def judge(limits: Limits, memory: Memory, demand: Asked, senses: Senses, t_us: int, now_us: int) -> Judged:
    """Clock, demand, law, estimate, force, contact and session. `t_us`: as handed in; `now_us`: in its range."""
    loop = limits.loop
    agonist_contact, agonist_bad = judge_contact(
        limits.agonist, loop, memory.agonist.contact, senses.agonist_contact_ohm, now_us
    )
    antagonist_contact, antagonist_bad = judge_contact(
        limits.antagonist, loop, memory.antagonist.contact, senses.antagonist_contact_ohm, now_us
    )
    agonist_balance, agonist_uneven = judge_balance(
        limits.agonist,
        memory.agonist.balance,
        memory.agonist.train.total_pC,
        senses.agonist_net_pC,
        senses.agonist_cut_short,
        loop.short_window_us,
        now_us,
    )
    antagonist_balance, antagonist_uneven = judge_balance(
        limits.antagonist,
        memory.antagonist.balance,
        memory.antagonist.train.total_pC,
        senses.antagonist_net_pC,
        senses.antagonist_cut_short,
        loop.short_window_us,
        now_us,
    )
    pulse_us = max(memory.agonist.train.pulse_us, memory.antagonist.train.pulse_us)
    clock = judge_clock(loop, memory.loop, pulse_us, t_us)
    heard_us, faults, answer = judge_demand(loop, memory.loop, demand, senses, memory.latch.state, now_us)
    pushing = _pushes(limits.agonist, memory.agonist.command) or _pushes(limits.antagonist, memory.antagonist.command)
    estimate, verdict = judge_estimate(loop, memory.estimate, senses, pushing, memory.latch.state, now_us)
    mark = limits_mark(limits)
    session = _session_trips(loop, memory.latch, mark, now_us)
    findings = Findings(
        clock.withhold | answer.withhold | agonist_uneven.withhold | antagonist_uneven.withhold,
        answer.ramp | verdict.ramp,
        clock.trip
        | answer.trip
        | verdict.trip
        | agonist_bad
        | antagonist_bad
        | agonist_uneven.trip
        | antagonist_uneven.trip
        | session,
    )
    return Judged(
        findings,
        verdict.soft,
        estimate,
        agonist_contact,
        antagonist_contact,
        agonist_balance,
        antagonist_balance,
        heard_us,
        faults,
        mark,
    )


@step
def _pushes(limits: ChannelLimits, command: CommandMemory) -> bool:
    """Whether the channel delivers enough that the muscle must answer."""
    return command.current_uA >= max(limits.motor_uA, 1)


@step
def _session_trips(loop: LoopLimits, latch: Latch, mark: int, t_us: int) -> int:
    """The session's end (R24), limits that changed since arming (R35), a packed call that broke off (R39)."""
    trip = 0
    if latch.session_us != NEVER and t_us - latch.session_us >= loop.session_us:
        trip |= R24
    if mark != latch.mark and latch.armed_us != NEVER and (latch.state != DISARMED or latch.trip != 0):
        trip |= R35
    if latch.busy > 1:
        trip |= R39
    return trip
