"""A plan of people: what is asked, the curves for every number of trials, the what-if, and the looks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np

from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError, Problem
from thenar.study.power import (
    Draws,
    Effect,
    Needed,
    PairedTest,
    Power,
    people_needed,
    people_needed_with_looks,
    power_with_looks,
)
from thenar.study.power_looks import boundaries, look_people, nominal
from thenar.study.power_pool import Measure, Pool, Spread, people_interval, spread_of
from thenar.study.resampled import Interval, interval_of

WIDER: Final = 1.5
"""The spread of the what-if: so many times the simulated one (own choice)."""


class Question(NamedTuple):
    """What is asked.

    `effect`: wanted mean of assisted minus baseline in the measure's unit, None for the simulated one; `power`,
    `alpha`, `dropout`: shares; `trials`: per condition, as the scenario says; `also_trials`: others to compare with,
    `trials` among them; `people`: numbers of people that a person named; `looks`: 1 is only at the end.
    """

    loaded: LoadedScenario
    measure: Measure
    baseline: str
    effect: float | None
    power: float
    alpha: float
    trials: int
    also_trials: tuple[int, ...]
    people: tuple[int, ...]
    simulations: int
    looks: int
    dropout: float
    seed: int


class ForTrials(NamedTuple):
    """People needed with so many trials per condition: SD of the differences, as simulated, and with the wider spread.

    `interval`: ends for `as_simulated`, had other wearers been simulated; empty where nothing reaches the power.
    """

    trials: int
    sd: float
    as_simulated: Needed
    wider: Needed
    interval: list[float]


class Looks(NamedTuple):
    """A study with looks: people and boundary (z, two-sided probability) of each, and what it does.

    `power`: with the effect; `none`: with no effect at all, where every finding is a false alarm.
    """

    people: tuple[int, ...]
    bounds_z: tuple[float, ...]
    levels: tuple[float, ...]
    power: Power
    none: Power


class PeoplePlan(NamedTuple):
    """The answer. `effect`: the mean difference planned for; `simulated`: the pool's own, with its 95 % interval.

    `none`: the chosen study without any effect (None where nothing reaches the power); `looks`: None unless asked for
    and reached.
    """

    question: Question
    pool: Pool
    effect: float
    simulated: Interval
    spread: Spread
    by_trials: tuple[ForTrials, ...]
    none: Power | None
    looks: Looks | None

    @property
    def own(self) -> ForTrials:
        """The row of the scenario's own trials per condition."""
        return next(one for one in self.by_trials if one.trials == self.question.trials)

    @property
    def chosen(self) -> Power | None:
        """The smallest study whose power's lower end reaches what is wanted."""
        return self.own.as_simulated.by_lower_end


def planned(question: Question, pool: Pool, on_step: Callable[[object], None] = lambda _: None) -> PeoplePlan:
    """Reckon the plan from a pool. `on_step` is called after each number of trials and after the looks.

    Raises InputError where the pool's differences don't vary.
    """
    if float(np.ptp(pool.differences(1))) == 0.0:
        found = f"the same difference in all {pool.wearers} simulated wearers"
        raise InputError([Problem("--measure", question.measure.name, found, "a measure that varies")])
    effect = pool.mean_difference if question.effect is None else question.effect
    by_trials = []
    for trials in question.also_trials:
        by_trials.append(_for_trials(question, pool, effect, trials))
        on_step(trials)
    chosen = next(one for one in by_trials if one.trials == question.trials).as_simulated.by_lower_end
    none = looks = None
    if chosen is not None:
        draws = _draws(question, pool, question.trials)
        none = power_with_looks(draws, Effect(0.0), PairedTest(question.alpha), chosen.people)
        looks = _looks(question, draws, effect, chosen.people) if question.looks > 1 else None
    on_step("looks")
    simulated = interval_of((pool.assisted - pool.baseline).mean(axis=1).tolist(), "mean", question.seed)
    return PeoplePlan(question, pool, effect, simulated, spread_of(pool), tuple(by_trials), none, looks)


def step_count(question: Question) -> int:
    """How often `planned` calls `on_step`."""
    return len(question.also_trials) + 1


def _draws(question: Question, pool: Pool, trials: int) -> Draws:
    differences = pool.differences(trials).ravel()
    return Draws(differences - differences.mean(), question.simulations, question.seed, question.dropout)


def _for_trials(question: Question, pool: Pool, effect: float, trials: int) -> ForTrials:
    draws = _draws(question, pool, trials)
    # Only the scenario's own trials are shown with the people that a person named.
    at_least = max(question.people, default=0) if trials == question.trials else 0
    reach = (question.alpha, question.power, at_least)
    found = people_needed(draws, Effect(effect), *reach)
    interval = []
    if found.by_lower_end is not None:
        people = found.by_lower_end.people
        interval = people_interval(pool, trials, people, question.alpha, question.effect, question.seed)
    return ForTrials(trials, draws.sd, found, people_needed(draws, Effect(effect, WIDER), *reach), interval)


def _looks(question: Question, draws: Draws, effect: float, start: int) -> Looks | None:
    test = PairedTest(question.alpha, question.looks)
    found = people_needed_with_looks(draws, Effect(effect), test, question.power, start)
    if found is None:
        return None
    people = look_people(found.people, question.looks)
    bounds = boundaries(question.alpha, tuple(n / found.people for n in people))
    none = power_with_looks(draws, Effect(0.0), test, found.people)
    return Looks(people, bounds, tuple(nominal(bounds).tolist()), found, none)
