"""The control tick: observe, ask the law, hand its answer to the interlock, note what became of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np

from thenar.controller.law import AT_REST, Law
from thenar.engine.asking import WALL_LIMIT_S, Answer, answer_of, watched_answer
from thenar.engine.desk import Desk
from thenar.engine.rows import tick_instant
from thenar.engine.trial import Trial
from thenar.safety.decision_log import log_halt
from thenar.safety.doors import halt_packed, is_armed, trip_cause
from thenar.safety.edge import demand_units
from thenar.safety.inputs import LAW_FINE, LAW_LATE
from thenar.safety.interlock import start_admitted
from thenar.safety.memory import start_memory
from thenar.safety.reasons import R05, RULES
from thenar.safety.requirements import rearming_needs, reason_ids
from thenar.shared.compiled import entry
from thenar.shared.foreign import LONGEST_START_S
from thenar.shared.signals import REST, Observation, Stimulus
from thenar.shared.ticks import US_PER_S

STALL_AFTER_OVERRUN_US: Final = US_PER_S
"""Simulated time for which a law that overran the wall clock stays silent: beyond the heartbeat trip (R32)."""
NOTED_FAULTS: Final = 50
"""Law faults listed one by one; later ones are only counted by the interlock's reasons."""
_NOT_ASKED: Final = Answer(AT_REST, LAW_LATE, "")


@entry
def look(live: Any, t_us: int) -> tuple[float, float, int, float]:
    """Target (N), estimate (N), its age (us, -1 before the first) and its stated SD (N)."""
    now = live[0]
    age_us = t_us - now.sampled_us if now.estimates > 0 else -1
    return now.target_N, now.estimate_N, age_us, now.stated_sd_N


class Loop:
    """The law and the interlock around one desk. `memory` and `admitted` belong to `thenar.safety`."""

    def __init__(self, trial: Trial, desk: Desk, law: Law, note: Callable[..., None]) -> None:
        """`note(t_us, kind, **more)` is told of armings, trips and law faults."""
        self.memory = start_memory()
        self.admitted = start_admitted()
        self.gate_out = np.zeros(3, dtype=np.int64)
        self.counts = np.zeros(RULES + 1, dtype=np.int64)
        self.watched = False
        self.stalled = False
        self._desk, self._law, self._note = desk, law, note
        self._arm_us = trial.arm_us
        self._silent_until_us = -1
        self._rearm_cause = 0
        self._trip = 0
        self._armed = False
        self._refused: tuple[str, ...] = ()
        self._law_faults = 0
        self._asked_before = False
        self._delivered = (REST, REST)

    def tick(self, t_us: int) -> tuple[int, int]:
        """One control tick at `t_us` us. Returns when each channel may fire next (us, -1 for nothing to do)."""
        desk = self._desk
        answer = self._answer(t_us)
        agonist_us, antagonist_us, trip, armed, reasons = tick_instant(
            t_us,
            desk.live,
            desk.limits,
            self.memory,
            self.admitted,
            demand_units(answer.demand),
            desk.senses,
            self.counts,
            desk.decisions,
            answer.fault,
            int(t_us >= self._arm_us),
            self._rearm_cause,
        )
        self._rearm_cause = 0
        self._delivered = _stimuli(self.admitted)
        if trip != self._trip or armed != self._armed or not armed:
            self._note_changes(t_us, trip, armed, reasons)
        return agonist_us, antagonist_us

    def stop(self, t_us: int) -> None:
        """The emergency stop: silent from this instant on, whatever the next tick would do."""
        halt_packed(self.memory, self.admitted, t_us)
        row = int(self._desk.live["decisions"][0])
        log_halt(self._desk.decisions[row], t_us, self._desk.limits, self.memory)
        self._desk.live["decisions"] += 1
        self._delivered = (REST, REST)
        self._note_changes(t_us, int(trip_cause(self.memory)), bool(is_armed(self.memory)), 0)

    def ask_to_rearm(self, cause: int) -> None:
        """The operator names requirement number `cause` as what has latched; heard at the next tick."""
        self._rearm_cause = cause

    def reason_ticks(self) -> dict[str, int]:
        """How often each requirement acted, by identifier."""
        return {f"R{number:02d}": int(self.counts[number]) for number in range(1, RULES + 1) if self.counts[number]}

    def _answer(self, t_us: int) -> Answer:
        """The law's answer; a latched loop asks for nothing, a stalled law says nothing."""
        if self.stalled or t_us < self._silent_until_us:
            return _NOT_ASKED
        if self._trip:
            return Answer(AT_REST, LAW_FINE, "")
        target_N, estimate_N, age_us, stated_sd_N = look(self._desk.live, t_us)
        observation = Observation(t_us, target_N, estimate_N, age_us, stated_sd_N, *self._delivered)
        limit_s = WALL_LIMIT_S if self._asked_before else LONGEST_START_S
        self._asked_before = True
        answer = (watched_answer if self.watched else answer_of)(self._law, observation, limit_s)
        if answer.fault != LAW_FINE:
            self._note_law_fault(t_us, answer)
        return answer

    def _note_law_fault(self, t_us: int, answer: Answer) -> None:
        self._law_faults += 1
        if self._law_faults <= NOTED_FAULTS:
            self._note(t_us, "law-fault", what=answer.what)
        if answer.fault == LAW_LATE:
            self._silent_until_us = t_us + STALL_AFTER_OVERRUN_US

    def _note_changes(self, t_us: int, trip: int, armed: bool, reasons: int) -> None:
        if trip != self._trip:
            if trip:
                self._note(t_us, "trip", cause=f"R{trip:02d}", needs=rearming_needs(trip))
            else:
                self._note(t_us, "cleared", cause=f"R{self._trip:02d}")
        if armed and not self._armed:
            self._note(t_us, "armed")
        self._trip, self._armed = trip, armed
        # R05 withholds because nothing is armed: it is no reason why.
        refused = () if armed or trip or t_us < self._arm_us else reason_ids(reasons & ~R05)
        if refused and refused != self._refused:
            self._note(t_us, "arming-refused", reasons=list(refused))
        self._refused = refused


def _stimuli(admitted: Any) -> tuple[Stimulus, Stimulus]:
    """Both channels of an admitted command as the law is told of it."""
    _, _, agonist_uA, agonist_us, agonist_period, antagonist_uA, antagonist_us, antagonist_period, _, _ = (
        admitted.tolist()
    )
    return _stimulus(agonist_uA, agonist_us, agonist_period), _stimulus(antagonist_uA, antagonist_us, antagonist_period)


def _stimulus(current_uA: int, width_us: int, period_us: int) -> Stimulus:
    if current_uA == 0:
        return REST
    return Stimulus(current_uA / 1e3, float(width_us), US_PER_S / period_us)
