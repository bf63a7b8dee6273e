"""One swept key as a person writes it: KEY=LOW:HIGH:N, KEY=LOW:HIGH:N:log, KEY=LOW:HIGH (drawn), or KEY=A,B,C.

Whole numbers stay whole where the scenario holds a whole number, words stay words, true and false are spelled as in
TOML. Twelve digits of a number between the ends are kept, so that a tenth is written 0.3 and not 0.30000000000000004.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np

from thenar.controller.registry import stated
from thenar.scenarios.changes import Value, value_at
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError, Problem, shown

OVER: Final = "--over"
LAW: Final = "law."
_SETTINGS: Final = "law.settings."
_LOG: Final = "log"
_FORMS: Final = (
    "KEY=LOW:HIGH:N, KEY=LOW:HIGH:N:log, KEY=A,B,C; without N where --samples says how many: KEY=LOW:HIGH, "
    "KEY=LOW:HIGH:log"
)
_MOST_POINTS: Final = 100_000


class Span(NamedTuple):
    """A range of numbers, both ends included. `points`: how many (None: drawn); `whole`: whole numbers only."""

    low: float
    high: float
    points: int | None
    log: bool
    whole: bool


class Axis(NamedTuple):
    """One swept key: its full path, and either a range or listed values (then `span` is None)."""

    key: str
    span: Span | None
    listed: tuple[Value, ...]

    @property
    def log(self) -> bool:
        """True when steps are ratios."""
        return self.span is not None and self.span.log

    def words(self) -> str:
        """The axis as a person would write it, one way for one meaning."""
        if self.span is None:
            return f"{self.key}={','.join(map(str, self.listed))}"
        low, high, points, log, _ = self.span
        parts = [f"{low:.12g}", f"{high:.12g}", *([] if points is None else [str(points)]), *([_LOG] if log else [])]
        return f"{self.key}={':'.join(parts)}"

    def grid(self) -> tuple[Value, ...]:
        """Every value of the axis, in the order in which a grid goes through them."""
        if self.span is None:
            return self.listed
        low, high, points, log, whole = self.span
        between = np.geomspace if log else np.linspace
        values = between(low, high, points or 1).tolist()
        ends = {0: low, len(values) - 1: high} if len(values) > 1 else {0: low}
        tidied = (_tidy(ends.get(place, value), whole) for place, value in enumerate(values))
        return tuple(dict.fromkeys(tidied))

    def at(self, share: float) -> Value:
        """The value at `share` of the way (from 0, below 1), for drawn designs; whole numbers are equally likely."""
        if self.span is None:
            return self.listed[int(share * len(self.listed))]
        low, high, _, log, whole = self.span
        if whole:
            high += 1
        value = low * (high / low) ** share if log else low + share * (high - low)
        return min(int(self.span.high), math.floor(value)) if whole else _tidy(value, whole=False)


def axes_of(loaded: LoadedScenario, texts: Sequence[str], drawn: bool) -> tuple[Axis, ...]:
    """The axes that `texts` describe ("law.settings.deadband_N=0.2:1.0:5"), each key once.

    `drawn`: settings are drawn, so a range has no number of points. Raises InputError with all that is wrong.
    """
    axes: list[Axis] = []
    problems: list[Problem] = []
    for text in texts:
        try:
            axis = _axis(loaded, text, drawn)
        except InputError as error:
            problems.extend(error.problems)
            continue
        if any(axis.key == other.key for other in axes):
            problems.append(Problem(OVER, axis.key, "the same key twice", "each key once"))
        axes.append(axis)
    if problems:
        raise InputError(problems)
    return tuple(axes)


def held_at(loaded: LoadedScenario, key: str) -> object:
    """What the scenario holds at a key path, defaults of the law's own settings too.

    None where nothing is known: an optional key left out, or a law that states no settings. Raises InputError on a
    path that leads nowhere.
    """
    if not key.startswith(_SETTINGS):
        return value_at(loaded, key)
    law = loaded.scenario.law
    found = stated(law, loaded.base, str(loaded.path), trusted=loaded.trust_law)
    if found.fields is None:
        return law.settings.get(key.removeprefix(_SETTINGS))
    whole = loaded.scenario.model_copy(update={"law": law.model_copy(update={"settings": found.values})})
    return value_at(replace(loaded, scenario=whole), key)


def _axis(loaded: LoadedScenario, text: str, drawn: bool) -> Axis:
    key, equals, rest = text.partition("=")
    key, rest = key.strip(), rest.strip()
    if not equals or not key or not rest:
        raise InputError([Problem(OVER, "", shown(text), _FORMS)])
    held = held_at(loaded, key)
    if isinstance(held, dict | list | tuple):
        raise InputError([Problem(OVER, key, "a table or a list", "a key that holds one value")])
    if ":" in rest and not isinstance(held, str):
        return Axis(key, _span(key, rest, held, drawn), ())
    listed = tuple(_listed(key, part.strip(), held) for part in rest.split(","))
    if len(set(listed)) < len(listed):
        raise InputError([Problem(OVER, key, f"the same value twice in {shown(rest)}", "each value once")])
    return Axis(key, None, listed)


def _span(key: str, text: str, held: object, drawn: bool) -> Span:
    parts = [part.strip() for part in text.split(":")]
    log = parts[-1] == _LOG
    if log:
        parts.pop()
    if isinstance(held, bool) or len(parts) not in (2, 3):
        raise InputError([Problem(OVER, key, shown(text), "true,false" if isinstance(held, bool) else _FORMS)])
    whole = isinstance(held, int)
    low, high = (_number(key, part, whole) for part in parts[:2])
    if low > high or (low == high and (drawn or parts[2:] not in ([], ["1"]))):
        raise InputError([Problem(OVER, key, f"{parts[0]}:{parts[1]}", "a low end below the high end")])
    if log and low <= 0:
        raise InputError([Problem(OVER, key, f"log from {parts[0]}", "a low end above 0: steps are ratios")])
    return Span(low, high, _points(key, parts[2:], drawn, int(high - low) + 1 if whole else None), log, whole)


def _points(key: str, given: list[str], drawn: bool, whole_numbers: int | None) -> int | None:
    """The number of points of a range. `whole_numbers`: how many there are to choose from, where they must be whole."""
    if drawn:
        if given:
            allowed = "LOW:HIGH alone: settings are drawn, --samples says how many"
            raise InputError([Problem(OVER, key, f"a number of points, {given[0]}", allowed)])
        return None
    if not given:
        raise InputError([Problem(OVER, key, "a range without a number of points", "KEY=LOW:HIGH:N")])
    try:
        points = int(given[0])
    except ValueError:
        points = 0
    if not 1 <= points <= _MOST_POINTS:
        allowed = f"a whole number from 1 to {_MOST_POINTS} for N"
        raise InputError([Problem(OVER, key, shown(given[0]), allowed)])
    if whole_numbers is not None and points > whole_numbers:
        raise InputError([Problem(OVER, key, f"{points} points", f"at most {whole_numbers}: whole numbers only")])
    return points


def _number(key: str, text: str, whole: bool) -> float:
    try:
        number = int(text) if whole else float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise InputError([Problem(OVER, key, shown(text), "a whole number" if whole else "a number")])
    return number


def _listed(key: str, text: str, held: object) -> Value:
    """One listed value, of the kind that the scenario holds there."""
    truths = {"true": True, "false": False}
    if not text:
        raise InputError([Problem(OVER, key, "an empty value", "KEY=A,B,C")])
    if isinstance(held, str):
        return text
    if isinstance(held, bool):
        if text not in truths:
            raise InputError([Problem(OVER, key, shown(text), "true or false")])
        return truths[text]
    if isinstance(held, int | float):
        return _number(key, text, isinstance(held, int))
    try:
        return float(text) if math.isfinite(float(text)) else text
    except ValueError:
        return truths.get(text, text)


def _tidy(value: float, whole: bool) -> Value:
    return round(value) if whole else float(f"{value:.12g}")
