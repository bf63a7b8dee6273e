"""`thenar margins FILE`: gain, phase and delay margins of the loop for every wearer, and the proof by simulation."""

from __future__ import annotations

import argparse
import json
import math
import textwrap
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from thenar.caution import SHORT
from thenar.cli.scenario_file import load_typed
from thenar.cli.show import Table, listed, number, progress, show_json, show_table
from thenar.report.cycle_picture import cycle_picture
from thenar.report.folder import plain, refuse_if_taken, whole_folder
from thenar.report.margins_picture import Bode, Swing, margins_picture
from thenar.scenarios.loader import LoadedScenario
from thenar.study.loop_check import Check, checked
from thenar.study.loop_cycle import Cycle, PopulationCycles, WearerCycle, cycles_of, simulated_cycle
from thenar.study.margins import RELAY, PopulationMargins, WearerMargins, margins_of, trials_of
from thenar.study.margins_record import (
    ASSUMED,
    CHECKED_WITH,
    LINES,
    csv_text,
    cycle_row_of,
    cycles_record,
    margins_record,
    row_of,
    summary_of,
)
from thenar.workers import cores

CONTRADICTED: Final = 1
WORST_SHOWN: Final = 3
TEXT_WIDTH: Final = 112
CYCLES_ASSUMED: Final = (
    "assumed: the wearer holds the own force; currents rise as R20 and R21 allow, no other limit binds; no noise, no "
    "fatigue, no faults; a swing of less than 0.05 N counts as none"
)
TABLE_FILE: Final = "margins.csv"
PICTURE_FILE: Final = "margins.png"
RECORD_FILE: Final = "margins.json"


def command(chosen: argparse.Namespace) -> int:
    """Reckon margins, or the bang-bang law's limit cycle. Returns 0, or 1 when the simulation contradicts margins."""
    loaded = load_typed(chosen.file, chosen.trust_law)
    out = Path(chosen.out) if chosen.out else None
    if out is not None:
        refuse_if_taken(out)
    if loaded.scenario.law.name == RELAY:
        return _cycles(chosen, loaded, out)
    return _margins(chosen, loaded, out)


def _asked(chosen: argparse.Namespace) -> dict[str, Any]:
    return {"seed": chosen.seed, "wearers": chosen.wearers, "jobs": chosen.jobs or cores()}


def _margins(chosen: argparse.Namespace, loaded: LoadedScenario, out: Path | None) -> int:
    count = chosen.wearers or loaded.scenario.wearer_count
    with progress(count, "linearising", quiet=chosen.json) as advance:
        found = margins_of(loaded, chosen.level, method=None, on_wearer=advance, **_asked(chosen))
    check = None
    if not chosen.no_check:
        trials = {trial.label.wearer: trial for trial in trials_of(loaded, chosen.seed, chosen.wearers)}
        check = checked(trials[found.median.wearer], found.median, str(loaded.path))
    record = margins_record(found, check) | {"title": loaded.scenario.title, "caution": SHORT}
    if out is not None:
        bodes = [_bode(one) for one in found.ranked() if one.loop is not None]
        title, line, swings = loaded.scenario.title, _headline(found), _swings(check)
        whose = "" if check is None else f"median wearer: {check.wearer.name}" if count > 1 else check.wearer.name
        drawn = (lambda file: margins_picture(file, title, line, bodes, swings, whose)) if bodes else None
        _leave(out, csv_text([row_of(one) for one in found.wearers]), record, drawn)
    if chosen.json:
        show_json(record)
    else:
        _tell(found, check, loaded.scenario.title, out)
    return CONTRADICTED if check is not None and not check.agrees else 0


def _bode(one: WearerMargins) -> Bode:
    if one.loop is None:
        raise ValueError("no loop to draw")
    return Bode(one.name, one.loop.frequency_rad_s / (2.0 * math.pi), one.loop.response, one.margins)


def _swings(check: Check | None) -> list[Swing]:
    if check is None:
        return []
    return [
        Swing(f"Simulated at {run.factor:g} of the ultimate gain: x {run.growth:.2f} a period", run.time_s, run.force_N)
        for run in (check.below, check.above)
    ]


def _headline(found: PopulationMargins) -> str:
    count = len(found.wearers)
    return f"Loop margins about {found.level_N:g} N, {count} wearer{'' if count == 1 else 's'}, seed {found.seed}"


def _tell(found: PopulationMargins, check: Check | None, title: str, out: Path | None) -> None:
    print(f"{title}\n{_headline(found)}")
    unstable = [one.name for one in found.ranked() if not one.margins.stable]
    if unstable:
        print(f"UNSTABLE AS IT IS for {len(unstable)} of {len(found.wearers)} wearers ({listed(unstable)})")
    never = [one.name for one in found.wearers if one.loop is None]
    if never:
        print(f"the law never closes the loop for {len(never)} of {len(found.wearers)} wearers ({listed(never)})")
    show_table(_summary_table(found))
    show_table(_worst_table(found))
    print()
    for line in _check_lines(check):
        _wrapped(line)
    _wrapped("assumed: " + "; ".join(ASSUMED))
    _tell_end(out)


def _wrapped(text: str) -> None:
    print(textwrap.fill(text, TEXT_WIDTH, subsequent_indent="  ", break_on_hyphens=False))


def _tell_end(out: Path | None) -> None:
    if out is not None:
        print(f"folder: {out}\npicture: {out / PICTURE_FILE}")
    print(SHORT)


