"""A scenario with other values: named keys of its TOML text are set, everything else stays, comments too."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise
from typing import Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array

from thenar.scenarios.loader import LoadedScenario, parse_scenario
from thenar.shared.errors import InputError, Problem, nearest, shown

Value = float | int | str | bool
_PART: Final = re.compile(r"([A-Za-z0-9_-]+)((?:\[\d+\])*)")


def with_values(loaded: LoadedScenario, values: Mapping[str, Value]) -> LoadedScenario:
    """`loaded` with `values` by key path ("law.settings.deadband_N", "faults[0].at_s") in place of its own.

    A key that the file leaves to its default is added. Raises InputError as `parse_scenario` does, and on a path that
    leads nowhere.
    """
    return next(settings_of(loaded, [values]))


def text_with(text: str, values: Mapping[str, Value | list[float]], file: str) -> str:
    """A scenario's text with `values` by key path in it, unchecked. `file`: for errors. Raises InputError."""
    document = tomlkit.parse(text.removeprefix("\ufeff"))
    for path, value in values.items():
        _put(document, path, value, file)
    return document.as_string()


def settings_of(loaded: LoadedScenario, settings: Iterable[Mapping[str, Value]]) -> Iterator[LoadedScenario]:
    """`with_values` for one mapping after another; the text is taken apart anew only where other keys are set."""
    text = loaded.text.removeprefix("\ufeff")
    document = tomlkit.parse(text)
    keys_set: list[str] = []
    for values in settings:
        if keys_set and list(values) != keys_set:
            document = tomlkit.parse(text)
        keys_set = list(values)
        for path, value in values.items():
            _put(document, path, value, str(loaded.path))
        yield parse_scenario(
            document.as_string(), loaded.path.name, loaded.base, shown_as=str(loaded.path), trust_law=loaded.trust_law
        )


def value_at(loaded: LoadedScenario, path: str) -> object:
    """The value that the checked scenario holds at a key path, a default included. Raises InputError."""
    file = str(loaded.path)
    found: Any = loaded.scenario.model_dump(by_alias=True)
    at = ""
    for part in _parts(path, file):
        below = f"{at}[{part}]" if isinstance(part, int) else f"{at}.{part}".lstrip(".")
        if isinstance(part, int):
            if not isinstance(found, (list, tuple)) or part >= len(found):
                raise InputError([Problem(file, below, "no such entry", "an entry that the file has")])
        elif not isinstance(found, dict) or part not in found:
            known = sorted(found) if isinstance(found, dict) else []
            allowed = f"one of {', '.join(known)}" if known else "a key of a table"
            raise InputError([Problem(file, below, shown(part), allowed, nearest(part, known))])
        found, at = found[part], below
    return found


def _put(document: Any, path: str, value: Value | list[float], file: str) -> None:
    """Set one value in a TOML document, with the tables above it where they are missing."""
    parts = _parts(path, file)
    table = document
    for part, following in pairwise(parts):
        if isinstance(part, int):
            if not isinstance(table, (AoT, Array)) or part >= len(table):
                raise InputError([Problem(file, path, f"no entry {part}", "an entry that the file has")])
        elif part not in table:
            if isinstance(following, int):
                raise InputError([Problem(file, path, f"no list {part}", "a list that the file has")])
            table.add(part, tomlkit.table())
        table = table[part]
        if not isinstance(table, (dict, list)):
            raise InputError([Problem(file, path, f"{part} is a value", "a key of a table")])
    try:
        table[parts[-1]] = value
    except (TOMLKitError, IndexError, TypeError, ValueError) as error:
        raise InputError([Problem(file, path, str(error), "a key that can hold a value")]) from None


def _parts(path: str, file: str) -> list[str | int]:
    """The keys and list places of a path. Raises InputError on anything but names, dots and [numbers]."""
    parts: list[str | int] = []
    for piece in path.split("."):
        match = _PART.fullmatch(piece)
        if match is None:
            allowed = "keys joined by dots, list entries as [0], for example law.settings.deadband_N"
            raise InputError([Problem(file, path, shown(path), allowed)])
        parts.append(match[1])
        parts += [int(number) for number in re.findall(r"\d+", match[2])]
    return parts
