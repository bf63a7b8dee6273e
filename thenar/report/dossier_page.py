"""The dossier of a study, made from its record and nothing else: one self-contained, printable HTML text."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Mapping
from html import escape
from typing import Any, Final

from thenar.report.dossier_benefit import agency_part, benefit_part, results_part
from thenar.report.dossier_exposure import evidence_part, exposure_part, in_this_run_part
from thenar.report.dossier_plan import job_part, people_part, procedure_part, rules_part, stop_part
from thenar.report.dossier_words import CANNOT_SAY, CAUTIONS, IS, IS_NOT
from thenar.report.evidence_html import STYLE, listed, section, table, text

Record = Mapping[str, Any]
MARK: Final = '<meta name="generator" content="thenar dossier">'
PRINTED: Final = """
body { max-width: 60rem; } h3 { font-size: 1rem; margin: 1rem 0 .3rem; break-after: avoid; }
.warn { border: 2px solid #000; padding: .3rem .6rem; font-weight: 700; } .wide { margin: .7rem 0; }
figure { margin: .8rem 0; break-inside: avoid; } img { max-width: 100%; height: auto; }
pre { font-size: .78rem; white-space: pre-wrap; overflow-wrap: anywhere; border: 1px solid #777; padding: .5rem; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .15rem .8rem; margin: .3rem 0 .6rem; }
dt { font-weight: 700; } dd { margin: 0; font-size: .88em; overflow-wrap: anywhere; }
@page { size: A4 portrait; margin: 14mm 14mm 16mm;
  @bottom-left { content: "Simulation only, not a medical device"; font: 8pt sans-serif; }
  @bottom-right { content: counter(page) " of " counter(pages); font: 8pt sans-serif; } }
@media print { body { max-width: none; } p, ul { max-width: none; } table { font-size: 7.8pt; } pre { font-size: 7pt; }
  .wide:not(:has(tr:nth-child(14))), li { break-inside: avoid; }
  caption { break-after: avoid; } p.warn { break-inside: avoid; }
  a { text-decoration: underline; } img { max-height: 150mm; } .not, dl { break-inside: avoid; } }
"""
SECTIONS: Final = {
    "job": "The job",
    "people": "Who takes part",
    "rules": "Who can't take part",
    "procedure": "Procedure and running sheet",
    "exposure": "Exposure of each person",
    "interlock": "The interlock",
    "benefit": "Expected benefit and harm",
    "agency": "Agency",
    "breakeven": "How good the force estimate must be",
    "plan": "How many people",
    "stop": "When to stop",
    "cautions": "Cautions",
    "cannot": "What the simulation can't say",
    "stamps": "Stamps",
    "scenario": "The scenario file as it was run",
}


def page(record: Record, pictures: Mapping[str, bytes]) -> str:
    """The whole page. `record`: as `thenar.study.dossier.dossier_of` makes it; `pictures`: PNG bytes by its names."""
    shown = {name: _image(content) for name, content in pictures.items()}
    content = {
        "job": job_part(record),
        "people": people_part(record),
        "rules": rules_part(record),
        "procedure": procedure_part(record),
        "exposure": exposure_part(record),
        "interlock": in_this_run_part(record) + evidence_part(record),
        "benefit": benefit_part(record, shown),
        "agency": agency_part(record),
        "breakeven": results_part(record, "breakeven", shown),
        "plan": results_part(record, "plan", shown),
        "stop": stop_part(record),
        "cautions": _cautions(record),
        "cannot": listed(CANNOT_SAY),
        "stamps": _stamps(record),
        "scenario": f"<pre>{text(record['scenario_text'])}</pre>",
    }
    links = "".join(f'<a href="#{name}">{text(title)}</a> ' for name, title in SECTIONS.items())
    title = f"Dossier: {text(record['title'])}"
    sections = "".join(
        section(name, f"{number}. {title_of}", content[name])
        for number, (name, title_of) in enumerate(SECTIONS.items(), start=1)
    )
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">{MARK}<title>{title}</title>'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{STYLE}{PRINTED}</style></head>'
        f'<body><a class="skip" href="#job">Skip to the job</a><header><h1>{title}</h1>{_head(record)}</header>'
        f'<nav aria-label="Parts of this page">{links}</nav><main>{sections}</main>'
        f"<footer><p>{text(record['caution'])}</p></footer></body></html>\n"
    )


def _image(content: bytes) -> str:
    """The address of a picture inside the page itself."""
    return f"data:image/png;base64,{b64encode(content).decode('ascii')}"


def _head(record: Record) -> str:
    stamps, missing = record["stamps"], [name for name in ("evidence", "breakeven", "plan") if record[name] is None]
    line = (
        f"Written {text(stamps['written_utc'])} from the run <code>{text(record['run'])}</code>, seed "
        f"{text(stamps['seed'])}. Scenario <code>{text(stamps['scenario_sha256'][:16])}</code>, limits "
        f"<code>{text(record['exposure']['fingerprint'][:16])}</code>; in full under Stamps."
    )
    attached = {name: record[name] or {} for name in ("evidence", "compare", "breakeven", "plan")}
    notes = [f"{name}: {note}" for name, part in attached.items() for note in part.get("notes", [])]
    loosened = [one["key"] for one in record["exposure"]["deviations"]]
    if loosened:
        notes.append(f"Limits LOOSER than in {record['exposure']['based_on']}: {', '.join(loosened)}.")
    told = "".join(f'<p class="warn">{text(note)}</p>' for note in notes)
    if missing:
        told += f'<p class="warn">Not attached, so missing below: {text(missing)}.</p>'
    return f'<p>{line}</p>{listed(IS)}<div class="not"><h2>What this is not</h2>{listed(IS_NOT)}</div>{told}'


def _cautions(record: Record) -> str:
    rows = [[text(one["name"]), text(one["harm"]), text(one["rules"]), text(one["left"])] for one in record["hazards"]]
    return listed(CAUTIONS) + table(
        "What could come to harm a person, and what is left open although every limit holds (our own analysis, of a "
        "simulated loop)", ("Hazard", "Harm", "Rules against it", "What they leave open"), rows,
    )  # fmt: skip


def _stamps(record: Record) -> str:
    stamps = record["stamps"]
    named = {
        "Page written": stamps["written_utc"],
        "Page by": stamps["dossier_by"],
        "Run written": stamps["run_written_utc"],
        "Run by": stamps["run_by"],
        "Python, libraries": f"{stamps['python']}; {stamps['libraries']}",
        "Seed": stamps["seed"],
        "Scenario": f"{stamps['scenario']}, SHA-256 {stamps['scenario_sha256']}",
        "Limits": stamps["limits"],
    }
    named |= {f"Input {name}": f"SHA-256 {sha256}" for name, sha256 in stamps["inputs"].items()}
    named |= {f"Attached {name}": f"SHA-256 {sha256}" for name, sha256 in stamps["attached"].items()}
    lines = "".join(f"<dt>{escape(name)}</dt><dd>{text(value)}</dd>" for name, value in named.items())
    return (
        f"<dl>{lines}</dl><p>To run every trial again and compare each column and event bit for bit: "
        f"<code>{text(stamps['replay'])}</code></p>"
    )
