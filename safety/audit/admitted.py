"""What was admitted at a tick against what was asked for, and the ramps: R17, R20, R22, R25, R30, R32, R36 to R38."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

from thenar.safety.audit.answers import Tick, must, on_channel
from thenar.safety.audit.books import Notes, Where, at_least, at_most, met
from thenar.safety.audit.checks import (
    R06,
    R07,
    R08_NARROW,
    R08_WIDE,
    R09,
    R10,
    R11,
    R17,
    R20_TICK,
    R20_WIDTH_TICK,
    R22_RAMP,
    R22_STOP,
    R23_FALL,
    R25,
    R30_RAMP,
    R32_RAMP,
    R36,
    R37_CURRENT,
    R37_PERIOD,
    R37_WIDTH,
    R38,
)
from thenar.safety.audit.memory import ADMITTED, LONG_AGO, Lines, keep_lowest
from thenar.shared.compiled import step_for_all as step

STOPPING = 2
ARMED = 1
RAN_OUT: Final = 1 << 22
STEADY_RULES: Final = sum(1 << (number - 1) for number in (6, 7, 9, 10, 11, 12, 16, 20, 23, 36))
"""Bits of R23, and of the rules that can't lower a current as long as the same width and period are asked for."""


class Given(NamedTuple):
    """One channel of a command: current in uA, width and period in us; all zero for nothing."""

    current_uA: int
    width_us: int
    period_us: int


@step
def given(row: Any, channel: int) -> Given:
    """What the row admitted on a channel."""
    if channel == 0:
        return Given(row.agonist_uA, row.agonist_width_us, row.agonist_period_us)
    return Given(row.antagonist_uA, row.antagonist_width_us, row.antagonist_period_us)


@step
def wanted(own: Any, tick: Tick, row: Any, channel: int) -> Given:
    """What may be given at most: the demand, what was last admitted while the law is late, else nothing."""
    if tick.late:
        return Given(own.admitted_uA, own.admitted_us, own.admitted_period_us)
    asked = Given(row.agonist_asked_uA, row.agonist_asked_width_us, row.agonist_asked_period_us)
    if channel == 1:
        asked = Given(row.antagonist_asked_uA, row.antagonist_asked_width_us, row.antagonist_asked_period_us)
    if not tick.usable or min(asked.current_uA, asked.width_us, asked.period_us) == 0:
        return Given(0, 0, 0)
    return asked


@step
def asked_beyond(notes: Notes, limits: Any, asked: Given) -> None:
    """Count the ticks at which a ceiling had something to say about what was asked for."""
    charge_pC = asked.current_uA * asked.width_us
    if asked.current_uA > limits.peak_uA:
        met(notes, R06)
    if asked.current_uA > limits.ceiling_uA:
        met(notes, R07)
    if asked.width_us > limits.width_max_us:
        met(notes, R08_WIDE)
    if 0 < asked.width_us < limits.width_min_us:
        met(notes, R08_NARROW)
    if charge_pC > limits.charge_pC:
        met(notes, R09)
    if charge_pC > limits.density_charge_pC:
        met(notes, R10)
    if 0 < asked.period_us < limits.period_min_us:
        met(notes, R11)


@step
def minimal(notes: Notes, loop: Any, tick: Tick, channel: int, asked: Given, got: Given) -> None:
    """R36 and R37: on the device step, and never more than asked on any axis."""
    where = on_channel(tick, channel)
    if got.current_uA > 0 or (asked.current_uA > 0 and tick.was_open):
        met(notes, R37_CURRENT)
        at_most(notes, R37_CURRENT, where, got.current_uA, asked.current_uA)
    if got.current_uA == 0:
        return
    met(notes, R37_WIDTH)
    met(notes, R37_PERIOD)
    met(notes, R36)
    at_most(notes, R37_WIDTH, where, got.width_us, asked.width_us)
    at_least(notes, R37_PERIOD, where, got.period_us, asked.period_us)
    at_most(notes, R36, where, got.current_uA % max(loop.device_step_uA, 1), 0)


