"""The auditor as others call it: a whole log at once, or chunk by chunk in flat memory."""

from __future__ import annotations

from collections.abc import Iterable

from thenar.safety.audit.logs import DecisionLog, PulseLog
from thenar.safety.audit.verdicts import Audit, Verdict, merged
from thenar.safety.limits import Limits

__all__ = ["Audit", "Auditor", "DecisionLog", "PulseLog", "Verdict", "judge_log", "merged"]


class Auditor:
    """Judges a log chunk by chunk: `feed` each stretch in order, then `result`."""

    def __init__(self, limits: Limits, *, decisions: bool = True, cannot: Iterable[str] = ()) -> None:
        """`limits`: those the log must keep. `decisions`: whether a decision log will be fed.

        `cannot`: identifiers of rules whose bound is not on record (R07 without a calibration, R27 without a
        screening); they are never judged.
        """
        raise NotImplementedError

    def feed(self, pulses: PulseLog, decisions: DecisionLog | None = None) -> None:
        """Judge the next stretch. No row of a later stretch may come before a row of an earlier one."""
        raise NotImplementedError

    def result(self) -> Audit:
        """The verdicts on everything fed so far."""
        raise NotImplementedError


def judge_log(
    limits: Limits, pulses: PulseLog, decisions: DecisionLog | None = None, *, cannot: Iterable[str] = ()
) -> Audit:
    """The verdicts on a whole log. Arguments as those of `Auditor`; trials are judged each from power-on."""
    auditor = Auditor(limits, decisions=decisions is not None, cannot=cannot)
    auditor.feed(pulses, decisions)
    return auditor.result()
