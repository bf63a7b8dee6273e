"""`thenar plan FILE`: how many people, and trials of each, a study needs for a wanted effect at a wanted power."""

from __future__ import annotations

import argparse
import json
import textwrap
from pathlib import Path
from typing import Any, Final

from thenar.caution import SHORT, full_text
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
from thenar.engine.trial import plan_trials
from thenar.report.folder import free_folder, name_held, plain, whole_folder
from thenar.report.ink import Loosened
from thenar.report.manifest import limits_used, made_here
from thenar.report.plan_picture import PlanCurve, PlanView, PowerPoint, plan_picture
from thenar.report.tune_folder import csv_text
from thenar.run import moves
from thenar.scenarios.loader import LoadedScenario
from thenar.scenarios.study import Study
from thenar.shared.errors import InputError, Problem
from thenar.study.power import Needed, Power, shown_people
from thenar.study.power_plan import WIDER, ForTrials, PeoplePlan, Question, planned, step_count
from thenar.study.power_pool import ASSISTED, Pool, measure_called, pool_scenario, simulated_pool
from thenar.study.power_record import CURVE_HEADERS, curve_rows, plan_record, pool_rows
from thenar.study.power_words import CAVEATS, percent, sentences
from thenar.workers import cores

RUNS: Final = Path("runs")
TEXT_WIDTH: Final = 112
MOST_REPEATS: Final = 32


def command(chosen: argparse.Namespace) -> int:
    """Plan the people of a study. Returns 0."""
    question = _question(chosen)
    loaded = question.loaded
    out = Path(chosen.out) if chosen.out else free_folder(RUNS, f"{loaded.path.stem}-plan")
    with name_held(out):
        pool = _pool(chosen, question)
        with progress(step_count(question), "drawing studies", quiet=chosen.json) as advance:
            plan = planned(question, pool, advance)
        record = _about(question) | plan_record(plan)
        _leave(out, plan, record)
    if chosen.json:
        show_json({"folder": str(out), **record})
    else:
        _tell(out, plan)
    return 0


def _question(chosen: argparse.Namespace) -> Question:
    loaded = load_typed(chosen.file, chosen.trust_law)
    study = loaded.scenario.study or Study()
    option = "--measure" if chosen.measure else f"{loaded.path}: study.primary"
    measure = measure_called(chosen.measure or study.primary, option)
    repeats = loaded.scenario.repeats
    if repeats > MOST_REPEATS:
        allowed = f"at most {MOST_REPEATS}: all of them are simulated for every wearer of the pool"
        raise InputError([Problem(str(loaded.path), "repeats", str(repeats), allowed)])
    if ASSISTED not in loaded.scenario.conditions:
        allowed = f"{ASSISTED} among them: it is what the baseline is held against"
        raise InputError([Problem(str(loaded.path), "conditions", ", ".join(loaded.scenario.conditions), allowed)])
    seed = loaded.scenario.seed if chosen.seed is None else chosen.seed
    return Question(
        loaded, measure, chosen.baseline, chosen.effect, chosen.power, study.alpha, repeats,
        tuple(sorted({repeats, *chosen.trials})), chosen.people, chosen.simulations, chosen.looks, chosen.dropout, seed,
    )  # fmt: skip


def _pool(chosen: argparse.Namespace, question: Question) -> Pool:
    trials = max(question.also_trials)
    drawn, words = pool_scenario(question.loaded, question.baseline, chosen.wearers, trials)
    note_compiling(quiet=chosen.json)
    note_slow_laws(_a_few_trials(drawn, question.seed))
    with progress(2 * trials * chosen.wearers, "running", quiet=chosen.json) as advance:
        return simulated_pool(
            drawn, words, question.measure.name, question.seed, moving=moves(question.loaded),
            jobs=chosen.jobs or cores(), on_trial=advance,
        )  # fmt: skip


def _a_few_trials(drawn: LoadedScenario, seed: int) -> Any:
    """The trials of one wearer: enough to see which engine a law needs."""
    from dataclasses import replace

    population = drawn.scenario.population
    if population is None:
        return ()
    one = {"population": population.model_copy(update={"count": 1}), "repeats": 1}
    return plan_trials(replace(drawn, scenario=drawn.scenario.model_copy(update=one)), seed)


def _about(question: Question) -> dict[str, Any]:
    loaded = question.loaded
    limits = limits_used(loaded.scenario.limits.profile, loaded.profile)
    return {
        "title": loaded.scenario.title,
        "scenario": loaded.path.name,
        "scenario_sha256": loaded.sha256,
        "limits": limits.model_dump(mode="json", exclude={"values"}),
        "made_by": made_here().model_dump(mode="json"),
        "caution": full_text(),
    }


def _leave(out: Path, plan: PeoplePlan, record: dict[str, Any]) -> None:
    """The folder, whole or not at all."""
    deviations = plan.question.loaded.profile.deviations()
    unit = plan.question.measure.unit.replace("/", "_per_").replace("%", "percent")
    headers = ("wearer", "trial", f"assisted_{unit}", f"baseline_{unit}")
    with whole_folder(out, "plan") as working:
        text = json.dumps(plain(record), indent=2, allow_nan=False, ensure_ascii=False) + "\n"
        (working / "plan.json").write_text(text, encoding="utf-8")
        (working / "power.csv").write_text(csv_text(CURVE_HEADERS, curve_rows(plan), deviations), encoding="utf-8")
        (working / "pool.csv").write_text(csv_text(headers, pool_rows(plan), deviations), encoding="utf-8")
        _draw(working / "plan.png", plan)


