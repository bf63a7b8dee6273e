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
from thenar.engine.instants import (
    body_to,
    reading_arrives,
    sensor_reads,
    unpack_estimator,
    unpack_wearer,
    wearer_acts,
)
from thenar.engine.rows import fault_instant, look, pulse, tick, write_row
from thenar.engine.trial import Trial
from thenar.plant_models.body import (
    BodyParams,
    BodyState,
    body_struck,
    store_body_state,
    unpack_body_params,
    unpack_body_state,
)
from thenar.plant_models.estimator import DROPPED, EstimatorParams
from thenar.plant_models.wearer import WearerParams
from thenar.safety.doors import trip_cause
from thenar.safety.edge import demand_from_numbers
from thenar.safety.inputs import LAW_FINE, LAW_LATE
from thenar.safety.limits import Limits, unpack_limits
from thenar.shared.by_address import ASKED_NUMBERS, call_step
from thenar.shared.compiled import entry, step
from thenar.shared.signals import SEEN_SIZE

FAR_US: Final = 2**62
"""Later than anything: nothing of this kind is to come."""
_LEAST_PULSE_GAP_US: Final = 10_000
_TARGET, _FAULT, _WEARER, _SAMPLE, _ARRIVAL, _STRIKE, _CONTROL, _PULSE, _TRACE = 0, 1, 2, 3, 4, 5, 6, 7, 9
KINDS: Final = 10
"""Kinds of event in the order of one instant; pulses have one for each channel."""


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


class Course(NamedTuple):
    """How far a trial has come. Shapes (KINDS,) by kind of event: when the next is due (us), how many have been.

    `strike_us` (us), `strike_shares`: rings of pulses on their way to the muscles, shapes (2, slots); `put`, `taken`:
    how many were laid in and taken out, shapes (2,).
    """

    due_us: NDArray[np.int64]
    been: NDArray[np.int64]
    strike_us: NDArray[np.int64]
    strike_shares: NDArray[np.float64]
    put: NDArray[np.int64]
    taken: NDArray[np.int64]


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


def course(desk: Desk) -> Course:
    """A course that has not begun, with slots for all pulses that can be under way at once."""
    slots = max(desk.strike_delay_us) // _LEAST_PULSE_GAP_US + 2
    none = np.zeros(2, dtype=np.int64)
    return Course(
        np.full(KINDS, FAR_US, dtype=np.int64), np.zeros(KINDS, dtype=np.int64),
        np.full((2, slots), FAR_US, dtype=np.int64), np.zeros((2, slots)), none, none.copy(),
    )  # fmt: skip


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
    if trip_cause(desk.memory) != 0:
        return LAW_FINE
    look(now, desk.admitted, t_us, ask.seen)
    answer = ask.answer
    answer[:] = math.nan
    if call_step(ask.step, ask.numbers, ask.memory, ask.seen, answer) != 0:
        return -1
    demand_from_numbers(desk.asked, answer[0], answer[1], answer[2], answer[3], answer[4], answer[5])
    return LAW_FINE


@step
def _begin(desk: Any, table: Any, course: Any) -> None:
    due_us = course.due_us
    due_us[_TARGET] = at_or_far(table.target_us, 0)
    due_us[_FAULT] = at_or_far(desk.faults[:, 0], 0)
    due_us[_WEARER] = 0
    due_us[_SAMPLE] = at_or_far(table.heard_us, 0)
    due_us[_ARRIVAL] = at_or_far(table.arriving_us, 0)
    due_us[_CONTROL] = 0 if table.control_us > 0 else FAR_US
    due_us[_TRACE] = 0


@step
def _outside(now: Any, desk: Any, table: Any, course: Any, t_us: int) -> None:
    """Targets and faults that are due."""
    due_us, been = course.due_us, course.been
    while due_us[_TARGET] == t_us:
        place = been[_TARGET]
        now.target_N = table.target_N[place]
        if table.target_us.size <= NOTED_TARGETS:
            note(now, desk.happenings, t_us, TARGET, place)
        been[_TARGET] = place + 1
        due_us[_TARGET] = at_or_far(table.target_us, place + 1)
    while due_us[_FAULT] == t_us:
        place = been[_FAULT]
        note(now, desk.happenings, t_us, FAULT, place)
        if table.control_us > 0:
            fault_instant(
                place, t_us, desk.live, desk.faults, desk.fault_shares, desk.limits, desk.memory, desk.admitted,
                desk.decisions, desk.happenings,
            )  # fmt: skip
        been[_FAULT] = place + 1
        due_us[_FAULT] = at_or_far(desk.faults[:, 0], place + 1)


