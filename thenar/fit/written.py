"""A finished fit as a file that scenarios include: values with their units, intervals, and where they came from."""

from __future__ import annotations

import importlib.metadata
import math
import re
import textwrap
from collections.abc import Iterator, Mapping
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any, Final

import tomlkit
from pydantic import BaseModel
from tomlkit.items import Table

from thenar.fit.found import Fit, Parameter
from thenar.fit.recording import Recording
from thenar.plant_models.settings import Estimator, Wearer
from thenar.scenarios.fitted import SCHEMA_VERSION, fitted_in, leaves
from thenar.shared.errors import InputError, Problem

HEAD: Final = (
    "Made by `thenar fit {kind}` from {file}.",
    "Simulation only, not a medical device. No clinical finding, no limit: it allows nobody to be stimulated.",
    "A scenario stands on this file by {how}; keys that the scenario writes itself come first.",
)
WIDTH: Final = 110
_HOW: Final = {"estimator": '[estimator] file = "..."', "wearer": '[wearer] files = ["..."]'}
_PLACE: Final = re.compile(r"(.+)\[(\d+)\]")


def text_of(fit: Fit, recording: Recording) -> str:
    """The TOML text of `fit`, made from `recording`; `thenar.scenarios.fitted` reads it.

    Values are written exactly, ends of intervals to six digits. An interval is written for what the recording can tell
    and `fit.table` holds; all else that was found stands in comments. Raises InputError when a value can't stand in a
    scenario, and with the note of every parameter when the recording tells nothing.
    """
    name = _file_name(recording.file)
    if not fit.table:
        raise InputError(_nothing_told(fit, recording.file))
    document = tomlkit.document()
    head = (line.format(kind=fit.kind, file=name, how=_HOW[fit.part_of]) for line in HEAD)
    for line in (*head, *_only_told(fit)):
        for part in textwrap.wrap(line, WIDTH, subsequent_indent="  ", break_on_hyphens=False):
            document.add(tomlkit.comment(part))
    document.add("schema", tomlkit.item(SCHEMA_VERSION))
    document.add("part_of", tomlkit.item(fit.part_of))
    document.add("fitted", tomlkit.item(fit.kind))
    if fit.misfits:
        document.add(
            "believed", tomlkit.item(False).comment("it doesn't describe the recording: see came_from.misfits")
        )
    document.add("title", tomlkit.item(_line(f"{fit.kind.capitalize()} fitted to {name}")))
    table = _plain(fit.table)
    document.add("values", _values(table, Estimator if fit.part_of == "estimator" else Wearer))
    intervals = _intervals(fit, table)
    if intervals:
        document.add("intervals", _nested(intervals, "95 % intervals, in the units above"))
    document.add("came_from", _came_from(fit, recording, name))
    text = tomlkit.dumps(document)
    fitted_in(text, f"the fit of {name}")
    return text


def _file_name(file: str) -> str:
    """The last part of a path of any system: no folder of a machine goes into a file that is passed on."""
    return _line(PureWindowsPath(PurePosixPath(file).name).name)


def _line(text: str) -> str:
    words = " ".join(text.split())
    return words if words.isprintable() else ascii(words)


def _nothing_told(fit: Fit, file: str) -> list[Problem]:
    """Why there is nothing to write."""
    told = [
        Problem(file, _line(parameter.key), "not told by this recording", _line(parameter.note))
        for parameter in fit.parameters
        if parameter.note
    ]
    return told or [Problem(file, "", "nothing that a scenario could take", "a recording that tells a parameter")]


def _only_told(fit: Fit) -> Iterator[str]:
    """What was found but isn't simulated: parameters beside the table, and those that the recording can't tell."""
    known = _known_keys(fit.table)
    for parameter in fit.parameters:
        if not parameter.identifiable:
            yield _line(f"Not told by this recording: {parameter.key}. {parameter.note}")
        elif parameter.key not in known:
            yield _line(f"Found beside the values: {_in_words(parameter)}. {parameter.note}")


