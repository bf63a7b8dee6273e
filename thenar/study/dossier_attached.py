"""Folders of other commands that a dossier may rest on: challenge, compare, breakeven, plan. Each is read, never made.

A folder about something else (another limit profile, another scenario file) is still shown, with a note that says so.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from thenar.report.evidence import PAGE, TWIN
from thenar.shared.errors import InputError, Problem
from thenar.study.dossier_run import StudyRun, read_json

COMPARISON: Final = "comparison.json"
BREAKEVEN: Final = "breakeven.json"
PLAN: Final = "plan.json"
HELD: Final = "held"
LARGEST_PICTURE_BYTES: Final = 8_000_000
_PNG: Final = b"\x89PNG\r\n\x1a\n"


def evidence_of(folder: Path, run: StudyRun) -> dict[str, Any]:
    """The interlock's evidence: verdict counts, open rows, size of the campaign. Raises InputError as readers do."""
    allowed = "a folder that `thenar challenge PROFILE --out` made"
    file = folder / TWIN
    found = read_json(file, allowed)
    try:
        rows = found["requirements"]
        record: dict[str, Any] = {
            "folder": folder.name,
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
            "sha256": _sha256(file),
            "page": str((folder / PAGE).resolve()) if (folder / PAGE).is_file() else "",
        }
    except (KeyError, TypeError) as error:
        raise InputError([Problem(str(file), "", f"damaged: no {error}", allowed)]) from None
    notes = []
    if record["fingerprint"] != run.manifest.limits.fingerprint:
        notes.append("This evidence is of OTHER LIMITS than the study ran under: it says nothing of these.")
    if record["step_sources"] != run.manifest.made_by.steps:
        notes.append("The code has changed between the study's run and this evidence.")
    return record | {"notes": notes}


def comparison_of(folder: Path, run: StudyRun) -> dict[str, Any]:
    """What `thenar compare` found of the primary measure, its sentences as they are."""
    allowed = "a folder that `thenar compare DIR --out` made"
    found = read_json(folder / COMPARISON, allowed)
    keys = (
        "measure", "unit", "target", "condition", "against", "wearers", "difference", "t_interval_low",
        "t_interval_high", "smaller", "larger", "p_t_holm", "interval_level", "sentence", "doubts",
    )  # fmt: skip
    try:
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
    except (KeyError, TypeError) as error:
        raise InputError([Problem(str(folder / COMPARISON), "", f"damaged: no {error}", allowed)]) from None
    if (run.manifest.scenario.sha256, run.manifest.seed) not in runs:
        notes.append("This comparison was made of ANOTHER RUN: none of its scenario files and seeds is this study's.")
    if not persons <= set(run.names):
        notes.append("This comparison names wearers who are NOT IN THIS RUN: it is of other runs, or of more.")
    return record | {"folder": folder.name, "sha256": _sha256(folder / COMPARISON)}


def breakeven_of(folder: Path, run: StudyRun) -> dict[str, Any]:
    """The plain sentences of `thenar breakeven`, what it assumed, and its pictures."""
    return _sentences(folder, run, BREAKEVEN, "assumed", ("breakeven.png", "map.png"))


def plan_of(folder: Path, run: StudyRun) -> dict[str, Any]:
    """The plain sentences of `thenar plan`, its caveats, and its picture."""
    return _sentences(folder, run, PLAN, "caveats", ("plan.png",))


def _sentences(folder: Path, run: StudyRun, name: str, beside: str, pictures: Sequence[str]) -> dict[str, Any]:
    allowed = f"a folder that `thenar {name.removesuffix('.json')} FILE --out` made"
    found = read_json(folder / name, allowed)
    try:
        lines = {key: [str(line) for line in _list(found[key])] for key in ("sentences", beside)}
        sha256, seed = str(found["scenario_sha256"]), found.get("seed")
    except (KeyError, TypeError) as error:
        raise InputError([Problem(str(folder / name), "", f"damaged: {error}", allowed)]) from None
    notes = []
    if sha256 != run.manifest.scenario.sha256:
        notes.append("Made from ANOTHER scenario file than this study's run.")
    return {
        "folder": folder.name, "sentences": lines["sentences"], "assumed": lines[beside], "seed": seed,
        "notes": notes, "sha256": _sha256(folder / name),
        "pictures": [str(folder / one) for one in pictures if (folder / one).is_file()],
    }  # fmt: skip


def _list(found: object) -> list[Any]:
    if not isinstance(found, list):
        raise TypeError(f"no list: {str(found)[:40]!r}")
    return found


def picture_bytes(file: Path) -> bytes | None:
    """The bytes of a PNG file, None where it is no PNG or too large to be put into a page."""
    try:
        content = file.read_bytes()
    except OSError:
        return None
    return content if content.startswith(_PNG) and len(content) <= LARGEST_PICTURE_BYTES else None


def _sha256(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()


def stamps_of(attached: Mapping[str, Mapping[str, Any] | None]) -> dict[str, str]:
    """Name of each attached folder to the SHA-256 of the file that was read of it."""
    return {f"{kind} ({one['folder']})": str(one["sha256"]) for kind, one in attached.items() if one is not None}
