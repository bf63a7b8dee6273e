"""A trial of the event engine that can be meddled with while it runs. Left alone, it is that trial to the last bit.

Whatever a person does falls on an instant of its own, in the phase in which scheduled faults begin (`Phase.TARGET`).
Nothing here reaches the limits, and what acts on the interlock goes through the door that scheduled faults use.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from thenar.controller.law import Law
from thenar.engine.desk import Desk, lay_desk
from thenar.engine.events import Due, EventTrial, Happening
from thenar.engine.happenings import fault_told, rows_of
from thenar.engine.instants import take_arrival, take_sample
from thenar.engine.trial import Trial
from thenar.live.session_messages import RefusedError
from thenar.plant_models.estimator import DROPPED, STUCK, bias_knots, estimator_params
from thenar.plant_models.settings import Estimator, Wearer
from thenar.plant_models.wearer import wearer_params
from thenar.safety.doors import is_armed, trip_cause
from thenar.scenarios.checks import one_meets_other
from thenar.scenarios.faults import Dropout, EmergencyStop, Fault, Jump, Stuck, length_s
from thenar.shared.compiled import flat_floats
from thenar.shared.ticks import Phase, us_from_ms, us_from_s

MOST_LIVE_FAULTS: Final = 500
"""In one round: a desk has room for so many more decisions and happenings than its schedule needs."""
_ROOM: Final = 4 * MOST_LIVE_FAULTS
"""More than the stops that so many re-armings leave to be pressed, and than what each leaves behind."""
STOPPED: Final = 33
"""Number of the requirement that an operator's stop latches."""


class Setting(NamedTuple):
    """What a person may change while a trial runs: settings, checked. The law comes built."""

    estimator: Estimator
    wearer: Wearer


class LiveTrial(EventTrial):
    """One round of a session."""

    def __init__(self, trial: Trial, law: Law) -> None:
        self._taken = 0
        self._latency_ms = trial.estimator.latency_ms
        self._live_faults: list[Fault] = []
        super().__init__(trial, _roomy(lay_desk(trial)), law)

    def once_now(self, t_us: int, act: Callable[[int], None]) -> None:
        """Have `act(t_us)` called at simulated time `t_us`, us; at the instant that stands when that is past."""
        event = Due(self.env, max(0, t_us - self.now_us), Phase.TARGET, 1)
        event.callbacks = [lambda _event: act(self.now_us)]

    def use_law(self, law: Law) -> None:
        """Ask another law from the next control tick on."""
        if self.loop is not None:
            self.loop.use(law)

    def use(self, setting: Setting) -> None:
        """Another sensor from the next sample on, another wearer from the wearer's next tick on."""
        d, now = self.desk, setting.estimator
        d.estimator_params[:] = flat_floats(estimator_params(now))
        d.knots[:] = bias_knots(now)
        # Samples under way arrive as they were sent.
        d.plan.arrives_us[self._taken :] += us_from_ms(now.latency_ms) - us_from_ms(self._latency_ms)
        self._latency_ms = now.latency_ms
        d.wearer_params[:] = flat_floats(wearer_params(setting.wearer, self.trial.clock.wearer_us, self.trial.relaxed))

    def begin(self, fault: Fault, t_us: int) -> None:
        """A fault begins now, `t_us` us, and ends by itself; so does what an operator does. Raises RefusedError.

        A stop is never refused. Its room can't run out: it only acts while it isn't latched, and re-arming has a bound.
        """
        stop = isinstance(fault, EmergencyStop)
        if stop and self.latched == STOPPED:
            return
        if not stop and len(self._live_faults) >= MOST_LIVE_FAULTS:
            raise RefusedError(f"{MOST_LIVE_FAULTS} faults in one round are enough: begin another round")
        for other in (*self.trial.faults, *self._live_faults):
            if not stop and one_meets_other(fault, other):
                raise RefusedError(
                    f"a {fault.kind} lasts or is scheduled from {other.at_s:g} s on, one after the other"
                )
        if not stop:
            self._live_faults.append(fault)
        self._befall(fault, t_us, begins=True)
        end_us = t_us + us_from_s(length_s(fault))
        if t_us < end_us <= self.trial.duration_us:
            self.once_now(end_us, lambda ended_us: self._befall(fault, ended_us, begins=False))

    @property
    def armed(self) -> bool:
        """Whether output is possible at all."""
        return bool(is_armed(self.desk.memory))

    @property
    def latched(self) -> int:
        """Number n of the requirement Rn that has latched, 0 for none."""
        return int(trip_cause(self.desk.memory))

    def _befall(self, fault: Fault, t_us: int, begins: bool) -> None:
        what = fault_told(t_us, fault, begins)
        self.note(what.pop("t_us"), what.pop("kind"), live=True, **what)
        if begins:
            self._meet_sensor(fault, t_us)
        rows, shares = rows_of([(t_us, fault, begins)])
        if self.loop is not None:
            self.loop.befall(0, t_us, rows, shares)

    def _meet_sensor(self, fault: Fault, t_us: int) -> None:
        """Lay a fault of the sensor into what it has not sampled yet."""
        plan, first = self.desk.plan, self._taken
        if isinstance(fault, Jump):
            plan.offset_N[first:] += fault.offset_N
            plan.gain[first:] *= fault.gain
        elif isinstance(fault, Dropout | Stuck):
            end = int(np.searchsorted(plan.sampled_us, t_us + us_from_s(length_s(fault))))
            plan.mode[first : max(first, end)] = DROPPED if isinstance(fault, Dropout) else STUCK

    def _samples(self) -> Happening:
        """As the plan stands when each sample is due: a person may change it. Each sends its own arrival."""
        d, plan, end_us = self.desk, self.desk.plan, self.trial.duration_us
        before_us = 0
        for index, t_us in enumerate(plan.sampled_us.tolist()):
            if t_us > end_us:
                return
            yield Due(self.env, t_us - before_us, Phase.SAMPLE)
            before_us = t_us
            self._taken = index + 1
            if plan.mode[index] == DROPPED:
                continue
            take_sample(
                index, t_us, d.live, d.body_params, d.body_state, d.estimator_params, d.knots,
                plan.offset_N, plan.gain, plan.unit_noise, plan.mode, d.readings,
            )  # fmt: skip
            if plan.arrives_us[index] <= end_us:
                self._send(index, int(plan.arrives_us[index]) - t_us)

    def _send(self, index: int, delay_us: int) -> None:
        d = self.desk
        event = Due(self.env, delay_us, Phase.ARRIVAL)
        event.callbacks = [lambda _event: take_arrival(index, d.live, d.readings, d.plan.sampled_us)]

    def _arrivals(self) -> Happening:
        """Each sample has sent its own."""
        yield from ()


def stop_fault(t_us: int) -> Fault:
    """The operator's stop, as a scenario would schedule it."""
    return EmergencyStop(kind="emergency-stop", at_s=t_us / 1e6)


def _roomy(desk: Desk) -> Desk:
    """A desk with room for what nobody scheduled: compiled code would write past the end of its arrays."""
    return desk._replace(
        decisions=_longer(desk.decisions, _ROOM),
        happenings=_longer(desk.happenings, _ROOM),
    )


def _longer(rows: Any, more: int) -> Any:
    return np.zeros((len(rows) + more, rows.shape[1]), dtype=rows.dtype)