def _summary_table(found: PopulationMargins) -> Table:
    digits = {line.key: line.digits for line in LINES}
    rows = []
    for row in summary_of(found):
        unit = found.gain_key.removeprefix("law.settings.") if row["measure"] == "ultimate_gain" else row["unit"]
        if row["measure"] == "ultimate_gain" and not found.gain_key:
            continue
        values = (row["worst_wearer"], row["p10"], row["p50"], row["p90"])
        cells = (_cell(value, digits[row["measure"]]) for value in values)
        rows.append((row["words"], unit, *cells))
    headers = ("measure", "unit", "worst\nwearer", "10 %", "median", "90 %")
    title = (
        "Margins over wearers, each measure by itself (none: nothing to bound it; a crossover: of those who have one)"
    )
    return Table(title, headers, rows, frozenset(range(2, len(headers))))


def _cell(value: float, digits: int) -> str:
    return "none" if math.isinf(value) and value > 0 else number(value, digits)


def _worst_table(found: PopulationMargins) -> Table:
    rows = []
    for one in found.ranked()[:WORST_SHOWN]:
        row = row_of(one)
        cells = [_cell(row["gain_margin"], 2), _cell(row["phase_margin_deg"], 0), _cell(row["delay_margin_ms"], 0)]
        cells += [number(row["current_mA"], 1), number(row["own_N"], 1), number(row["error_N"], 1)]
        rows.append((one.name, row["channel"] or "-", *cells))
    headers = (
        "worst wearers", "channel", "gain\nmargin", "phase\ndeg", "delay\nms", "current\nmA", "own force\nN",
        "error\nN",
    )  # fmt: skip
    return Table("At which point", headers, rows, frozenset(range(2, len(headers))))


def _check_lines(check: Check | None) -> list[str]:
    if check is None:
        return []
    below, above = check.below, check.above
    verdict = "as the margins say" if check.agrees else "NOT WHAT THE MARGINS SAY"
    acted = sorted({*below.acted, *above.acted} - {"R36"})
    lines = [
        (
            f"Simulated ({check.wearer.name}): at {below.factor:g} of the ultimate gain a swing changes by x "
            f"{below.growth:.2f} a period, at {above.factor:g} by x {above.growth:.2f}: {verdict}"
        ),
        (
            f"it neither grows nor dies at {check.simulated_factor:.3f} of the linear ultimate gain; period "
            f"{above.period_s:.3f} s, linear {check.wearer.margins.ultimate_period_s:.3f} s"
        ),
        f"run with {CHECKED_WITH}",
    ]
    return [*lines, f"the interlock acted meanwhile: {', '.join(acted)}"] if acted else lines


def _cycles(chosen: argparse.Namespace, loaded: LoadedScenario, out: Path | None) -> int:
    count = chosen.wearers or loaded.scenario.wearer_count
    with progress(count, "switching", quiet=chosen.json) as advance:
        found = cycles_of(loaded, chosen.level, on_wearer=advance, **_asked(chosen))
    median, simulated, force_N = found.median, None, None
    if not chosen.no_check:
        trials = {trial.label.wearer: trial for trial in trials_of(loaded, chosen.seed, chosen.wearers)}
        cycle, force_N = simulated_cycle(trials[median.wearer], found.level_N, median.own_N)
        simulated = (median, cycle)
    record = cycles_record(found, simulated) | {"title": loaded.scenario.title, "caution": SHORT}
    if out is not None:
        title, runs = loaded.scenario.title, (median.force_N, force_N)
        points = [(one.cycle.period_s, one.cycle.amplitude_N) for one in found.wearers]
        drawn = lambda file: cycle_picture(file, title, _cycle_headline(found), median.name, runs, points)  # noqa: E731
        _leave(out, csv_text([cycle_row_of(one) for one in found.wearers]), record, drawn)
    if chosen.json:
        show_json(record)
    else:
        _tell_cycles(found, simulated, loaded.scenario.title, out)
    return 0


def _cycle_headline(found: PopulationCycles) -> str:
    count = len(found.wearers)
    return f"Limit cycle about {found.level_N:g} N, {count} wearer{'' if count == 1 else 's'}, seed {found.seed}"


def _tell_cycles(
    found: PopulationCycles, simulated: tuple[WearerCycle, Cycle] | None, title: str, out: Path | None
) -> None:
    print(f"{title}\n{_cycle_headline(found)}: {RELAY} switches, so it has no margins but swings for ever")
    ranked = found.ranked()
    shown = {"largest": ranked[0], "median": found.median, "smallest": ranked[-1]}
    rows = [(which, one.name, *_cycle_cells(one.own_N, one.cycle)) for which, one in shown.items()]
    if simulated is not None:
        rows.append(("simulated", simulated[0].name, *_cycle_cells(simulated[0].own_N, simulated[1])))
    headers = ("swing", "wearer", "own force\nN", "half swing\nN", "lowest\nN", "highest\nN", "period\ns")
    show_table(
        Table("Predicted around a linear body; simulated: the nonlinear loop", headers, rows, frozenset(range(2, 7)))
    )
    print()
    _wrapped(CYCLES_ASSUMED)
    _tell_end(out)


def _cycle_cells(own_N: float, cycle: Cycle) -> tuple[str, ...]:
    values = (own_N, cycle.amplitude_N, cycle.low_N, cycle.high_N)
    return (*(number(value) for value in values), number(cycle.period_s, 3))


def _leave(out: Path, table: str, record: Mapping[str, Any], drawn: Callable[[Path], None] | None) -> None:
    """The folder, whole or not at all."""
    with whole_folder(out, "margins") as working:
        (working / TABLE_FILE).write_text(table, encoding="utf-8", newline="\n")
        text = json.dumps(plain(record), indent=2, allow_nan=False) + "\n"
        (working / RECORD_FILE).write_text(text, encoding="utf-8", newline="\n")
        if drawn is not None:
            drawn(working / PICTURE_FILE)
