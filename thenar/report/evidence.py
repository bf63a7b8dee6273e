"""The evidence of a campaign: a page for a reviewer (evidence.html) and its twin for machines (evidence.json)."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from thenar.report.evidence_facts import Part, Proofs, facts, limits_in_force, plausibility
from thenar.report.evidence_page import page
from thenar.report.folder import TEMPORARY, plain
from thenar.report.manifest import made_here, now_utc, profile_of
from thenar.shared.sources import cited

PAGE: Final = "evidence.html"
TWIN: Final = "evidence.json"
CHALLENGE: Final = "challenge.json"


def write_evidence(
    folder: Path,
    challenge: Mapping[str, Any],
    proofs: Proofs = None,
    tests: Part = None,
    mutation: Part = None,
    vectors: Part = None,
) -> dict[str, Any]:
    """Write the page and its twin into `folder`, each whole or not at all; give the record that both hold.

    `challenge`: the record that lies in the folder as challenge.json. `proofs`: entries with id, property, functions,
    result, assumes. `tests`: as `read_junit` gives it. `mutation`: counts by file under "files". `vectors`: counts
    under "by_rule". None: not run, and every cell says so. Raises InputError when the record's limits are not what its
    fingerprint says, OSError when the folder can't be written.
    """
    record = evidence_record(folder, challenge, proofs, tests, mutation, vectors)
    texts = {TWIN: json.dumps(record, indent=2, allow_nan=False, ensure_ascii=False) + "\n", PAGE: page(record)}
    parts = {name: folder / (name + TEMPORARY) for name in texts}
    try:
        for name, part in parts.items():
            part.write_text(texts[name], encoding="utf-8", newline="\n")
        for name, part in parts.items():
            part.replace(folder / name)
    finally:
        for part in parts.values():
            part.unlink(missing_ok=True)
    return record


def evidence_record(
    folder: Path, challenge: Mapping[str, Any], proofs: Proofs, tests: Part, mutation: Part, vectors: Part
) -> dict[str, Any]:
    """All that the page says, as plain JSON values. Arguments as of `write_evidence`."""
    record = facts(challenge, proofs, tests, mutation, vectors)
    file = str(folder / CHALLENGE)
    limits = limits_in_force(profile_of(challenge["limits"], challenge["fingerprint"], file, "limits"))
    notes = []
    made = made_here()
    if challenge["steps"] != made.steps:
        notes.append(
            "The step sources have changed since the campaign: its results are about the older ones "
            f"({challenge['steps']} then, {made.steps} now), code and tests named here are today's."
        )
    stamps = {
        "written_utc": now_utc(),
        "thenar": made.thenar,
        "step_sources": made.steps,
        "python": made.python,
        "libraries": ", ".join(f"{name} {version}" for name, version in made.libraries.items()),
        "platform": made.platform,
        "challenge_sha256": hashlib.sha256((folder / CHALLENGE).read_bytes()).hexdigest(),
    }
    # A profile of one's own is recorded with its full path, which is nobody's business but the writer's.
    name = Path(challenge["profile"]).name
    record |= {"profile": {"name": name, "fingerprint": challenge["fingerprint"]}, "notes": notes, "stamps": stamps}
    record |= {"limits": limits, "plausibility": plausibility(limits)}
    record["sources"] = cited(
        [row["source"] for row in (*record["requirements"], *limits)] + [record["standards_note"]]
    )
    told: dict[str, Any] = plain(record)
    return told
