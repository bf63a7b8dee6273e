"""Which of a file's columns is which of ours; what is missing, unknown, named twice or in another unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from thenar.fit.kinds import DATE_COLUMN, Kind
from thenar.fit.raw import Raw, counted
from thenar.fit.unit_words import UNIT_REPAIRS
from thenar.shared.errors import InputError, Problem, nearest, shown

IGNORE: Final = "ignore-columns"


def check_renames(file: str, kind: Kind, named: Mapping[str, str], option: str) -> None:
    """Raises InputError for a name in `named` that isn't a column of `kind`. `option`: what the user typed."""
    known = kind.names
    wrong = [name for name in named if name not in known]
    if wrong:
        allowed = f"a column of {kind.name}: {', '.join(known)}"
        raise InputError(Problem(file, option, shown(name), allowed, nearest(name, known)) for name in wrong)


def chosen_headers(raw: Raw, headers: Sequence[str], renames: Mapping[str, str]) -> dict[str, int]:
    """Our column names to places in `headers`; `recorded` too. What is wrong goes to `raw`.

    `renames`: our name to the name in the file. A needed column that isn't there is left out of the answer.
    """
    kind = raw.kind
    twice = sorted({name for name in headers if name and headers.count(name) > 1})
    for name in twice:
        raw.say(f"column {name}", f"{headers.count(name)} columns of this name", "one column of each name")
    found: dict[str, int] = {}
    for name in (*kind.names, DATE_COLUMN):
        theirs = renames.get(name, name)
        if theirs in headers and (name in renames or theirs not in renames.values()):
            found[name] = headers.index(theirs)
            if name in renames:
                left = f"; the file's own {name} was left out" if name in headers and name != theirs else ""
                raw.mended.append(f"{name} was read from the column {theirs}, as asked{left}")
        elif name in renames:
            raw.say(
                f"--column {name}", f"no column {shown(theirs)}", f"one of {_few(headers)}", nearest(theirs, headers)
            )
    taken = {headers[place] for place in found.values()}
    spare = [header for header in headers if header not in taken]
    suspects = _missing(raw, [one for one in kind.names if one not in found and one not in renames], spare)
    _unknown(raw, [header for header in spare if header not in suspects and header not in renames])
    return found


def _missing(raw: Raw, absent: Sequence[str], spare: Sequence[str]) -> set[str]:
    """Tell needed columns that aren't there. Returns the spare headers that were named as perhaps meant."""
    meant: set[str] = set()
    for name in absent:
        close = _close(name, [one for one in spare if one not in meant and one not in raw.kind.names])
        needed = raw.kind.column(name).needed
        if not (needed or close):
            continue
        meant |= {close} - {""}
        allowed = f"a column {name} in {raw.kind.column(name).unit}" + ("" if needed else " (may be left out)")
        raw.say(f"column {name}", "no such column", allowed + _in_another_unit(name, close), close)
    return meant


def _close(name: str, spare: Sequence[str]) -> str:
    """The header that may be meant by `name`: the same quantity in another unit, or nearly the same letters."""
    quantity = name.rpartition("_")[0].lower()
    same = [header for header in spare if header.strip().lower().rpartition("_")[0] == quantity]
    lowered = {header.strip().lower(): header for header in spare}
    return next(iter(same), "") or lowered.get(nearest(name.lower(), lowered), "")


def _in_another_unit(name: str, close: str) -> str:
    """How to take the header `close` for `name`, with the conversion when its unit is a known other one."""
    if not close:
        return ""
    asked = f"; if {shown(close)} is meant: --column {name}={close}"
    ours, theirs = name.rpartition("_")[2], close.strip().rpartition("_")[2]
    fitting = [one for one in UNIT_REPAIRS.values() if one.to == ours and theirs.lower() in one.written]
    return asked + (f" --repair {fitting[0].name}:{name}" if fitting and theirs != ours else "")


def _unknown(raw: Raw, unknown: Sequence[str]) -> None:
    if not unknown:
        return
    if raw.asks(IGNORE):
        raw.mended.append(f"{IGNORE}: {counted(len(unknown), 'column')} left out: {_few(unknown)}")
        return
    found = f"{counted(len(unknown), 'unknown column')}: {_few(unknown)}"
    close = next((one for one in (nearest(header, raw.kind.names) for header in unknown) if one), "")
    raw.say(
        "columns", found, f"{', '.join(raw.kind.names)}, {DATE_COLUMN}; leave them out with --repair {IGNORE}", close
    )


def _few(headers: Sequence[str]) -> str:
    """Headers on one short line."""
    some = ", ".join(shown(one) for one in headers[:8])
    return some + (f" and {len(headers) - 8} more" if len(headers) > 8 else "")
