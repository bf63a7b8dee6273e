"""Reading a scenario file: TOML to a checked `Scenario`, with every file it names found and hashed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from thenar.controller import registry
from thenar.controller.registry import LawSettings
from thenar.plant_models.fitted_people import FittedPerson
from thenar.plant_models.settings import Estimator, Population, Wearer
from thenar.safety.profile import LimitProfile, load_profile, shipped_profiles
from thenar.scenarios.checks import fit_problems
from thenar.scenarios.faults import KINDS
from thenar.scenarios.files import Base, LaidOut, NamedFile, found_file
from thenar.scenarios.gallery import find_scenario
from thenar.scenarios.included import (
    Included,
    Place,
    fitted_people,
    with_fitted_estimator,
    with_fitted_wearer,
)
from thenar.scenarios.known import known_problems
from thenar.scenarios.person import SOURCES, ScreeningOnFile, WearerByHand
from thenar.scenarios.pieces import checked, one_of, placed, plainness
from thenar.scenarios.recording import Recording, read_recording
from thenar.scenarios.schema import SCHEMA_VERSION, LimitChoice, Scenario
from thenar.scenarios.targets import PROGRAMS, ConstantTarget, RecordingTarget, Target
from thenar.scenarios.wearers import written_out
from thenar.shared.errors import InputError, Problem, nearest, shown
from thenar.shared.text_input import table_in, toml_text

WEARER_COLUMN: Final = "force_N"
"""Column of a recording that a wearer plays back."""

Table = dict[str, Any]

_STAND_INS: Final[Table] = {
    "target": ConstantTarget(program="constant", level_N=0.0),
    "law": LawSettings(name="proportional"),
}
"""In place of a faulty table that a scenario can't be without, so that the rest can still be checked."""


@dataclass(frozen=True)
class LoadedScenario:
    """A scenario that can run, and everything it was made from.

    `path`: the file (it need not exist for a text); `base`: folder that names in it are relative to; `text`: the file's
    text; `sha256`: of its UTF-8 bytes; `profile`: the limits it names; `files`: each file it names, once
    per place; `recordings`: the traces among them by name and column; `fitted`: the fitted files among them; `people`:
    whom the population is drawn around; `trust_law`: a law of the user's own runs inside the process that asks it.
    """

    scenario: Scenario
    path: Path
    base: Path
    text: str
    sha256: str
    profile: LimitProfile
    files: tuple[NamedFile, ...]
    recordings: dict[tuple[str, str], Recording]
    fitted: tuple[Included, ...] = ()
    people: tuple[FittedPerson, ...] = ()
    trust_law: bool = False

    @property
    def law_ran(self) -> registry.Where:
        """Where the law runs: "shipped", "own process" or "in process (trusted)"."""
        return registry.where_runs(self.scenario.law, self.trust_law)

    def target_recording(self) -> Recording | None:
        """The trace that the target follows, None when the target isn't recorded."""
        return _recorded_target(self.scenario.target, self.recordings)

    def wearer_recording(self, wearer: Wearer) -> Recording | None:
        """The trace that `wearer` plays back as own force, None for a wearer who makes it."""
        return self.recordings[wearer.recording, WEARER_COLUMN] if wearer.recording else None


def load_scenario(path: Path | str, check_law: bool = False, trust_law: bool = False) -> LoadedScenario:
    """The scenario in a TOML file, or the shipped one of that name. Raises InputError that tells of all that is wrong.

    `path`: as a text it may be a name of the gallery ("key-pinch-ladder"); a file that exists comes first.
    `check_law`: also load a law that the user brings and check its settings. This RUNS the user's file. `trust_law`:
    from here on a user's law runs inside the process that asks it, and not in one of its own.
    """
    path = find_scenario(path) if isinstance(path, str) else path
    return parse_scenario(toml_text(path), path.name, path.parent, check_law, str(path), trust_law)


