"""A run on a page: what was run, its results, its limits, and a part for each wearer with the traces."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final, NamedTuple

from thenar.report.evidence_html import listed, table, text
from thenar.report.folder import MANIFEST, FinishedFolder, read_events
from thenar.report.manifest import Manifest, TrialRecord, law_note, manifest_of
from thenar.report.page_pictures import figures
from thenar.report.page_trials import TITLES, read_lines, rows_of, trial_block
from thenar.report.page_words import words_of
from thenar.report.summary import BeyondKnown, OutputOff, steady_words
from thenar.shared.errors import InputError, Problem
from thenar.shared.ticks import US_PER_S

PICTURES: Final = ("force.png", "errors.png")
SHEET: Final = "sheet.csv"
SUMMARY: Final = "summary.json"
MEASURES: Final = (
    ("mean_abs_error_N", "Mean absolute error, N"), ("rms_error_N", "RMS error, N"), ("in_band_percent", "In band, %"),
    ("steady_error_N", "Steady error, N"), ("cv_percent", "Steady CV, %"), ("drift_N_per_s", "Steady drift, N/s"),
    ("approach_error_N", "Approach error, N"), ("rise_s", "Rise, s"), ("overshoot_N", "Overshoot, N"),
    ("settling_s", "Settling, s"),
    ("trips", "Trips"), ("agonist_charge_both_phases_uC", "Agonist charge, uC"),
    ("antagonist_charge_both_phases_uC", "Antagonist charge, uC"), ("own_impulse_percent", "Own force, %"),
    ("against_own_percent", "Against own, %"), ("refusals_per_min", "Refused, 1/min"),
)  # fmt: skip
MOST_TRIALS: Final = 600
"""Trials whose rows and traces are in a page; of more, the first repeats of every wearer and condition."""
BYTES_PER_ROW: Final = 5
"""About what a row of a trace takes in the page: only the first guess."""
MOST_OPEN_ROWS: Final = 40
"""Rows that a table may have before it gets a box to scroll in."""
LEAST_WIDTH: Final = 3
"""Stretches of two rows would save nothing: two numbers each."""


class Run(NamedTuple):
    """A finished run folder, read. `summary`: summary.json as it is; `shown`: trials that a page has room for."""

    folder: FinishedFolder
    manifest: Manifest
    summary: Mapping[str, Any]
    shown: list[TrialRecord]


def read_run(folder: FinishedFolder) -> Run:
    """The run in `folder`. Raises InputError when something is missing or damaged."""
    manifest = manifest_of(folder)
    if not manifest.trials:
        raise InputError([Problem(folder.file(MANIFEST), "trials", "no trial", "a run with at least one trial")])
    first = sorted(manifest.trials, key=lambda trial: trial.repeat)[:MOST_TRIALS]
    shown = sorted(first, key=lambda trial: trial.trial)
    return Run(folder, manifest, folder.json(SUMMARY), shown)


def warnings_of(run: Run) -> list[str]:
    """What a reader must see first: trials that never armed or went beyond what is known, and looser limits."""
    told = [
        f"REFUSED TO ARM in {len(one['trials'])} of {len(run.manifest.trials)} trials, so no pulse left "
        f"({', '.join(one['wearers'])}): " + ", ".join(f"{rule} {words}" for rule, words in one["why"].items())
        for one in run.summary.get("refused_to_arm", [])
    ]
    told += [
        f"OUTPUT OFF in {len(one['trials'])} trials for {OutputOff(**one)}" for one in run.summary.get("output_off", [])
    ]
    told += [
        f"BEYOND WHAT IS KNOWN in {len(one['trials'])} trials, {BeyondKnown(**one)}"
        for one in run.summary.get("beyond_known", [])
    ]
    limits = run.manifest.limits
    return told + [
        f"Limits deviate from {limits.based_on}: {one.key} is {one.value:g} {one.unit} in place of {one.default:g} "
        f"{one.unit} ({one.rule}). Reason given: {one.reason}"
        for one in limits.deviations
    ]


def what_was_run(run: Run) -> str:
    """Scenario, seeds, versions, people and trials; what to look at, in the scenario's own words."""
    manifest, made = run.manifest, run.manifest.made_by
    wearers = list(dict.fromkeys(trial.wearer_name for trial in manifest.trials))
    conditions = list(dict.fromkeys(trial.condition for trial in manifest.trials))
    longest_s = max(one.duration_us for one in manifest.trials) / US_PER_S
    named = {
        "Scenario": f"{manifest.scenario.name}, SHA-256 {manifest.scenario.sha256}",
        "Seed": manifest.seed,
        "Trials": f"{len(manifest.trials)}, each of {longest_s:g} s at most",
        "Wearers": f"{len(wearers)}, all simulated",
        "Conditions": conditions,
        "Limits": f"{manifest.limits.profile}, fingerprint {manifest.limits.fingerprint}",
        **({"Law": law_note(manifest)} if law_note(manifest) else {}),
        "Written": manifest.written_utc,
        "Made by": f"thenar {made.thenar}, step sources {made.steps}, Python {made.python} on {made.machine}",
        "Libraries": ", ".join(f"{name} {version}" for name, version in made.libraries.items()),
        **{f"Input {one.name}": f"SHA-256 {one.sha256}" for one in manifest.inputs},
    }
    watch = _watch(manifest.scenario.text)
    told = f"<p><strong>What to look at:</strong> {text(watch)}</p>" if watch else ""
    return told + facts(named)


