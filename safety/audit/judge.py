"""The auditor as others call it: a whole log at once, or chunk by chunk in flat memory."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from thenar.safety.audit.books import exercised, new_books, new_notes
from thenar.safety.audit.logs import DecisionLog, Pieces, PulseLog
from thenar.safety.audit.memory import bounds_of, new_memory, with_room
from thenar.safety.audit.rows import rows_of
from thenar.safety.audit.verdicts import Audit, Verdict, merged
from thenar.safety.audit.walk import walk
from thenar.safety.limits import Limits, limits_mark

__all__ = ["Audit", "Auditor", "DecisionLog", "PulseLog", "Verdict", "judge_log", "merged"]

_ALL_KNOWN: Final = frozenset({"R07", "R27"})
"""Without these two on record the limits at hand aren't the ones that were armed with, and their marks differ."""


class Auditor:
    """Judges a log chunk by chunk: `feed` each stretch in order, then `result`."""

    def __init__(self, limits: Limits, *, decisions: bool = True, cannot: Iterable[str] = ()) -> None:
        """`limits`: those the log must keep. `decisions`: whether a decision log will be fed.

        `cannot`: identifiers of rules whose bound is not on record (R07 without a calibration, R27 without a
        screening); they are never judged.
        """
        self._cannot = frozenset(cannot)
        self._logged = decisions
        self._limits = bounds_of(limits)
        mark = 0 if self._cannot & _ALL_KNOWN else int(limits_mark(limits))
        self._terms = np.array([int(decisions), mark], dtype=np.int64)
        self._books = new_books()
        self._notes = new_notes()
        self._memory = new_memory()
        self._measured = True

    def feed(self, pulses: PulseLog, decisions: DecisionLog | None = None) -> None:
        """Judge the next stretch. No row of a later stretch may come before a row of an earlier one.

        Raises ValueError when a column has the wrong type or length, or a decision log comes without having been
        announced.
        """
        if decisions is not None and not self._logged:
            raise ValueError("this auditor was made for pulses without a decision log")
        self._measured = self._measured and pulses.second_current_uA is not None and pulses.second_width_us is not None
        left, rows = Pieces(pulses), Pieces(decisions)
        at = np.zeros(4, dtype=np.int64)
        while True:
            at[0], at[1] = left.refilled(int(at[0])), rows.refilled(int(at[1]))
            at[2], at[3] = left.more, rows.more
            if not self._walk(left.records, rows.records, at):
                self._memory = with_room(self._memory)
            elif at[0] == len(left.records) and at[1] == len(rows.records) and not (left.more or rows.more):
                return

    def _walk(self, pulses: NDArray[Any], decisions: NDArray[Any], at: NDArray[np.int64]) -> bool:
        done: bool = walk(self._limits, self._terms, self._books, self._notes, self._memory, pulses, decisions, at)
        return done

    def result(self) -> Audit:
        """The verdicts on everything fed so far."""
        loop = self._memory.loop[0]
        rows = rows_of(self._books, exercised(self._notes), self._logged, self._measured, self._cannot)
        return Audit(rows, int(loop.trials), int(loop.pulses), int(loop.decisions))


def judge_log(
    limits: Limits, pulses: PulseLog, decisions: DecisionLog | None = None, *, cannot: Iterable[str] = ()
) -> Audit:
    """The verdicts on a whole log. Arguments as those of `Auditor`; trials are judged each from power-on."""
    auditor = Auditor(limits, decisions=decisions is not None, cannot=cannot)
    auditor.feed(pulses, decisions)
    return auditor.result()