def _draw(file: Path, plan: PeoplePlan) -> None:
    asked, profile = plan.question, plan.question.loaded.profile
    view = PlanView(
        asked.power,
        (_curve(plan.own.as_simulated), _curve(plan.own.wider)),
        [_needed(one) for one in plan.by_trials],
        asked.trials,
        None if plan.looks is None else _point(plan.looks.power),
        asked.looks,
    )  # fmt: skip
    line = (
        f"{asked.measure.name}, assisted minus {asked.baseline} {plan.effect:+.3g} {asked.measure.unit}, alpha "
        f"{asked.alpha:g}: {plan.pool.wearers} simulated wearers, {asked.simulations:,} drawn studies"
    )
    loosened = Loosened(profile.based_on or "", profile.deviations())
    plan_picture(file, view, asked.loaded.scenario.title, line, " ".join(sentences(plan)[:2]), loosened)


def _needed(one: ForTrials) -> tuple[int, int | None, int | None]:
    return one.trials, _people(one.as_simulated.by_lower_end), _people(one.wider.by_lower_end)


def _curve(found: Needed) -> PlanCurve:
    return PlanCurve([_point(one) for one in found.curve], _people(found.by_lower_end))


def _point(one: Power) -> PowerPoint:
    return PowerPoint(one.people, one.share, *one.interval)


def _people(one: Power | None) -> int | None:
    return None if one is None else one.people


def _tell(out: Path, plan: PeoplePlan) -> None:
    asked = plan.question
    print(f"{asked.loaded.scenario.title}: how many people for {asked.measure.name} ({asked.measure.meaning})")
    print(f"{plan.pool.wearers} simulated wearers, {plan.pool.words}; seed {asked.seed}")
    if plan.pool.left_out:
        print(f"left out: {plan.pool.left_out} wearers for whom some trial gave no number")
    for line in deviation_lines(asked.loaded):
        print(line)
    print()
    for sentence in sentences(plan):
        _wrapped(sentence)
    show_table(_power_table(plan))
    show_table(_trials_table(plan))
    if plan.looks is not None:
        show_table(_looks_table(plan))
    print()
    for caveat in (*CAVEATS, *_rules_note(asked.loaded)):
        _wrapped(caveat)
    print(f"\nfolder: {out}\npicture: {out / 'plan.png'}")
    print(SHORT)


def _rules_note(loaded: LoadedScenario) -> tuple[str, ...]:
    study = loaded.scenario.study
    if study is None or not study.exclude.model_dump(exclude_none=True):
        return ()
    return ("The study's rules that exclude people aren't applied to simulated ones: --dropout stands for them.",)


def _wrapped(text: str) -> None:
    # A number and its percent sign stay on one line.
    held = text.replace(" %", "\0%")
    print(textwrap.fill(held, TEXT_WIDTH, subsequent_indent="  ", break_on_hyphens=False).replace("\0", " "))


def _power_table(plan: PeoplePlan) -> Table:
    own = plan.own
    wider = {one.people: one for one in own.wider.curve}
    near = {one.people: one for one in own.as_simulated.curve}
    needed = [_people(own.as_simulated.by_lower_end), _people(own.wider.by_lower_end)]
    wanted = plan.question.people or sorted({*shown_people(needed[0], own.as_simulated.curve), *_known(needed)})
    rows = [
        (str(people), *_power_cells(near.get(people)), *_power_cells(wider.get(people)), _marks(people, needed))
        for people in wanted
    ]
    headers = ("people", "power\n%", "95 %\ninterval", f"spread x {WIDER:g}\n%", "95 %\ninterval", "")
    trials = plan.question.trials
    title = f"Share of studies that find the effect, {trials} trial{'' if trials == 1 else 's'} per condition"
    return Table(title, headers, rows, frozenset(range(5)))


def _known(numbers: list[int | None]) -> list[int]:
    return [one for one in numbers if one is not None]


def _power_cells(one: Power | None) -> tuple[str, str]:
    if one is None:
        return "-", "-"
    low, high = one.interval
    return f"{100 * one.share:.1f}", f"{100 * low:.1f} to {100 * high:.1f}"


def _marks(people: int, needed: list[int | None]) -> str:
    words = ("enough, as simulated", f"enough, spread x {WIDER:g}")
    return "; ".join(word for word, number in zip(words, needed, strict=True) if number == people)


def _trials_table(plan: PeoplePlan) -> Table:
    rows = []
    for one in plan.by_trials:
        people = _people(one.as_simulated.by_lower_end)
        in_all = "-" if people is None else str(2 * people * one.trials)
        cells = [people, _people(one.as_simulated.by_share), _people(one.wider.by_lower_end)]
        shown = ["none" if number is None else str(number) for number in cells]
        rows.append((str(one.trials), f"{one.sd:.3g}", *shown, in_all))
    headers = (
        "trials per\ncondition", f"SD of differences\n{plan.question.measure.unit}", "people", "by the share\nitself",
        f"spread\nx {WIDER:g}", "trials in\ntwo conditions",
    )  # fmt: skip
    title = f"Trials against people, for a power of {percent(plan.question.power)}"
    return Table(title, headers, rows, frozenset(range(6)))


def _looks_table(plan: PeoplePlan) -> Table:
    if plan.looks is None:
        raise ValueError("no looks to show")
    each = zip(plan.looks.people, plan.looks.bounds_z, plan.looks.levels, strict=True)
    rows = [(str(place), str(people), f"{z:.3f}", f"{p:.2g}") for place, (people, z, p) in enumerate(each, start=1)]
    headers = ("look", "after\npeople", "boundary\nz", "stop when\np is below")
    return Table("Looks", headers, rows, frozenset(range(4)))
