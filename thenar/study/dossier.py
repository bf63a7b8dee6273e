"""Everything that a dossier says of a study, as one record: the page is made from it and nothing else.

A dossier is what an ethics board asks for before anyone is invited. It is put together from a finished run folder of a
study and from the folders of other commands that are attached to it; what isn't attached is named as missing.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from thenar.caution import CONTRAINDICATIONS, SHORT, STOP_CRITERIA
from thenar.plant_models.settings import Population
from thenar.report.auditing import Terms, audit_folder
from thenar.report.folder import FinishedFolder, plain
from thenar.report.manifest import law_note, made_here, now_utc
from thenar.safety.audit.verdicts import Verdict
from thenar.safety.hazards import HAZARDS
from thenar.safety.requirements import REQUIREMENTS
from thenar.safety.screening import Contraindications
from thenar.shared.errors import validated
from thenar.shared.sources import cited
from thenar.study.dossier_attached import breakeven_of, comparison_of, evidence_of, pictures_in, plan_of, stamps_of
from thenar.study.dossier_benefit import BASELINE, agency_lines, paired_lines, with_words
from thenar.study.dossier_exposure import exposure_lines
from thenar.study.dossier_run import StudyRun, read_study_run

FORMAT: Final = 1
STIMULATED: Final = ("assisted", "stimulation-only")
TITLES: Final = {row.name: row.title for row in REQUIREMENTS}
ERRORS: Final = "errors.png"


class Attached(NamedTuple):
    """The folders given beside the run's own; None where one wasn't."""

    evidence: Path | None = None
    compare: Path | None = None
    breakeven: Path | None = None
    plan: Path | None = None


class Dossier(NamedTuple):
    """The record, and the pictures that go with it: PNG bytes by the key that the record calls them by."""

    record: dict[str, Any]
    pictures: dict[str, bytes]


def dossier_of(folder: FinishedFolder, attached: Attached, out: Path, on_trial: Callable[[object], None]) -> Dossier:
    """Read and reckon everything. `out`: where the page will lie (links start there); `on_trial`: after each trial.

    Raises InputError when a folder is no such folder, is damaged or was changed after its run.
    """
    run = read_study_run(folder)
    evidence = None if attached.evidence is None else evidence_of(attached.evidence, run)
    if evidence is not None and evidence["page"]:
        evidence["page"] = Path(os.path.relpath(evidence["page"], out.resolve().parent)).as_posix()
    compare = None if attached.compare is None else comparison_of(attached.compare, run)
    breakeven = None if attached.breakeven is None else breakeven_of(attached.breakeven, run)
    plan = None if attached.plan is None else plan_of(attached.plan, run)
    others = {"challenge": evidence, "compare": compare, "breakeven": breakeven, "plan": plan}
    pictures = _pictures(folder, breakeven, plan)
    record = {
        "format": FORMAT,
        "title": str(run.summary["title"]),
        "watch": str(run.stated.get("watch", "")),
        "run": folder.path.resolve().name,
        "job": _job(run),
        "people": _people(run),
        "procedure": _procedure(run),
        "visits": list(_visits(run)),
        "exposure": _exposure(run),
        "in_this_run": _in_this_run(run, on_trial),
        "evidence": evidence,
        "benefit": _benefit(run),
        "compare": compare,
        "agency": agency_lines(run.rows, run.conditions, run.summary["measures"]),
        "breakeven": breakeven,
        "plan": plan,
        "people_rules": _people_rules(run),
        "stop": {"study": list(run.study.stop), "usual": list(STOP_CRITERIA)},
        "trips": [f"{row.name} {row.title}" for row in REQUIREMENTS if "trip" in row.action],
        "hazards": [hazard._asdict() for hazard in HAZARDS],
        "stamps": _stamps(run) | {"attached": stamps_of(others)},
        "scenario_text": run.manifest.scenario.text,
        "caution": SHORT,
    }
    return Dossier(plain(record), pictures)


def _pictures(
    folder: FinishedFolder, breakeven: dict[str, Any] | None, plan: dict[str, Any] | None
) -> dict[str, bytes]:
    found = dict(zip(("errors",), pictures_in(folder, (ERRORS,)).values(), strict=False))
    for kind, part in (("breakeven", breakeven), ("plan", plan)):
        if part is not None:
            found |= {f"{kind}-{name}": content for name, content in part.pop("pictures").items()}
    return found


def _job(run: StudyRun) -> dict[str, Any]:
    law = dict(run.stated.get("law", {}))
    return {
        "conditions": run.conditions,
        "stimulated": [name for name in run.conditions if name in STIMULATED],
        "targets": list(dict.fromkeys(str(row["target"]) for row in run.rows)),
        "target": dict(run.stated.get("target", {})),
        "law": str(law.get("name", law.get("class", "a law of the user's own"))),
        "law_settings": dict(law.get("settings", {})),
        "law_note": law_note(run.manifest),
        "estimator": dict(run.stated.get("estimator", {})),
        "sees_own_force": bool(run.stated.get("wearer", {}).get("sees_own_force", False)),
    }


def _people(run: StudyRun) -> dict[str, Any]:
    strongest = {record.wearer_name: record.max_pinch_N for record in run.manifest.trials}
    values = np.array(list(strongest.values()))
    population = run.stated.get("population")
    drawn = (
        "drawn around the scenario's base wearer: strength from published key-pinch norms, the rest as assumed below"
        if population is not None
        else "written by hand in the scenario file"
    )
    if population is not None and population.get("around"):
        drawn = "drawn around people fitted to recordings, as the scenario file names them"
    return {
        "wearers": len(strongest),
        "names": list(strongest),
        "from": drawn,
        "population": _drawn(population),
        "max_pinch_N": {"least": values.min(), "median": np.median(values), "most": values.max()},
        "seed": run.manifest.seed,
    }


def _drawn(population: dict[str, Any] | None) -> list[dict[str, Any]]:
    """What a population is drawn by, defaults too: a mapping per setting with its meaning and value."""
    if population is None:
        return []
    settings = validated(Population, population, "scenario.text: population").model_dump()
    fields = Population.model_fields
    return [
        {"key": key, "about": fields[key].description or "", "value": value}
        for key, value in settings.items()
        if key != "around"
    ]


def _procedure(run: StudyRun) -> dict[str, Any]:
    visits = list(_visits(run))
    minutes = [visit["minutes"] for visit in visits]
    found: dict[str, Any] = run.study.model_dump(mode="json", exclude={"stop", "exclusion"}) | {
        "repeats": run.stated.get("repeats", 1),
        "duration_s": run.manifest.trials[0].duration_us / 1e6,
        "sequences": len({visit["sequence"] for visit in visits}),
        "minutes": {"least": min(minutes), "most": max(minutes)},
        "conditions": run.conditions,
    }
    return found


def _visits(run: StudyRun) -> Iterator[dict[str, Any]]:
    for name in dict.fromkeys(row["wearer_name"] for row in run.sheet):
        own = [row for row in run.sheet if row["wearer_name"] == name]
        counted = [row["condition"] for row in own if row["practice"] == "0"]
        yield {
            "wearer": name,
            "sequence": own[0]["sequence"],
            "order": [one for place, one in enumerate(counted) if place == 0 or counted[place - 1] != one],
            "counted": len(counted),
            "practice": len(own) - len(counted),
            "minutes": float(own[-1]["end_s"]) / 60,
            "trials": [
                {key: row[key] for key in ("position", "condition", "practice", "repeat", "start_s", "end_s", "rest_s")}
                for row in own
            ],
        }


def _exposure(run: StudyRun) -> dict[str, Any]:
    repeats = max(1, int(run.stated.get("repeats", 1)))
    lines = list(exposure_lines(run))
    bounds = (run.profile.agonist, run.profile.antagonist)
    return {
        "profile": run.manifest.limits.profile.rsplit("/", 1)[-1],
        "about": run.profile.about,
        "fingerprint": run.manifest.limits.fingerprint,
        "based_on": run.manifest.limits.based_on,
        "deviations": [found.model_dump() for found in run.manifest.limits.deviations],
        "lines": lines,
        "sources": cited(line["source"] for line in lines),
        "pad_area_cm2": [side.pad_area_cm2.value for side in bounds],
        "contact_assumed": [side.contact_assumed.value for side in bounds],
        "on_window_s": run.profile.loop.on_window_s.value,
        "practice_trials": run.study.practice_trials,
        "practice_factor": 1 + run.study.practice_trials / repeats,
    }


def _in_this_run(run: StudyRun, on_trial: Callable[[object], None]) -> dict[str, Any]:
    audited = audit_folder(run.folder, Terms(), on_trial)
    ticks = run.summary["reason_ticks_by_condition"]
    rules = sorted({rule for counts in ticks.values() for rule in counts})
    trips: dict[str, float] = {}
    seen: set[int] = set()
    for row in run.rows:
        trips[row["wearer_name"]] = trips.get(row["wearer_name"], 0) + (row.get("trips") or 0)
        seen.add(row["trial"])
    return {
        "acted": [
            {"rule": rule, "title": TITLES.get(rule, "")} | {"by_condition": {c: ticks[c].get(rule, 0) for c in ticks}}
            for rule in rules
        ],
        "trips": sum(trips.values()),
        "tripped_wearers": {name: count for name, count in trips.items() if count},
        "trials": len(seen),
        "refused": run.summary["refused_to_arm"],
        "audit": {str(verdict): sum(row.verdict == verdict for row in audited.audit.rows) for verdict in Verdict},
        "audit_failed": [f"{row.rule} {row.title}" for row in audited.audit.rows if row.verdict == Verdict.FAIL],
        "audit_cant": [row.rule for row in audited.audit.rows if row.verdict == Verdict.CANT_JUDGE],
        "pulses": audited.audit.pulses,
        "decisions": audited.audit.decisions,
        "audit_notes": list(audited.notes),
    }


def _benefit(run: StudyRun) -> dict[str, Any]:
    known, study = run.summary["measures"], run.study
    measures = [name for name in study.all_measures if name in known]
    lines = {
        name: paired_lines(run.rows, run.conditions, name, _unit(known[name]["unit"]))
        for name in (measures if BASELINE in run.conditions else ())
    }
    further = with_words([line for name, own in lines.items() if name != study.primary for line in own])
    return {
        "baseline": BASELINE if BASELINE in run.conditions else None,
        "primary": study.primary,
        "alpha": study.alpha,
        "measures": {name: known[name] for name in measures},
        "lines": lines.get(study.primary, []) + further,
    }


def _unit(unit: str) -> str:
    return "" if unit == "1" else "percentage points" if unit == "%" else unit


def _people_rules(run: StudyRun) -> dict[str, Any]:
    topics = []
    for topic, field in Contraindications.model_fields.items():
        answers: dict[str, int] = {}
        for name in run.names:
            record = next(one for one in run.manifest.trials if one.wearer_name == name)
            screened = record.screening
            answer = "nothing on file" if screened is None else getattr(screened.contraindications, topic)
            answers[answer] = answers.get(answer, 0) + 1
        topics.append({"topic": topic.replace("_", " "), "about": field.description or "", "answers": answers})
    screenings = [record.screening for record in run.manifest.trials]
    return {
        "study": list(run.study.exclusion),
        "exclude": run.study.exclude.model_dump(exclude_none=True),
        "topics": topics,
        "further": list(CONTRAINDICATIONS),
        "invented": any(one is not None and getattr(one, "invented", False) for one in screenings),
        "objections": sorted({line for record in run.manifest.trials for line in record.objections}),
    }


def _stamps(run: StudyRun) -> dict[str, Any]:
    manifest, made = run.manifest, made_here()
    return {
        "written_utc": now_utc(),
        "dossier_by": f"thenar {made.thenar}, step sources {made.steps}",
        "run_written_utc": manifest.written_utc,
        "run_by": f"thenar {manifest.made_by.thenar}, step sources {manifest.made_by.steps}",
        "python": manifest.made_by.python,
        "libraries": ", ".join(f"{name} {version}" for name, version in manifest.made_by.libraries.items()),
        "seed": manifest.seed,
        "scenario": manifest.scenario.name,
        "scenario_sha256": manifest.scenario.sha256,
        "limits": f"{run.profile.name}, fingerprint {manifest.limits.fingerprint}",
        "inputs": {entry.name.rsplit("/", 1)[-1]: entry.sha256 for entry in manifest.inputs},
        "replay": f"thenar replay {run.folder.path.resolve().name}",
    }
