"""From the books to the rows of an audit."""

from __future__ import annotations

import math
from typing import Any, Final

from numpy.typing import NDArray

from thenar.safety.audit.books import Books
from thenar.safety.audit.bounds import Difference
from thenar.safety.audit.checks import CHECKS, SQUARED
from thenar.safety.audit.verdicts import OFFENCES_KEPT, Closest, Offence, Row, Verdict
from thenar.safety.requirements import REQUIREMENTS, Requirement

NO_DECISIONS: Final = "needs the log of decisions"
NOT_MEASURED: Final = "needs the log of decisions, or what was measured of the second phases"
NO_BOUND: Final = "its bound is not on record for this log"
NEVER_MET: Final = "nothing came near it"
LIMITS_RULE: Final = "R35"


def rows_of(
    books: Books, exercised: NDArray[Any], logged: bool, measured: bool, cannot: frozenset[str]
) -> tuple[Row, ...]:
    """One row per requirement.

    `exercised`: counts by check; `logged`: there was a decision log; `measured`: second phases were measured;
    `cannot`: rules without a bound.
    """
    return tuple(_row(requirement, books, exercised, logged, measured, cannot) for requirement in REQUIREMENTS)


def with_limits(rows: tuple[Row, ...], compared: int, unlike: tuple[Difference, ...], trial: int) -> tuple[Row, ...]:
    """The rows with R35 judged by the limits that the interlock enforced, number for number against the auditor's own.

    `compared`: how many numbers; `unlike`: those that differ.
    """
    return tuple(_with_limits(row, compared, unlike, trial) if row.rule == LIMITS_RULE else row for row in rows)


def _with_limits(row: Row, compared: int, unlike: tuple[Difference, ...], trial: int) -> Row:
    offences = tuple(
        Offence(trial, 0, -1, _number(one.enforced), _number(one.own), "", f"limit {one.name} as it was enforced")
        for one in unlike
    )
    failed = row.failed + len(unlike)
    verdict, note = (Verdict.FAIL, _offences_told(failed)) if failed else (Verdict.PASS, "")
    if row.verdict == Verdict.CANT_JUDGE and not failed:
        verdict, note = row.verdict, row.note
    return row._replace(
        verdict=verdict,
        exercised=row.exercised + compared,
        failed=failed,
        offences=(*offences, *row.offences)[:OFFENCES_KEPT],
        note=note,
    )


def _number(number: int | None) -> int:
    """A number that only one side has stands as -1."""
    return -1 if number is None else number


def _offences_told(failed: int) -> str:
    return f"{failed} offences" if failed > 1 else "1 offence"


def _row(
    requirement: Requirement, books: Books, counts: NDArray[Any], logged: bool, measured: bool, cannot: frozenset[str]
) -> Row:
    own = [number for number, check in enumerate(CHECKS) if check.rule == requirement.name]
    note = _obstacle(requirement.name, {CHECKS[number].needs for number in own}, logged, measured, cannot)
    if note:
        return Row(requirement.name, requirement.title, Verdict.CANT_JUDGE, 0, 0, None, (), note)
    exercised = int(counts[own].sum())
    failed = int(books.failed[own].sum())
    verdict, note = Verdict.NOT_EXERCISED, NEVER_MET
    if failed:
        verdict, note = Verdict.FAIL, _offences_told(failed)
    elif exercised:
        verdict, note = Verdict.PASS, ""
    return Row(
        requirement.name,
        requirement.title,
        verdict,
        exercised,
        failed,
        _closest(books, own),
        _offences(books, own),
        note,
    )


def _obstacle(rule: str, needs: set[str], logged: bool, measured: bool, cannot: frozenset[str]) -> str:
    """Why a rule can't be judged, or ""."""
    if rule in cannot:
        return NO_BOUND
    if logged or "pulses" in needs:
        return ""
    if "measured" in needs:
        return "" if measured else NOT_MEASURED
    return NO_DECISIONS


def _closest(books: Books, own: list[int]) -> Closest | None:
    """The closest value of all checks of a rule. Those that can only be kept or broken say nothing while kept."""
    told = [number for number in own if books.closeness[number] >= 0 and _tells(books, number)]
    if not told:
        return None
    number = max(told, key=lambda number: books.closeness[number])
    trial, t_us, channel, value, bound = (int(entry) for entry in books.closest[number])
    check, closeness = CHECKS[number], float(books.closeness[number])
    if check.unit == SQUARED and closeness > 0:  # how near an r.m.s. current came, not its square
        closeness = max(math.sqrt(closeness), math.nextafter(1.0, 2.0) if books.failed[number] else 0.0)
    return Closest(closeness, value, bound, check.unit, trial, t_us, channel, check.what)


def _tells(books: Books, number: int) -> bool:
    return bool(books.closest[number, 4] != 0 or books.failed[number])


def _offences(books: Books, own: list[int]) -> tuple[Offence, ...]:
    """The first offences of a rule over all its checks, by trial and time."""
    found = []
    for number in own:
        for line in books.offences[number, : min(int(books.failed[number]), OFFENCES_KEPT)]:
            trial, t_us, channel, value, bound = (int(entry) for entry in line)
            found.append(Offence(trial, t_us, channel, value, bound, CHECKS[number].unit, CHECKS[number].what))
    return tuple(sorted(found, key=lambda offence: (offence.trial, offence.t_us)))[:OFFENCES_KEPT]
