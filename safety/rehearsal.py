"""The real interlock and gate played tick by tick, and the two logs that they leave: what the auditor is proved on."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np

from thenar.safety.audit.logs import DecisionLog, PulseLog
from thenar.safety.doors import admit_packed, gate_packed, next_pulse_packed
from thenar.safety.inputs import Senses
from thenar.safety.interlock import start_admitted
from thenar.safety.limits import Limits, limits_mark, unpack_limits
from thenar.safety.memory import LATCH_AT, start_memory
from thenar.shared.compiled import flat_integers

SENSED: Final[dict[str, int]] = {
    "estimate_mN": 3_000, "estimate_known": 1, "estimate_age_us": 30_000, "estimate_count": 0, "law_fault": 0,
    "stop": 0, "arm": 1, "rearm_cause": 0, "agonist_contact_ohm": -1, "agonist_contact_per_mille": -1,
    "antagonist_contact_ohm": -1, "antagonist_contact_per_mille": -1, "agonist_net_pC": 0, "agonist_cut_short": 0,
    "antagonist_net_pC": 0, "antagonist_cut_short": 0,
}  # fmt: skip
"""What is sensed when nothing is wrong."""
BUSY_AT: Final = LATCH_AT + 6
_ASKED: Final = DecisionLog._fields[3:10]
_COMMAND: Final = DecisionLog._fields[29:35]


class Rehearsal:
    """One trial from power-on. `step` asks and fires the pulses of the period; the log is in `pulses`, `decisions`."""

    def __init__(self, limits: Limits, trial: int = 0) -> None:
        """`limits`: those that are handed to the interlock at every call (as `limits_array`, which may be changed)."""
        self.limits, self.trial = limits, trial
        self.limits_array = flat_integers(limits)
        self.memory, self.admitted = start_memory(), start_admitted()
        self.t_us = -limits.loop.control_period_us
        self.estimates = 0
        self._out = np.zeros(3, dtype=np.int64)
        self._rows: list[dict[str, int]] = []
        self._left: list[tuple[int, ...]] = []

    def tick(self, asked: tuple[int, ...] = (0,) * 7, *, at: int | None = None, **senses: int) -> None:
        """One control tick, a period after the last one unless `at` (us) says when.

        `asked`: fault, then current (uA), width and period (us) of agonist and antagonist. `senses`: what is sensed
        otherwise than in SENSED; without a value the estimate wavers by a few mN and is always fresh.
        """
        self.t_us = self.t_us + self.limits.loop.control_period_us if at is None else at
        self.estimates += 1
        lively = {"estimate_mN": 3_000 + 10 * (self.estimates % 7), "estimate_count": self.estimates}
        sensed = SENSED | lively | senses
        broken_off = int(self.memory[BUSY_AT] > 0)
        array = flat_integers(Senses(*(sensed[name] for name in Senses._fields)))
        asked_array = np.array(asked, dtype=np.int64)
        reasons = admit_packed(self.limits_array, self.memory, self.admitted, asked_array, array, self.t_us)
        self._note(dict(zip(_ASKED, asked, strict=True)), sensed, int(reasons), broken_off)

    def _note(self, asked: dict[str, int], sensed: dict[str, int], reasons: int, off: int) -> None:
        command = dict(zip(_COMMAND, (int(value) for value in self.admitted[2:8]), strict=True))
        state, trip, trip_us = (int(value) for value in self.memory[LATCH_AT : LATCH_AT + 3])
        mark = int(limits_mark(unpack_limits(self.limits_array)))
        row = {"trial": self.trial, "kind": 0, "t_us": self.t_us, "limits_mark": mark, "broken_off": off}
        after = {"expires_us": int(self.admitted[1]), "reasons": reasons, "state": state, "trip": trip}
        self._rows.append(row | asked | sensed | command | after | {"trip_us": trip_us})

    def fire(self, channel: int, at: int) -> None:
        """Ask the gate for a pulse on a channel (0 or 1) at `at` us."""
        gate_packed(self.limits_array, self.memory, self.admitted, channel, at, self._out)
        if self._out[0] > 0:
            self._left.append((self.trial, at, channel, *(int(value) for value in self._out), len(self._rows)))

    def fire_until(self, end_us: int) -> None:
        """Both channels as an engine would fire them, from the last tick until just before `end_us`."""
        clock = [max(self.t_us, 0)] * 2
        while True:
            due = [next_pulse_packed(self.limits_array, self.memory, self.admitted, c, clock[c]) for c in (0, 1)]
            waiting = [(int(time), channel) for channel, time in enumerate(due) if 0 <= time < end_us]
            if not waiting:
                return
            time, channel = min(waiting)
            clock = [max(time, other) for other in clock]
            self.fire(channel, time)

    def step(self, asked: tuple[int, ...] = (0,) * 7, **senses: Any) -> None:
        """A control tick and the pulses of its period."""
        self.tick(asked, **senses)
        self.fire_until(self.t_us + self.limits.loop.control_period_us)

    @property
    def pulses(self) -> PulseLog:
        """The pulses that left, each with its place in the log of decisions."""
        columns = np.array(self._left, dtype=np.int64).reshape(-1, 7).T
        names = (*PulseLog._fields[:6], "decisions_before")
        return PulseLog(**{name: column.copy() for name, column in zip(names, columns, strict=True)})

    @property
    def decisions(self) -> DecisionLog:
        """Every tick."""
        return DecisionLog(
            *(np.array([row[name] for row in self._rows], dtype=np.int64) for name in DecisionLog._fields)
        )


def played(limits: Limits, script: Iterable[tuple[int, tuple[int, ...], int]]) -> tuple[PulseLog, DecisionLog]:
    """Stretches of (control ticks, what is asked, 1 while arm is held), played from power-on; the logs they leave."""
    rehearsal = Rehearsal(limits)
    for ticks, asked, arm in script:
        for _ in range(ticks):
            rehearsal.step(asked, arm=arm)
    return rehearsal.pulses, rehearsal.decisions
