"""Everything the evidence page says, as one record: the JSON twin. The page is made from this and nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from thenar.caution import SHORT
from thenar.report.closest_words import in_words
from thenar.report.evidence_places import enforced_in, files_of
from thenar.report.evidence_tests import boundary_of, ids_of_tests, results_of
from thenar.report.evidence_words import CHECKS, FALLBACK, IS, IS_NOT, NO_RUN, STANDARDS, STANDARDS_NOTE, TAGS
from thenar.safety.hazards import DISTURBANCES, HAZARDS
from thenar.safety.profile import LimitProfile
from thenar.safety.requirements import REQUIREMENTS, Requirement

FORMAT: Final = 1
HELD, GAP, FAILS = "held", "GAP", "FAILS"
Part = Mapping[str, Any] | None
Proofs = Sequence[Mapping[str, Any]] | None
_CAMPAIGN_KEYS: Final = (
    "seed", "commands", "pulses", "decisions", "families", "same_attacks", "interlock_on", "controls",
    "trips_reached", "never_reached", "limits_that_differ", "passed", "started_utc", "seconds", "thenar", "steps",
    "counterexamples",
)  # fmt: skip


def facts(challenge: Mapping[str, Any], proofs: Proofs, tests: Part, mutation: Part, vectors: Part) -> dict[str, Any]:
    """The record without its stamps, limits and notes. Arguments as of `thenar.report.evidence.write_evidence`."""
    campaign_rows = {row["id"]: row for row in challenge["rows"]}
    rows = [
        _row(requirement, campaign_rows.get(requirement.name), proofs, tests, mutation, vectors)
        for requirement in REQUIREMENTS
    ]
    verdicts = {row["id"]: row["verdict"] for row in rows}
    return {
        "format": FORMAT,
        "is": list(IS),
        "is_not": list(IS_NOT),
        "campaign": {key: challenge.get(key, NO_RUN) for key in _CAMPAIGN_KEYS},
        "deviations": list(challenge["deviations"]),
        "parts": {
            "tests": _tests_part(tests),
            "proofs": NO_RUN if proofs is None else {"entries": len(proofs)},
            "mutation": NO_RUN if mutation is None else {k: v for k, v in mutation.items() if k != "files"},
            "vectors": NO_RUN if vectors is None else {k: v for k, v in vectors.items() if k != "by_rule"},
        },
        "requirements": rows,
        "hazards": [hazard._asdict() | _standing(hazard.rules, verdicts) for hazard in HAZARDS],
        "fallback": [mode._asdict() | _standing(mode.rules, verdicts) for mode in FALLBACK],
        "disturbances": [one._asdict() | _standing(one.rules, verdicts) for one in DISTURBANCES],
        "counts": {word: sum(verdict == word for verdict in verdicts.values()) for word in (HELD, GAP, FAILS, NO_RUN)},
        "standards": dict(STANDARDS),
        "standards_note": STANDARDS_NOTE,
        "caution": SHORT,
    }


def limits_in_force(profile: LimitProfile) -> list[dict[str, Any]]:
    """Every bound of a profile with its hard range, source and tag, the tag in words too."""
    return [
        {
            "key": key,
            "rule": row.rule,
            "value": bound.value,
            "unit": row.unit,
            "hard_low": row.low,
            "hard_high": row.high,
            "source": bound.source,
            "tag": bound.tag,
            "tag_in_words": TAGS[bound.tag],
        }
        for key, bound, row in profile.bounds()
    ]


def plausibility(limits: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The checks of what is sensed, each with the value that the limits in force give it."""
    by_key = {limit["key"]: limit for limit in limits}
    return [
        check._asdict() | {name: by_key[check.key][name] for name in ("rule", "value", "unit")}
        for check in CHECKS
        if check.key in by_key
    ]


