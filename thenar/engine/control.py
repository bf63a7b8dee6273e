"""The control tick: observe, ask the law, hand its answer to the interlock, note what became of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from thenar.controller.law import AT_REST, Law
from thenar.controller.law_process import AwayLaw
from thenar.controller.stepped import SteppedLaw
from thenar.engine import asking
from thenar.engine.asking import Answer, answer_of, watched_answer
from thenar.engine.desk import Desk
from thenar.engine.happenings import told
from thenar.engine.rows import fault_instant, look_packed, tick_instant
from thenar.engine.trial import Trial
from thenar.safety.doors import trip_cause
from thenar.safety.edge import demand_units
from thenar.safety.inputs import LAW_FINE, LAW_LATE
from thenar.shared.foreign import LONGEST_START_S
from thenar.shared.signals import SEEN_SIZE, observation_of
from thenar.shared.ticks import US_PER_S

STALL_AFTER_OVERRUN_US: Final = US_PER_S
"""Simulated time for which a law that overran the wall clock stays silent: beyond the heartbeat trip (R32)."""
NOTED_FAULTS: Final = 50
"""Law faults listed one by one; later ones are only counted by the interlock's reasons."""
_NOT_ASKED: Final = Answer(AT_REST, LAW_LATE, "")


class Timekeeper(Protocol):
    """Says of a control tick, at `t_us` us of simulated time, whether it is still in time by the wall clock."""

    def begins(self, t_us: int) -> bool:
        """Asked before the law is."""
        ...

    def answered(self, t_us: int) -> bool:
        """Asked once the law has answered."""
        ...


class Loop:
    """The law and the interlock around one desk."""

    def __init__(self, trial: Trial, desk: Desk, law: Law, note: Callable[..., None]) -> None:
        """`note(t_us, kind, **more)` is told of armings, trips and law faults."""
        self.watched = False
        self.timekeeper: Timekeeper | None = None
        self._desk, self._law, self._note, self._trial = desk, law, note, trial
        self._seen = np.zeros(SEEN_SIZE)
        self._silent_until_us = -1
        self._stalled = False
        self._happened = 0
        self._law_faults = 0
        self._asked_before = False
        self._gone: Answer | None = None

    def tick(self, t_us: int) -> tuple[int, int] | None:
        """One control tick at `t_us` us. Returns when each channel may fire next (us, -1 for nothing to do).

        None when the timekeeper passed the tick over: what was admitted before lives on until it expires.
        """
        desk, timekeeper = self._desk, self.timekeeper
        if timekeeper is not None and not timekeeper.begins(t_us):
            return None
        answer = self._answer(t_us)
        if timekeeper is not None and not timekeeper.answered(t_us):
            return None
        agonist_us, antagonist_us, happened = tick_instant(
            t_us,
            desk.live,
            desk.limits,
            desk.memory,
            desk.admitted,
            demand_units(answer.demand),
            desk.senses,
            desk.counts,
            desk.decisions,
            desk.happenings,
            answer.fault,
        )
        if happened != self._happened:
            self._tell(happened)
        return agonist_us, antagonist_us

    def fault(self, place: int, t_us: int) -> None:
        """A fault begins or ends (row `place` of the desk's faults): a stall, a stop, an operator who re-arms."""
        self.befall(place, t_us, self._desk.faults, self._desk.fault_shares)

    def befall(self, place: int, t_us: int, faults: NDArray[np.int64], shares: NDArray[np.float64]) -> None:
        """As `fault`, with rows (`happenings.fault_rows`) that need not be the desk's own: a fault nobody scheduled."""
        desk = self._desk
        fault_instant(
            place, t_us, desk.live, faults, shares, desk.limits, desk.memory, desk.admitted,
            desk.decisions, desk.happenings,
        )  # fmt: skip
        self._stalled = bool(desk.live["stalled"][0])
        self._tell(int(desk.live["happenings"][0]))

    def use(self, law: Law) -> None:
        """Ask another law from the next tick on. One of the same kind goes on with what its predecessor remembers."""
        before = self._law
        if isinstance(law, SteppedLaw) and isinstance(before, SteppedLaw) and type(law) is type(before):
            law.memory[:] = before.memory
        if isinstance(before, AwayLaw):
            before.close()
        self._law, self._gone = law, None

    def _answer(self, t_us: int) -> Answer:
        """The law's answer; a latched loop asks for nothing, a stalled law says nothing."""
        if self._stalled or t_us < self._silent_until_us:
            return _NOT_ASKED
        if trip_cause(self._desk.memory) != 0:
            return Answer(AT_REST, LAW_FINE, "")
        if self._gone is not None:
            return self._gone
        look_packed(self._desk.live, self._desk.admitted, t_us, self._seen)
        observation = observation_of(self._seen.tolist())
        limit_s = self._limit_s()
        self._asked_before = True
        answer = (watched_answer if self.watched else answer_of)(self._law, observation, limit_s)
        if answer.fault == LAW_LATE and self.timekeeper is None and isinstance(self._law, AwayLaw):
            what = f"{answer.what}; the law is not asked again in this trial"
            self._law.give_up(what)
            answer = answer._replace(what=what, last=True)
        if answer.fault != LAW_FINE:
            self._note_law_fault(t_us, answer)
        if answer.last:
            self._gone = answer
        return answer

    def _limit_s(self) -> float:
        """How long the law may take by the wall clock: the first time it may compile itself."""
        if not self._asked_before:
            return LONGEST_START_S
        return asking.GIVEN_UP_AFTER_S if self.timekeeper is None else asking.WALL_LIMIT_S

    def close(self) -> None:
        """After the trial: a law in a process of its own makes room for the next."""
        if isinstance(self._law, AwayLaw):
            self._law.close()

    def _note_law_fault(self, t_us: int, answer: Answer) -> None:
        self._law_faults += 1
        if self._law_faults <= NOTED_FAULTS:
            self._note(t_us, "law-fault", what=answer.what)
        if answer.fault == LAW_LATE:
            self._silent_until_us = t_us + STALL_AFTER_OVERRUN_US

    def _tell(self, happened: int) -> None:
        """Pass on what compiled code has noted since the last time."""
        for row in self._desk.happenings[self._happened : happened].tolist():
            self._note(**told(self._trial, row))
        self._happened = happened
