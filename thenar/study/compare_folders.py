"""Run folders read for a comparison: whose rows they are, and which folders hold the same persons.

Two folders hold the same persons when they were run with the same seed and state the same wearers, targets, clock and
length of trial: then the same people met the same noise, whatever the law, the sensor or the limits were. Of such
folders the conditions lie side by side; one that both have is told apart by its folder, or taken once where every
number of it is the same. Any other folders hold different persons: they are pooled, and must have been treated alike.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from thenar.report.folder import MANIFEST, FinishedFolder, made_sense_of, open_finished
from thenar.report.manifest import LimitsUsed, Manifest, manifest_of
from thenar.report.metrics import METRICS
from thenar.scenarios.study import Study
from thenar.shared.errors import InputError, Problem, validated
from thenar.study.compare_rows import Row, targets_of

TRIALS: Final = "trials.csv"
SUMMARY: Final = "summary.json"
PERSON_KEYS: Final = ("wearer", "wearers", "population", "target", "clock", "duration_s")
NO_TREATMENT: Final = (*PERSON_KEYS, "schema", "title", "watch", "seed", "repeats", "conditions", "study")
LABELS: Final = ("trial", "wearer", "wearer_name", "condition", "target", "target_N")
ALLOWED: Final = "the table that `thenar run` wrote"


class Run(NamedTuple):
    """One run folder. `persons`, `treatment`: what its scenario says of each, for comparing two folders.

    `limits`: those used; `measures`: those in its table; `refused`: trials that never armed, by wearer;
    `scenario_sha256`: of the scenario file as it was run.
    """

    folder: Path
    title: str
    seed: int
    study: Study | None
    persons: str
    treatment: dict[str, str]
    limits: LimitsUsed
    measures: tuple[str, ...]
    rows: tuple[Row, ...]
    refused: Mapping[str, int]
    scenario_sha256: str


class Pool(NamedTuple):
    """All rows to compare, persons told apart, and how the folders were put together, in words."""

    rows: tuple[Row, ...]
    refused: dict[str, int]
    words: tuple[str, ...]


def read_run(path: Path) -> Run:
    """The folder's table and what its scenario says. Raises InputError when it is none, or damaged."""
    folder = open_finished(path, "run")
    manifest = manifest_of(folder)
    file = f"{folder.file(MANIFEST)}: scenario.text"
    try:
        scenario = tomllib.loads(manifest.scenario.text)
    except tomllib.TOMLDecodeError as error:
        raise InputError([Problem(file, "", str(error), "the scenario as it was run")]) from None
    measures, rows = _table(folder)
    names = {record.trial: record.wearer_name for record in manifest.trials}
    missing = sorted(names.keys() - {row.trial for row in rows})
    if missing:
        found = f"no row of trial {missing[0]}" + (f" and {len(missing) - 1} more" if missing[1:] else "")
        raise InputError([Problem(folder.file(TRIALS), "trial", found, f"{ALLOWED}: {len(names)} trials")])
    stated = _stated(scenario, manifest)
    return Run(
        path, str(scenario.get("title", path.name)), manifest.seed, study_of(scenario, file),
        "".join(stated.get(key, "") for key in PERSON_KEYS), {k: v for k, v in stated.items() if k not in NO_TREATMENT},
        manifest.limits, measures, rows, _refused(folder, names),
        manifest.scenario.sha256,
    )  # fmt: skip


def study_of(scenario: Mapping[str, Any], file: str) -> Study | None:
    """The [study] part of a scenario's table, None where it has none. Raises InputError when it is wrong."""
    return validated(Study, scenario["study"], file) if "study" in scenario else None


def _stated(scenario: Mapping[str, Any], manifest: Manifest) -> dict[str, str]:
    """Every key of the scenario with what it states, and the bytes of the files that it names."""
    stated = {key: json.dumps(value, sort_keys=True, default=str) for key, value in scenario.items()}
    for entry in manifest.inputs:
        key = entry.key.split(".")[0].split("[")[0]
        stated[key] = stated.get(key, "") + entry.sha256
    return stated


def _table(folder: FinishedFolder) -> tuple[tuple[str, ...], tuple[Row, ...]]:
    file = folder.file(TRIALS)
    header, cells = folder.rows(TRIALS)
    missing = [name for name in LABELS if name not in header]
    if missing:
        raise InputError([Problem(file, missing[0], "no such column", ALLOWED)])
    measures = tuple(metric.name for metric in METRICS if metric.name in header)
    with made_sense_of(file, ALLOWED):
        rows = tuple(_row(dict(zip(header, line, strict=True)), measures) for line in cells)
    if not rows:
        raise InputError([Problem(file, "", "no row", ALLOWED)])
    return measures, rows


def _row(line: Mapping[str, str], measures: Sequence[str]) -> Row:
    number, *values = (float(line[name]) if line[name] else math.nan for name in ("target_N", *measures))
    named = dict(zip(measures, values, strict=True))
    return Row(line["wearer_name"], line["condition"], line["target"], number, int(line["trial"]), named)


