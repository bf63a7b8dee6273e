"""`thenar run FILE`: run a scenario, leave a run folder, print the table of conditions by target."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from thenar.caution import SHORT
from thenar.cli.scenario_file import load_typed
from thenar.cli.show import Table, listed, number, progress, show_json, show_table
from thenar.report.folder import free_folder, refuse_if_taken, unfinished_beside
from thenar.report.signature import signing_key
from thenar.report.summary import ConditionTarget, Spread, line_record, steady_words
from thenar.run import SHEET, RunReport, run_scenario
from thenar.safety.deviation import Deviation
from thenar.safety.requirements import REQUIREMENTS
from thenar.shared.compiled import compiled_before
from thenar.workers import cores

RUNS: Final = Path("runs")
LAW_FAULTS_SHOWN: Final = 5


def command(chosen: argparse.Namespace) -> int:
    """Run one scenario. Returns 0."""
    loaded = load_typed(chosen.file, chosen.trust_law)
    key = signing_key(Path(chosen.sign)) if chosen.sign else None
    out = Path(chosen.out) if chosen.out else free_folder(RUNS, loaded.path.stem)
    refuse_if_taken(out)
    for left in unfinished_beside(out):
        print(f"note: {left} is from a run that was killed or is still going on", file=sys.stderr)
    if sys.stderr.isatty() and not chosen.json and not compiled_before():
        print("note: the models are compiled first, once (up to a minute)", file=sys.stderr)
    total = loaded.scenario.trial_count
    with progress(total, "running", quiet=chosen.json) as advance:
        report = run_scenario(loaded, out, seed=chosen.seed, jobs=chosen.jobs or cores(), sign=key, on_finished=advance)
    if chosen.json:
        show_json(_record(report))
    else:
        _tell(report, loaded.scenario.title, total)
        if key is not None:
            print(f"signed by {key.fingerprint}: `thenar audit {report.folder} --verify` with the public key checks it")
    return 0


def _tell(report: RunReport, title: str, trials: int) -> None:
    print(f"{title}: {trials} trial{'' if trials == 1 else 's'}, seed {report.seed}")
    for found in report.limits.deviations:
        print(f"deviates from {report.limits.based_on}: {Deviation(**found.model_dump())}")
    for line in [*refusal_lines(report, trials), *off_lines(report), *beyond_lines(report)]:
        print(line)
    show_table(conditions_table(report.table, report.steady_s))
    if any(report.reason_ticks.values()):
        show_table(interlock_table(report.reason_ticks))
    for what, times in list(report.law_faults.items())[:LAW_FAULTS_SHOWN]:
        print(f"the law failed ({times} noted): {what}")
    print(f"\nfolder: {report.folder}\npicture: {report.picture}\npicture of errors: {report.error_picture}")
    if (report.folder / SHEET).exists():
        print(f"running sheet: {report.folder / SHEET}")
    print(SHORT)


def refusal_lines(report: RunReport, trials: int) -> list[str]:
    """What a person must read first: which of all `trials` never armed, and why."""
    every = f"{trials} trial{'' if trials == 1 else 's'}"
    return [
        f"REFUSED TO ARM in {len(refusal.trials)} of {every}, so no pulse left ({listed(refusal.wearers)}): {refusal}"
        for refusal in report.refusals
    ]


def off_lines(report: RunReport) -> list[str]:
    """For how long no pulse could leave because the interlock had tripped."""
    return [
        f"OUTPUT OFF in {len(off.trials)} trial{'' if len(off.trials) == 1 else 's'} for {off}"
        for off in report.output_off
    ]


def beyond_lines(report: RunReport) -> list[str]:
    """Where the simulation is carried on beyond what a recording supports."""
    return [
        f"BEYOND WHAT IS KNOWN in {len(one.trials)} trial{'' if len(one.trials) == 1 else 's'}, {one}"
        for one in report.beyond
    ]


def conditions_table(lines: list[ConditionTarget], steady_s: float) -> Table:
    """The table of conditions by target: means over wearers, with the SD of the error. `steady_s`: as measured."""
    headers = (
        "condition", "target", "wearers", "mean abs.\nerror, N", "trips\nper trial", "RMS\nerror, N", "in band\n%",
        "steady\nerror, N", "steady\nCV, %", "overshoot\nN", "settling\ns", "agonist\ncharge, uC",
        "antagonist\ncharge, uC",
    )  # fmt: skip
    rows = [
        (
            line.condition,
            line.target,
            str(line.wearers),
            _with_sd(line.spread("mean_abs_error_N")),
            number(line.spread("trips").mean),
            number(line.spread("rms_error_N").mean),
            number(line.spread("in_band_percent").mean, 0),
            number(line.spread("steady_error_N").mean),
            number(line.spread("cv_percent").mean, 1),
            number(line.spread("overshoot_N").mean),
            number(line.spread("settling_s").mean),
            number(line.spread("agonist_charge_both_phases_uC").mean, 0),
            number(line.spread("antagonist_charge_both_phases_uC").mean, 0),
        )
        for line in lines
    ]
    what = "mean over wearers, error with its SD, charge of both phases per trial"
    title = f"Conditions by target: {what}; {steady_words(steady_s)}"
    return Table(title, headers, rows, frozenset(range(2, len(headers))), droppable=len(headers) - 5)


def _with_sd(found: Spread) -> str:
    return number(found.mean) if number(found.sd) == "-" else f"{number(found.mean)} ± {number(found.sd)}"


def interlock_table(reason_ticks: Mapping[str, Mapping[str, int]]) -> Table:
    """How often each requirement acted, by condition: control ticks and pulses, over all trials."""
    titles = {row.name: row.title for row in REQUIREMENTS}
    acted = sorted({identifier for counts in reason_ticks.values() for identifier in counts})
    headers = ("rule", "what it holds", *reason_ticks)
    rows = [
        (identifier, titles.get(identifier, ""), *(str(counts.get(identifier, 0)) for counts in reason_ticks.values()))
        for identifier in acted
    ]
    title = "Interlock: control ticks and pulses at which a rule acted, all trials"
    return Table(title, headers, rows, frozenset(range(2, len(headers))))


def _record(report: RunReport) -> dict[str, object]:
    return {
        "folder": str(report.folder),
        "picture": str(report.picture),
        "seed": report.seed,
        "refused_to_arm": [refusal._asdict() for refusal in report.refusals],
        "output_off": [off._asdict() for off in report.output_off],
        "beyond_known": [one._asdict() for one in report.beyond],
        "by_condition_and_target": [line_record(line) for line in report.table],
        "reason_ticks_by_condition": report.reason_ticks,
        "law_faults": report.law_faults,
        "limits": report.limits.model_dump(mode="json", exclude={"values"}),
        "caution": SHORT,
    }
