"""The parts of a dossier about what is planned: the job, the people, the procedure, rules and stops."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from thenar.report.dossier_words import CONDITIONS
from thenar.report.evidence_html import listed, table, text

Record = Mapping[str, Any]
_ORDERS: Final = {
    "williams": "sequences balanced so that each condition takes each place, and comes just after each other one, "
    "equally often (Williams design)",
    "blocks": "in every block each condition once, shuffled for each person",
    "as-listed": "everyone in the same order: practice and fatigue can't be told from the conditions",
}
_EXCLUDES: Final = {
    "trips_over": "more than {} latched trips, all trials together",
    "refused_trials_over": "more than {} stimulated trials in which the interlock never armed",
    "unassisted_error_over_N": "a mean absolute error over {} N without assistance: the task was not done",
}


def job_part(record: Record) -> str:
    """What a person does, in plain words, and what the loop does meanwhile."""
    job = record["job"]
    own = "sees" if job["sees_own_force"] else "does not see"
    lines = [
        f"{CONDITIONS.get(name, 'a condition of the study').capitalize()} (called {name!r} below)."
        for name in job["conditions"]
    ]
    told = (
        "<p>A person holds a pinch between thumb and index finger at a force that is asked for "
        f"({text(job['targets'])}) and {own} the own force. Pads on the skin can make a muscle that bends the thumb, "
        "and one that stretches it, pull a little more. A sensor estimates the force; a control law asks for current "
        "where the estimate is off; an interlock with fixed limits decides what of that leaves.</p>"
        "<p>The conditions that are compared:</p>"
    )
    if record["watch"]:
        told += f"<p>What the authors look at: {text(record['watch'])}</p>"
    settings = {"target": job["target"], "force estimate": job["estimator"], f"law {job['law']}": job["law_settings"]}
    rows = [[text(what), _stated(values)] for what, values in settings.items()]
    if job["law_note"]:
        rows.append(["where the law ran", text(job["law_note"])])
    return told.replace("compared:</p>", f"compared:</p>{listed(lines)}", 1) + table(
        "What the scenario file states (what it doesn't state has the default)", ("Part", "Stated"), rows
    )


def _stated(values: Mapping[str, Any]) -> str:
    return text([f"{key} = {_flat(value)}" for key, value in values.items()]) if values else "nothing: defaults"


def _flat(value: object) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key} = {_flat(entry)}" for key, entry in value.items()) + "}"
    return "[" + ", ".join(map(_flat, value)) + "]" if isinstance(value, list) else str(value)


def people_part(record: Record) -> str:
    """How many, drawn from what, and that they are simulated."""
    people = record["people"]
    strength = people["max_pinch_N"]
    span = f"{strength['least']:.0f} to {strength['most']:.0f} N, median {strength['median']:.0f} N"
    lines = [
        f"{people['wearers']} wearers. All of them are simulated; none is a person.",
        f"They are {people['from']}; seed {people['seed']}.",
        f"Largest own pinch force: {span}.",
    ]
    told = listed(lines)
    if people["population"]:
        rows = [[text(one["about"]), text(one["value"])] for one in people["population"]]
        told += table("What the drawing rests on", ("Setting (SD: spread between people)", "Value"), rows)
    return told


def rules_part(record: Record) -> str:
    """Exclusion before the study, screening, and who is left out of the comparison afterwards."""
    rules = record["people_rules"]
    told = "<h3>The study's own exclusions</h3>"
    told += listed(rules["study"]) if rules["study"] else "<p>None stated in the scenario file.</p>"
    rows = [
        [
            text(f"{one['topic']} ({one['about']})" if one["about"] != one["topic"] else one["topic"]),
            text([f"{answer}: {count}" for answer, count in one["answers"].items()]),
        ]
        for one in rules["topics"]
    ]
    told += table(
        "Screening: asked of everyone; the interlock arms only when each answer is no (R27). Wearers by answer",
        ("Contraindication asked about", "Answers in this run"), rows,
    )  # fmt: skip
    if rules["invented"]:
        told += '<p class="warn">The screening answers of this run are invented: each person must be asked.</p>'
    if rules["objections"]:
        told += f"<p>What stood against arming in this run: {text(rules['objections'])}.</p>"
    told += "<p>Further topics to ask about (lists of authorities disagree; yours decides):</p>" + listed(
        rules["further"]
    )
    told += "<h3>Left out of the comparison, by rules fixed beforehand</h3>"
    excluded = [_EXCLUDES[key].format(f"{value:g}") for key, value in rules["exclude"].items() if key in _EXCLUDES]
    return told + (listed(excluded) if excluded else "<p>Nobody: no such rule is stated.</p>")


def procedure_part(record: Record) -> str:
    """How a visit goes, the order of conditions for each person, and one visit in full."""
    plan, visits = record["procedure"], record["visits"]
    minutes = plan["minutes"]
    conditions = f"each of {len(plan['conditions'])} conditions"
    trials = f"Then {plan['repeats']} counted trials of {plan['duration_s']:g} s in {conditions}"
    rests = f"Rest: {plan['rest_between_trials_s']:g} s between trials, {plan['rest_between_conditions_s']:g} s"
    accepted = f"false alarms accepted: {100 * plan['alpha']:g} %"
    lines = [
        f"Preparation of {plan['preparation_s'] / 60:g} min: pads, screening, calibration.",
        f"{trials}, {plan['practice_trials'] or 'none'} for practice before them.",
        f"{rests} between conditions.",
        f"Order: {_ORDERS[plan['order']]}.",
        f"A visit lasts {_minutes(minutes['least'], minutes['most'])} min from arrival to the end of the last trial.",
        f"Decided by one measure, fixed beforehand: {plan['primary']}; {accepted}.",
        f"Reported too, none of them decisive: {', '.join(plan['measures']) or 'nothing else'}.",
    ]
    if plan["longest_visit_min"] is not None and minutes["most"] > plan["longest_visit_min"]:
        lines.append(f"LONGER than the longest visit that the study allows ({plan['longest_visit_min']:g} min).")
    rows = [
        [text(one["wearer"]), "own" if one["sequence"] == "0" else text(one["sequence"]),
         text(" > ".join(one["order"])),
         _trials(one), f'<span class="n">{one["minutes"]:.1f}</span>']
        for one in visits
    ]  # fmt: skip
    sheet = table(
        "Running sheet: who meets the conditions in which order (every trial with its times is in the run's sheet.csv)",
        ("Wearer", "Sequence", "Order of conditions", "Trials", "Minutes"), rows,
    )  # fmt: skip
    return listed(lines) + sheet + _one_visit(visits[0])


def _minutes(least: float, most: float) -> str:
    return f"{least:.0f}" if f"{least:.0f}" == f"{most:.0f}" else f"{least:.0f} to {most:.0f}"


def _trials(visit: Record) -> str:
    return f"{visit['counted']}" + (f" + {visit['practice']} practice" if visit["practice"] else "")


def _one_visit(visit: Record) -> str:
    rows = [
        [_clock(one["start_s"]), _clock(one["end_s"]), text(one["condition"]),
         "practice" if one["practice"] == "1" else f"counted {int(one['repeat']) + 1}", f"{float(one['rest_s']):g} s"]
        for one in visit["trials"]
    ]  # fmt: skip
    caption = (
        f"One visit in full: {visit['wearer']}, minutes and seconds from arrival; preparation until the first trial"
    )
    return table(caption, ("Start", "End", "Condition", "Trial", "Rest after it"), rows)


def _clock(seconds: str) -> str:
    minutes, left = divmod(round(float(seconds)), 60)
    return f"{minutes}:{left:02d}"


def stop_part(record: Record) -> str:
    """When a person, and when the interlock, ends it."""
    stop = record["stop"]
    own = listed(stop["study"]) if stop["study"] else "<p>None stated in the scenario file.</p>"
    return (
        f"<h3>The study's own rules</h3>{own}"
        f"<h3>In any study of this kind, stop at once when</h3>{listed(stop['usual'])}"
        "<h3>What ends it without anyone's doing</h3><p>These rules can latch the interlock (a trip). After a trip no "
        "pulse leaves until an operator has named its cause.</p>" + listed(record["trips"])
    )