@step
def _wearer_and_sensor(
    now: Any,
    desk: Any,
    wearer: WearerParams,
    estimator: EstimatorParams,
    table: Any,
    course: Any,
    force_N: float,
    t_us: int,
) -> None:
    """The wearer's tick, the sample and the arrivals that are due, at a true force in N."""
    due_us, been, plan = course.due_us, course.been, desk.plan
    if due_us[_WEARER] == t_us:
        wearer_acts(
            been[_WEARER], t_us, now, force_N, wearer, desk.wearer_state, desk.delays, desk.history,
            desk.wearer_noise, desk.handling_N, desk.recorded_N,
        )  # fmt: skip
        been[_WEARER] += 1
        due_us[_WEARER] = t_us + table.wearer_us
    if due_us[_SAMPLE] == t_us:
        place = been[_SAMPLE]
        sensor_reads(
            table.heard[place], now, force_N, estimator, desk.knots, plan.offset_N, plan.gain,
            plan.unit_noise, plan.mode, desk.readings,
        )  # fmt: skip
        been[_SAMPLE] = place + 1
        due_us[_SAMPLE] = at_or_far(table.heard_us, place + 1)
    while due_us[_ARRIVAL] == t_us:
        place = been[_ARRIVAL]
        reading_arrives(table.arriving[place], now, desk.readings, plan.sampled_us)
        been[_ARRIVAL] = place + 1
        due_us[_ARRIVAL] = at_or_far(table.arriving_us, place + 1)


@step
def _struck(params: BodyParams, state: BodyState, course: Any, t_us: int) -> BodyState:
    """The body after the pulses that reach their muscles now."""
    slots = course.strike_us.shape[1]
    first_us = FAR_US
    for channel in range(2):
        slot = course.taken[channel] % slots
        if course.strike_us[channel, slot] == t_us:
            state = body_struck(params, state, channel, course.strike_shares[channel, slot])
            course.strike_us[channel, slot] = FAR_US
            course.taken[channel] += 1
            slot = course.taken[channel] % slots
        first_us = min(first_us, course.strike_us[channel, slot])
    course.due_us[_STRIKE] = first_us
    return state


@step
def _control(now: Any, desk: Any, limits: Limits, table: Any, course: Any, ask: Any, t_us: int) -> bool:
    """A control tick. False when the law raised."""
    law_fault = ask_law(now, desk, ask, t_us)
    if law_fault < 0:
        return False
    agonist_us, antagonist_us = tick(
        t_us, now, limits, desk.memory, desk.admitted, desk.asked, desk.senses, desk.counts, desk.decisions,
        desk.happenings, law_fault,
    )  # fmt: skip
    course.due_us[_PULSE] = agonist_us if agonist_us >= 0 else FAR_US
    course.due_us[_PULSE + 1] = antagonist_us if antagonist_us >= 0 else FAR_US
    course.due_us[_CONTROL] = t_us + table.control_us
    return True


@step
def _pulse(now: Any, desk: Any, limits: Limits, course: Any, channel: int, t_us: int) -> None:
    """A pulse that is due on a channel: through the gate, and on its way to the muscle."""
    share, due_us = pulse(
        channel, t_us, now, limits, desk.memory, desk.admitted, desk.gate_out, desk.counts, desk.channels[channel],
        desk.pulses,
    )  # fmt: skip
    course.due_us[_PULSE + channel] = due_us if due_us >= 0 else FAR_US
    if share > 0.0:
        slot = course.put[channel] % course.strike_us.shape[1]
        strike_us = t_us + desk.strike_delay_us[channel]
        course.strike_us[channel, slot] = strike_us
        course.strike_shares[channel, slot] = share
        course.put[channel] += 1
        course.due_us[_STRIKE] = min(course.due_us[_STRIKE], strike_us)


@step
def _soonest(due_us: Any) -> int:
    t_us = FAR_US
    for kind in range(KINDS):
        t_us = min(t_us, due_us[kind])
    return t_us


@entry
def run_loop(desk: Any, table: Any, ask: Any, course: Any) -> int:
    """Run a trial to its end on its desk (`Desk`, `Timetable`, `Ask`, `Course`). 0, or 1 when the law raised."""
    now = desk.live[0]
    params = unpack_body_params(desk.body_params)
    # Nothing writes the limits while this runs: read once, a compiler may also reckon their mark once.
    limits = unpack_limits(desk.limits)
    wearer, estimator = unpack_wearer(desk.wearer_params), unpack_estimator(desk.estimator_params)
    state = unpack_body_state(desk.body_state)
    due_us = course.due_us
    _begin(desk, table, course)
    while True:
        t_us = _soonest(due_us)
        if t_us > table.end_us:
            break
        _outside(now, desk, table, course, t_us)
        if t_us in (due_us[_WEARER], due_us[_SAMPLE], due_us[_STRIKE], due_us[_TRACE]):
            state = body_to(now, params, state, t_us)
        _wearer_and_sensor(now, desk, wearer, estimator, table, course, state.force_N, t_us)
        if due_us[_STRIKE] == t_us:
            state = _struck(params, state, course, t_us)
        if due_us[_CONTROL] == t_us and not _control(now, desk, limits, table, course, ask, t_us):
            return 1
        for channel in range(2):
            if due_us[_PULSE + channel] == t_us:
                _pulse(now, desk, limits, course, channel, t_us)
        # A pulse may strike at the very instant it leaves: then the trace waits for the next turn.
        if due_us[_TRACE] == t_us and due_us[_STRIKE] != t_us:
            row = course.been[_TRACE]
            write_row(row, t_us, now, params, state, desk.memory, desk.admitted, desk.trace_floats, desk.trace_integers)
            course.been[_TRACE] = row + 1
            due_us[_TRACE] = t_us + table.trace_us if row + 1 < table.trace_rows else FAR_US
    store_body_state(desk.body_state, state)
    return 0
