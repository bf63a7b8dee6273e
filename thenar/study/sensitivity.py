"""A sensitivity study: one base wearer, moved in body and sensor over stated ranges, all under the same noise."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from copy import deepcopy
from dataclasses import replace
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from thenar.engine.trial import Trial, plan_trials
from thenar.report.metrics import TargetRow
from thenar.scenarios.checks import fit_problems
from thenar.scenarios.known import known_problems
from thenar.scenarios.loader import LoadedScenario
from thenar.scenarios.schema import Scenario
from thenar.shared.errors import InputError, Problem, nearest, shown
from thenar.study.drawn import check_arms
from thenar.study.indices import KeyIndices, NotMeasurableError, design, indices_of, values_at
from thenar.study.ranges import Range
from thenar.study.scores import NAMES, SCORES, wearer_scores
from thenar.study.tuning import rows_of

HELP: Final = "help_N"
HELP_WORDS: Final = "mean absolute error unassisted minus assisted"
MEASURES: Final = (*NAMES, HELP)
TRIALS_AT_ONCE: Final = 4_096
"""How many trials are planned and run together, so that memory stays flat."""

Floats = NDArray[np.float64]


class Question(NamedTuple):
    """What is asked. `method`, `samples`: as `design` takes them; `repeats`: trials per point, averaged.

    `measure`: one of MEASURES, of the assisted wearer; `seed`: the design and all noise follow from it.
    """

    loaded: LoadedScenario
    moving: bool
    ranges: tuple[Range, ...]
    method: str
    samples: int
    measure: str
    repeats: int
    seed: int

    @property
    def conditions(self) -> tuple[str, ...]:
        """The conditions that the measure needs."""
        return ("unassisted", "assisted") if self.measure == HELP else ("assisted",)


class Answer(NamedTuple):
    """Points (shape (points, keys), shares of the ranges), the measure at each (shape (points,)), and the indices."""

    points: Floats
    outputs: Floats
    indices: list[KeyIndices]

    def ranked(self) -> list[KeyIndices]:
        """Keys by their total index (Morris: mu*), the largest first."""
        return sorted(self.indices, key=lambda one: -one.total.value)


def unit_of(measure: str) -> str:
    """The unit of a measure."""
    return next((score.unit for score in SCORES if score.name == measure), "N")


def check_measure(name: str) -> str:
    """`name`, when there is such a measure. Raises InputError."""
    if name not in MEASURES:
        problem = Problem("--measure", "", shown(name), f"one of {', '.join(MEASURES)}", nearest(name, MEASURES))
        raise InputError([problem])
    return name


def answered(question: Question, jobs: int, on_trial: Callable[[object], None]) -> Answer:
    """Run the whole design and reckon the indices; equal whatever `jobs` (cores) is.

    Raises InputError where the interlock would never arm, where a range leaves what the scenario allows, where the
    measure isn't a number at some point, and where it is the same at all of them.
    """
    base = _Base(question)
    for end in ("low", "high"):
        for one in question.ranges:
            base.scenario({one.key: getattr(one, end)})
    check_arms(base.trials({}), str(question.loaded.path))
    points = design(question.method, question.ranges, question.samples, question.seed)
    outputs = np.array(_outputs(question, base, points, jobs, on_trial))
    try:
        indices = indices_of(question.method, question.ranges, points, outputs, question.seed)
    except NotMeasurableError as error:
        raise InputError([_not_measurable(question, points, error)]) from None
    return Answer(points, outputs, indices)


def trial_count(question: Question, points: int) -> int:
    """How many trials `points` points need."""
    return points * question.repeats * len(question.conditions)


class _Base:
    """The scenario with its base wearer alone, from which every point's scenario is made without its text."""

    def __init__(self, question: Question) -> None:
        self._question = question
        changed = {
            "population": None,
            "wearers": (),
            "repeats": question.repeats,
            "conditions": question.conditions,
            "faults": tuple(
                fault
                for fault in question.loaded.scenario.faults
                if fault.conditions is None or set(fault.conditions) & set(question.conditions)
            ),
        }
        self._scenario = question.loaded.scenario.model_copy(update=changed)
        self._table: dict[str, Any] = self._scenario.model_dump(by_alias=True)

    def scenario(self, values: Mapping[str, float]) -> LoadedScenario:
        table = dict(self._table)
        for top in {key.split(".")[0] for key in values}:
            table[top] = deepcopy(table[top])
        for key, value in values.items():
            *above, last = key.split(".")
            below = table
            for part in above:
                below = below[part]
            below[last] = value
        loaded, file = self._question.loaded, str(self._question.loaded.path)
        try:
            scenario = Scenario.model_validate(table)
        except ValidationError as error:
            found = "; ".join(f"{shown(one['input'])}: {one['msg']}" for one in error.errors(include_url=False))
            raise InputError([Problem("--over", ", ".join(values), found, "values that the scenario allows")]) from None
        problems = [
            problem
            for problem in (
                *fit_problems(scenario, loaded.target_recording(), file),
                *known_problems(scenario, loaded.target_recording(), loaded.people, file),
            )
            if not problem.key.startswith("faults")
        ]
        if problems:
            raise InputError(problems)
        return replace(loaded, scenario=scenario)

    def trials(self, values: Mapping[str, float]) -> list[Trial]:
        return plan_trials(self.scenario(values), self._question.seed)


def _outputs(
    question: Question, base: _Base, points: Floats, jobs: int, on_trial: Callable[[object], None]
) -> list[float]:
    size = question.repeats * len(question.conditions)
    at_once = max(1, TRIALS_AT_ONCE // size)
    found: list[float] = []
    for start in range(0, len(points), at_once):
        some = points[start : start + at_once]
        trials = [trial for point in some for trial in base.trials(values_at(question.ranges, point))]
        rows = rows_of(trials, question.moving, jobs, on_trial)
        found += [
            _measure(question.measure, trials[at : at + size], rows[at : at + size]) for at in range(0, len(rows), size)
        ]
    return found


def _measure(measure: str, trials: Sequence[Trial], rows: Sequence[list[TargetRow]]) -> float:
    def of(condition: str) -> dict[str, float]:
        mine = [r for trial, r in zip(trials, rows, strict=True) if trial.label.condition == condition]
        return next(iter(wearer_scores(mine).values()))

    if measure != HELP:
        return of("assisted")[measure]
    return of("unassisted")["mean_abs_error_N"] - of("assisted")["mean_abs_error_N"]


def _not_measurable(question: Question, points: Floats, error: NotMeasurableError) -> Problem:
    found = str(error)
    if error.sample >= 0:
        values = values_at(question.ranges, points[error.sample])
        found += "; the first at " + ", ".join(f"{key}={value:.4g}" for key, value in values.items())
    allowed = "a measure that is a number everywhere in the ranges, and that changes over them"
    return Problem("--measure", question.measure, found, allowed)
