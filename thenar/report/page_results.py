"""Folders other than runs on a page: facts, sentences, tables and pictures of what a command left."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from thenar.report import evidence_page
from thenar.report.evidence_html import listed, table, text
from thenar.report.folder import FinishedFolder, made_sense_of
from thenar.report.page_frame import Part
from thenar.report.page_pictures import figures
from thenar.report.page_run import boxed, facts
from thenar.report.page_words import words_of

MOST_ROWS: Final = 400
"""Rows of a table that a page shows; longer tables are for a spreadsheet."""
BETTER: Final[dict[object, str]] = {-1: "when smaller", 0: "neither way", 1: "when larger"}
LONG_CELL: Final = 60
"""Characters from which a cell is a sentence."""
SAID: Final = ("sentences", "caveats", "assumed", "notes", "what_this_cannot_say")
NOT_FACTS: Final = (*SAID, "caution", "title", "folder", "picture", "format", "limits", "made_by")
COMPARED: Final = (
    "measure", "unit", "target", "condition", "against", "wearers", "difference", "t_interval_low", "t_interval_high",
    "p_t_holm", "d_z", "smaller", "larger", "doubts", "sentence",
)  # fmt: skip


class Results(NamedTuple):
    """A folder as parts of a page. `line`: where it comes from; `warnings`: limits that were loosened."""

    title: str
    line: str
    warnings: list[str]
    parts: list[Part]


class _Shown(NamedTuple):
    """What is shown of one kind: title of the pictures, tables (file, caption, columns or all)."""

    pictures: str
    tables: tuple[tuple[str, str, tuple[str, ...]], ...]


RECORDS: Final = {
    "sweep": "summary.json",
    "tune": "tune.json",
    "compare": "comparison.json",
    "breakeven": "breakeven.json",
    "plan": "plan.json",
    "challenge": "evidence.json",
    "sensitivity": "sensitivity.json",
    "margins": "margins.json",
}
"""Kinds of folders that a page can hold beside runs, and the file with the record of each."""
_KINDS: Final = {
    "tune": _Shown("Maps of the tries and the wearers", (("tries.csv", "Every try", ()),)),
    "compare": _Shown(
        "Pictures of the comparison",
        (("comparison.csv", "Comparisons within each wearer, with 95 % intervals", COMPARED),
         ("wearers.csv", "Means of each wearer", ())),
    ),
    "breakeven": _Shown(
        "Pictures of break-even",
        (("breakeven.csv", "Largest error at which assistance still helps, by force held", ()),
         ("sensors.csv", "Sensors compared", ()), ("map.csv", "Help and harm by force held and error", ())),
    ),
    "plan": _Shown("Power by number of people", (("power.csv", "Power by people and trials", ()),)),
    "sensitivity": _Shown("What the result hangs on", (("sensitivity.csv", "Indices, with intervals", ()),)),
    "margins": _Shown("Margins of the loop", (("margins.csv", "Margins of each wearer", ()),)),
}  # fmt: skip


def results_of(folder: FinishedFolder, prefix: str) -> Results:
    """The parts of a folder of any kind but a run. `prefix`: before each part's anchor.

    Raises InputError when the folder is damaged.
    """
    record = folder.json(RECORDS[folder.kind])
    with made_sense_of(folder.file(RECORDS[folder.kind]), folder.allowed):
        return _MAKERS.get(folder.kind, _plain)(folder, prefix, record)


def _plain(folder: FinishedFolder, prefix: str, record: Mapping[str, Any]) -> Results:
    shown = _KINDS[folder.kind]
    parts = [Part(f"{prefix}facts", "What was run", _facts(record) + _said(record))]
    parts.append(Part(f"{prefix}pictures", shown.pictures, figures(folder)))
    tables = "".join(_csv(folder, *entry) for entry in shown.tables if entry[0] in folder)
    if "tuned.toml" in folder:
        tuned = folder.text("tuned.toml")
        tables += (
            f'<h3>The tuned settings as a file</h3><pre tabindex="0" aria-label="Tuned settings">{text(tuned)}</pre>'
        )
    parts.append(Part(f"{prefix}tables", "Tables", tables))
    return Results(str(record["title"]), _line(folder.kind, record), _loosened(record), parts)


def _sweep(folder: FinishedFolder, prefix: str, record: Mapping[str, Any]) -> Results:
    settings = record["settings"]
    keys = list(settings[0]["values"]) if settings else []
    measures = [name for name in settings[0] if name not in ("setting", "values")] if settings else []
    rows = [
        [text(one["setting"]), *(text(one["values"][key]) for key in keys), *(_cell(one[name]) for name in measures)]
        for one in settings[:MOST_ROWS]
    ]
    best = f"<p>Best setting by the 90th percentile over wearers: number {text(record.get('best_setting'))}.</p>"
    caption = f"Settings of the sweep{_cut(len(settings), 'ledger.sqlite')}"
    shown = boxed(table(caption, ["Setting", *keys, *map(words_of, measures)], rows), len(rows))
    parts = [
        Part(
            f"{prefix}facts", "What was run", _facts({key: record[key] for key in record if key != "settings"}) + best
        ),
        Part(f"{prefix}pictures", "Maps of the sweep", figures(folder)),
        Part(f"{prefix}tables", "Settings", shown),
    ]
    return Results(str(record["title"]), _line(folder.kind, record), _loosened(record), parts)


def _evidence(folder: FinishedFolder, _prefix: str, record: Mapping[str, Any]) -> Results:
    parts = [Part(name, title, html) for name, title, html in evidence_page.parts(record)]
    stamps = record["stamps"]
    line = f"Made by thenar {folder.kind} on {stamps['written_utc']} with thenar {stamps['thenar']}"
    return Results(evidence_page.title_of(record), line, _loosened(record), parts)


_MAKERS: Final[dict[str, Callable[[FinishedFolder, str, Mapping[str, Any]], Results]]] = {
    "sweep": _sweep,
    "challenge": _evidence,
}


def _line(kind: str, record: Mapping[str, Any]) -> str:
    scenario = record.get("scenario") or ", ".join(record.get("folders", ()))
    if not scenario and record.get("scenario_sha256"):
        scenario = f"the scenario with the SHA-256 {record['scenario_sha256'][:16]}"
    return f"Made by thenar {kind}" + (f" of {scenario}" if scenario else "")


def _facts(record: Mapping[str, Any]) -> str:
    """The short entries of a record by name, and which limits and versions stand behind it."""
    named = {
        words_of(key): _flat(value)
        for key, value in record.items()
        if key not in NOT_FACTS and value is not None and _is_short(value)
    }
    if "over" in record and "tuned" in record:
        named["tried over"] = [f"{one['key']} {one['low']:g} to {one['high']:g}" for one in record["over"]]
        named["tuned"] = _flat(record["tuned"]["values"]) if record["tuned"] else "nothing within the bounds"
    if "limits" in record:
        named["limits"] = f"{record['limits']['profile']}, fingerprint {record['limits']['fingerprint']}"
    if "made_by" in record:
        made = record["made_by"]
        named["made by"] = f"thenar {made['thenar']}, step sources {made['steps']}, Python {made['python']}"
    return facts(named)


def _is_short(value: object) -> bool:
    """Whether a value of a record is a fact to read (a word, a number, a few of them), not a table."""
    entries = value.values() if isinstance(value, dict) else value if isinstance(value, list) else [value]
    return len(list(entries)) <= 40 and not any(isinstance(entry, dict | list) for entry in entries)


def _flat(value: object) -> object:
    if isinstance(value, dict):
        return ", ".join(_named(key, entry) for key, entry in value.items())
    return value if value != [] else "none"


def _named(key: str, value: object) -> str:
    """An entry of a short record; a scenario's key path stays as it is written there."""
    if key == "better" and value in BETTER:
        return f"better {BETTER[value]}"
    return f"{key if '.' in key else key.replace('_', ' ')} {text_of(value)}"


