"""Fitted files: what `thenar fit` found of one estimator or one wearer, and where it came from.

- `schema = 1`
- `believed`: false when the fit doesn't describe its recording; left out when it does
- `part_of`: "estimator" or "wearer", the table of a scenario that it can stand in
- `fitted`: "estimator", "recruitment", "muscle" or "wearer", which fit made it; `title`: in one line
- `[values]`: nested as in a scenario
- `[intervals]`: nested likewise, [low, high] at 95 %; for a list a pair for each entry
- `[came_from]`: the recording (file, sha256, rows, begins, ends), the version of thenar, settings, repairs, warnings,
  misfits
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Final, Literal, NamedTuple

from pydantic import AfterValidator, BaseModel, Field

from thenar.plant_models.settings import Estimator, Wearer
from thenar.scenarios.pieces import checked, plainness
from thenar.scenarios.wearers import written_out
from thenar.shared.errors import InputError, Problem, Strict, nearest, shown
from thenar.shared.text_input import table_in, toml_text

SCHEMA_VERSION: Final = 1
PART_OF: Final = {"estimator": "estimator", "recruitment": "wearer", "muscle": "wearer", "wearer": "wearer"}
"""Where in a scenario each kind of fit belongs."""
_NEVER_FITTED: Final = {
    "estimator": ("file", "accept_misfit"), "wearer": ("name", "recording", "files", "accept_misfit"),
}  # fmt: skip
_PAIR: Final = "[low, high], two numbers that don't fall"

Interval = tuple[float, float]
Option = float | int | str | bool


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError("one line of text without control characters")
    return text


Line = Annotated[str, AfterValidator(_printable)]
Lines = Annotated[tuple[Line, ...], Field(strict=False)]


class CameFrom(Strict):
    """The recording that a fit was made from, and how."""

    file: Line = Field(min_length=1, pattern=r"^[^/\\]+$", description="name of the recording, without its folder")
    sha256: str = Field(pattern="^[0-9a-f]{64}$", description="SHA-256 of the recording's bytes")
    rows: int = Field(ge=1, description="rows in the recording")
    begins: Line = Field("", description="first date on record, ISO 8601, '' where none is")
    ends: Line = Field("", description="last date on record, ISO 8601, '' where none is")
    thenar: Line = Field(description="version of thenar that made the fit")
    settings: dict[str, Option] = Field(default_factory=dict, description="what the fit was asked, by option")
    repairs: Lines = Field((), description="what was mended in the recording, as asked for")
    warnings: Lines = Field((), description="what the fit warned of")
    misfits: Lines = Field((), description="why the fit doesn't describe the recording")


class _Whole(Strict):
    """A fitted file as it is written, `schema` taken out."""

    part_of: Literal["estimator", "wearer"]
    fitted: Literal["estimator", "recruitment", "muscle", "wearer"]
    believed: bool = True
    title: Line = Field(min_length=1, max_length=200)
    values: dict[str, Any]
    intervals: dict[str, Any] = Field(default_factory=dict)
    came_from: CameFrom


class Fitted(NamedTuple):
    """A fitted file that passed every check.

    `part_of`: "estimator" or "wearer"; `kind`: which fit made it; `values`: nested as in a scenario, as the settings
    hold them; `intervals`: 95 % intervals by key path ("production.gain", "reads_N[2]"), in the unit of the key;
    `believed`: whether the fit describes its recording.
    """

    part_of: str
    kind: str
    title: str
    values: Mapping[str, Any]
    intervals: Mapping[str, Interval]
    came_from: CameFrom
    believed: bool = True


def read_fitted(path: Path) -> Fitted:
    """The fitted file at `path`. Raises InputError that tells of everything that is wrong with it."""
    return fitted_in(toml_text(path), str(path))


def fitted_in(text: str, file: str) -> Fitted:
    """The fitted file in a text. `file`: what errors call it. Raises InputError as `read_fitted`."""
    data = table_in(text, file)
    problems = plainness(data, file)
    if problems:
        raise InputError(problems)
    _check_version(data, file)
    whole = checked(_Whole, data, file, "", problems)
    if whole is None:
        raise InputError(problems)
    if PART_OF[whole.fitted] != whole.part_of:
        allowed = f"{PART_OF[whole.fitted]}, as fitted = {whole.fitted!r}"
        raise InputError([Problem(file, "part_of", repr(whole.part_of), allowed)])
    values = _values(whole, file, problems)
    intervals = dict(_intervals(whole.values, whole.intervals, file, problems))
    if problems:
        raise InputError(problems)
    return Fitted(whole.part_of, whole.fitted, whole.title, values, intervals, whole.came_from, whole.believed)


def leaves(table: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    """Key path and value of everything in nested tables that is no table itself; a list is one value."""
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from leaves(value, f"{above}{key}.")
        else:
            yield above + key, value


def _check_version(data: dict[str, Any], file: str) -> None:
    """Take `schema` out of `data`. Raises InputError for another version or something else than a fitted file."""
    version = data.pop("schema", None)
    if type(version) is not int or version != SCHEMA_VERSION:
        found = "nothing" if version is None else shown(version)
        raise InputError([Problem(file, "schema", found, f"{SCHEMA_VERSION}, the only version so far")])
    if not {"part_of", "fitted", "values"} & data.keys():
        found = "a scenario" if {"target", "law"} & data.keys() else "no fit"
        raise InputError([Problem(file, "part_of", found, "a file that `thenar fit` wrote, or one of its form")])


def _values(whole: _Whole, file: str, problems: list[Problem]) -> dict[str, Any]:
    """The values as the settings hold them (a whole number for a float becomes one)."""
    for key in _NEVER_FITTED[whole.part_of]:
        if key in whole.values:
            allowed = "what a fit can find: write this key into the scenario"
            problems.append(Problem(file, f"values.{key}", shown(whole.values[key]), allowed))
    if not whole.values:
        problems.append(Problem(file, "values", "nothing", "at least one value"))
    model: type[BaseModel] = Estimator if whole.part_of == "estimator" else Wearer
    table = whole.values if whole.part_of == "estimator" else written_out(whole.values)
    settings = checked(model, table, file, "values", problems)
    return {} if settings is None else _taken(settings.model_dump(), whole.values)


def _taken(held: Mapping[str, Any], wanted: Mapping[str, Any]) -> dict[str, Any]:
    """What `held` says at each key of `wanted`."""
    return {key: _taken(held[key], value) if isinstance(value, Mapping) else held[key] for key, value in wanted.items()}


def _intervals(
    values: Mapping[str, Any], intervals: Mapping[str, Any], file: str, problems: list[Problem]
) -> Iterator[tuple[str, Interval]]:
    known = dict(leaves(values))
    for key, found in leaves(intervals):
        at = f"intervals.{key}"
        if key not in known:
            allowed = f"a key that [values] has: {', '.join(known)}"
            problems.append(Problem(file, at, f"an interval of nothing, {shown(found)}", allowed, nearest(key, known)))
        elif isinstance(known[key], list):
            count = len(known[key])
            if not isinstance(found, list) or len(found) != count:
                problems.append(Problem(file, at, shown(found), f"{count} pairs, one for each entry of values.{key}"))
                continue
            for place, pair in enumerate(found):
                yield from _interval(f"{key}[{place}]", pair, file, problems)
        else:
            yield from _interval(key, found, file, problems)


def _interval(key: str, pair: object, file: str, problems: list[Problem]) -> Iterator[tuple[str, Interval]]:
    if (
        isinstance(pair, list)
        and len(pair) == 2
        and all(type(end) in (int, float) and math.isfinite(end) for end in pair)
        and pair[0] <= pair[1]
    ):
        yield key, (float(pair[0]), float(pair[1]))
    else:
        problems.append(Problem(file, f"intervals.{key}", shown(pair), _PAIR))
