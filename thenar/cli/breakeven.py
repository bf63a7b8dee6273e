"""`thenar breakeven FILE`: how good the force estimate must be before assistance helps rather than harms."""

from __future__ import annotations

import argparse
import json
import math
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from thenar.caution import SHORT
from thenar.cli.breakeven_drawing import draw_breakeven, draw_map
from thenar.cli.scenario_file import load_typed
from thenar.cli.show import Table, deviation_lines, note_compiling, note_slow_laws, progress, show_json, show_table
from thenar.engine.trial import plan_trials
from thenar.report.folder import free_folder, name_held, plain, whole_folder
from thenar.report.ink import Loosened
from thenar.report.manifest import limits_used, made_here
from thenar.report.tune_folder import csv_text
from thenar.scenarios.loader import LoadedScenario
from thenar.study.breakeven import (
    LEAST_REPEATS,
    Asked,
    Bench,
    Found,
    TrustEffect,
    break_evens,
    check,
    held_at,
    kinds_that_err,
    levels_of,
    trust_effects,
    with_wearers,
)
from thenar.study.breakeven_map import (
    FORCES,
    ROWS,
    Cell,
    OwnCurve,
    errors_of,
    fitted_sensor,
    forces_of,
    map_of,
    own_curve,
)
from thenar.study.breakeven_record import (
    ASSUMED,
    KIND_WORDS,
    cell_row,
    curve_record,
    curve_rows,
    curve_sentences,
    found_row,
    interval_text,
    sentence,
    size_text,
    table_of,
    trust_row,
    trust_sentence,
    trust_text,
)
from thenar.workers import cores

RUNS: Final = Path("runs")
TEXT_WIDTH: Final = 112
ITS_OWN: Final = "This scenario's sensor"
KINDS_OF: Final = {"noise": ("noise",), "bias": ("bias-under", "bias-over"), "lag": ("lag",), "together": ("together",)}


class Answer(NamedTuple):
    """Everything found. `curves` and `maps`, one of each for every sensor, are empty where no map was asked for."""

    asked: Asked
    title: str
    wearers: int
    found: list[Found]
    trust: list[TrustEffect]
    curves: list[OwnCurve]
    maps: list[list[Cell]]

    def map_rows(self) -> list[dict[str, Any]]:
        """All places of all maps."""
        both = zip(self.curves, self.maps, strict=True)
        return [cell_row(cell, curve.name, self.wearers) for curve, cells in both for cell in cells]

    def sentences(self) -> list[str]:
        """What is said about the wearers' own trust, then about sensors along force."""
        own = [sentence(one) for one in self.found if math.isnan(one.trust)]
        own += [trust_sentence(effect) for effect in self.trust]
        return own + [line for curve in self.curves for line in curve_sentences(curve)]


def command(chosen: argparse.Namespace) -> int:
    """Find break-even errors and leave a folder. Returns 0."""
    asked = _asked(chosen)
    sensors = [(ITS_OWN, asked.loaded.scenario.estimator)]
    if chosen.estimator:
        title, fitted = fitted_sensor(Path(chosen.estimator))
        sensors.append((f"The fitted sensor ({title})", fitted))
    out = Path(chosen.out) if chosen.out else free_folder(RUNS, f"{asked.loaded.path.stem}-breakeven")
    with name_held(out):
        note_compiling(quiet=chosen.json)
        note_slow_laws(
            [trial for trial in plan_trials(held_at(asked.loaded, asked.levels_N[0], 1)) if trial.stimulated]
        )
        answer = _answered(asked, sensors, with_map=not chosen.no_map, quiet=chosen.json)
        record = _record(answer)
        _leave(out, answer, record)
    if chosen.json:
        show_json({"folder": str(out), **record})
    else:
        _tell(out, answer)
    return 0


def _asked(chosen: argparse.Namespace) -> Asked:
    loaded = with_wearers(load_typed(chosen.file, chosen.trust_law), chosen.wearers)
    seed = loaded.scenario.seed if chosen.seed is None else chosen.seed
    levels_N = chosen.levels or levels_of(loaded)
    check(loaded, levels_N, seed)
    kinds = tuple(kind for name in dict.fromkeys(chosen.over) for kind in KINDS_OF[name])
    repeats = chosen.repeats or max(LEAST_REPEATS, loaded.scenario.repeats)
    return Asked(loaded, levels_N, kinds, (math.nan, *chosen.trust), repeats, seed, chosen.jobs or cores())


