"""Conditions compared within the same wearers: every pair at every target and over all of them, for every measure.

Two families of tests, each corrected by Holm's method:

- the decision: the primary measure over all targets, one test per pair of conditions;
- the details: every target, every pair and every measure besides.

So a study with one pair has one uncorrected decision, fixed beforehand; what else is looked at can't spoil it, and is
itself corrected for its whole number. The t test decides; the rank test, the mixed model and the checks of the
assumptions are told beside it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import numpy as np

from thenar.study.compare_many import FEWEST_CONDITIONS, RankTest, VarianceTest, holm, rank_test, variance_test
from thenar.study.compare_mixed import Mixed, mixed_model
from thenar.study.compare_paired import LEAST_WEARERS, Paired, paired
from thenar.study.compare_rows import UNASSISTED, Means, Row, means_of

RESAMPLES: Final = 9_999
DECISION: Final = "decision"
DETAIL: Final = "detail"


class Question(NamedTuple):
    """What is asked. `measures`: the primary one first; `baseline`: only pairs with it ("": every pair).

    `alpha`: share of false alarms accepted, intervals are at 1 - alpha; `seed` and `resamples`: of the bootstrap.
    """

    measures: tuple[str, ...]
    baseline: str = ""
    alpha: float = 0.05
    seed: int = 0
    resamples: int = RESAMPLES

    @property
    def level(self) -> float:
        """Of every interval, 0 to 1."""
        return 1.0 - self.alpha


class Result(NamedTuple):
    """One pair of conditions at one target in one measure: `found` is `one` minus `other`.

    `family`: DECISION or DETAIL; `tests`: how many were made in it; `p_holm`, `p_wilcoxon_holm`: corrected in it.
    `outliers`: wearers far from the others.
    """

    measure: str
    target: str
    one: str
    other: str
    found: Paired
    family: str
    tests: int
    p_holm: float
    p_wilcoxon_holm: float
    outliers: tuple[str, ...]

    def shown(self, alpha: float) -> bool:
        """Whether a difference is shown: by the corrected t test, and the interval leaves zero out."""
        apart = self.found.interval.low > 0 or self.found.interval.high < 0
        return apart and self.p_holm <= alpha


class Over(NamedTuple):
    """All conditions at once, at one target in one measure, over wearers with a number in each of them."""

    measure: str
    target: str
    ranks: RankTest
    variance: VarianceTest


class Comparison(NamedTuple):
    """All that was found. `conditions`: the baseline first. `means`: by measure, in the order asked."""

    question: Question
    conditions: tuple[str, ...]
    means: dict[str, Means]
    results: tuple[Result, ...]
    over: tuple[Over, ...]

    @property
    def decisions(self) -> list[Result]:
        """The results that the study is decided by."""
        return [result for result in self.results if result.family == DECISION]

    @property
    def persons(self) -> tuple[str, ...]:
        """The wearers compared."""
        return self.means[self.question.measures[0]].persons


def compared(rows: Sequence[Row], question: Question, on_pair: Callable[[object], None] = lambda _: None) -> Comparison:
    """Compare the conditions found in `rows`. `on_pair` is called after each comparison (see `pairs_in`).

    Raises ValueError with fewer than two conditions, an unknown baseline, or fewer than LEAST_WEARERS wearers.
    """
    conditions = ordered(list(dict.fromkeys(row.condition for row in rows)), question.baseline)
    if len(conditions) < 2:
        raise ValueError("a comparison needs two conditions")
    if len({row.person for row in rows}) < LEAST_WEARERS:
        raise ValueError(f"a comparison needs {LEAST_WEARERS} wearers")
    means = {measure: means_of(rows, measure, conditions) for measure in question.measures}
    results = []
    for measure, of_measure in means.items():
        for one, other in pairs_in(conditions, question.baseline):
            for place, target in enumerate(of_measure.targets):
                columns = (of_measure.numbers[:, conditions.index(name), place] for name in (one, other))
                found = paired(*columns, level=question.level, seed=question.seed, resamples=question.resamples)
                # The overall comparison comes last; where there is one target it is that one.
                decides = measure == question.measures[0] and place == len(of_measure.targets) - 1
                far = tuple(of_measure.persons[number] for number in found.outliers)
                family = DECISION if decides else DETAIL
                results.append(Result(measure, target, one, other, found, family, 0, math.nan, math.nan, far))
                on_pair(target)
    over = [_over(measure, of_measure) for measure, of_measure in means.items() if len(conditions) >= FEWEST_CONDITIONS]
    return Comparison(question, tuple(conditions), means, tuple(_corrected(results)), tuple(itertools.chain(*over)))


def ordered(conditions: Sequence[str], baseline: str) -> list[str]:
    """The conditions with the baseline first: the one named, else the unassisted one, else as they come.

    Raises ValueError when the one named isn't there.
    """
    if baseline and baseline not in conditions:
        raise ValueError(f"no condition {baseline!r}")
    first = baseline or (UNASSISTED if UNASSISTED in conditions else conditions[0])
    return [first, *(name for name in conditions if name != first)]


def pairs_in(conditions: Sequence[str], baseline: str) -> list[tuple[str, str]]:
    """The pairs to compare, each as (one, other): the later one against the earlier one."""
    pairs = [(one, other) for other, one in itertools.combinations(conditions, 2)]
    return [pair for pair in pairs if not baseline or baseline in pair]


def _corrected(results: Sequence[Result]) -> list[Result]:
    found = list(results)
    for family in (DECISION, DETAIL):
        places = [place for place, result in enumerate(found) if result.family == family]
        students = holm([found[place].found.p_t for place in places])
        ranks = holm([found[place].found.p_wilcoxon for place in places])
        tests = sum(1 for p in students if not math.isnan(p))
        for place, p_holm, p_rank in zip(places, students, ranks, strict=True):
            found[place] = found[place]._replace(tests=tests, p_holm=p_holm, p_wilcoxon_holm=p_rank)
    return found


def _over(measure: str, means: Means) -> list[Over]:
    found = []
    for place, target in enumerate(means.targets):
        numbers = means.numbers[:, :, place]
        whole = numbers[np.isfinite(numbers).all(axis=1)]
        if len(whole) >= LEAST_WEARERS:
            found.append(Over(measure, target, rank_test(whole), variance_test(whole)))
    return found


def mixed_models(rows: Sequence[Row], comparison: Comparison) -> list[Mixed]:
    """The mixed model of every measure, over the single trials of the same wearers."""
    asked = comparison.question
    return [mixed_model(rows, measure, comparison.conditions, asked.level) for measure in asked.measures]
