"""A run folder of a study, read for its dossier: what was planned, who took part, and the rows of measures.

Only what the folder holds is read: no law of a user is run, and nothing is simulated again.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from thenar.report.folder import MANIFEST, FinishedFolder, made_sense_of
from thenar.report.manifest import Manifest, manifest_of, profile_of
from thenar.safety.profile import LimitProfile
from thenar.scenarios.study import Study
from thenar.shared.errors import InputError, Problem, validated
from thenar.study.sheet import COLUMNS

SHEET: Final = "sheet.csv"
SUMMARY: Final = "summary.json"
NEEDS_STUDY: Final = (
    "a run of a scenario with a [study] part (order, rests, rules for people), as the shipped key-pinch-study has"
)
Row = Mapping[str, Any]


class StudyRun(NamedTuple):
    """What a dossier reads of a folder. `stated`: the scenario file's own table; `sheet`: rows with the keys COLUMNS.

    `rows`: one mapping per trial and target, as summary.json holds them.
    """

    folder: FinishedFolder
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


def read_study_run(folder: FinishedFolder) -> StudyRun:
    """The folder of a study's run. Raises InputError when it is none, is damaged, or has no [study] part."""
    manifest = manifest_of(folder)
    file = folder.file(MANIFEST)
    try:
        stated = tomllib.loads(manifest.scenario.text)
    except tomllib.TOMLDecodeError as error:
        raise InputError([Problem(file, "scenario.text", str(error), "the scenario as it was run")]) from None
    if "study" not in stated:
        raise InputError([Problem(str(folder.path), "study", "a run without a [study] part", NEEDS_STUDY)])
    study = validated(Study, stated["study"], f"{file}: scenario.text")
    if not manifest.trials:
        raise InputError([Problem(file, "trials", "no trial", "a run with at least one trial")])
    profile = profile_of(manifest.limits.values, manifest.limits.fingerprint, file, "limits.values")
    return StudyRun(folder, manifest, stated, study, profile, _sheet(folder), _summary(folder))


def _sheet(folder: FinishedFolder) -> list[dict[str, str]]:
    headers, cells = folder.rows(SHEET)
    if tuple(headers) != COLUMNS or not cells:
        found = "no row" if tuple(headers) == COLUMNS else "other columns than a running sheet has"
        raise InputError([Problem(folder.file(SHEET), "", found, folder.allowed)])
    rows = [dict(zip(headers, row, strict=True)) for row in cells]
    with made_sense_of(folder.file(SHEET), folder.allowed):
        for row in rows:
            float(row["start_s"]), float(row["end_s"]), float(row["rest_s"]), int(row["repeat"])
    return rows


def _summary(folder: FinishedFolder) -> dict[str, Any]:
    summary, file = folder.json(SUMMARY), folder.file(SUMMARY)
    needed = ("title", "refused_to_arm", "measures", "reason_ticks_by_condition", "by_trial_and_target")
    for key in needed:
        if key not in summary:
            raise InputError([Problem(file, key, "no such key", folder.allowed)])
    with made_sense_of(file, folder.allowed):
        for row in summary["by_trial_and_target"]:
            if not isinstance(row, dict) or not {"wearer_name", "condition", "target", "target_N"} <= row.keys():
                raise InputError([Problem(file, "by_trial_and_target", "a row without its labels", folder.allowed)])
    return summary