def parse_scenario(
    text: str,
    name: str,
    base: Base,
    check_law: bool = False,
    shown_as: str | None = None,
    trust_law: bool = False,
) -> LoadedScenario:
    """The scenario in a text. `name`: its file name, `base`: the folder that names in it are relative to, or a LaidOut.

    Files that are laid out are found there and nowhere else; the law's `file` then becomes its place below `base.top`.

    `check_law`, `trust_law`: as in `load_scenario`. `shown_as`: what errors call the file (`name` when None). Raises
    InputError.
    """
    file = name if shown_as is None else shown_as
    data = table_in(text, file)
    problems = plainness(data, file)
    if problems:
        raise InputError(problems)
    _check_version(data, file, problems)
    place = Place(base, file, [], problems)
    pieces = _pieces(data, place)
    people = fitted_people(pieces.get("population"), place)
    files, recordings = _named_files(pieces, base, file, problems)
    profile, profile_files = _profile(pieces.get("limits") or LimitChoice(), base, file, problems)
    # A law that is laid out is a stranger's: looked at, never loaded here.
    law_base, run_it = (base, check_law) if isinstance(base, Path) else (base.top, False)
    _check_law(pieces.get("law"), law_base, file, run_it, trust_law, problems)
    scenario = checked(Scenario, _whole(data, pieces), file, "", problems)
    if scenario is not None and not problems:
        recorded = _recorded_target(scenario.target, recordings)
        problems.extend(fit_problems(scenario, recorded, file))
        problems.extend(known_problems(scenario, recorded, people, file))
    if problems or scenario is None or profile is None:
        raise InputError(problems)
    digest = hashlib.sha256(text.encode("utf-8")).hexdigest()
    fitted = tuple(place.included)
    files = [*files, *profile_files, *(one.file for one in fitted)]
    if isinstance(base, LaidOut):
        scenario, base = _law_laid_out(scenario, base), base.top
    return LoadedScenario(
        scenario, base / name, base, text, digest, profile, tuple(files), recordings, fitted, people, trust_law
    )


def _check_version(data: Table, file: str, problems: list[Problem]) -> None:
    """Take `schema` out of `data`. Raises InputError at once for another version: its keys may mean other things."""
    if "schema" not in data:
        close = nearest("schema", [key for key in data if key not in Scenario.model_fields])
        found = f"nothing, but a key {close}" if close else "nothing"
        problems.append(Problem(file, "schema", found, f"schema = {SCHEMA_VERSION}, near the top of the file"))
        data.pop(close, None)
        return
    version = data.pop("schema")
    if type(version) is not int or version != SCHEMA_VERSION:
        raise InputError([Problem(file, "schema", shown(version), f"{SCHEMA_VERSION}, the only version so far")])


def _pieces(data: Table, place: Place) -> Table:
    """The tables of `data` that need a look of their own, checked; None in place of one that has problems."""
    pieces: Table = {}
    _, file, _, problems = place
    if "target" in data:
        pieces["target"] = one_of(PROGRAMS, "program", data["target"], file, "target", problems)
    if "law" in data:
        pieces["law"] = checked(LawSettings, data["law"], file, "law", problems)
    if "limits" in data:
        pieces["limits"] = checked(LimitChoice, data["limits"], file, "limits", problems)
    pieces |= _on_file(data, file, "", problems)
    pieces |= _bodies(data, place)
    if "faults" in data:
        tables = _tables(data["faults"], file, "faults", problems)
        pieces["faults"] = [
            one_of(KINDS, "kind", table, file, f"faults[{index}]", problems) for index, table in enumerate(tables)
        ]
    return pieces


def _bodies(data: Table, place: Place) -> Table:
    """Sensor and wearers, checked, with what fitted files say of them; None in place of one that has problems."""
    pieces: Table = {}
    if "estimator" in data:
        table = with_fitted_estimator(data["estimator"], place)
        pieces["estimator"] = checked(Estimator, table, place.file, "estimator", place.problems)
    if "population" in data:
        pieces["population"] = checked(Population, data["population"], place.file, "population", place.problems)
    base, described = Wearer(), False
    if "wearer" in data:
        table = with_fitted_wearer(data["wearer"], "wearer", place)
        described = isinstance(table, dict) and "max_pinch_N" in table
        pieces["wearer"] = _wearer(table, place)
        base = pieces["wearer"] or base
    population = pieces.get("population")
    if population is not None and population.norms is None and not described:
        # Nobody is described: the default wearer stands for healthy adults.
        pieces["population"] = population.model_copy(update={"norms": "healthy-adults"})
    if "wearers" in data:
        tables = _tables(data["wearers"], place.file, "wearers", place.problems)
        pieces["wearers"] = [_by_hand(table, base, f"wearers[{index}]", place) for index, table in enumerate(tables)]
    return pieces


def _tables(value: object, file: str, key: str, problems: list[Problem]) -> list[object]:
    if isinstance(value, list):
        return value
    problems.append(Problem(file, key, shown(value), f"a list of tables, each headed [[{key}]]"))
    return []


