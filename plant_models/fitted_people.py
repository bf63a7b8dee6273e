"""People known by fits, and wearers drawn around them.

A drawn wearer is one of the people, each equally likely. Each fitted number is drawn by itself from a normal
distribution whose 2.5 % and 97.5 % points are the ends of its 95 % interval: on a log scale where the setting can't be
negative and the interval lies above zero, on a linear scale otherwise. What falls outside the range of the setting is
moved to its end. A fitted value without an interval is taken as it is. How the estimates of one fit go together is not
known here, so they are drawn as if they didn't.

Every number has a noise stream named by its key, so that one more fitted number changes no other.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple, TypeVar

from pydantic import BaseModel

from thenar.plant_models.settings import Wearer
from thenar.shared.noise import stream

Model = TypeVar("Model", bound=BaseModel)

SDS_TO_AN_END: Final = 1.959963984540054
"""Standard deviations of a normal distribution from its middle to its 97.5 % point."""


class FittedPerson(NamedTuple):
    """What fits found of one person.

    `files`: where it was written; `values`: nested as the settings of a wearer; `intervals`: 95 % intervals by key path
    ("production.gain"), in the unit of the key.
    """

    files: tuple[str, ...]
    values: Mapping[str, Any]
    intervals: Mapping[str, tuple[float, float]]


def picked(people: Sequence[FittedPerson], seed: int, index: int) -> FittedPerson | None:
    """Whom wearer `index` (from 0) is drawn around; None where there are no people."""
    if not people:
        return None
    return people[int(stream(seed, index, 0, "fitted person").random() * len(people))]


def drawn_values(person: FittedPerson, seed: int, index: int) -> dict[str, Any]:
    """The fitted values of wearer `index` (from 0) by key path: drawn where there is an interval."""
    found: dict[str, Any] = {}
    for key, value in _leaves(person.values, ""):
        ends = person.intervals.get(key)
        found[key] = value if ends is None else _drawn(key, ends, seed, index)
    return found


def with_values(wearer: Wearer, values: Mapping[str, Any]) -> Wearer:
    """`wearer` with values by key path in place of its own. They must be as the settings hold them."""
    nested: dict[str, Any] = {}
    for key, value in values.items():
        *above, last = key.split(".")
        table = nested
        for part in above:
            table = table.setdefault(part, {})
        table[last] = value
    return _overlaid(wearer, nested)


def _overlaid(model: Model, values: Mapping[str, Any]) -> Model:
    update = {
        key: _overlaid(getattr(model, key), value) if isinstance(value, dict) else value
        for key, value in values.items()
    }
    return model.model_copy(update=update)


def _leaves(table: Mapping[str, Any], above: str) -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []
    for key, value in table.items():
        found += _leaves(value, f"{above}{key}.") if isinstance(value, Mapping) else [(above + key, value)]
    return found


def _drawn(key: str, ends: tuple[float, float], seed: int, index: int) -> float:
    lowest, highest = range_of(key)
    log = lowest >= 0 and ends[0] > 0
    low, high = (math.log(end) for end in ends) if log else ends
    z = float(stream(seed, index, 0, f"fitted {key}").standard_normal())
    value = 0.5 * (low + high) + 0.5 * (high - low) / SDS_TO_AN_END * z
    return min(highest, max(lowest, math.exp(value) if log else value))


@functools.cache
def range_of(key: str) -> tuple[float, float]:
    """The lowest and the highest number that a wearer's setting takes, by key path ("production.gain")."""
    model: type[BaseModel] = Wearer
    *above, last = key.split(".")
    for part in above:
        inner = model.model_fields[part].annotation
        assert isinstance(inner, type)  # noqa: S101 - settings nest models alone
        model = inner
    bounds = model.model_fields[last].metadata
    lows = [float(bound.ge) for bound in bounds if hasattr(bound, "ge")]
    lows += [math.nextafter(float(bound.gt), math.inf) for bound in bounds if hasattr(bound, "gt")]
    highs = [float(bound.le) for bound in bounds if hasattr(bound, "le")]
    highs += [math.nextafter(float(bound.lt), -math.inf) for bound in bounds if hasattr(bound, "lt")]
    return max(lows, default=-math.inf), min(highs, default=math.inf)