def _answered(asked: Asked, sensors: Sequence[tuple[str, Any]], with_map: bool, quiet: bool) -> Answer:
    loaded = asked.loaded
    bench = Bench(loaded, asked.seed, asked.repeats, asked.jobs)
    kinds = kinds_that_err(bench.sensor, asked.kinds)
    found: list[Found] = []
    curves: list[OwnCurve] = []
    maps: list[list[Cell]] = []
    with progress(len(asked.levels_N) * len(kinds) * len(asked.trusts), "break-even errors", quiet) as advance:
        for one in break_evens(bench, asked):
            found.append(one)
            advance(one)
    trust = list(trust_effects(bench, asked))
    if with_map:
        forces_N = forces_of(asked.levels_N, _weakest_N(loaded, asked.seed))
        with progress(len(forces_N) * len(sensors), "sensors along force", quiet) as advance:
            for name, sensor in sensors:
                for curve in own_curve(bench, name, sensor, forces_N):
                    advance(curve) if curve is None else curves.append(curve)
        coarse = Bench(loaded, asked.seed, max(1, asked.repeats // 2), asked.jobs)
        with progress(FORCES * ROWS * len(sensors), "map", quiet) as advance:
            for _, sensor in sensors:
                maps.append([])
                for cell in map_of(coarse, sensor, forces_N, errors_of(forces_N)):
                    maps[-1].append(cell)
                    advance(cell)
    return Answer(asked, loaded.scenario.title, loaded.scenario.wearer_count, found, trust, curves, maps)


def _weakest_N(loaded: LoadedScenario, seed: int) -> float:
    return min(trial.wearer.max_pinch_N for trial in plan_trials(held_at(loaded, 1.0, 1), seed))


def _record(answer: Answer) -> dict[str, Any]:
    asked = answer.asked
    scenario = asked.loaded.scenario
    return {
        "title": answer.title,
        "scenario": asked.loaded.path.name,
        "scenario_sha256": asked.loaded.sha256,
        "seed": asked.seed,
        "wearers": answer.wearers,
        "holds_per_wearer": asked.repeats,
        "hold_s": min(held_at(asked.loaded, asked.levels_N[0], 1).scenario.duration_s, scenario.duration_s),
        "levels_N": list(asked.levels_N),
        "break_even": [{**found_row(one), "sentence": sentence(one)} for one in answer.found],
        "trust": [trust_row(effect) for effect in answer.trust],
        "not_tried": [kind for kind in asked.kinds if kind not in {one.kind for one in answer.found}],
        "sensors": [curve_record(curve) for curve in answer.curves],
        "map": answer.map_rows(),
        "sentences": answer.sentences(),
        "assumed": list(ASSUMED),
        "limits": limits_used(scenario.limits.profile, asked.loaded.profile).model_dump(mode="json"),
        "law_ran": asked.loaded.law_ran,
        "made_by": made_here().model_dump(mode="json"),
        "caution": SHORT,
    }


def _leave(out: Path, answer: Answer, record: dict[str, Any]) -> None:
    """The folder, whole or not at all."""
    deviations = answer.asked.loaded.profile.deviations()
    tables = {
        "breakeven.csv": [found_row(one) for one in answer.found],
        "sensors.csv": [row for curve in answer.curves for row in curve_rows(curve)],
        "map.csv": answer.map_rows(),
    }
    with whole_folder(out, "breakeven") as working:
        text = json.dumps(plain(record), indent=2, allow_nan=False, ensure_ascii=False) + "\n"
        (working / "breakeven.json").write_text(text, encoding="utf-8", newline="\n")
        for name, rows in tables.items():
            if rows:
                table = csv_text(*table_of(rows), deviations)
                (working / name).write_text(table, encoding="utf-8", newline="\n")
        loosened = Loosened(answer.asked.loaded.profile.based_on or "", deviations)
        if answer.found:
            draw_breakeven(working / "breakeven.png", answer.title, answer.found, loosened)
        if answer.maps:
            draw_map(working / "map.png", answer.title, answer.maps, answer.curves, loosened)


def _tell(out: Path, answer: Answer) -> None:
    asked = answer.asked
    print(f"{answer.title}\nBreak-even errors of the force estimate: {answer.wearers} wearers, ", end="")
    print(f"{asked.repeats} hold{'' if asked.repeats == 1 else 's'} each per condition, seed {asked.seed}")
    if answer.found:
        show_table(_table(answer))
        if any(one.withheld for one in answer.found):
            print("* there the interlock ends stimulation before harm is shown")
    print()
    for line in [*answer.sentences(), *_left_out(answer)]:
        _wrapped(line)
    print()
    for line in (*deviation_lines(asked.loaded), "assumed: " + "; ".join(ASSUMED)):
        _wrapped(line)
    print(f"folder: {out}")
    for name in ("breakeven.png", "map.png"):
        if (out / name).is_file():
            print(f"picture: {out / name}")
    print(SHORT)


def _left_out(answer: Answer) -> list[str]:
    tried = {one.kind for one in answer.found}
    if "together" in answer.asked.kinds and "together" not in tried:
        return ["Together was not tried: the scenario's sensor has no error to scale."]
    return []


def _table(answer: Answer) -> Table:
    """A row per force and kind, a column per trust: value and interval; the estimator's error at the own trust."""
    asked = answer.asked
    places = {(one.level_N, one.kind, trust_text(one.trust)): one for one in answer.found}
    names = [trust_text(trust) for trust in asked.trusts]
    rows = []
    for level_N, kind in dict.fromkeys((one.level_N, one.kind) for one in answer.found):
        own = places[level_N, kind, names[0]]
        error = f"{own.errors_N[0]:.2f}" if math.isfinite(own.errors_N[0]) else "-"
        cells = [_cell(places[level_N, kind, name]) for name in names]
        rows.append((f"{level_N:g} N", KIND_WORDS[kind], own.unit, cells[0], error, *cells[1:]))
    headers = ("force", "error", "unit", names[0], "estimator's\nmean abs\nerror, N", *names[1:])
    title = f"Largest error at which assistance still helps, 95 % interval over {answer.wearers} wearers"
    return Table(title, headers, rows, frozenset({4}))


def _cell(found: Found) -> str:
    crossed, kind = found.crossing, found.kind
    if crossed.value == -math.inf:
        return "none"
    if crossed.value == math.inf:
        return f"beyond {size_text(crossed.last, kind)}"
    ends = interval_text(crossed, kind).replace("0 (no help shown even there)", "0")
    return f"{size_text(crossed.value, kind)} ({ends}){' *' if found.withheld else ''}"


def _wrapped(text: str) -> None:
    print(textwrap.fill(text, TEXT_WIDTH, subsequent_indent="  ", break_on_hyphens=False))
