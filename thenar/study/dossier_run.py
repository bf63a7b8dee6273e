"""A run folder of a study, read for its dossier: what was planned, who took part, and the rows of measures.

Only what the folder holds is read: no law of a user is run, and nothing is simulated again.
"""

from __future__ import annotations

import csv
import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from thenar.report.manifest import Manifest, read_manifest
from thenar.safety.profile import LimitProfile
from thenar.scenarios.study import Study
from thenar.shared.errors import InputError, Problem, validated
from thenar.study.sheet import COLUMNS

SHEET: Final = "sheet.csv"
SUMMARY: Final = "summary.json"
AS_WRITTEN: Final = "the file as `thenar run` wrote it"
NEEDS_STUDY: Final = (
    "a run of a scenario with a [study] part (order, rests, rules for people), as the shipped key-pinch-study has"
)
Row = Mapping[str, Any]


class StudyRun(NamedTuple):
    """What a dossier reads of a folder. `stated`: the scenario file's own table; `sheet`: rows with the keys COLUMNS.

    `rows`: one mapping per trial and target, as summary.json holds them.
    """

    folder: Path
    manifest: Manifest
    stated: dict[str, Any]
    study: Study
    profile: LimitProfile
    sheet: list[dict[str, str]]
    summary: dict[str, Any]

    @property
    def rows(self) -> list[dict[str, Any]]:
        """A mapping per trial and target."""
        found: list[dict[str, Any]] = self.summary["by_trial_and_target"]
        return found

    @property
    def names(self) -> list[str]:
        """The wearers by name, in the order of the run."""
        return list(dict.fromkeys(record.wearer_name for record in self.manifest.trials))

    @property
    def conditions(self) -> list[str]:
        """The conditions, in the order of the scenario."""
        return list(dict.fromkeys(record.condition for record in self.manifest.trials))


def read_study_run(folder: Path) -> StudyRun:
    """The folder of a study's run. Raises InputError when it is none, is damaged, or has no [study] part."""
    manifest = read_manifest(folder)
    file = f"{folder}/manifest.json"
    try:
        stated = tomllib.loads(manifest.scenario.text)
    except tomllib.TOMLDecodeError as error:
        raise InputError([Problem(file, "scenario.text", str(error), "the scenario as it was run")]) from None
    if "study" not in stated:
        raise InputError([Problem(str(folder), "study", "a run without a [study] part", NEEDS_STUDY)])
    study = validated(Study, stated["study"], f"{file}: scenario.text")
    if not manifest.trials:
        raise InputError([Problem(file, "trials", "no trial", "a run with at least one trial")])
    return StudyRun(
        folder, manifest, stated, study, _profile(manifest, file), _sheet(folder / SHEET), _summary(folder / SUMMARY)
    )


def _profile(manifest: Manifest, file: str) -> LimitProfile:
    values = {"schema" if key == "schema_version" else key: value for key, value in manifest.limits.values.items()}
    profile = validated(LimitProfile, values, f"{file}: limits.values")
    if profile.fingerprint() != manifest.limits.fingerprint:
        allowed = f"values with fingerprint {manifest.limits.fingerprint}"
        raise InputError([Problem(file, "limits.values", "values that were changed after the run", allowed)])
    return profile


def _sheet(file: Path) -> list[dict[str, str]]:
    try:
        with file.open(encoding="utf-8", newline="") as handle:
            table = csv.DictReader(handle)
            header = tuple(table.fieldnames or ())
            rows = [{key: value or "" for key, value in line.items()} for line in table] if header == COLUMNS else []
            for row in rows:
                float(row["start_s"]), float(row["end_s"]), float(row["rest_s"]), int(row["repeat"])
    except OSError as error:
        raise InputError([Problem(str(file), "", error.strerror or str(error), AS_WRITTEN)]) from None
    except (ValueError, csv.Error) as error:
        raise InputError([Problem(str(file), "", str(error), AS_WRITTEN)]) from None
    if not rows:
        found = "no row" if header == COLUMNS else "other columns than a running sheet has"
        raise InputError([Problem(str(file), "", found, AS_WRITTEN)])
    return rows


def _summary(file: Path) -> dict[str, Any]:
    summary = read_json(file, AS_WRITTEN)
    needed = ("title", "refused_to_arm", "measures", "reason_ticks_by_condition", "by_trial_and_target")
    for key in needed:
        if key not in summary:
            raise InputError([Problem(str(file), key, "no such key", AS_WRITTEN)])
    for row in summary["by_trial_and_target"]:
        if not isinstance(row, dict) or not {"wearer_name", "condition", "target", "target_N"} <= row.keys():
            raise InputError([Problem(str(file), "by_trial_and_target", "a row without its labels", AS_WRITTEN)])
    return summary


def read_json(file: Path, allowed: str) -> dict[str, Any]:
    """The mapping in a JSON file. Raises InputError when there is none. `allowed`: what the file should be."""
    try:
        found = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError([Problem(str(file), "", error.strerror or str(error), allowed)]) from None
    except (ValueError, RecursionError) as error:
        raise InputError([Problem(str(file), "", f"damaged: {error}", allowed)]) from None
    if not isinstance(found, dict):
        raise InputError([Problem(str(file), "", "no table of keys", allowed)])
    return found