def _on_file(table: Table, file: str, above: str, problems: list[Problem]) -> Table:
    """What `table` states as on file about a person, checked; None in place of what has problems."""
    found: Table = {}
    if "screening" in table:
        found["screening"] = checked(ScreeningOnFile, table["screening"], file, f"{above}screening", problems)
    if "calibration" in table:
        at = f"{above}calibration"
        found["calibration"] = one_of(SOURCES, "source", table["calibration"], file, at, problems)
    return found


def _wearer(table: object, place: Place) -> Wearer | None:
    whole = written_out(table) if isinstance(table, dict) else table
    return checked(Wearer, whole, place.file, "wearer", place.problems)


def _by_hand(table: object, base: Wearer, at: str, place: Place) -> WearerByHand | None:
    table = with_fitted_wearer(table, at, place)
    if isinstance(table, dict):
        table = written_out(table, base) | _on_file(table, place.file, f"{at}.", place.problems)
    return checked(WearerByHand, table, place.file, at, place.problems)


def _whole(data: Table, pieces: Table) -> Table:
    """`data` with its checked pieces. A faulty one is left out or stood in for, as its problems are already told."""
    whole = {**data, **pieces}
    for key, piece in pieces.items():
        if isinstance(piece, list):
            whole[key] = [part for part in piece if part is not None]
        elif piece is None:
            del whole[key]
            whole.update({key: _STAND_INS[key]} if key in _STAND_INS else {})
    return whole


def _named_files(
    pieces: Table, base: Base, file: str, problems: list[Problem]
) -> tuple[list[NamedFile], dict[tuple[str, str], Recording]]:
    """Every file named by the checked pieces, and the recordings among them by name and column."""
    files: list[NamedFile] = []
    recordings: dict[tuple[str, str], Recording] = {}
    law = pieces.get("law")
    if law is not None and law.file is not None:
        files.extend(found_file(law.file, base, file, "law.file", problems))
    tried: set[tuple[str, str]] = set()
    for key, name, column in _recording_names(pieces):
        if (name, column) in tried:
            continue
        tried.add((name, column))
        for found in found_file(name, base, file, key, problems):
            files.append(found)
            try:
                recordings[name, column] = read_recording(found.path, column)
            except InputError as error:
                problems.extend(error.problems)
    return files, recordings


def _recording_names(pieces: Table) -> Iterator[tuple[str, str, str]]:
    """Key, file name and column of every recording that the checked pieces name."""
    target = pieces.get("target")
    if isinstance(target, RecordingTarget):
        yield "target.file", target.file, target.column
    wearers = [("wearer", pieces.get("wearer"))]
    wearers += [(f"wearers[{index}]", wearer) for index, wearer in enumerate(pieces.get("wearers", ()))]
    for key, wearer in wearers:
        if wearer is not None and wearer.recording:
            yield f"{key}.recording", wearer.recording, WEARER_COLUMN


def _profile(
    choice: LimitChoice, base: Base, file: str, problems: list[Problem]
) -> tuple[LimitProfile | None, list[NamedFile]]:
    """The limit profile, and its file unless it is a shipped one."""
    names = shipped_profiles()
    files: list[NamedFile] = []
    if choice.profile not in names:
        missing: list[Problem] = []
        files = found_file(choice.profile, base, file, "limits.profile", missing)
        for problem in missing:
            allowed = f"one of {', '.join(names)}, or {problem.allowed}"
            close = nearest(choice.profile, names) or problem.nearest
            problems.append(problem._replace(allowed=allowed, nearest=close))
        if missing:
            return None, []
    try:
        return load_profile(str(files[0].path) if files else choice.profile), files
    except InputError as error:
        problems.extend(placed(error, ""))
        return None, files


def _check_law(
    law: LawSettings | None, base: Path, file: str, run_it: bool, trusted: bool, problems: list[Problem]
) -> None:
    """What is wrong with the law: without running foreign code, or with `run_it` by loading whatever is named."""
    if law is None:
        return
    try:
        registry.check_law(law, file)
        if run_it and (law.name is not None or (base / str(law.file)).is_file()):
            registry.stated(law, base, file, trusted=trusted)
    except InputError as error:
        problems.extend(placed(error, ""))


def _law_laid_out(scenario: Scenario, base: LaidOut) -> Scenario:
    """The scenario with its law's file named as it lies below `base.top`."""
    if scenario.law.file is None:
        return scenario
    law = scenario.law.model_copy(update={"file": base.places[scenario.law.file]})
    return scenario.model_copy(update={"law": law})


def _recorded_target(target: Target, recordings: dict[tuple[str, str], Recording]) -> Recording | None:
    return recordings.get((target.file, target.column)) if isinstance(target, RecordingTarget) else None