def facts(named: Mapping[str, object]) -> str:
    """Names and what stands behind them."""
    return "<dl>" + "".join(f"<dt>{text(name)}</dt><dd>{text(value)}</dd>" for name, value in named.items()) + "</dl>"


def _watch(scenario: str) -> str:
    try:
        found = tomllib.loads(scenario).get("watch", "")
    except tomllib.TOMLDecodeError:
        return ""
    return found if isinstance(found, str) else ""


def results(run: Run) -> str:
    """The table of conditions by target, and the run's pictures."""
    rows = [
        [text(line["condition"]), text(line["target"]), text(line["wearers"]),
         *(_spread(line[name]) for name, _ in MEASURES if name in line)]
        for line in run.summary["by_condition_and_target"]
    ]  # fmt: skip
    shown = [words for name, words in MEASURES if name in run.summary["measures"]]
    caption = "Conditions by target: mean over wearers, with the SD between them where there are several"
    if "steady_s" in run.summary:
        caption += f"; {steady_words(run.summary['steady_s'])}"
    told = table(caption, ["Condition", "Target", "Wearers", *shown], rows)
    means = [f"{words}: {run.summary['measures'][name]['meaning']}" for name, words in MEASURES
             if name in run.summary["measures"]]  # fmt: skip
    return (
        told
        + figures(run.folder, PICTURES)
        + f'<details class="meant"><summary>What the measures mean</summary>{listed(means)}</details>'
    )


def _spread(found: Mapping[str, Any]) -> str:
    if found["mean"] is None:
        return "-"
    sd = "" if found["sd"] is None else f" &plusmn; {_number(found['sd'])}"
    return f"{_number(found['mean'])}{sd}"


def interlock(run: Run) -> str:
    """How often each rule acted, by condition."""
    by_condition = run.summary.get("reason_ticks_by_condition", {})
    acted = sorted({rule for counts in by_condition.values() for rule in counts})
    if not acted:
        return "<p>No rule of the interlock acted in any trial.</p>"
    rows = [[text(rule), text(TITLES.get(rule, "")), *(text(counts.get(rule, 0)) for counts in by_condition.values())]
            for rule in acted]  # fmt: skip
    caption = "Control ticks and pulses at which a rule of the interlock acted, over all trials"
    return table(caption, ["Rule", "What it holds", *by_condition], rows)


def sheet(run: Run) -> str:
    """The running sheet of a study; nothing for other runs."""
    if SHEET not in run.folder:
        return ""
    headers, rows = run.folder.rows(SHEET)
    shown = [[text(cell) for cell in row] for row in rows]
    return boxed(table("Running sheet: who did what in which order", list(map(words_of, headers)), shown), len(rows))


def boxed(shown: str, rows: int) -> str:
    """A table of many `rows` in a box of its own on the screen, so that it buries nothing; whole on paper."""
    return f'<div class="long">{shown}</div>' if rows > MOST_OPEN_ROWS else shown


def scenario_text(run: Run) -> str:
    """The scenario file as it was run."""
    return f'<pre tabindex="0" aria-label="Scenario file">{text(run.manifest.scenario.text)}</pre>'


class Wearer(NamedTuple):
    """One person of a run: number, name and trials."""

    number: int
    name: str
    trials: list[TrialRecord]


def wearers_of(run: Run) -> list[Wearer]:
    """The wearers in the order of their trials."""
    found: dict[int, Wearer] = {}
    for trial in run.shown:
        found.setdefault(trial.wearer, Wearer(trial.wearer, trial.wearer_name, [])).trials.append(trial)
    return list(found.values())