def _row(
    requirement: Requirement,
    campaign: Mapping[str, Any] | None,
    proofs: Proofs,
    tests: Part,
    mutation: Part,
    vectors: Part,
) -> dict[str, Any]:
    rule = requirement.name
    row: dict[str, Any] = {
        "id": rule,
        "title": requirement.title,
        "action": list(requirement.action),
        "default": requirement.default,
        "hard": requirement.hard,
        "source": requirement.source,
        "tag": requirement.tag,
        "tag_in_words": TAGS[requirement.tag],
        "code": list(enforced_in()[rule]),
        "test_names": list(ids_of_tests(rule)),
        "tests": NO_RUN if tests is None else results_of(rule, tests["cases"]),
        "boundary": NO_RUN if tests is None else boundary_of(rule, tests["cases"]),
        "campaign": NO_RUN if campaign is None else _campaign(campaign),
        "mutants": NO_RUN if mutation is None else _mutants(rule, mutation),
        "proof": NO_RUN if proofs is None else _proof(rule, proofs),
        "vectors": NO_RUN if vectors is None else int(vectors["by_rule"].get(rule, 0)),
    }
    failures, gaps = _failures(row), _gaps(row)
    verdict = FAILS if failures else NO_RUN if campaign is None else GAP if gaps else HELD
    return row | {"verdict": verdict, "why": [*failures, *gaps]}


def _campaign(row: Mapping[str, Any]) -> dict[str, Any]:
    closest = row["closest"]
    told = {key: row[key] for key in ("verdict", "challenged", "acted", "trips", "violations_off", "violations_on")}
    in_human_units = None
    if closest is not None:
        in_human_units = in_words(closest["value"], closest["bound"], closest["unit"], closest["share"])
    return told | {"closest": closest, "closest_in_words": in_human_units, "removal": row["removal"]}


def _mutants(rule: str, mutation: Mapping[str, Any]) -> dict[str, Any]:
    files = [name for name in files_of(rule) if name in mutation["files"]]
    if not files:
        return {"files": []}
    kinds = sorted({kind for name in files for kind in mutation["files"][name]})
    return {"files": files} | {kind: sum(int(mutation["files"][name].get(kind, 0)) for name in files) for kind in kinds}


def _proof(rule: str, proofs: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    return [
        {key: proof.get(key, "") for key in ("property", "functions", "result", "assumes")}
        for proof in proofs
        if proof["id"] == rule
    ]


def _failures(row: Mapping[str, Any]) -> list[str]:
    found = []
    campaign, tests, proof = row["campaign"], row["tests"], row["proof"]
    if campaign != NO_RUN and (campaign["verdict"] == "fail" or campaign["violations_on"]):
        found.append("the auditor found it broken with the interlock on")
    if tests != NO_RUN and tests["failed"]:
        found.append(f"{tests['failed']} tests failed")
    if proof != NO_RUN and any(entry["result"] == "failed" for entry in proof):
        found.append("a proof failed")
    return found


def _gaps(row: Mapping[str, Any]) -> list[str]:
    campaign, tests, mutants = row["campaign"], row["tests"], row["mutants"]
    found = ["the campaign says nothing of it"] if campaign == NO_RUN else []
    if campaign != NO_RUN:
        if campaign["verdict"] not in ("pass", "fail"):
            found.append(f"the auditor says: {campaign['verdict']}")
        if campaign["removal"]["state"] != "caught":
            found.append(f"taking the check out was not caught: {campaign['removal']['state']}")
    if tests != NO_RUN and (tests["not_run"] or tests["skipped"]):
        found.append(f"{tests['not_run']} of its tests were not run, {tests['skipped']} skipped")
    if mutants != NO_RUN and mutants.get("survived"):
        found.append(f"{mutants['survived']} changed versions of its files went unnoticed")
    return found


def _standing(rules: Sequence[str], verdicts: Mapping[str, str]) -> dict[str, Any]:
    """How the requirements of one row stand together: the worst verdict, and which ones are not held."""
    worst = next(word for word in (FAILS, GAP, NO_RUN, HELD) if word in {verdicts[rule] for rule in rules})
    return {"rules": list(rules), "verdict": worst, "not_held": [rule for rule in rules if verdicts[rule] != HELD]}


def _tests_part(tests: Part) -> dict[str, Any] | str:
    if tests is None:
        return NO_RUN
    outcomes = list(tests["cases"].values())
    counts = {word: outcomes.count(word) for word in ("passed", "failed", "skipped")}
    return {key: tests[key] for key in ("file", "sha256", "taken")} | counts
