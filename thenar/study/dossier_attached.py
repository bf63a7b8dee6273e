"""Folders of other commands that a dossier may rest on: challenge, compare, breakeven, plan. Each is read, never made.

A folder about something else (another limit profile, another scenario file) is still shown, with a note that says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from thenar.report.evidence import PAGE, TWIN
from thenar.report.folder import FinishedFolder, made_sense_of, open_finished
from thenar.shared.errors import shown
from thenar.study.dossier_run import StudyRun

COMPARISON: Final = "comparison.json"
BREAKEVEN: Final = "breakeven.json"
PLAN: Final = "plan.json"
HELD: Final = "held"
LARGEST_PICTURE_BYTES: Final = 8_000_000
_PNG: Final = b"\x89PNG\r\n\x1a\n"


def evidence_of(path: Path, run: StudyRun) -> dict[str, Any]:
    """The interlock's evidence: verdict counts, open rows, size of the campaign. Raises InputError as readers do."""
    folder = open_finished(path, "challenge")
    found = folder.json(TWIN)
    with made_sense_of(folder.file(TWIN), folder.allowed):
        rows = found["requirements"]
        record: dict[str, Any] = {
            "folder": path.name,
            "profile": found["profile"]["name"],
            "fingerprint": found["profile"]["fingerprint"],
            "counts": dict(found["counts"]),
            "open": [
                {key: row[key] for key in ("id", "title", "verdict", "why")} for row in rows if row["verdict"] != HELD
            ],
            "campaign": {
                key: found["campaign"][key] for key in ("passed", "commands", "pulses", "seed", "same_attacks")
            },
            "thenar": found["stamps"]["thenar"],
            "step_sources": found["stamps"]["step_sources"],
            "sha256": folder.files[TWIN].sha256,
            "page": str((path / PAGE).resolve()) if PAGE in folder else "",
        }
    notes = []
    if record["fingerprint"] != run.manifest.limits.fingerprint:
        notes.append("This evidence is of OTHER LIMITS than the study ran under: it says nothing of these.")
    if record["step_sources"] != run.manifest.made_by.steps:
        notes.append("The code has changed between the study's run and this evidence.")
    return record | {"notes": notes}


def comparison_of(path: Path, run: StudyRun) -> dict[str, Any]:
    """What `thenar compare` found of the primary measure, its sentences as they are."""
    folder = open_finished(path, "compare")
    found = folder.json(COMPARISON)
    keys = (
        "measure", "unit", "target", "condition", "against", "wearers", "difference", "t_interval_low",
        "t_interval_high", "smaller", "larger", "p_t_holm", "interval_level", "sentence", "doubts",
    )  # fmt: skip
    with made_sense_of(folder.file(COMPARISON), folder.allowed):
        lines = [{key: row[key] for key in keys} for row in found["comparisons"]]
        notes = [str(note) for note in found["notes"]]
        record = {
            "lines": [line for line in lines if line["measure"] == run.study.primary],
            "further": [line for line in lines if line["measure"] != run.study.primary],
            "excluded": [f"{one['person']}: {one['why']}" for one in found["excluded"]],
            "notes": notes,
        }
        persons = set(found["wearers"])
        runs = [(one["scenario_sha256"], one["seed"]) for one in found["runs"]]
    if (run.manifest.scenario.sha256, run.manifest.seed) not in runs:
        notes.append("This comparison was made of ANOTHER RUN: none of its scenario files and seeds is this study's.")
    if not persons <= set(run.names):
        notes.append("This comparison names wearers who are NOT IN THIS RUN: it is of other runs, or of more.")
    return record | {"folder": path.name, "sha256": folder.files[COMPARISON].sha256}


def breakeven_of(path: Path, run: StudyRun) -> dict[str, Any]:
    """The plain sentences of `thenar breakeven`, what it assumed, and its pictures."""
    return _sentences(open_finished(path, "breakeven"), run, BREAKEVEN, "assumed", ("breakeven.png", "map.png"))


def plan_of(path: Path, run: StudyRun) -> dict[str, Any]:
    """The plain sentences of `thenar plan`, its caveats, and its picture."""
    return _sentences(open_finished(path, "plan"), run, PLAN, "caveats", ("plan.png",))


def _sentences(
    folder: FinishedFolder, run: StudyRun, name: str, beside: str, pictures: Sequence[str]
) -> dict[str, Any]:
    """The record, with PNG bytes by name under `pictures`."""
    found = folder.json(name)
    with made_sense_of(folder.file(name), folder.allowed):
        lines = {key: [str(line) for line in _list(found[key])] for key in ("sentences", beside)}
        sha256, seed = str(found["scenario_sha256"]), found.get("seed")
    notes = []
    if sha256 != run.manifest.scenario.sha256:
        notes.append("Made from ANOTHER scenario file than this study's run.")
    return {
        "folder": folder.path.name, "sentences": lines["sentences"], "assumed": lines[beside], "seed": seed,
        "notes": notes, "sha256": folder.files[name].sha256, "pictures": pictures_in(folder, pictures),
    }  # fmt: skip


def _list(found: object) -> list[Any]:
    if not isinstance(found, list):
        raise TypeError(f"no list: {shown(found)}")
    return found


def pictures_in(folder: FinishedFolder, names: Sequence[str]) -> dict[str, bytes]:
    """The bytes of PNG files by name; what isn't there, is no PNG or too large for a page is left out."""
    listed = {name: folder.content(name) for name in names
              if name in folder and folder.files[name].size_bytes <= LARGEST_PICTURE_BYTES}  # fmt: skip
    return {name: content for name, content in listed.items() if content.startswith(_PNG)}


def stamps_of(attached: Mapping[str, Mapping[str, Any] | None]) -> dict[str, str]:
    """Name of each attached folder to the SHA-256 of the file that was read of it."""
    return {f"{kind} ({one['folder']})": str(one["sha256"]) for kind, one in attached.items() if one is not None}
