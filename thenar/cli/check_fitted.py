"""What `thenar check` says of the fitted files that a scenario stands on: their origin, their values and intervals."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any, Final

from thenar.cli.show import listed
from thenar.plant_models.settings import Wearer
from thenar.scenarios.changes import value_at
from thenar.scenarios.fitted import CameFrom, leaves
from thenar.scenarios.included import Included
from thenar.scenarios.loader import LoadedScenario

SHOWN_AT_MOST: Final = 12

Facts = list[tuple[str, str]]


def fitted_facts(loaded: LoadedScenario, wearers: Iterable[Wearer]) -> Facts:
    """Two lines for each fitted file, and how many of the `wearers` are drawn around each fitted person."""
    facts: Facts = []
    for one in loaded.fitted[:SHOWN_AT_MOST]:
        facts.append(
            (f"fitted {one.fitted.kind}", f"{one.file.name} ({one.file.key}), {_origin(one.fitted.came_from)}")
        )
        facts.append(("", ", ".join(_value(*entry) for entry in _values(loaded, one))))
        facts += [("", f"mended: {words}") for words in one.fitted.came_from.repairs]
        facts += [("", f"NOT BELIEVED: {words}") for words in one.fitted.came_from.misfits]
        facts += [("", f"warning: {words}") for words in one.fitted.came_from.warnings]
    if len(loaded.fitted) > SHOWN_AT_MOST:
        facts.append(("", f"... and {len(loaded.fitted) - SHOWN_AT_MOST} more fitted files (--json has all)"))
    if loaded.people:
        counts = Counter(wearer.files for wearer in wearers)
        words = [f"{' + '.join(files)}: {counts[files]}" for files in dict.fromkeys(p.files for p in loaded.people)]
        facts.append(("wearers drawn around", listed(words)))
    return facts


def fitted_records(loaded: LoadedScenario) -> list[dict[str, object]]:
    """The same of each fitted file as plain data."""
    return [
        {
            "key": one.file.key,
            "name": one.file.name,
            "sha256": one.file.sha256,
            "fitted": one.fitted.kind,
            "title": one.fitted.title,
            "believed": one.fitted.believed,
            "values": one.fitted.values,
            "intervals": {key: list(ends) for key, ends in one.fitted.intervals.items()},
            "set_by_the_scenario_instead": [key for key, _, ends, used in _values(loaded, one) if not used],
            "came_from": one.fitted.came_from.model_dump(mode="json"),
        }
        for one in loaded.fitted
    ]


def _origin(origin: CameFrom) -> str:
    dates = " to ".join(dict.fromkeys(date for date in (origin.begins, origin.ends) if date))
    parts = [f"from {origin.file}", f"{origin.rows} rows", dates or "no dates on record"]
    return ", ".join([*parts, f"by thenar {origin.thenar}, SHA-256 {origin.sha256[:12]}..."])


Value = tuple[str, Any, tuple[float, float] | None, bool]


def _values(loaded: LoadedScenario, one: Included) -> Iterator[Value]:
    """Key, value, interval, and whether the scenario uses it, of each number of a file (lists entry by entry)."""
    where = one.file.key.partition(".")[0]
    for key, value in leaves(one.fitted.values):
        used = where == "population" or value_at(loaded, f"{where}.{key}") == value
        if isinstance(value, tuple):
            for place, entry in enumerate(value):
                yield f"{key}[{place}]", entry, one.fitted.intervals.get(f"{key}[{place}]"), used
        else:
            yield key, value, one.fitted.intervals.get(key), used


def _value(key: str, value: Any, ends: tuple[float, float] | None, used: bool) -> str:
    words = f"{key} {value:.4g}" if isinstance(value, float) else f"{key} {value}"
    interval = "" if ends is None else f" ({ends[0]:.4g} to {ends[1]:.4g})"
    return words + interval + ("" if used else " [set by the scenario instead]")
