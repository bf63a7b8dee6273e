"""Fitted files in a scenario: `file` and `files` are read, and their values laid under the keys written beside them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from thenar.plant_models.fitted_people import FittedPerson
from thenar.plant_models.settings import Population
from thenar.scenarios.files import Base, NamedFile, found_file
from thenar.scenarios.fitted import Fitted, leaves, read_fitted
from thenar.scenarios.pieces import placed
from thenar.scenarios.wearers import overlaid
from thenar.shared.errors import InputError, Problem, shown

Table = dict[str, Any]


class Included(NamedTuple):
    """A fitted file that a scenario stands on: where it is named, and what it says."""

    file: NamedFile
    fitted: Fitted


class Place(NamedTuple):
    """The scenario that names files: its folder, what errors call it, and where included files and problems go."""

    base: Base
    file: str
    included: list[Included]
    problems: list[Problem]


def with_fitted_estimator(table: object, place: Place) -> object:
    """The `[estimator]` table with what its `file` says wherever it says nothing itself."""
    if not isinstance(table, dict) or not isinstance(table.get("file"), str) or not table["file"]:
        return table
    laid = _laid_under(table, [("estimator.file", table["file"])], "estimator", place)
    if "true_N" in table and "known_N" not in table:
        laid.pop("known_N", None)  # what the recording supports says nothing of a curve by hand
    return laid


def with_fitted_wearer(table: object, at: str, place: Place) -> object:
    """A wearer's table with what its `files` say wherever it says nothing itself. `at`: its key in the scenario."""
    if not isinstance(table, dict) or not _names(table.get("files")):
        return table
    named = [(f"{at}.files[{number}]", name) for number, name in enumerate(table["files"])]
    return _laid_under(table, named, "wearer", place)


def fitted_people(population: Population | None, place: Place) -> tuple[FittedPerson, ...]:
    """The people that a population is drawn around, in the order in which it names them."""
    people = []
    for person, names in enumerate(population.around if population is not None else ()):
        named = [(f"population.around[{person}][{number}]", name) for number, name in enumerate(names)]
        accepted = population is not None and population.accept_misfit
        if not named:
            place.problems.append(
                Problem(place.file, f"population.around[{person}]", "no files", "a list of fitted wearer files")
            )
        found = _read(named, "wearer", "population" if not accepted else "", place)
        values = _together(found, None, place)
        intervals = {key: ends for one in found for key, ends in one.fitted.intervals.items()}
        people.append(FittedPerson(tuple(names), values, intervals))
    return tuple(people)


def _names(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(name, str) and name for name in value)


def _laid_under(table: Table, named: list[tuple[str, str]], part_of: str, place: Place) -> Table:
    at = named[0][0].rpartition(".")[0] if table.get("accept_misfit") is not True else ""
    return overlaid(_together(_read(named, part_of, at, place), table, place), table)


def _read(named: list[tuple[str, str]], part_of: str, judged: str, place: Place) -> list[Included]:
    """The fitted files of these keys and names that can be read and belong there; problems for the others.

    `judged`: the table that would have to accept a fit that doesn't describe its recording, "" where it does.
    """
    read: list[Included] = []
    for key, name in named:
        for found in found_file(name, place.base, place.file, key, place.problems):
            try:
                fitted = read_fitted(found.path)
            except InputError as error:
                place.problems.extend(placed(error, ""))
                continue
            if fitted.part_of != part_of:
                what = f"{shown(name)}, part of {fitted.part_of} (fitted: {fitted.kind})"
                place.problems.append(Problem(place.file, key, what, f"a fitted file that is part of {part_of}"))
                continue
            if judged and not fitted.believed:
                why = "; ".join(fitted.came_from.misfits) or "its fit is not believed"
                allowed = f"a fit that describes its recording, or {judged}.accept_misfit = true"
                place.problems.append(Problem(place.file, key, f"{shown(name)}: {why}", allowed))
            read.append(Included(found, fitted))
    place.included.extend(read)
    return read


def _together(found: list[Included], own: Mapping[str, Any] | None, place: Place) -> Table:
    """The values of all files. A key of two of them is a problem, unless the table `own` says what holds."""
    values: Table = {}
    own_keys = {key for key, _ in leaves(own or {})}
    settled = "" if own is None else ", or write it in the scenario itself"
    for number, one in enumerate(found):
        for earlier in found[:number]:
            twice = [key for key in _keys(one) if key in set(_keys(earlier)) - own_keys]
            if twice:
                what = f"{', '.join(twice)} from {shown(one.file.name)}, also from {shown(earlier.file.name)}"
                allowed = f"each key from one file: take it out of the other{settled}"
                place.problems.append(Problem(place.file, one.file.key, f"{what} ({earlier.file.key})", allowed))
        values = overlaid(values, dict(one.fitted.values))
    return values


def _keys(one: Included) -> list[str]:
    return [key for key, _ in leaves(one.fitted.values)]