@step
def compliance(
    notes: Notes, limits: Any, loop: Any, own: Any, tick: Tick, channel: int, asked: Given, got: Given, ohm: int
) -> None:
    """R17: the voltage of an admitted current; remembers whether compliance lowered it."""
    own.lowered = 0
    if ohm <= 0:
        return
    beyond = asked.current_uA > limits.compliance_uV // ohm
    if beyond and tick.was_open:
        met(notes, R17)
    # One device step more would be too much: then it is compliance, and no tighter rule, that holds it down.
    one_more_uA = got.current_uA + max(loop.device_step_uA, 1)
    own.lowered = 1 if beyond and got.current_uA > 0 and one_more_uA * ohm > limits.compliance_uV else 0
    if got.current_uA > 0:
        at_most(notes, R17, on_channel(tick, channel), got.current_uA * ohm, limits.compliance_uV)


@step
def rise(notes: Notes, limits: Any, own: Any, tick: Tick, channel: int, asked: Given, got: Given) -> None:
    """R20 from tick to tick: no more than one control period's rise over what was admitted before.

    The first step may always be taken, and the width is free as long as no more than that is given.
    """
    where = on_channel(tick, channel)
    top_uA = max(limits.first_step_uA, own.admitted_uA + limits.rise_uA)
    top_us = own.admitted_us + limits.width_rise_us
    started = own.admitted_uA > limits.first_step_uA and got.current_uA > limits.first_step_uA
    if tick.was_open and asked.current_uA > top_uA:
        met(notes, R20_TICK)
    if tick.was_open and started and asked.width_us > top_us:
        met(notes, R20_WIDTH_TICK)
    if got.current_uA == 0:
        return
    at_most(notes, R20_TICK, where, got.current_uA, top_uA)
    if started:
        at_most(notes, R20_WIDTH_TICK, where, got.width_us, top_us)


