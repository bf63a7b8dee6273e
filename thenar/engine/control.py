"""The control tick: observe, ask the law, hand its answer to the interlock, note what became of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final

import numpy as np

from thenar.controller.law import AT_REST, Law
from thenar.engine.asking import FIRST_WALL_LIMIT_S, WALL_LIMIT_S, Answer, answer_of, watched_answer
from thenar.engine.desk import Desk
from thenar.engine.rows import note_reasons
from thenar.engine.trial import Trial
from thenar.safety.doors import admit_packed, halt_packed, is_armed, trip_cause
from thenar.safety.edge import demand_units, estimate_mN
from thenar.safety.inputs import FAULT_NONE, LAW_FINE, LAW_LATE, Senses
from thenar.safety.interlock import start_admitted
from thenar.safety.memory import start_memory
from thenar.safety.reasons import RULES
from thenar.safety.requirements import reason_ids
from thenar.shared.compiled import entry, store
from thenar.shared.signals import REST, Demand, Observation, Stimulus
from thenar.shared.ticks import US_PER_S

STALL_AFTER_OVERRUN_US: Final = US_PER_S
"""Simulated time for which a law that overran the wall clock stays silent: beyond the heartbeat trip (R32)."""
NOTED_FAULTS: Final = 50
"""Law faults listed one by one; later ones are only counted by the interlock's reasons."""
CONTACT_UNKNOWN: Final = -1
"""A stimulator measures impedance, not how much of a pad touches (R29 then assumes a share)."""
_NOT_ASKED: Final = Answer(AT_REST, LAW_LATE, "")


@entry
def look(live: Any, t_us: int) -> tuple[float, float, int, float, int]:
    """Target (N), estimate (N), its age (us, -1 before the first), stated SD (N), estimates so far."""
    now = live[0]
    age_us = t_us - now.sampled_us if now.estimates > 0 else -1
    return now.target_N, now.estimate_N, age_us, now.stated_sd_N, now.estimates


@entry
def sense(live: Any, senses: Any, t_us: int, law_fault: int, stop: int, arm: int, rearm_cause: int) -> None:
    """Fill the interlock's senses from what a controller can know: the estimate, not the true force."""
    now = live[0]
    estimate, known = estimate_mN(now.estimate_N)
    seen = Senses(
        estimate_mN=estimate,
        estimate_known=known,
        estimate_age_us=t_us - now.sampled_us if now.estimates > 0 else -1,
        estimate_count=now.estimates,
        law_fault=law_fault,
        stop=stop,
        arm=arm,
        rearm_cause=rearm_cause,
        agonist_contact_ohm=int(now.agonist_ohm),
        agonist_contact_per_mille=CONTACT_UNKNOWN,
        antagonist_contact_ohm=int(now.antagonist_ohm),
        antagonist_contact_per_mille=CONTACT_UNKNOWN,
    )
    store(senses, seen)


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
        self._refused = ()
        self._law_faults = 0
        self._asked_before = False
        self._delivered = (REST, REST)

    def tick(self, t_us: int) -> None:
        """One control tick at `t_us` us."""
        desk, live = self._desk, self._desk.live
        answer = self._answer(t_us)
        asked = demand_units(answer.demand)
        self._write_demand(live, answer, int(asked[0]) == FAULT_NONE)
        sense(live, desk.senses, t_us, answer.fault, 0, int(t_us >= self._arm_us), self._rearm_cause)
        self._rearm_cause = 0
        reasons = admit_packed(desk.limits, self.memory, self.admitted, asked, desk.senses, t_us)
        if reasons:
            note_reasons(live, self.counts, reasons)
        self._delivered = _stimuli(self.admitted)
        self._note_changes(t_us, reasons)

    def stop(self, t_us: int) -> None:
        """The emergency stop: silent from this instant on, whatever the next tick would do."""
        halt_packed(self.memory, self.admitted, t_us)
        self._delivered = (REST, REST)
        self._note_changes(t_us, 0)

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
        target_N, estimate_N, age_us, stated_sd_N, _ = look(self._desk.live, t_us)
        observation = Observation(t_us, target_N, estimate_N, age_us, stated_sd_N, *self._delivered)
        limit_s = WALL_LIMIT_S if self._asked_before else FIRST_WALL_LIMIT_S
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

    def _write_demand(self, live: Any, answer: Answer, readable: bool) -> None:
        """Leave the demand for the trace: NaN where it could not be read."""
        demand = answer.demand if readable and answer.fault == LAW_FINE else None
        for channel, place in (("agonist", 0), ("antagonist", 1)):
            live[f"{channel}_demand_mA"] = math.nan if demand is None else demand[place][0]
            live[f"{channel}_demand_width_us"] = math.nan if demand is None else demand[place][1]

    def _note_changes(self, t_us: int, reasons: int) -> None:
        trip, armed = int(trip_cause(self.memory)), bool(is_armed(self.memory))
        if trip != self._trip:
            if trip:
                self._note(t_us, "trip", cause=f"R{trip:02d}")
            else:
                self._note(t_us, "cleared", cause=f"R{self._trip:02d}")
        if armed and not self._armed:
            self._note(t_us, "armed")
        self._trip, self._armed = trip, armed
        refused = () if armed or trip or t_us < self._arm_us else reason_ids(reasons)
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
