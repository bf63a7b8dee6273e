"""`thenar tune FILE`: find the law's settings that help most under stated bounds, and check them on other wearers."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Final

from thenar.caution import SHORT
from thenar.cli.interrupts import never_lost
from thenar.cli.scenario_file import load_typed
from thenar.cli.show import (
    Table,
    deviation_lines,
    note_compiling,
    note_slow_laws,
    progress,
    show_json,
    show_table,
)
from thenar.report.folder import free_folder
from thenar.report.manifest import made_here
from thenar.report.tune_folder import RESULT, open_folder
from thenar.run import moves
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError, Problem, nearest, shown
from thenar.study.drawn import drawn_wearers
from thenar.study.goals import WORDS, read_goal
from thenar.study.held_out import ARMS, PAIRS, Check, checked_on_held_out
from thenar.study.ranges import read_ranges
from thenar.study.resampled import Interval
from thenar.study.search import SAMPLERS, Tried
from thenar.study.tunable import law_table, ranges_to_tune, value_now
from thenar.study.tune_results import record_of, write_results
from thenar.study.tuning import Chosen, Task, check_task, chosen_of, tuned, with_law
from thenar.workers import cores

RUNS: Final = Path("runs")
HELD_OUT_TIMES: Final = 4
"""Held-out wearers for each tuning wearer: they run in three arms only, and their number is what narrows intervals."""
NOTHING_MET: Final = 1
INTERRUPTED: Final = 130


def command(chosen: argparse.Namespace) -> int:
    """Tune a law. Returns 0, 1 when no try met every bound, 130 when interrupted."""
    loaded = load_typed(chosen.file, chosen.trust_law)
    task = _task(chosen, loaded)
    check_task(task)
    out = Path(chosen.out) if chosen.out else free_folder(RUNS, f"{loaded.path.stem}-tune")
    again = open_folder(out, _asked(task))
    if again and sys.stderr.isatty() and not chosen.json:
        print(f"note: going on with {out}", file=sys.stderr)
    note_compiling(quiet=chosen.json)
    note_slow_laws(task.drawn.trials(task.seed, "assisted")[:1])
    tries: list[Tried] = []
    try:
        with never_lost(), progress(task.trial_count(), "tuning", quiet=chosen.json) as advance:
            tuned(task, out, chosen.jobs or cores(), advance, tries.extend)
            found = chosen_of(tries, task.goal)
            check = _checked(task, found, chosen.jobs or cores(), advance)
            write_results(out, task, tries, found, check)
    except KeyboardInterrupt:
        print(f"interrupted: {len(tries)} of {task.tries} tries are kept; the same command goes on", file=sys.stderr)
        print(f"with --out {out}", file=sys.stderr)
        return INTERRUPTED
    if chosen.json:
        show_json({"folder": str(out), **record_of(task, tries, found, check)})
    else:
        _tell(out, task, tries, found, check)
    return 0 if found.best is not None else NOTHING_MET


def _task(chosen: argparse.Namespace, loaded: LoadedScenario) -> Task:
    goal = read_goal(chosen.objective or (), chosen.at_most or (), chosen.margin_floor)
    sampler = chosen.sampler or ("tpe" if len(goal.objectives) == 1 else "nsga2")
    if sampler not in SAMPLERS:
        allowed = f"one of {', '.join(SAMPLERS)}"
        raise InputError([Problem("--sampler", "", shown(sampler), allowed, nearest(sampler, SAMPLERS))])
    ranges = ranges_to_tune(loaded, read_ranges(chosen.over or ()))
    drawn = drawn_wearers(loaded, chosen.wearers, chosen.repeats)
    others = chosen.held_out or HELD_OUT_TIMES * drawn.loaded.scenario.wearer_count
    held_out = drawn_wearers(loaded, others, chosen.repeats)
    seed = loaded.scenario.seed if chosen.seed is None else chosen.seed
    return Task(
        loaded,
        drawn,
        held_out,
        moves(loaded),
        goal,
        ranges,
        sampler,
        seed,
        chosen.tries,
        min(chosen.batch, chosen.tries),
    )


def _asked(task: Task) -> dict[str, object]:
    """Everything that the tries follow from: a tuning is gone on with only when all of it is the same."""
    return {
        "scenario_sha256": task.loaded.sha256,
        "files": {file.name: file.sha256 for file in task.loaded.files},
        "over": [str(one) for one in task.ranges],
        "objectives": [measure.name for measure in task.goal.objectives],
        "at_most": {bound.name: bound.at_most for bound in task.goal.bounds},
        "margin_floor": task.goal.margin_floor,
        "sampler": task.sampler,
        "seed": task.seed,
        "tries": task.tries,
        "batch": task.batch,
        "wearers": task.drawn.loaded.scenario.wearer_count,
        "held_out_wearers": task.held_out.loaded.scenario.wearer_count,
        "repeats": task.drawn.loaded.scenario.repeats,
        "steps": made_here().steps,
    }


def _checked(task: Task, found: Chosen, jobs: int, on_trial: Callable[[object], None]) -> Check | None:
    if found.best is None:
        return None
    law = with_law(task.loaded, found.best.values)
    if isinstance(law, InputError):
        raise law
    return checked_on_held_out(task, law.scenario.law, jobs, on_trial)


def _tell(out: Path, task: Task, tries: list[Tried], found: Chosen, check: Check | None) -> None:
    print(f"{task.loaded.scenario.title}: {len(tries)} tries, sampler {task.sampler}, seed {task.seed}")
    for line in (*deviation_lines(task.loaded), *_goal_lines(task)):
        print(line)
    met = sum(one.outcome.meets for one in tries)
    refused = sum(bool(one.outcome.refused) for one in tries)
    print(f"{met} tries within every bound, {len(tries) - met - refused} beyond one, {refused} refused by the law")
    if found.best is None or check is None:
        print(_nothing_met(found))
    else:
        show_table(_settings_table(task, found))
        show_table(held_out_table(check))
        for arm, share in check.worse.items():
            print(f"{arm}: {_share(share)} of held-out wearers are worse off than without assistance")
        print()
        for sentence in check.verdict():
            print(sentence)
    print(f"\nfolder: {out}\nresult: {out / RESULT}")
    if found.best is not None:
        print(f"tuned scenario: {out / 'tuned.toml'}\npicture: {out / 'wearers.png'}")
    print(SHORT)


def _goal_lines(task: Task) -> list[str]:
    drawn, held_out = task.drawn.loaded.scenario, task.held_out.loaded.scenario
    lines = [f"objective: {measure.words} (assisted)" for measure in task.goal.objectives]
    for bound in task.goal.bounds:
        what = "share of wearers made worse than unassisted" if bound.measure is None else bound.measure.words
        lines.append(f"bound: {what}, at most {bound.at_most:g}")
    if task.goal.margin_floor is not None:
        lines.append(f"bound: gain margin of the worst wearer, at least {task.goal.margin_floor:g}")
    lines += [f"over: {one}" for one in task.ranges]
    repeats = f"{drawn.repeats} repeat{'' if drawn.repeats == 1 else 's'} each"
    lines.append(f"tuned on {drawn.wearer_count} wearers (seed {task.seed}), {repeats}: {task.drawn.words}")
    lines.append(f"checked on {held_out.wearer_count} others, drawn in the same way with the next seed")
    return lines


def _nothing_met(found: Chosen) -> str:
    if found.closest is None:
        return "NO TRY MET EVERY BOUND."
    over = ", ".join(f"{name} by {excess:.3g}" for name, excess in found.closest.outcome.excess.items() if excess > 0)
    return f"NO TRY MET EVERY BOUND, so there is no tuned law. Try {found.closest.number} comes closest; beyond: {over}"


def _settings_table(task: Task, found: Chosen) -> Table:
    now = law_table(task.loaded)
    front = found.front if len(task.goal.objectives) > 1 else ()
    headers = ("setting", "untuned", "tuned", *(f"try {one.number}" for one in front))
    assert found.best is not None  # noqa: S101 - the caller shows this table for a best try only
    rows = [
        (
            one.key,
            _cell(value_now(now, one.key)),
            _cell(found.best.values[one.key]),
            *(_cell(other.values[one.key]) for other in front),
        )
        for one in task.ranges
    ]
    rows += [
        (measure.name, "", _cell(found.best.outcome.objectives[place]),
         *(_cell(other.outcome.objectives[place]) for other in front))
        for place, measure in enumerate(task.goal.objectives)
    ]  # fmt: skip
    title = "Settings, and what they come to on the tuning wearers"
    if front:
        title += " (tuned: the middle of the tries that no other beats, which follow)"
    return Table(title, headers, rows, frozenset(range(1, len(headers))), droppable=len(front))


def _cell(value: object) -> str:
    return f"{value:.5g}" if isinstance(value, int | float) else "-" if value is None else str(value)


def held_out_table(check: Check) -> Table:
    """Held-out wearers: a line per measure and arm or difference, with the 95 % interval."""
    rows = []
    for line in check.lines:
        name = f"{line.measure.score.name}, {line.measure.score.unit}"
        over = WORDS[line.measure.over]
        rows += [(name, over, arm, *_interval(line.arms[arm])) for arm in ARMS]
        rows += [(name, over, f"{one} - {other}", *_interval(line.differences[one, other])) for one, other in PAIRS]
    title = "Held-out wearers, with 95 % intervals by the bootstrap over wearers (differences paired)"
    return Table(title, ("measure", "over", "law", "value", "low", "high"), rows, frozenset({3, 4, 5}))


def _interval(found: Interval) -> tuple[str, str, str]:
    value, low, high = ("-" if math.isnan(number) else f"{number:.3f}" for number in found)
    return value, low, high


def _share(found: Interval) -> str:
    return f"{100 * found.value:.0f} % (95 % interval {100 * found.low:.0f} to {100 * found.high:.0f} %)"
