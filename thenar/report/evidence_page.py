"""The evidence page, made from the evidence record and nothing else: one self-contained HTML text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from thenar.report.evidence_html import (
    STYLE,
    cited,
    code,
    framed,
    listed,
    section,
    sources_listed,
    table,
    tagged,
    text,
    verdict,
)
from thenar.report.evidence_picture import closest_chart, offences_chart
from thenar.report.evidence_words import NO_RUN, READING

Record = Mapping[str, Any]
_SECTIONS: Final = {
    "glance": "At a glance", "requirements": "Requirements", "pictures": "Pictures", "hazards": "Hazards",
    "fallback": "Fallback modes", "sensed": "What is sensed", "disturbances": "Disturbances",
    "limits": "Limits in force", "sources": "Sources", "stamps": "Stamps", "standards": "Standards",
}  # fmt: skip
_HEADERS: Final = (
    "Id", "What it holds", "Verdict", "Met", "Acted", "Trips", "Closest to bound", "Offences off / on",
    "Check taken out: noticed", "Tests passed / failed", "At its bound", "Mutants, by file", "Proof", "Vectors",
)  # fmt: skip
_LOOSER: Final = ("Key", "Rule", "Default", "In force", "Reason given")


def parts(record: Record) -> list[tuple[str, str, str]]:
    """Anchor, title and HTML of each part. `record`: as `thenar.report.evidence.evidence_record` makes it."""
    content = {
        "glance": _glance(record),
        "requirements": _requirements(record),
        "pictures": _pictures(record["requirements"]),
        "hazards": _hazards(record["hazards"]),
        "fallback": _fallback(record["fallback"]),
        "sensed": _sensed(record["plausibility"]),
        "disturbances": _disturbances(record["disturbances"]),
        "limits": _limits(record),
        "sources": sources_listed(_sources(record)),
        "stamps": _stamps(record),
        "standards": _standards(record),
    }
    return [(name, _SECTIONS[name], html) for name, html in content.items()]


def _sources(record: Record) -> Sequence[Record]:
    """The sources that the record cites; none in one that an older thenar wrote."""
    known: Sequence[Record] = record.get("sources", ())
    return known


def title_of(record: Record) -> str:
    """What the page is called."""
    return f"Evidence on the interlock under {record['profile']['name']}"


def page(record: Record) -> str:
    """The whole page. `record`: as `thenar.report.evidence.evidence_record` makes it."""
    links = "".join(f'<a href="#{name}">{title}</a>' for name, title in _SECTIONS.items())
    sections = "".join(section(*part) for part in parts(record))
    title = text(title_of(record))
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{STYLE}</style></head><body>'
        f'<a class="skip" href="#glance">Skip to the result</a><header><h1>{title}</h1>{_head(record)}</header>'
        f'<nav aria-label="Parts of this page">{links}</nav><main>{sections}</main>'
        f"<footer><p>{text(record['caution'])}</p></footer></body></html>\n"
    )


def _head(record: Record) -> str:
    stamps = record["stamps"]
    line = (
        f"Written {text(stamps['written_utc'])} by thenar {text(stamps['thenar'])}, seed "
        f"{text(record['campaign']['seed'])}, profile fingerprint <code>{text(record['profile']['fingerprint'])}</code>"
    )
    return (
        f'<p>{line}</p>{listed(record["is"])}<div class="not"><h2>What this is not</h2>{listed(record["is_not"])}</div>'
    )


def _glance(record: Record) -> str:
    counts, campaign = record["counts"], record["campaign"]
    same, controls = campaign["same_attacks"], campaign["controls"]
    tally = ", ".join(f"{number} {word}" for word, number in counts.items())
    families = ", ".join(f"{name} {number}" for name, number in campaign["families"].items())
    played = f"{campaign['commands']} commands were played ({families})"
    off, on = (f"{same[side]} offences, {same[f'rules_broken_{side}']} requirements broken" for side in ("off", "on"))
    nothing, gross = controls["must_survive"], controls["must_die"]
    lines = [
        f"Requirements: {tally}. The campaign itself {'passed' if campaign['passed'] else 'did NOT pass'}.",
        f"{played}; {campaign['pulses']} pulses and {campaign['decisions']} decisions were judged by separate code.",
        f"The same attacks with the interlock off: {off}. On: {on}.",
        f"Controls: an edit that changes nothing {nothing} (must be: survived).",
        f"Controls: every ceiling turned round {gross} (must be: caught).",
        *(f"Looser than the default: {one['key']}, see Limits in force" for one in record["deviations"]),
        *(f"NEVER REACHED: {line}" for line in campaign["never_reached"]),
        *(f"LIMIT DIFFERS: {line}" for line in campaign["limits_that_differ"]),
        *record["notes"],
    ]
    open_rows = [
        [f'<a href="#{row["id"]}">{row["id"]}</a>', verdict(row["verdict"]), text(row["title"]), text(row["why"])]
        for row in record["requirements"]
        if row["verdict"] != "held"
    ]
    told = table("What is open", ("Id", "Verdict", "What it holds", "Why"), open_rows) if open_rows else ""
    how = (
        "<p>How to read a verdict: <em>held</em> says that nothing that was run speaks against it; "
        f"{verdict('GAP')} that something was not shown; {verdict('FAILS')} that something speaks against it; "
        f"{verdict(NO_RUN)} that nobody tried. A part that was not run says &ldquo;{NO_RUN}&rdquo; in every cell.</p>"
    )
    return listed(lines) + how + told


def _requirements(record: Record) -> str:
    rows = "".join(_requirement(row, _sources(record)) for row in record["requirements"])
    table_html = framed("One row per requirement, details below it", _HEADERS, rows, "rows")
    return listed(READING) + table_html


def _requirement(row: Record, known: Sequence[Record]) -> str:
    campaign = row["campaign"]
    cells = [f"<b>{row['id']}</b>", text(row["title"]), verdict(row["verdict"])]
    if campaign == NO_RUN:
        cells += [NO_RUN] * 6
    else:
        cells += [text(campaign[key]) for key in ("challenged", "acted", "trips")]
        cells += [
            text(campaign["closest_in_words"] or "no single value"),
            f'<span class="n">{campaign["violations_off"]} / <b>{campaign["violations_on"]}</b></span>',
            _removed(campaign["removal"]),
        ]
    cells += [
        _tests(row["tests"]),
        text(row["boundary"] or "see tests"),
        _mutants(row["mutants"]),
        _proof(row["proof"]),
    ]
    cells += [text(row["vectors"])]
    line = "".join(f"<td>{cell}</td>" for cell in cells)
    why = f"<b>{text(row['why'])}.</b> " if row["why"] else ""
    names = [name.removeprefix("tests/safety/") for name in row["test_names"]]
    more = (
        f"{why}Action: {text(row['action'])}. Default: {_or_none(row['default'])}. Hard: {_or_none(row['hard'])}. "
        f"Source: {cited(row['source'], known)} ({tagged(row['tag'], row['tag_in_words'])}). "
        f"Code: {code(row['code'])}. Tests in tests/safety: {code(names)}."
    )
    if row["proof"] != NO_RUN and row["proof"]:
        more += (
            " Proofs: " + "; ".join(f"{text(one['property'])} ({text(one['result'])})" for one in row["proof"]) + "."
        )
    kind = ' class="bad"' if row["verdict"] == "FAILS" else ""
    return (
        f'<tbody id="{row["id"]}"{kind}><tr>{line}</tr>'
        f'<tr class="more"><td></td><td colspan="{len(_HEADERS) - 1}">{more}</td></tr></tbody>'
    )


def _or_none(value: str) -> str:
    return "none" if value == "-" else text(value)


def _removed(removal: Record) -> str:
    if removal["state"] == "caught":
        return f"after {text(removal['caught_after'])}, by {text(removal['caught_by'])}"
    return f"<b>NOT CAUGHT: {text(removal['state'])}</b> {text(removal['what'])}"


def _tests(tests: Record | str) -> str:
    if isinstance(tests, str):
        return text(tests)
    rest = "".join(f", {tests[key]} {key.replace('_', ' ')}" for key in ("skipped", "not_run") if tests[key])
    return f'<span class="n">{tests["passed"]} / <b>{tests["failed"]}</b></span>{rest}'


def _mutants(mutants: Record | str) -> str:
    if isinstance(mutants, str):
        return text(mutants)
    if not mutants["files"]:
        return NO_RUN
    return ", ".join(f"{count} {text(kind)}" for kind, count in mutants.items() if kind != "files" and count) or "none"


def _proof(proof: Sequence[Record] | str) -> str:
    if isinstance(proof, str):
        return text(proof)
    results = [one["result"] for one in proof]
    return ", ".join(f"{results.count(word)} {text(word)}" for word in sorted(set(results))) or NO_RUN


def _pictures(rows: Sequence[Record]) -> str:
    return (
        '<div class="charts"><figure><figcaption>Closest admitted value, share of its bound</figcaption>'
        f"{closest_chart(rows)}</figure><figure><figcaption>Offences under the same attacks (logarithmic): "
        f"hatched off, black on</figcaption>{offences_chart(rows)}</figure></div>"
    )


def _rules(row: Record) -> str:
    return ", ".join(f'<a href="#{rule}">{rule}</a>' for rule in row["rules"])


def _result(row: Record) -> str:
    open_rules = f" ({text(row['not_held'])})" if row["not_held"] else ""
    return verdict(row["verdict"]) + open_rules


def _hazards(rows: Sequence[Record]) -> str:
    headers = ("Hazard", "Foreseeable sequence", "Hazardous situation", "Harm", "Against it", "Result", "What is left")
    keys = ("sequence", "situation", "harm")
    told = [
        [f"<b>{text(row['name'])}</b>", *(text(row[key]) for key in keys), _rules(row), _result(row), text(row["left"])]
        for row in rows
    ]
    note = "<p>Code and tests: follow the link of a requirement. How likely or grave a harm is, this can't say.</p>"
    return note + table("From hazard to harm, and what stands in the way", headers, told)


def _fallback(rows: Sequence[Record]) -> str:
    headers = ("Mode", "Entered when", "Output", "Signalled by", "Left when", "Requirements", "Result")
    keys = ("entered", "output", "signalled", "left")
    told = [
        [f"<b>{text(row['name'])}</b>", *(text(row[key]) for key in keys), _rules(row), _result(row)] for row in rows
    ]
    return table("Ways in which the output falls below what is asked for", headers, told)


def _sensed(rows: Sequence[Record]) -> str:
    if not rows:
        return f"<p>{NO_RUN}: the limit profile was not at hand.</p>"
    headers = ("Variable", "Check", "Value", "Reaction", "Requirement", "Key in the profile")
    told = [
        [
            text(row["variable"]),
            text(row["what"]),
            _amount(row),
            text(row["reaction"]),
            _rules({"rules": [row["rule"]]}),
            code([row["key"]]),
        ]
        for row in rows
    ]
    return table("Plausibility of what is sensed, from the limits in force", headers, told)


def _disturbances(rows: Sequence[Record]) -> str:
    headers = ("Disturbance", "What the interlock notices it by", "Requirements", "Result")
    told = [[text(row["name"]), text(row["sensed"]), _rules(row), _result(row)] for row in rows]
    return table("Known disturbances", headers, told)


def _amount(limit: Record) -> str:
    unit = "" if limit["unit"] == "1" else f" {text(limit['unit'])}"
    return f"{limit['value']:g}{unit}"


def _limits(record: Record) -> str:
    deviations = [
        [code([one["key"]]), text(one["rule"]), f"{one['default']:g}", f"{one['value']:g} {text(one['unit'])}",
         text(one["reason"])]
        for one in record["deviations"]
    ]  # fmt: skip
    deviating = table("Looser than the shipped profile", _LOOSER, deviations) if deviations else (
        "<p>The profile is nowhere looser than the shipped one it starts from.</p>"
    )  # fmt: skip
    told = [
        [
            f'<span class="n">{code([limit["key"]])}</span>',
            text(limit["rule"]),
            _amount(limit),
            f"{limit['hard_low']:g} to {limit['hard_high']:g}",
            cited(limit["source"], _sources(record)),
            tagged(limit["tag"], limit["tag_in_words"]),
        ]
        for limit in record["limits"]
    ]
    columns = ("Key", "Rule", "In force", "Hard range", "Source", "How far it was followed")
    limits = table("Every bound of the profile", columns, told) if told else f"<p>{NO_RUN}: no profile at hand.</p>"
    return deviating + limits


def _stamps(record: Record) -> str:
    rows = [[text(key.replace("_", " ")), code([str(value)])] for key, value in record["stamps"].items()]
    campaign = record["campaign"]
    told_of_it = ("started_utc", "seconds", "seed", "thenar", "steps", "trips_reached", "counterexamples")
    rows += [[f"campaign: {text(key.replace('_', ' '))}", text(campaign[key])] for key in told_of_it]
    for name, part in record["parts"].items():
        told = part if isinstance(part, str) else "; ".join(f"{key} {value}" for key, value in part.items())
        rows.append([f"part: {text(name)}", text(told)])
    return table("What made this page, and from what", ("What", "Value"), rows)


def _standards(record: Record) -> str:
    rows = [[f"<b>{text(name)}</b>", text(serves)] for name, serves in record["standards"].items()]
    return f"<p>{cited(record['standards_note'], _sources(record))}</p>" + table(
        "What the structure serves", ("Standard", "How"), rows
    )