def wearer_part(run: Run, wearer: Wearer, prefix: str) -> str:
    """What is on file of one wearer, a table of the trials, and the place for the traces, which the page's code fills.

    `prefix`: before the number of a trial, gives the id of its data in the page.
    """
    first = wearer.trials[0]
    channels = {"agonist": first.calibration.agonist, "antagonist": first.calibration.antagonist}
    rows = [
        [text(name), *(_number(value) for value in (side.sensory_mA, side.motor_mA, side.ceiling_mA, side.width_us,
                                                     side.rate_Hz, side.reachable_N))]
        for name, side in channels.items()
    ]  # fmt: skip
    headers = ["Channel", "Sensory, mA", "Motor, mA", "Ceiling, mA", "Width, us", "Rate, Hz", "Reachable force, N"]
    on_file = table(f"Calibration of {wearer.name} (zeros: none on file)", headers, rows)
    told = f"<p>Largest pinch: {_number(first.max_pinch_N)} N.</p>"
    if first.objections:
        told += f'<p class="warn">Objections on file: {text(list(first.objections))}</p>'
    first_shown = next((trial for trial in wearer.trials if trial.condition == "assisted"), first)
    options = "".join(
        f'<option value="{prefix}{trial.trial}"{" selected" if trial is first_shown else ""}>'
        f"{text(_trial_name(trial))}</option>"
        for trial in wearer.trials
    )
    chooser = (
        f'<div class="traces" data-wearer="{text(wearer.name)}"><p class="choose"><label>Trial of {text(wearer.name)} '
        f"<select>{options}</select></label></p><div></div></div>"
    )
    return told + chooser + _trials_table(run, wearer) + on_file


def _trial_name(trial: TrialRecord) -> str:
    return f"{trial.condition}, repeat {trial.repeat + 1} (trial {trial.trial})"


def _trials_table(run: Run, wearer: Wearer) -> str:
    here = {trial.trial for trial in wearer.trials}
    mine = [row for row in run.summary["by_trial_and_target"] if row["trial"] in here]
    shown = [(name, words) for name, words in MEASURES if name in run.summary["measures"]]
    rows = [
        [text(row["trial"]), text(row["condition"]), text(row["repeat"] + 1), text(row["target"]),
         *(_number(row[name]) for name, _ in shown),
         text(", ".join(f"{rule} {count}" for rule, count in row["interventions_trace_rows"].items()) or "none")]
        for row in mine
    ]  # fmt: skip
    headers = ["Trial", "Condition", "Repeat", "Target", *(words for _, words in shown), "Rows in which rules acted"]
    return table(f"Trials of {wearer.name} by target", headers, rows)


def _number(value: float | None) -> str:
    """Three figures, or whole from a thousand on."""
    if value is None or math.isnan(value):
        return "-"
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def left_out(run: Run) -> str:
    """Which trials a page has no room for, in words; nothing when all are there."""
    every, here = len(run.manifest.trials), len(run.shown)
    if here == every:
        return ""
    return f"{here} of {every} trials are here, the first repeats; all are in trials.csv and trace.parquet."


def blocks(run: Run, room_bytes: int, advance: Callable[[str], object]) -> list[str]:
    """The traces of the trials shown as JSON texts, together at most `room_bytes`.

    `advance` is told of each trial that has been read. Every trial has the same number of rows per stretch, about
    as few as the room allows: what a guess left of it is used by one more reading.
    Raises InputError when the folder is damaged or even the shortest text has no room.
    """
    counted = rows_of(run.folder)
    rows = sum(counted.get(trial.trial, 0) for trial in run.shown)
    numbers = {trial.trial for trial in run.shown}
    events = run.folder.understood("events.jsonl", lambda log: read_events(log, numbers))
    width = 1 if rows * BYTES_PER_ROW <= room_bytes else _wider(2 * rows * BYTES_PER_ROW / room_bytes)
    while width <= max(LEAST_WIDTH, rows):
        made = _made_at(run, events, width, room_bytes, advance)
        used = sum(map(len, made))
        if used <= room_bytes:
            finer = _wider(1.1 * width * used / room_bytes)
            if finer < width and len(more := _made_at(run, events, finer, room_bytes, advance)) == len(run.shown):
                made = more if sum(map(len, more)) <= room_bytes else made
            return made
        share = len(made) / len(run.shown)
        width = _wider(width * max(1.3, 1.1 * used / share / room_bytes))
    raise InputError(
        [Problem(str(run.folder.path), "", f"{len(run.shown)} trials", f"as many as {room_bytes} bytes hold")]
    )


def _made_at(
    run: Run, events: Mapping[int, list[dict[str, Any]]], width: int, room_bytes: int,
    advance: Callable[[str], object],
) -> list[str]:  # fmt: skip
    """The traces at `width` rows per stretch, as far as the first that is beyond the room."""
    made, used = [], 0
    for block in _blocks_at(run, events, width, advance):
        made.append(block)
        used += len(block)
        if used > room_bytes:
            break
    return made


def _wider(width: float) -> int:
    return max(LEAST_WIDTH, math.ceil(width))


def _blocks_at(
    run: Run, events: Mapping[int, list[dict[str, Any]]], width: int, advance: Callable[[str], object]
) -> Iterator[str]:
    for trial in run.shown:
        trace = read_lines(run.folder, trial.trial)
        advance(f"{trial.wearer_name}, {trial.condition}")
        yield trial_block(trial.trial, trace, events[trial.trial], trial.duration_us, width)