def _in_words(parameter: Parameter) -> str:
    ends = f" ({parameter.low:.6g} to {parameter.high:.6g})" if _has_interval(parameter) else ""
    return f"{parameter.key} = {parameter.value:.6g} {parameter.unit}".rstrip() + ends


def _has_interval(parameter: Parameter) -> bool:
    return math.isfinite(parameter.low) and math.isfinite(parameter.high)


def _known_keys(table: Mapping[str, Any]) -> set[str]:
    known: set[str] = set()
    for key, value in leaves(table):
        known.add(key)
        if isinstance(value, list | tuple):
            known.update(f"{key}[{place}]" for place in range(len(value)))
    return known


def _plain(value: Any) -> Any:
    """`value` with Python's own tables, lists and numbers in place of those of NumPy."""
    if isinstance(value, Mapping):
        return {key: _plain(below) for key, below in value.items()}
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    return [_plain(entry) for entry in value] if isinstance(value, list | tuple) else value


def _values(table: Mapping[str, Any], model: type[BaseModel]) -> Table:
    """A TOML table of values, each with its setting's description (which holds the unit) as a comment."""
    result = tomlkit.table(is_super_table=bool(table) and all(isinstance(value, dict) for value in table.values()))
    for key, value in _values_first(table):
        field = model.model_fields.get(key)
        if isinstance(value, dict):
            inner = field.annotation if field is not None else None
            below = inner if isinstance(inner, type) and issubclass(inner, BaseModel) else BaseModel
            result.add(key, _values(value, below))
            continue
        item = tomlkit.item(value)
        if field is not None and field.description:
            item.comment(_line(field.description))
        result.add(key, item)
    return result


def _nested(table: Mapping[str, Any], head: str = "") -> Table:
    result = tomlkit.table()
    if head:
        result.add(tomlkit.comment(head))
    for key, value in _values_first(table):
        result.add(key, _nested(value) if isinstance(value, dict) else tomlkit.item(value))
    return result


def _values_first(table: Mapping[str, Any]) -> list[tuple[str, Any]]:
    """TOML takes a value after a table for one of that table, so tables come last."""
    return sorted(table.items(), key=lambda item: isinstance(item[1], dict))


def _intervals(fit: Fit, table: Mapping[str, Any]) -> dict[str, Any]:
    """Intervals nested as the table; those of a list only where every entry has one."""
    held = dict(leaves(table))
    of_lists: dict[str, dict[int, list[float]]] = {}
    nested: dict[str, Any] = {}
    for parameter in fit.parameters:
        if not parameter.identifiable or not _has_interval(parameter):
            continue
        ends = [float(f"{end:.6g}") for end in (parameter.low, parameter.high)]
        entry = _PLACE.fullmatch(parameter.key)
        if parameter.key in held and not isinstance(held[parameter.key], list):
            _put(nested, parameter.key, ends)
        elif entry is not None and isinstance(held.get(entry[1]), list):
            of_lists.setdefault(entry[1], {})[int(entry[2])] = ends
    for key, pairs in of_lists.items():
        if sorted(pairs) == list(range(len(held[key]))):
            _put(nested, key, [pairs[place] for place in sorted(pairs)])
    return nested


def _put(nested: dict[str, Any], path: str, value: object) -> None:
    *above, last = path.split(".")
    for key in above:
        nested = nested.setdefault(key, {})
    nested[last] = value


def _came_from(fit: Fit, recording: Recording, name: str) -> Table:
    facts: dict[str, Any] = {
        "file": name,
        "sha256": recording.sha256,
        "rows": int(recording.rows),
        "begins": _line(recording.begins),
        "ends": _line(recording.ends),
        "thenar": importlib.metadata.version("thenar"),
        "repairs": [_line(sentence) for sentence in recording.repairs],
        "warnings": [_line(sentence) for sentence in fit.warnings],
        **({"misfits": [_line(sentence) for sentence in fit.misfits]} if fit.misfits else {}),
        "settings": _plain(dict(fit.settings)),
    }
    return _nested(facts)
