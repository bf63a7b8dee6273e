"""The parts of a dossier about what may come of it: help and harm, agency, break-even, number of people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from thenar.report.dossier_exposure import three
from thenar.report.dossier_words import AGENCY_SAYS, MISSING, PICTURES, TAUGHT_BY
from thenar.report.evidence_html import listed, table, text

Record = Mapping[str, Any]


def benefit_part(record: Record, pictures: Mapping[str, str]) -> str:
    """Sentences on the primary measure, then every measure as a table."""
    benefit, compared = record["benefit"], record["compare"]
    told, drawn = f"<p>{text(TAUGHT_BY)}</p>", _errors_picture(record, pictures)
    if compared is not None:
        return told + _compared(compared) + _harm_beside(benefit) + drawn
    if benefit["baseline"] is None:
        return (
            f'{told}<p class="warn">The run has no condition "unassisted", so nothing can be said of help or harm.</p>'
        )
    primary = [line for line in benefit["lines"] if line["measure"] == benefit["primary"]]
    told += listed(line["sentence"] for line in primary) + _harm_beside(benefit) + drawn
    told += _paired(benefit, primary, f"Primary measure: {benefit['primary']}, {_meaning(benefit, benefit['primary'])}")
    for name in benefit["measures"]:
        if name != benefit["primary"]:
            own = [line for line in benefit["lines"] if line["measure"] == name]
            told += _paired(benefit, own, f"Further measure, not decisive: {name}, {_meaning(benefit, name)}")
    return told + listed((
        "Each wearer counts once, by the mean over trials. Intervals are Student's for paired differences, 95 %.",
        "Help or harm is what survives Holm's correction, within the primary measure and over all further ones.",
        "The study's rules that leave wearers out were not applied.",
        "thenar compare applies them, tests the assumptions, and can be attached with --compare DIR.",
    ))  # fmt: skip


def _harm_beside(benefit: Record) -> str:
    """What gets worse beside the primary measure: a mean that helps can hide it."""
    lines = [line for line in benefit["lines"] if line["measure"] != benefit["primary"]]
    harm = [line["sentence"] for line in lines if line["sentence"].startswith("HARM")]
    if not harm:
        return ""
    return "<h3>Harm in further measures</h3>" + listed(harm)


def _meaning(benefit: Record, name: str) -> str:
    return str(benefit["measures"].get(name, {}).get("meaning", ""))


def _paired(benefit: Record, lines: list[Record], caption: str) -> str:
    unit = lines[0]["unit"] if lines else ""
    rows = [
        [text(line["target"]), text(line["condition"]), three(line["mean_condition"]), three(line["mean_against"]),
         _signed(line["difference"]), _interval(line["low"], line["high"]), text(line["wearers"]),
         "-" if line["worse"] is None else text(line["worse"])]
        for line in lines
    ]  # fmt: skip
    headers = (
        "Target", "Condition", f"Mean, {unit}", f"Mean {benefit['baseline']}, {unit}", f"Paired difference, {unit}",
        "95 % interval", "Wearers", "Made worse",
    )  # fmt: skip
    return table(caption, tuple(header.rstrip(", ") for header in headers), rows)


def _signed(value: float | None) -> str:
    return "none" if value is None else f"{value:+.3g}"


def _interval(low: float | None, high: float | None, form: str = "+.3g") -> str:
    if low is not None and low == high:
        return "no spread"
    return "none" if low is None or high is None else f'<span class="n">{low:{form}} to {high:{form}}</span>'


def _compared(compared: Record) -> str:
    told = f"<p>From <code>{text(compared['folder'])}</code>, as <code>thenar compare</code> wrote it.</p>"
    told += "".join(f'<p class="warn">{text(note)}</p>' for note in compared["notes"])
    told += "".join(f"<p>Left out by the study's rules: {text(one)}.</p>" for one in compared["excluded"])
    told += listed(
        line["sentence"] + (f" But: {line['doubts']}." if line["doubts"] else "") for line in compared["lines"]
    )
    # Further measures against the baseline alone: the whole table lies in the folder.
    against = compared["lines"][0]["against"] if compared["lines"] else ""
    further = [line for line in compared["further"] if line["against"] == against and line["wearers"]]
    rows = [
        [text(line["measure"]), text(line["target"]), text(f"{line['condition']} - {line['against']}"),
         f"{_signed(line['difference'])} {_points(line['unit'])}",
         _interval(line["t_interval_low"], line["t_interval_high"]), text(line["wearers"]),
         f"{text(line['smaller'])} / {text(line['larger'])}", _signed(line["p_t_holm"]).lstrip("+")]
        for line in (*compared["lines"], *further)
    ]  # fmt: skip
    headers = ("Measure", "Target", "Conditions", "Difference", "Interval", "Wearers", "Smaller / larger", "p, Holm")
    return told + table("Comparisons within wearers; further measures against the first baseline", headers, rows)


def _points(unit: str) -> str:
    return "points" if unit == "%" else "" if unit == "1" else text(unit)


def _errors_picture(record: Record, pictures: Mapping[str, str]) -> str:
    if "errors" not in pictures:
        return ""
    words = (
        f"Mean absolute error by condition and target, a mark for each of {record['people']['wearers']} simulated "
        "wearers, joined across conditions; bar and whiskers: mean and one standard deviation over wearers"
    )
    return _figure(pictures["errors"], words)


def _figure(address: str, words: str) -> str:
    return f'<figure><figcaption>{text(words)}</figcaption><img src="{address}" alt="{text(words)}"></figure>'


def agency_part(record: Record) -> str:
    """The agency measures that the run's tables have, side by side."""
    lines = record["agency"]
    if not lines:
        return "<p>The tables of this run hold no agency measures, so nothing can be said of whose force it is.</p>"
    told = f"<p>{text(AGENCY_SAYS)}</p>"
    for measure in dict.fromkeys(line["measure"] for line in lines):
        own = [line for line in lines if line["measure"] == measure]
        rows = [
            [text(line["condition"]), text(line["target"]), three(line["value"]),
             _interval(line["low"], line["high"], ".3g"),
             text(line["wearers"])]
            for line in own
        ]  # fmt: skip
        headers = ("Condition", "Target", f"Mean, {own[0]['unit']}", "95 % interval", "Wearers")
        told += table(f"{own[0]['words']}: {own[0]['meaning']} ({measure})", headers, rows)
    return told


def results_part(record: Record, kind: str, pictures: Mapping[str, str]) -> str:
    """What `thenar breakeven` or `thenar plan` said, in its own sentences; or that it isn't attached."""
    found = record[kind]
    if found is None:
        missing, command, option = MISSING[kind]
        then = f"then give its folder with <code>{text(option)}</code>"
        return f"<p>{text(missing)} <code>{text(command)}</code>, {then}.</p>"
    told = "".join(f'<p class="warn">{text(note)}</p>' for note in found["notes"])
    told += f"<p>From <code>{text(found['folder'])}</code>, as <code>thenar {kind}</code> wrote it.</p>"
    told += listed(found["sentences"])
    for name, address in pictures.items():
        if name.startswith(f"{kind}-"):
            told += _figure(address, PICTURES[name.removeprefix(f"{kind}-")])
    return told + "<p>Assumed, and left open:</p>" + listed(found["assumed"])