@step
def shares(
    notes: Notes, caps: tuple[int, int], room: int, tick: Tick, agonist: Given, antagonist: Given, got: tuple[int, int]
) -> None:
    """R25: both currents as shares of their ceilings (`caps`), in whole per mille rounded up, at most `room`."""
    agonist_cap, antagonist_cap = caps
    product = agonist_cap * antagonist_cap
    if tick.was_open and agonist.current_uA > 0 and antagonist.current_uA > 0:
        wish = (
            min(agonist.current_uA, agonist_cap) * antagonist_cap
            + min(antagonist.current_uA, antagonist_cap) * agonist_cap
        )
        if 1_000 * wish > room * product:
            met(notes, R25)
    if got[0] > 0 and got[1] > 0:
        sum_per_mille = -(-1_000 * (got[0] * antagonist_cap + got[1] * agonist_cap) // product)
        at_most(notes, R25, tick.where, sum_per_mille, room)


@step
def _line(
    notes: Notes, check: int, where: Where, from_uA: int, ramp_us: int, since_us: int, before_uA: int, got_uA: int
) -> None:
    """A ramp to zero: never above the straight line from where it began, and never up again."""
    met(notes, check)
    left_us = max(ramp_us - (where.t_us - since_us), 0)
    at_most(notes, check, where, got_uA, min(from_uA * min(left_us, ramp_us) // max(ramp_us, 1), before_uA))


@step
def _running(own: Any, t_us: int) -> tuple[int, int]:
    """When the ramp that still ran at the tick before began, and from what; now and from what is admitted, if none.

    One ramp called for by one rule after another is one ramp: it goes on along its line.
    """
    since_us, from_uA = t_us, own.admitted_uA
    if own.ramp22_us != LONG_AGO and own.ramp22_us < since_us:
        since_us, from_uA = own.ramp22_us, own.ramp22_uA
    if own.ramp30_us != LONG_AGO and own.ramp30_us < since_us:
        since_us, from_uA = own.ramp30_us, own.ramp30_uA
    if own.ramp32_us != LONG_AGO and own.ramp32_us < since_us:
        since_us, from_uA = own.ramp32_us, own.ramp32_uA
    return since_us, from_uA


@step
def ramps(
    notes: Notes, limits: Any, own: Any, tick: Tick, channel: int, got_uA: int, stopping: bool, stale: bool, late: bool
) -> None:
    """R22, R30 and R32: each ramp from what was admitted at the tick before it was first called for by any of them."""
    where = on_channel(tick, channel)
    since_us, from_uA = _running(own, where.t_us)
    if not (tick.is_open and stopping):
        own.ramp22_us = LONG_AGO
    else:
        if own.ramp22_us == LONG_AGO:
            own.ramp22_us, own.ramp22_uA = since_us, from_uA
        _line(notes, R22_RAMP, where, own.ramp22_uA, limits.ramp_us, own.ramp22_us, own.admitted_uA, got_uA)
    if not (tick.is_open and stale):
        own.ramp30_us = LONG_AGO
    else:
        if own.ramp30_us == LONG_AGO:
            own.ramp30_us, own.ramp30_uA = since_us, from_uA
        _line(notes, R30_RAMP, where, own.ramp30_uA, limits.ramp_us, own.ramp30_us, own.admitted_uA, got_uA)
    if not (tick.is_open and late):
        own.ramp32_us = LONG_AGO
    else:
        if own.ramp32_us == LONG_AGO:
            own.ramp32_us, own.ramp32_uA = since_us, from_uA
        _line(notes, R32_RAMP, where, own.ramp32_uA, limits.ramp_us, own.ramp32_us, own.admitted_uA, got_uA)


@step
def on_time_ends(
    notes: Notes, limits: Any, loop: Any, now: Any, own: Any, lines: Lines, tick: Tick, row: Any, channel: int,
    asked: Given, got: Given,
) -> None:  # fmt: skip
    """R23: where nothing but the on-time's end lowers a current, it falls no faster than the ramp of R22.

    That ramp began within its own length, from no more than the highest current since then; both currents are rounded
    down to the device step. A command that has expired is silent already: nothing is left to bring down.
    """
    where = on_channel(tick, channel)
    highest_uA = -keep_lowest(
        lines, ADMITTED + channel, where.t_us, -own.admitted_uA, limits.ramp_us + 3 * loop.control_period_us
    )
    same = asked.width_us == own.asked_us and asked.period_us == own.asked_period_us
    own.asked_us, own.asked_period_us = asked.width_us, asked.period_us
    alone = row.reasons & RAN_OUT != 0 and row.reasons | STEADY_RULES == STEADY_RULES
    if not (alone and same and row.state == ARMED and asked.current_uA >= own.admitted_uA > got.current_uA):
        return
    if where.t_us > now.expires_us:
        return
    met(notes, R23_FALL)
    step_uA = highest_uA * (where.t_us - now.t_us) // max(limits.ramp_us, 1) + 1 + loop.device_step_uA
    at_most(notes, R23_FALL, where, own.admitted_uA - got.current_uA, step_uA)
    if got.current_uA == 0:
        own.ran_out = 1


@step
def planned_stop(notes: Notes, agonist: Any, antagonist: Any, tick: Tick, row: Any) -> None:
    """R22: arm released while open begins a ramp; without anything to bring down the loop is shut at once."""
    if not tick.was_open or row.arm != 0 or row.stop != 0 or row.trip != 0:
        return
    running = agonist.admitted_uA > 0 or antagonist.admitted_uA > 0
    must(notes, R22_STOP, tick, -1, row.state == STOPPING if running else row.state != ARMED)


@step
def reported(notes: Notes, tick: Tick, row: Any, altered: bool) -> None:
    """R38: what was altered has a reason."""
    if altered:
        must(notes, R38, tick, -1, row.reasons != 0)
