"""Tuning a law: every try is a law with other settings, run on the same drawn wearers under the same noise."""

from __future__ import annotations

import importlib
import math
from collections.abc import Callable, Generator, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, NamedTuple, cast

from thenar.engine.trial import Trial
from thenar.report.metrics import TargetRow
from thenar.scenarios.changes import settings_of
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError, Problem
from thenar.study.drawn import Drawn, check_arms, held_out_seed
from thenar.study.goals import Goal
from thenar.study.measured import measured
from thenar.study.pareto import front, middle
from thenar.study.ranges import Range
from thenar.study.scores import Wearers, wearer_scores
from thenar.study.search import Outcome, Plan, Tried, searched
from thenar.study.tunable import law_table, value_now

MARGIN: Final = "gain_margin_of_worst"
KEPT: Final = ("mean_abs_error_N", "interventions_per_min", "charge_uC_per_min", "trips_per_min")
"""Scores whose mean over wearers is kept of every try, whatever the goal."""


class Task(NamedTuple):
    """A tuning to go through. `seed`: wearers, noise and the sampler follow from it; `moving`: as in `measured`.

    `held_out`: the drawn wearers that the tuned law is checked on, under the next seed.
    """

    loaded: LoadedScenario
    drawn: Drawn
    held_out: Drawn
    moving: bool
    goal: Goal
    ranges: tuple[Range, ...]
    sampler: str
    seed: int
    tries: int
    batch: int

    @property
    def held_out_seed(self) -> int:
        """The seed of the held-out wearers and their noise."""
        return held_out_seed(self.seed)

    def plan(self) -> Plan:
        """The search: the untuned law goes first where the ranges hold it."""
        now = {one.key: value_now(law_table(self.loaded), one.key) for one in self.ranges}
        inside = all(one.holds(now[one.key]) for one in self.ranges)
        first = {key: float(value) for key, value in now.items() if isinstance(value, int | float)} if inside else {}
        larger = tuple(measure.score.larger_better for measure in self.goal.objectives)
        return Plan(self.ranges, larger, self.sampler, self.seed, self.batch, self.tries, first)

    def trial_count(self) -> int:
        """Trials of the whole tuning, the check on held-out wearers included."""
        one = self.drawn.loaded.scenario.trial_count // 2
        return one * (self.tries + 1) + 3 * (self.held_out.loaded.scenario.trial_count // 2)


class Chosen(NamedTuple):
    """What a finished search gives: the try whose law is the tuned one, and the tries that no other beats.

    `best` is None when no try meets every bound; `closest` then oversteps least. With one objective `front` is the
    best try alone.
    """

    best: Tried | None
    closest: Tried | None
    front: tuple[Tried, ...]


def check_task(task: Task) -> None:
    """Look at what can be known before the first trial.

    Raises InputError when the interlock would never arm, and when a margin floor is asked for that can't be reckoned.
    """
    check_arms(task.drawn.trials(task.seed, "assisted"), str(task.loaded.path))
    if task.goal.margin_floor is not None:
        gain_margin(task.drawn.loaded, task.seed)


def tuned(
    task: Task, folder: Path, jobs: int, on_trial: Callable[[object], None], on_batch: Callable[[list[Tried]], None]
) -> list[Tried]:
    """Go through with a tuning in `folder` (which is there), or go on with one; gives all its tries.

    `on_trial` is called after each trial, `on_batch` after each finished batch. Raises InputError when every try was
    refused, and as `searched` and `measured` do.
    """
    assisted = task.drawn.trials(task.seed, "assisted")
    unassisted = wearer_scores(rows_of(task.drawn.trials(task.seed, "unassisted"), task.moving, jobs, on_trial))
    judge = _Judge(task, assisted, unassisted, jobs, on_trial)
    tries: list[Tried] = []
    before = 0
    for batch in searched(task.plan(), folder, judge.outcomes):
        if judge.batches == before:  # read back from the journal, not run
            for _ in range(len(batch) * len(assisted)):
                on_trial(None)
        before = judge.batches
        tries += batch
        on_batch(batch)
    if all(one.outcome.refused for one in tries):
        first = tries[0].outcome.refused
        raise InputError([Problem("--over", "", f"no try that can run; the first: {first}", "ranges the law takes")])
    return tries


def rows_of(
    trials: Sequence[Trial], moving: bool, jobs: int, on_trial: Callable[[object], None]
) -> list[list[TargetRow]]:
    """The rows of every trial, in the order of `trials`; equal whatever `jobs` (cores) is."""
    found: dict[int, list[TargetRow]] = {}
    every = cast("Generator[tuple[int, list[TargetRow]]]", measured(trials, moving=moving, jobs=jobs))
    with closing(every) as running:
        for place, rows in running:
            found[place] = rows
            on_trial(place)
    return [found[place] for place in range(len(trials))]


class _Judge:
    """Runs the tries of one batch together and says what each came to."""

    def __init__(
        self, task: Task, assisted: list[Trial], unassisted: Wearers, jobs: int, on_trial: Callable[[object], None]
    ) -> None:
        self._task, self._assisted, self._unassisted = task, assisted, unassisted
        self._jobs, self._on_trial = jobs, on_trial
        self.batches = 0

    def outcomes(self, values: Sequence[Mapping[str, float]]) -> list[Outcome]:
        self.batches += 1
        laws = [with_law(self._task.loaded, one) for one in values]
        trials = [
            replace(trial, law=law.scenario.law)
            for law in laws
            if isinstance(law, LoadedScenario)
            for trial in self._assisted
        ]
        rows = rows_of(trials, self._task.moving, self._jobs, self._on_trial)
        size = len(self._assisted)
        found: list[Outcome] = []
        for law in laws:
            if isinstance(law, InputError):
                found.append(Outcome(refused="; ".join(str(problem.found) for problem in law.problems)))
                for _ in range(size):
                    self._on_trial(None)
                continue
            mine, rows = rows[:size], rows[size:]
            found.append(self._outcome(law, wearer_scores(mine)))
        return found

    def _outcome(self, law: LoadedScenario, wearers: Wearers) -> Outcome:
        goal = self._task.goal
        objectives = tuple(measure.of(wearers) for measure in goal.objectives)
        bounded = {bound.name: bound.figure(wearers, self._unassisted) for bound in goal.bounds}
        excess = {bound.name: bounded[bound.name] - bound.at_most for bound in goal.bounds}
        if goal.margin_floor is not None:
            scenario = self._task.drawn.loaded.scenario.model_copy(update={"law": law.scenario.law})
            bounded[MARGIN] = gain_margin(replace(self._task.drawn.loaded, scenario=scenario), self._task.seed)
            excess[MARGIN] = goal.margin_floor - bounded[MARGIN]
        names = (*(measure.name for measure in goal.objectives), *excess)
        undefined = [name for name, v in zip(names, (*objectives, *excess.values()), strict=True) if math.isnan(v)]
        if undefined or not all(map(math.isfinite, objectives)):
            return Outcome(refused=f"no number for some wearer: {', '.join(undefined) or 'an objective'}")
        figures = {f"{name}:mean": math.fsum(s[name] for s in wearers.values()) / len(wearers) for name in KEPT}
        # An endless margin is as far inside as a number can say.
        excess = {name: max(over, -1e300) for name, over in excess.items()}
        return Outcome(objectives, excess, figures | {k: min(v, 1e300) for k, v in bounded.items()})


def with_law(loaded: LoadedScenario, values: Mapping[str, float]) -> LoadedScenario | InputError:
    """The scenario with these settings of its law, or why the law refuses them."""
    try:
        changed = next(settings_of(loaded, [values]))
        law_table(changed)
    except InputError as error:
        return error
    return changed


def gain_margin(loaded: LoadedScenario, seed: int) -> float:
    """The gain margin (a factor) of the wearer with the smallest one. Raises InputError as `margins_of` does."""
    try:
        module: Any = importlib.import_module("thenar.study.margins")
    except ModuleNotFoundError:
        allowed = "no --margin-floor: this thenar can't reckon margins"
        raise InputError([Problem("--margin-floor", "", "thenar.study.margins isn't there", allowed)]) from None
    return float(module.margins_of(loaded, seed=seed).gain_margin())


def chosen_of(tries: Sequence[Tried], goal: Goal) -> Chosen:
    """The best of the tries that meet every bound; of several objectives' front, the one in its middle."""
    larger = [measure.score.larger_better for measure in goal.objectives]
    ran = [one for one in tries if not one.outcome.refused]
    met = [one for one in ran if one.outcome.meets]
    if not met:
        closest = min(ran, key=lambda one: (_overstepped(one), one.number), default=None)
        return Chosen(None, closest, ())
    if len(larger) == 1:
        sign = -1.0 if larger[0] else 1.0
        best = min(met, key=lambda one: (sign * one.outcome.objectives[0], one.number))
        return Chosen(best, None, (best,))
    unbeaten = [met[place] for place in front([one.outcome.objectives for one in met], larger)]
    best = unbeaten[middle([one.outcome.objectives for one in unbeaten], larger)]
    return Chosen(best, None, tuple(unbeaten))


def _overstepped(one: Tried) -> float:
    """By how much a try oversteps its bounds, each over the figure's own size so that units don't matter."""
    figures = one.outcome.figures
    return math.fsum(
        over / max(abs(figures[name]), abs(figures[name] - over), 1e-12)
        for name, over in one.outcome.excess.items()
        if over > 0
    )
