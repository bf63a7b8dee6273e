"""What a finished tuning leaves behind: the tuned scenario, the table of tries, the record and the pictures."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from thenar.caution import full_text
from thenar.report.folder import names_in, plain, seal_folder
from thenar.report.folder_lock import LOCK_FILE
from thenar.report.ink import Loosened
from thenar.report.manifest import limits_used, made_here
from thenar.report.tune_folder import RESULT, csv_text, made_whole, write_scenario, write_whole
from thenar.report.tune_pictures import (
    DrawnArm,
    DrawnObjective,
    DrawnTry,
    front_picture,
    tries_picture,
    wearers_picture,
)
from thenar.study.held_out import ARMS, ERROR, Check
from thenar.study.resampled import LEVEL, RESAMPLES
from thenar.study.search import Tried
from thenar.study.tunable import law_table, value_now
from thenar.study.tuning import Chosen, Task


def write_results(out: Path, task: Task, tries: Sequence[Tried], found: Chosen, check: Check | None) -> None:
    """Write everything into the folder of a tuning, each file whole, and seal it: with that the tuning is done."""
    write_whole(out / "tries.csv", tries_csv(task, tries, found))
    title = f"Tuned: {task.loaded.scenario.title}"
    objectives = [DrawnObjective(m.words, m.score.unit, m.score.larger_better) for m in task.goal.objectives]
    drawn = [
        DrawnTry(one.number, one.outcome.objectives, one.outcome.meets, one in found.front, one is found.best)
        for one in tries
    ]
    loosened = Loosened(task.loaded.profile.based_on or "", task.loaded.profile.deviations())
    made_whole(out / "tries.png", lambda part: tries_picture(part, drawn, objectives, title, loosened))
    if len(objectives) > 1:
        made_whole(out / "front.png", lambda part: front_picture(part, drawn, objectives, title, loosened))
    if found.best is not None and check is not None:
        write_scenario(out, "tuned.toml", task.loaded, _settings(task, found.best))
        for one in found.front if len(objectives) > 1 else ():
            write_scenario(out, f"front-try-{one.number:04d}.toml", task.loaded, _settings(task, one))
        _draw_wearers(out, check, title, loosened)
    record = record_of(task, tries, found, check)
    write_whole(out / RESULT, json.dumps(plain(record), indent=2, allow_nan=False, ensure_ascii=False) + "\n")
    seal_folder(out, "tune", names_in(out) - {LOCK_FILE})


def _settings(task: Task, one: Tried) -> dict[str, float | int | str | bool]:
    return {each.key: each.plain(one.values[each.key]) for each in task.ranges}


def _draw_wearers(out: Path, check: Check, title: str, loosened: Loosened) -> None:
    line = next(line for line in check.lines if line.measure.name == f"{ERROR}:mean")
    numbers = {arm: [scores[ERROR] for scores in check.wearers[arm].values()] for arm in ARMS}
    arms = {arm: DrawnArm(numbers[arm], line.arms[arm]) for arm in ARMS}
    changed = [tuned - untuned for tuned, untuned in zip(numbers["tuned"], numbers["untuned"], strict=True)]
    change = DrawnArm(changed, line.differences["tuned", "untuned"])
    words = f"On wearers it never saw, {check.lines[0].short()}: {check.lines[0].measure.words}"
    made_whole(out / "wearers.png", lambda part: wearers_picture(part, arms, change, title, words, loosened))


def tries_csv(task: Task, tries: Sequence[Tried], found: Chosen) -> str:
    """The table of tries as CSV text, in their order: settings, objectives, figures, whether bounds are met."""
    keys = [one.key for one in task.ranges]
    objectives = [measure.name for measure in task.goal.objectives]
    figures = sorted({name for one in tries for name in one.outcome.figures} - set(objectives))
    headers = ("try", "batch", *keys, *objectives, *figures, "within_bounds", "beaten_by_none", "chosen", "refused")
    rows = [
        (
            one.number,
            one.batch,
            *(one.values[key] for key in keys),
            *(one.outcome.objectives or (None,) * len(objectives)),
            *(one.outcome.figures.get(name) for name in figures),
            int(one.outcome.meets),
            int(one in found.front),
            int(one is found.best),
            one.outcome.refused,
        )
        for one in tries
    ]
    return csv_text(headers, rows, task.loaded.profile.deviations())


def record_of(task: Task, tries: Sequence[Tried], found: Chosen, check: Check | None) -> dict[str, object]:
    """The whole result as `tune.json` holds it."""
    now = law_table(task.loaded)
    return {
        "title": task.loaded.scenario.title,
        "scenario": task.loaded.path.name,
        "scenario_sha256": task.loaded.sha256,
        "limits": _limits(task),
        "law_ran": task.loaded.law_ran,
        "objectives": [
            {"name": m.name, "words": m.words, "unit": m.score.unit, "more_is_better": m.score.larger_better}
            for m in task.goal.objectives
        ],
        "bounds": [{"name": bound.name, "at_most": bound.at_most} for bound in task.goal.bounds],
        "margin_floor": task.goal.margin_floor,
        "over": [one._asdict() for one in task.ranges],
        "sampler": task.sampler,
        "seed": task.seed,
        "batch": task.batch,
        "wearers": {
            "where_from": task.drawn.words,
            "tuning": {"count": task.drawn.loaded.scenario.wearer_count, "seed": task.seed},
            "held_out": {"count": task.held_out.loaded.scenario.wearer_count, "seed": task.held_out_seed},
            "repeats": task.drawn.loaded.scenario.repeats,
        },
        "untuned": {one.key: value_now(now, one.key) for one in task.ranges},
        "tries": len(tries),
        "tries_within_bounds": sum(one.outcome.meets for one in tries),
        "tries_refused": sum(bool(one.outcome.refused) for one in tries),
        "tuned": None if found.best is None else _try_record(found.best),
        "closest_beyond_bounds": None if found.closest is None else _try_record(found.closest),
        "beaten_by_none": [_try_record(one) for one in found.front],
        "held_out": None if check is None else _check_record(check),
        "made_by": made_here().model_dump(mode="json"),
        "caution": full_text(),
    }


def _limits(task: Task) -> dict[str, object]:
    """The profile that the interlock enforced, and every bound of it that is looser than the default."""
    used = limits_used(task.loaded.scenario.limits.profile, task.loaded.profile)
    return used.model_dump(mode="json", exclude={"values"})


def _try_record(one: Tried) -> dict[str, object]:
    return {
        "try": one.number,
        "values": dict(one.values),
        "objectives": list(one.outcome.objectives),
        "figures": dict(one.outcome.figures),
        "excess": dict(one.outcome.excess),
    }


def _check_record(check: Check) -> dict[str, object]:
    return {
        "seed": check.seed,
        "interval": f"{100 * LEVEL:g} %, bootstrap over wearers, {RESAMPLES} resamples, seed {check.seed}; "
        "mean: studentised; percentile: percentile interval; differences paired; shares: Wilson",
        "measures": [
            {
                "name": line.measure.name,
                "unit": line.measure.score.unit,
                "arms": {arm: interval._asdict() for arm, interval in line.arms.items()},
                "differences": {
                    f"{one} - {other}": interval._asdict() for (one, other), interval in line.differences.items()
                },
                "tuned_beats_untuned": not line.gain.holds_zero and line.gain.value > 0,
            }
            for line in check.lines
        ],
        "share_made_worse": {arm: interval._asdict() for arm, interval in check.worse.items()},
        "verdict": check.verdict(),
        "wearers": [
            {"wearer": wearer, **{arm: check.wearers[arm][wearer] for arm in ARMS}} for wearer in check.wearers["tuned"]
        ],
    }
