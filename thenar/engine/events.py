"""The event engine: one trial as SimPy processes over compiled instants, in the fixed order of `Phase`.

Any Python object that keeps the law contract can be plugged in. The only way to the muscles leads through
`safety.doors`: the control tick hands the law's answer to the interlock, pulses ask the gate.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator
from contextlib import contextmanager
from typing import Any, Final

import numpy as np
import simpy
from numpy.typing import NDArray
from simpy.events import Event

from thenar.controller.registry import TRUSTED, where_runs
from thenar.engine.control import Loop
from thenar.engine.desk import Desk, lay_desk
from thenar.engine.happenings import FAULT, NOTED_TARGETS, TARGET, told
from thenar.engine.instants import strike, take_arrival, take_sample, wearer_tick
from thenar.engine.records import as_result
from thenar.engine.result import TrialResult
from thenar.engine.rows import pulse_instant, trace_row
from thenar.engine.trial import Trial, law_of
from thenar.plant_models.estimator import DROPPED
from thenar.shared.foreign import overrun_watch
from thenar.shared.signals import AGONIST, ANTAGONIST
from thenar.shared.ticks import Phase

Happening = Generator[Event, Any, None]
_ORDERS: Final = 4


class Due(Event):
    """An event that is sure to come after `delay_us` us, in its phase; `order` (0..3) ranks those of one phase.

    SimPy's own Timeout has no priority; this is its constructor with one.
    """

    def __init__(self, env: simpy.Environment, delay_us: int, phase: int, order: int = 0) -> None:
        self.env = env
        self.callbacks = []
        self._value = None
        self._ok = True
        self._defused = False
        env.schedule(self, phase * _ORDERS + order, delay_us)  # type: ignore[arg-type]


class EventTrial:
    """One trial on its way: the desk, the loop around the law, and the SimPy processes that move them."""

    def __init__(self, trial: Trial, desk: Desk | None = None, law: Any = None) -> None:
        """`desk` and `law` replace what the trial would lay and build (for tests and for pacing)."""
        self.trial = trial
        self.desk = lay_desk(trial) if desk is None else desk
        self.env = simpy.Environment()
        self.occurrences: list[dict[str, object]] = []
        self.loop: Loop | None = None
        if trial.stimulated:
            law = law_of(trial) if law is None else law
            self.loop = Loop(trial, self.desk, law, self.note)
        self._due_us = [-1, -1]
        self._begin()

    def run(self) -> TrialResult:
        """Run to the end and hand over what was recorded."""
        try:
            with self.law_watched():
                self.env.run()
        finally:
            self.close()
        return self.result()

    def close(self) -> None:
        """Let go of the law."""
        if self.loop is not None:
            self.loop.close()

    @contextmanager
    def law_watched(self) -> Iterator[None]:
        """While open, a law that is not ours is interrupted when it overruns, where that is possible."""
        with overrun_watch() as possible:
            if self.loop is not None:
                self.loop.watched = possible and where_runs(self.trial.law, self.trial.trust_law) == TRUSTED
            yield

    def result(self) -> TrialResult:
        """What was recorded, of a trial that has run to its end."""
        return as_result(self.trial, self.desk, self.occurrences)

    @property
    def now_us(self) -> int:
        """Time since the trial began, us."""
        return int(self.env.now)

    def note(self, t_us: object, kind: object, **more: object) -> None:
        """Add to the list of events."""
        self.occurrences.append({"t_us": t_us, "kind": kind, **more})

    def _begin(self) -> None:
        processes = [self._target(), self._faults(), self._wearer(), self._samples(), self._arrivals(), self._trace()]
        if self.loop is not None:
            processes.append(self._control(self.loop))
        for process in processes:
            self.env.process(process)

    def _target(self) -> Happening:
        live = self.desk.live
        few = self.trial.target_us.size <= NOTED_TARGETS
        for place, t_us in enumerate(self.trial.target_us.tolist()):
            yield Due(self.env, t_us - self.now_us, Phase.TARGET)
            live["target_N"] = self.trial.target_N[place]
            if few:
                self.note(**told(self.trial, [t_us, TARGET, place]))

    def _faults(self) -> Happening:
        d = self.desk
        for place, t_us in enumerate(d.faults[:, 0].tolist()):
            yield Due(self.env, t_us - self.now_us, Phase.TARGET, 1)
            self.note(**told(self.trial, [t_us, FAULT, place]))
            if self.loop is not None:
                self.loop.fault(place, t_us)

    def _wearer(self) -> Happening:
        d, env, period_us = self.desk, self.env, self.trial.clock.wearer_us
        wait_us = 0
        for tick in range(self.trial.wearer_ticks):
            yield Due(env, wait_us, Phase.WEARER)
            wait_us = period_us
            wearer_tick(
                tick, tick * period_us, d.live, d.body_params, d.body_state, d.wearer_params, d.wearer_state,
                d.delays, d.history, d.wearer_noise, d.handling_N, d.recorded_N,
            )  # fmt: skip

    def _samples(self) -> Happening:
        d, plan, env = self.desk, self.desk.plan, self.env
        before_us = 0
        for index, t_us in self._heard(plan.sampled_us, range(plan.sampled_us.size)):
            yield Due(env, t_us - before_us, Phase.SAMPLE)
            before_us = t_us
            take_sample(
                index, t_us, d.live, d.body_params, d.body_state, d.estimator_params, d.knots,
                plan.offset_N, plan.gain, plan.unit_noise, plan.mode, d.readings,
            )  # fmt: skip

    def _arrivals(self) -> Happening:
        d, plan, env = self.desk, self.desk.plan, self.env
        before_us = 0
        in_order = np.argsort(plan.arrives_us, kind="stable").tolist()
        for index, t_us in self._heard(plan.arrives_us, in_order):
            yield Due(env, t_us - before_us, Phase.ARRIVAL)
            before_us = t_us
            take_arrival(index, d.live, d.readings, plan.sampled_us)

    def _heard(self, times_us: NDArray[np.int64], indices: Iterable[int]) -> list[tuple[int, int]]:
        """(sample, its time in us) for samples that are not dropped and fall within the trial."""
        dropped = (self.desk.plan.mode == DROPPED).tolist()
        times = times_us.tolist()
        end_us = self.trial.duration_us
        return [(index, times[index]) for index in indices if not dropped[index] and times[index] <= end_us]

    def _control(self, loop: Loop) -> Happening:
        env, due_us, period_us = self.env, self._due_us, self.trial.clock.control_us
        wait_us = 0
        for t_us in range(0, self.trial.duration_us + 1, period_us):
            yield Due(env, wait_us, Phase.CONTROL)
            wait_us = period_us
            pulses_us = loop.tick(t_us)
            if pulses_us is None:
                continue
            agonist_us, antagonist_us = pulses_us
            if agonist_us != due_us[AGONIST]:
                self._arrange_pulse(loop, AGONIST, t_us, agonist_us)
            if antagonist_us != due_us[ANTAGONIST]:
                self._arrange_pulse(loop, ANTAGONIST, t_us, antagonist_us)

    def _arrange_pulse(self, loop: Loop, channel: int, t_us: int, due_us: int) -> None:
        """Have the channel's next pulse come when the gate says it may; an earlier arrangement is void."""
        self._due_us[channel] = due_us
        if 0 <= due_us <= self.trial.duration_us:
            event = Due(self.env, max(0, due_us - t_us), Phase.PULSE, channel)
            event.callbacks = [lambda _event: self._pulse(loop, channel, due_us)]

    def _pulse(self, loop: Loop, channel: int, due_us: int) -> None:
        if self._due_us[channel] != due_us:
            return
        t_us, d = self.now_us, self.desk
        share, next_us = pulse_instant(
            channel, t_us, d.live, d.limits, d.memory, d.admitted, d.gate_out, d.counts,
            d.channels[channel], d.pulses,
        )  # fmt: skip
        if share > 0.0:
            event = Due(self.env, d.strike_delay_us[channel], Phase.STRIKE, channel)
            event.callbacks = [lambda _event: self._strike(channel, share)]
        self._arrange_pulse(loop, channel, t_us, next_us)

    def _strike(self, channel: int, share: float) -> None:
        d = self.desk
        strike(self.now_us, channel, share, d.live, d.body_params, d.body_state)

    def _trace(self) -> Happening:
        d, env, period_us = self.desk, self.env, self.trial.clock.trace_us
        wait_us = 0
        for row in range(len(d.trace_floats)):
            yield Due(env, wait_us, Phase.TRACE)
            wait_us = period_us
            trace_row(
                row, row * period_us, d.live, d.body_params, d.body_state, d.memory, d.admitted,
                d.trace_floats, d.trace_integers,
            )  # fmt: skip


def run_trial(trial: Trial) -> TrialResult:
    """Run one trial in the event engine."""
    return EventTrial(trial).run()
