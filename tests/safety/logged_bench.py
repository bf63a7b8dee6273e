"""A bench that also keeps the two logs that the auditor reads, so that every drawn attack can be audited."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.safety.attacks import BUSY_AT
from tests.safety.interlock_bench import Bench
from thenar.safety.audit.logs import DecisionLog, PulseLog
from thenar.safety.edge import demand_units, senses_units
from thenar.safety.inputs import Senses
from thenar.safety.limits import Limits, limits_mark, unpack_limits
from thenar.safety.memory import LATCH_AT

ASKED = DecisionLog._fields[3:10]
COMMANDS = DecisionLog._fields[29:35]
NOT_YET_SENSED = {"agonist_net_pC": 0, "agonist_cut_short": 0, "antagonist_net_pC": 0, "antagonist_cut_short": 0}


class LoggedBench(Bench):
    """`decisions()` and `left()` give the logs so far; pulses know how many decisions came before them."""

    def __init__(self, limits: Limits | None = None) -> None:
        super().__init__(limits)
        self.rows: list[dict[str, int]] = []
        self.before: list[int] = []

    def tick(self, demand: object = (), *, at: int | None = None, **senses: Any) -> int:
        broken_off = int(self.memory[BUSY_AT] > 0)
        sensed = {
            "estimate_N": 3.0 + 0.01 * ((self.estimates + 1) % 7), "estimate_age_us": 30_000,
            "estimate_count": self.estimates + 1, "law_fault": 0, "stop": 0, "arm": 1,
        }  # fmt: skip
        reasons = super().tick(demand, at=at, **senses)
        array = senses_units(**(sensed | senses))
        asked = dict(zip(ASKED, (int(value) for value in demand_units(demand)), strict=True))
        named = NOT_YET_SENSED | dict(zip(Senses._fields, (int(value) for value in array), strict=True))
        self.note(0, self.t_us, asked | named, reasons, broken_off)
        return reasons

    def halt(self, at: int) -> None:
        super().halt(at)
        row = dict.fromkeys((*ASKED, *Senses._fields), 0) | NOT_YET_SENSED
        self.note(1, at, row | {"stop": 1}, 0, 0)

    def note(self, kind: int, t_us: int, row: dict[str, int], reasons: int, broken_off: int) -> None:
        state, trip, trip_us = (int(value) for value in self.memory[LATCH_AT : LATCH_AT + 3])
        mark = int(limits_mark(unpack_limits(self.limits_array)))
        commands = dict(zip(COMMANDS, (int(value) for value in self.admitted[2:8]), strict=True))
        head = {"trial": 0, "kind": kind, "t_us": t_us, "limits_mark": mark, "broken_off": broken_off}
        after = {"expires_us": int(self.admitted[1]), "reasons": reasons, "state": state, "trip": trip}
        self.rows.append(row | head | commands | after | {"trip_us": trip_us})

    def gate(self, channel: int = 0, *, at: int | None = None) -> int:
        left = len(self.pulses)
        reasons = super().gate(channel, at=at)
        if len(self.pulses) > left:
            self.before.append(len(self.rows))
        return reasons

    def decisions(self) -> DecisionLog:
        """Every tick and every stop between ticks."""
        return DecisionLog(
            *(np.array([row[name] for row in self.rows], dtype=np.int64) for name in DecisionLog._fields)
        )

    def left(self) -> PulseLog:
        """Every pulse that left."""
        columns = np.array([(0, *pulse) for pulse in self.pulses], dtype=np.int64).reshape(-1, 6).T
        before = np.array(self.before, dtype=np.int64)
        return PulseLog(*(column.copy() for column in columns), decisions_before=before)
