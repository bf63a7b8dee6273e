"""The auditor as others call it: a whole log at once, or chunk by chunk in flat memory."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from thenar.safety.audit.books import exercised, new_books, new_notes
from thenar.safety.audit.bounds import Bounds, differences, mark_of, mark_of_bounds
from thenar.safety.audit.logs import DecisionLog, Pieces, PulseLog
from thenar.safety.audit.memory import bound_arrays, new_memory, with_room
from thenar.safety.audit.rows import rows_of, with_limits
from thenar.safety.audit.verdicts import Audit, Verdict, merged
from thenar.safety.audit.walk import close, walk

__all__ = ["Audit", "Auditor", "DecisionLog", "PulseLog", "Verdict", "judge_log", "merged"]

_ALL_KNOWN: Final = frozenset({"R07", "R27"})
"""Without these two on record the limits at hand aren't the ones that were armed with, and their marks differ."""


class Auditor:
    """Judges a log chunk by chunk: `feed` each stretch in order, then `result`."""

    def __init__(
        self,
        bounds: Bounds,
        *,
        decisions: bool = True,
        cannot: Iterable[str] = (),
        enforced: Mapping[str, Mapping[str, int]] | None = None,
        reconciled: bool = False,
    ) -> None:
        """`bounds`: those the log must keep. `decisions`: whether a decision log will be fed.

        `cannot`: identifiers of rules whose bound is not on record (R07 without a calibration, R27 without a
        screening); they are never judged. `enforced`: the limits that the interlock says it enforced, by table and
        name; each that differs from the auditor's own fails R35. `reconciled`: whether each pulse that a command owed
        must be there, as an engine gives them; needs the decision log.
        """
        self._cannot = frozenset(cannot)
        self._logged = decisions
        self._limits = bound_arrays(bounds)
        self._enforced = enforced
        self._differences = () if enforced is None else differences(bounds, enforced)
        if enforced is not None:
            mark = mark_of(number for table in enforced.values() for number in table.values())
        else:
            mark = 0 if self._cannot & _ALL_KNOWN else mark_of_bounds(bounds)
        self._terms = np.array([int(decisions), mark, int(decisions and reconciled)], dtype=np.int64)
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
        self._measured = self._measured and pulses.second_width_us is not None
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

    def end(self, t_us: int) -> None:
        """The trial at hand ended at `t_us`: until then ticks must have gone on, and owed pulses must have left."""
        close(self._limits, self._terms, self._books, self._notes, self._memory, t_us)

    def result(self) -> Audit:
        """The verdicts on everything fed so far."""
        loop = self._memory.loop[0]
        rows = rows_of(self._books, exercised(self._notes), self._logged, self._measured, self._cannot)
        if self._enforced is not None:
            compared = sum(len(table) for table in self._enforced.values())
            rows = with_limits(rows, compared, self._differences, max(int(loop.trial), 0))
        return Audit(rows, int(loop.trials), int(loop.pulses), int(loop.decisions))


def judge_log(
    bounds: Bounds,
    pulses: PulseLog,
    decisions: DecisionLog | None = None,
    *,
    cannot: Iterable[str] = (),
    reconciled: bool = False,
) -> Audit:
    """The verdicts on a whole log. Arguments as those of `Auditor`; trials are judged each from power-on."""
    auditor = Auditor(bounds, decisions=decisions is not None, cannot=cannot, reconciled=reconciled)
    auditor.feed(pulses, decisions)
    return auditor.result()