def _refused(folder: FinishedFolder, names: Mapping[int, str]) -> dict[str, int]:
    found: dict[str, int] = {}
    summary = folder.json(SUMMARY)
    with made_sense_of(f"{folder.file(SUMMARY)}: refused_to_arm", folder.allowed):
        for trial in (trial for refusal in summary["refused_to_arm"] for trial in refusal["trials"]):
            found[names[trial]] = found.get(names[trial], 0) + 1
    return found


def pooled(runs: Sequence[Run]) -> Pool:
    """Put the folders together. Raises InputError where they can't be compared, or one was given twice."""
    groups: dict[tuple[str, int], list[Run]] = {}
    for run in runs:
        groups.setdefault((run.persons, run.seed), []).append(run)
    joined = [_same_persons(members) for members in groups.values()]
    if len(joined) > 1:
        _check_alike([members[0] for members in groups.values()], [rows for rows, _ in joined])
    found: list[Row] = []
    refused: dict[str, int] = {}
    for number, ((rows, _), members) in enumerate(zip(joined, groups.values(), strict=True), start=1):
        prefix = f"{members[0].folder.name}-{number} " if len(joined) > 1 else ""
        found += [row._replace(person=prefix + row.person) for row in rows]
        for run in members:
            for name, trials in run.refused.items():
                refused[prefix + name] = max(refused.get(prefix + name, 0), trials)
    words = [line for _, line in joined if line]
    if len(joined) > 1:
        words.append(
            f"the wearers of {len(joined)} folders count as different persons (another seed, or other wearers, targets "
            "or length of trial)"
        )
    return Pool(tuple(found), refused, tuple(words))


def _same_persons(runs: Sequence[Run]) -> tuple[list[Row], str]:
    """The rows of folders with the same persons, conditions that differ named by their folder, and that in words."""
    if len(runs) == 1:
        return list(runs[0].rows), ""
    by_condition: dict[str, list[tuple[Run, list[Row]]]] = {}
    for run in runs:
        for condition in dict.fromkeys(row.condition for row in run.rows):
            own = [row for row in run.rows if row.condition == condition]
            by_condition.setdefault(condition, []).append((run, own))
    rows: list[Row] = []
    once, apart = [], 0
    for condition, held in by_condition.items():
        different = [entry for place, entry in enumerate(held) if all(not _equal(entry[1], o[1]) for o in held[:place])]
        if len(held) > 1 and len(different) == 1:
            once.append(condition)
        for run, own in different:
            named = f"{condition} ({run.folder.name})" if len(different) > 1 else condition
            apart += len(different) > 1
            rows += [row._replace(condition=named) for row in own]
    if len(once) == len(by_condition):
        found = f"the same trials as {runs[0].folder}"
        raise InputError([Problem(str(runs[-1].folder), "", found, "each run once")])
    names = ", ".join(str(run.folder) for run in runs)
    words = f"{names}: the same persons (same seed, wearers, targets and length of trial)"
    if apart:
        words += ", so their conditions are compared within them, named by folder"
    if once:
        words += f"; the same to the last digit in each, and taken once: {', '.join(once)}"
    return rows, words


def _equal(one: Sequence[Row], other: Sequence[Row]) -> bool:
    """Whether two lists of rows hold the same numbers, trial numbers aside."""

    def numbers(rows: Sequence[Row]) -> list[tuple[str, str, str]]:
        return [(row.person, row.target, repr(sorted(row.values.items()))) for row in rows]

    return numbers(one) == numbers(other)


def _check_alike(runs: Sequence[Run], rows: Sequence[Sequence[Row]]) -> None:
    """Pooled persons must have met the same conditions, targets and treatment. Raises InputError."""
    first, problems = runs[0], []
    for run, own in zip(runs[1:], rows[1:], strict=True):
        for what, mine, theirs in (
            ("conditions", {row.condition for row in own}, {row.condition for row in rows[0]}),
            ("targets", set(targets_of(own)), set(targets_of(rows[0]))),
        ):
            if mine != theirs:
                problems.append(Problem(str(run.folder), what, ", ".join(sorted(mine)), ", ".join(sorted(theirs))))
        keys = sorted(run.treatment.keys() | first.treatment.keys())
        other = [key for key in keys if run.treatment.get(key) != first.treatment.get(key)]
        if other:
            allowed = (
                f"as in {first.folder}, since other persons took part: or run both with one seed and one population"
            )
            problems.append(Problem(str(run.folder), "", f"another {', another '.join(other)}", allowed))
    if problems:
        raise InputError(problems)


def common_study(runs: Sequence[Run]) -> Study | None:
    """The study of the folders, which must be one; None where none has any. Raises InputError when they differ."""
    for run in runs[1:]:
        if run.study != runs[0].study:
            found, allowed = "another [study]", f"the [study] of {runs[0].folder}: one question for all folders"
            raise InputError([Problem(str(run.folder), "study", found, allowed)])
    return runs[0].study
