"""What a comparison decides over many drawn studies of a dozen wearers, each run through the engine.

With inert assistance it finds a difference in the accepted share of studies; with assistance that acts it finds what
practitioners see. The second is common practice and has no source: it holds for tests only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pytest

from tests.thenar.made_studies import (
    MEASURES,
    every_trial,
    first_without_then_with,
    inert,
    ladder,
    studies,
)
from thenar.study.compare import Comparison, Question, compared
from thenar.study.compare_paired import t_test
from thenar.study.compare_rows import Row

ALPHA = 0.05
QUESTION = Question(MEASURES[:1], alpha=ALPHA, resamples=0)
ALL = ["unassisted", "assisted", "stimulation-only"]


class Counted(NamedTuple):
    """Of `studies`: those whose decision shows a difference, and those in which any detail does."""

    studies: int
    decided: int
    any_detail: int


def _no_pulse(rows: Sequence[Row]) -> bool:
    return all(row.values["agonist_pulses"] == row.values["antagonist_pulses"] == 0.0 for row in rows)


def _false_alarms(count: int, first_seed: int) -> Counted:
    decided = details = 0
    for rows in studies(inert(), range(first_seed, first_seed + count), first_without_then_with):
        assert _no_pulse(rows)
        found = compared(rows, QUESTION)
        (decision,) = found.decisions
        decided += decision.shown(ALPHA)
        details += any(one.shown(ALPHA) for one in found.results if one is not decision)
    return Counted(count, decided, details)


@pytest.mark.campaign
def test_inert_assistance_differs_in_five_percent_of_two_thousand_studies() -> None:
    """Measured: decisions 79 of 2,000 (4.0 %), any of three corrected targets 91 of 2,000 (4.6 %), seeds 1 to 2000."""
    found = _false_alarms(2_000, first_seed=1)
    print(found)
    assert found.decided / found.studies == pytest.approx(ALPHA, abs=0.015)
    assert found.any_detail / found.studies <= ALPHA + 0.015


@pytest.mark.slow
def test_inert_assistance_rarely_differs_in_a_few_studies_run_whole() -> None:
    """Of 40 studies at 5 %, more than 8 show a difference once in 1,800 times; at 30 % nearly always."""
    found = _false_alarms(40, first_seed=50_000)
    print(found)
    assert found.decided <= 8
    assert found.any_detail <= 8


def test_the_very_same_trial_is_no_difference_at_all() -> None:
    """Noise follows (seed, wearer, repeat), not the condition: inert assistance changes nothing, to the last bit."""
    loaded = inert()
    (rows,) = studies(loaded, [7])
    (decision,) = compared(rows, QUESTION).decisions
    assert (decision.found.same, decision.found.n, decision.found.difference) == (12, 12, 0.0)
    assert (decision.found.p_t, decision.found.p_wilcoxon) == (1.0, 1.0)
    assert not decision.shown(ALPHA)


def test_the_deciding_test_keeps_its_level_on_the_spread_that_the_engine_makes() -> None:
    """Differences of inert studies with their signs drawn anew, which is exact where conditions are the same."""
    draw, alarms, count = np.random.default_rng(99), 0, 0
    for rows in studies(inert(), range(60_000, 60_012), first_without_then_with):
        found = compared(rows, QUESTION)
        numbers = found.means[MEASURES[0]].numbers[:, :, -1]
        differences = numbers[:, 1] - numbers[:, 0]
        for _ in range(400):
            drawn = differences * draw.choice([-1.0, 1.0], len(differences))
            _, p = t_test(float(drawn.mean()), float(drawn.std(ddof=1)) / np.sqrt(len(drawn)), len(drawn) - 1)
            alarms += p <= ALPHA
            count += 1
        (decision,) = found.decisions
        error = float(differences.std(ddof=1)) / np.sqrt(len(differences))
        assert decision.found.p_t == pytest.approx(t_test(float(differences.mean()), error, 11)[1])
    print(alarms, count)
    assert alarms / count == pytest.approx(ALPHA, abs=0.015)


def _errors(found: Comparison) -> dict[str, float]:
    means = found.means[MEASURES[0]]
    return {name: float(means.numbers[:, place, -1].mean()) for place, name in enumerate(means.conditions)}


def _trade(count: int, first_seed: int) -> tuple[int, int, int]:
    """In how many studies: assisted beats both others; is shown to; stimulation alone beats voluntary control."""
    best = shown = alone = 0
    for rows in studies(ladder(ALL, 1), range(first_seed, first_seed + count), every_trial):
        found = compared(rows, QUESTION)
        errors = _errors(found)
        best += errors["assisted"] < min(errors["unassisted"], errors["stimulation-only"])
        (pair,) = [one for one in found.decisions if (one.one, one.other) == ("assisted", "unassisted")]
        shown += pair.shown(ALPHA) and pair.found.difference < 0
        alone += errors["stimulation-only"] < errors["unassisted"]
    return best, shown, alone


@pytest.mark.campaign
def test_in_most_of_forty_studies_assistance_beats_both_others() -> None:
    best, shown, alone = _trade(40, first_seed=1)
    print(best, shown, alone)
    assert best > 30
    assert shown > 20
    assert alone == 0


@pytest.mark.slow
def test_assistance_beats_both_others_and_stimulation_alone_does_not_beat_the_wearer() -> None:
    best, shown, alone = _trade(5, first_seed=70_000)
    print(best, shown, alone)
    assert best >= 4
    assert shown >= 3
    assert alone == 0