def text_of(value: object) -> str:
    """A value of a record as a reader wants it: four figures of a fraction."""
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _said(record: Mapping[str, Any]) -> str:
    told = ""
    compared = [one["sentence"] for one in record.get("comparisons", ()) if one["family"] != "detail"]
    for key, found in [("In words", compared), *((key, record.get(key)) for key in SAID)]:
        if found:
            lines = [found] if isinstance(found, str) else found
            told += f"<h3>{text(key.replace('_', ' ').capitalize())}</h3>{listed(lines)}"
    return told


def _loosened(record: Mapping[str, Any]) -> list[str]:
    """Bounds looser than in a shipped profile, a sentence each."""
    limits = record.get("limits")
    found: Sequence[Mapping[str, Any]] = record.get("limit_deviations") or record.get("deviations") or ()
    if isinstance(limits, dict):
        found = limits.get("deviations") or found
    return [
        f"Limits deviate: {one['key']} is {text_of(one.get('value', '?'))} in place of "
        f"{text_of(one.get('default', '?'))} ({one.get('rule', '')}). Reason given: {one.get('reason', '')}"
        if isinstance(one, dict)
        else f"Limits deviate: {one}"
        for one in found
    ]


def _csv(folder: FinishedFolder, name: str, caption: str, columns: tuple[str, ...]) -> str:
    headers, rows = folder.rows(name)
    wanted = [headers.index(column) for column in columns if column in headers] or list(range(len(headers)))
    places = [place for place in wanted if any(row[place] for row in rows)]
    shown = [[_roomy(_cell(row[place])) for place in places] for row in rows[:MOST_ROWS]]
    told = table(f"{caption}{_cut(len(rows), name)}", [words_of(headers[place]) for place in places], shown)
    return boxed(told, len(shown))


def _roomy(cell: str) -> str:
    """A sentence gets a width of its own: in a narrow column it would become a tower of words."""
    return f'<div class="said">{cell}</div>' if len(cell) > LONG_CELL else cell


def _cut(rows: int, name: str) -> str:
    return f" (the first {MOST_ROWS} of {rows} rows; all of them are in {name})" if rows > MOST_ROWS else ""


def _cell(value: object) -> str:
    """A cell of a table: numbers with four figures, nothing as a dash."""
    if value is None or value == "":
        return "-"
    try:
        number = float(str(value))
    except ValueError:
        return text(value)
    if isinstance(value, str) and "." not in value and "e" not in value:
        return text(value)
    return f"{number:.4g}" if math.isfinite(number) else text(value)
