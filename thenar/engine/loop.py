"""A whole trial as one compiled next-event loop over the same steps that the event engine schedules.

The order of one instant is that of `thenar.shared.ticks.Phase`. The body is advanced once per instant, whatever meets
there: it is pushed by what held since the instant before.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.engine.desk import Desk
from thenar.engine.happenings import FAULT, NOTED_TARGETS, TARGET, note
from thenar.engine.instants import body_to, reading_arrives, sensor_reads, wearer_acts
from thenar.engine.rows import fault_instant, look, pulse_instant, tick_instant, write_row
from thenar.engine.trial import Trial
from thenar.plant_models.body import body_struck, store_body_state, unpack_body_params, unpack_body_state
from thenar.plant_models.estimator import DROPPED
from thenar.safety.edge import demand_from_numbers
from thenar.safety.inputs import LAW_FINE, LAW_LATE
from thenar.shared.by_address import ASKED_NUMBERS, call_step
from thenar.shared.compiled import entry, step
from thenar.shared.signals import SEEN_SIZE

FAR_US: Final = 2**62
"""Later than anything: nothing of this kind is to come."""
_LEAST_PULSE_GAP_US: Final = 10_000


class Timetable(NamedTuple):
    """When things are to happen, as far as it is known before the trial. Times in us, shapes (n,).

    `heard_*`: samples that aren't dropped; `arriving_*`: the same in the order in which they arrive.
    """

    end_us: int
    wearer_us: int
    control_us: int
    trace_us: int
    trace_rows: int
    target_us: NDArray[np.int64]
    target_N: NDArray[np.float64]
    heard_us: NDArray[np.int64]
    heard: NDArray[np.int64]
    arriving_us: NDArray[np.int64]
    arriving: NDArray[np.int64]


class Ask(NamedTuple):
    """What the loop needs to ask a law: its step (see `StepAt`), and room for what it sees and answers."""

    step: Any
    numbers: NDArray[np.float64]
    memory: NDArray[np.float64]
    seen: NDArray[np.float64]
    answer: NDArray[np.float64]


class Strikes(NamedTuple):
    """Pulses on their way to the muscles: a ring of times (us) and shares per channel, shapes (2, slots)."""

    t_us: NDArray[np.int64]
    shares: NDArray[np.float64]


def timetable(trial: Trial, desk: Desk) -> Timetable:
    """The timetable of a trial whose desk is laid."""
    clock, plan = trial.clock, desk.plan
    in_order = np.argsort(plan.arrives_us, kind="stable")
    fresh = plan.mode != DROPPED
    heard = np.flatnonzero(fresh & (plan.sampled_us <= trial.duration_us))
    arriving = in_order[fresh[in_order] & (plan.arrives_us[in_order] <= trial.duration_us)]
    return Timetable(
        trial.duration_us, clock.wearer_us, clock.control_us if trial.stimulated else 0, clock.trace_us,
        len(desk.trace_floats), trial.target_us, trial.target_N, plan.sampled_us[heard], heard,
        plan.arrives_us[arriving], arriving,
    )  # fmt: skip


def room_for_law(step_of_law: Any, numbers: NDArray[np.float64], memory: NDArray[np.float64]) -> Ask:
    """An `Ask` with room of its own."""
    return Ask(step_of_law, numbers, memory, np.zeros(SEEN_SIZE), np.zeros(ASKED_NUMBERS))


def room_for_strikes(desk: Desk) -> Strikes:
    """Slots for all pulses that can be under way at once."""
    slots = max(desk.strike_delay_us) // _LEAST_PULSE_GAP_US + 2
    return Strikes(np.full((2, slots), FAR_US, dtype=np.int64), np.zeros((2, slots)))


@step
def at_or_far(times_us: Any, place: int) -> int:
    """Entry `place` of a list of times, FAR_US past its end."""
    return int(times_us[place]) if place < times_us.size else FAR_US


@step
def ask_law(now: Any, desk: Any, ask: Any, t_us: int) -> int:
    """Fill the desk's `asked` with the law's answer; a latched loop asks for nothing, a stalled law says nothing.

    Returns LAW_FINE or LAW_LATE, or -1 when the law raised.
    """
    desk.asked[:] = 0
    if now.stalled != 0:
        return LAW_LATE
    if now.trip != 0:
        return LAW_FINE
    look(now, desk.admitted, t_us, ask.seen)
    answer = ask.answer
    answer[:] = math.nan
    if call_step(ask.step, ask.numbers, ask.memory, ask.seen, answer) != 0:
        return -1
    demand_from_numbers(desk.asked, answer[0], answer[1], answer[2], answer[3], answer[4], answer[5])
    return LAW_FINE


@entry
def run_loop(desk: Any, table: Any, ask: Any, strikes: Any) -> int:
    """Run a trial to its end on its desk (`Desk`, `Timetable`, `Ask`, `Strikes`). 0, or 1 when the law raised."""
    now = desk.live[0]
    params = unpack_body_params(desk.body_params)
    state = unpack_body_state(desk.body_state)
    plan = desk.plan
    few = table.target_us.size <= NOTED_TARGETS
    target, fault, tick, sample, arrival, row = 0, 0, 0, 0, 0, 0
    put = np.zeros(2, dtype=np.int64)
    taken = np.zeros(2, dtype=np.int64)
    slots = strikes.t_us.shape[1]
    target_us, fault_us = at_or_far(table.target_us, 0), at_or_far(desk.faults[:, 0], 0)
    sample_us, arrival_us = at_or_far(table.heard_us, 0), at_or_far(table.arriving_us, 0)
    wearer_us, trace_us = 0, 0
    control_us = 0 if table.control_us > 0 else FAR_US
    agonist_us, antagonist_us = FAR_US, FAR_US
    strike_us = FAR_US
    while True:
        outside_us = min(min(target_us, fault_us), min(sample_us, arrival_us))
        inside_us = min(min(wearer_us, trace_us), min(strike_us, control_us))
        t_us = min(min(outside_us, inside_us), min(agonist_us, antagonist_us))
        if t_us > table.end_us:
            break
        while target_us == t_us:
            now.target_N = table.target_N[target]
            if few:
                note(now, desk.happenings, t_us, TARGET, target)
            target += 1
            target_us = at_or_far(table.target_us, target)
        while fault_us == t_us:
            note(now, desk.happenings, t_us, FAULT, fault)
            if table.control_us > 0:
                fault_instant(
                    fault, t_us, desk.live, desk.faults, desk.fault_shares, desk.limits, desk.memory, desk.admitted,
                    desk.decisions, desk.happenings,
                )  # fmt: skip
            fault += 1
            fault_us = at_or_far(desk.faults[:, 0], fault)
        if t_us in (wearer_us, sample_us, strike_us, trace_us):
            state = body_to(now, params, state, t_us)
        if wearer_us == t_us:
            wearer_acts(
                tick, t_us, now, state.force_N, desk.wearer_params, desk.wearer_state, desk.delays, desk.history,
                desk.wearer_noise, desk.handling_N, desk.recorded_N,
            )  # fmt: skip
            tick += 1
            wearer_us += table.wearer_us
        if sample_us == t_us:
            sensor_reads(
                table.heard[sample], now, state.force_N, desk.estimator_params, desk.knots, plan.offset_N, plan.gain,
                plan.unit_noise, plan.mode, desk.readings,
            )  # fmt: skip
            sample += 1
            sample_us = at_or_far(table.heard_us, sample)
        while arrival_us == t_us:
            reading_arrives(table.arriving[arrival], now, desk.readings, plan.sampled_us)
            arrival += 1
            arrival_us = at_or_far(table.arriving_us, arrival)
        if strike_us == t_us:
            for channel in range(2):
                slot = taken[channel] % slots
                if strikes.t_us[channel, slot] == t_us:
                    state = body_struck(params, state, channel, strikes.shares[channel, slot])
                    strikes.t_us[channel, slot] = FAR_US
                    taken[channel] += 1
            strike_us = min(strikes.t_us[0, taken[0] % slots], strikes.t_us[1, taken[1] % slots])
        if control_us == t_us:
            law_fault = ask_law(now, desk, ask, t_us)
            if law_fault < 0:
                return 1
            due_us, other_due_us, _, _ = tick_instant(
                t_us, desk.live, desk.limits, desk.memory, desk.admitted, desk.asked, desk.senses, desk.counts,
                desk.decisions, desk.happenings, law_fault,
            )  # fmt: skip
            agonist_us = due_us if due_us >= 0 else FAR_US
            antagonist_us = other_due_us if other_due_us >= 0 else FAR_US
            control_us += table.control_us
        for channel in range(2):
            if (agonist_us if channel == 0 else antagonist_us) != t_us:
                continue
            share, due_us = pulse_instant(
                channel, t_us, desk.live, desk.limits, desk.memory, desk.admitted, desk.gate_out, desk.counts,
                desk.channels[channel], desk.pulses,
            )  # fmt: skip
            if channel == 0:
                agonist_us = due_us if due_us >= 0 else FAR_US
            else:
                antagonist_us = due_us if due_us >= 0 else FAR_US
            if share > 0.0:
                slot = put[channel] % slots
                strikes.t_us[channel, slot] = t_us + desk.strike_delay_us[channel]
                strikes.shares[channel, slot] = share
                put[channel] += 1
                strike_us = min(strike_us, strikes.t_us[channel, slot])
        # A pulse may strike at the very instant it leaves: then the trace waits for the next turn.
        if trace_us == t_us and strike_us != t_us:
            write_row(row, t_us, now, params, state, desk.memory, desk.admitted, desk.trace_floats, desk.trace_integers)
            row += 1
            trace_us = trace_us + table.trace_us if row < table.trace_rows else FAR_US
    store_body_state(desk.body_state, state)
    return 0
