"""What an audit says: one row per requirement, each with one of four verdicts."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Final, NamedTuple

OFFENCES_KEPT: Final = 5


class Verdict(StrEnum):
    """FAIL: broken at least once. CANT_JUDGE: the log doesn't show it. PASS: met and kept. NOT_EXERCISED: never met."""

    FAIL = "fail"
    CANT_JUDGE = "can't judge"
    PASS = "pass"  # noqa: S105 - a verdict, no password
    NOT_EXERCISED = "not exercised"


class Closest(NamedTuple):
    """The value that came nearest to its bound (or went furthest past it). `channel` -1: none in particular.

    `closeness`: value over bound, or bound over value where the bound is a least one; above 1 it is broken.
    """

    closeness: float
    value: int
    bound: int
    unit: str
    trial: int
    t_us: int
    channel: int
    what: str


class Offence(NamedTuple):
    """One break of a requirement: where, what was found and what is allowed, in `unit`."""

    trial: int
    t_us: int
    channel: int
    found: int
    allowed: int
    unit: str
    what: str


class Row(NamedTuple):
    """One requirement. `exercised`: how often it had anything to say; `failed`: how often it was broken."""

    rule: str
    title: str
    verdict: Verdict
    exercised: int
    failed: int
    closest: Closest | None
    offences: tuple[Offence, ...]
    note: str


class Audit(NamedTuple):
    """The verdicts on every requirement, and how much was judged."""

    rows: tuple[Row, ...]
    trials: int
    pulses: int
    decisions: int

    def row(self, rule: str) -> Row:
        """The row of one requirement, like "R06". Raises KeyError for another name."""
        for row in self.rows:
            if row.rule == rule:
                return row
        raise KeyError(rule)

    def named(self, verdict: Verdict) -> tuple[str, ...]:
        """Identifiers of the requirements with this verdict, in order."""
        return tuple(row.rule for row in self.rows if row.verdict == verdict)

    @property
    def broken(self) -> tuple[str, ...]:
        """Identifiers of the requirements that failed, in order."""
        return self.named(Verdict.FAIL)


_GRAVEST_FIRST: Final = (Verdict.FAIL, Verdict.CANT_JUDGE, Verdict.PASS, Verdict.NOT_EXERCISED)


def merged(audits: Iterable[Audit]) -> Audit:
    """Several audits as one. Per rule fail beats can't judge beats pass beats not exercised; counts add up.

    Raises ValueError when there is none.
    """
    every = tuple(audits)
    if not every:
        raise ValueError("no audit to merge")
    rows = tuple(_merged_row(same) for same in zip(*(audit.rows for audit in every), strict=True))
    counts = ([audit.trials for audit in every], [audit.pulses for audit in every], [a.decisions for a in every])
    return Audit(rows, *(sum(count) for count in counts))


def _merged_row(rows: tuple[Row, ...]) -> Row:
    verdict = min((row.verdict for row in rows), key=_GRAVEST_FIRST.index)
    closest = max((row.closest for row in rows if row.closest), key=lambda found: found.closeness, default=None)
    return Row(
        rows[0].rule,
        rows[0].title,
        verdict,
        sum(row.exercised for row in rows),
        sum(row.failed for row in rows),
        closest,
        tuple(offence for row in rows for offence in row.offences)[:OFFENCES_KEPT],
        next((row.note for row in rows if row.verdict == verdict), ""),
    )
