"""The running sheet of a study: who does which trial when, and how long each rests. Pure arithmetic on whole us.

A visit begins with the preparation. Every trial is followed by a rest: the longer one where the next trial has another
condition. Practice comes just before the first counted trial of a condition, or before the first block.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from thenar.scenarios.schema import Scenario
from thenar.scenarios.study import Study
from thenar.shared.ticks import US_PER_S, us_from_s
from thenar.study.orders import assigned, shuffled_blocks, williams

PRACTICE: Final = -1
"""Trial number of a practice trial: it is done and rests follow it, but it is in no table of results."""


class SheetTrial(NamedTuple):
    """One trial of a visit. `start_us`, `rest_us`: from arrival, and after it (0 after the last).

    `block`, `period`: from 1; the period is the place of the condition in its block. `position`: place among all trials
    of the visit, from 1. `trial`: as the tables of a run count (from 0), PRACTICE for practice; `repeat`: from 0; a
    practice trial goes on counting after the counted ones.
    """

    block: int
    period: int
    position: int
    condition: str
    trial: int
    repeat: int
    start_us: int
    duration_us: int
    rest_us: int

    @property
    def counted(self) -> bool:
        """False for practice."""
        return self.trial != PRACTICE

    @property
    def end_us(self) -> int:
        """When the trial ends, us from arrival."""
        return self.start_us + self.duration_us


class Visit(NamedTuple):
    """One wearer's part: number from 0, name, sequence from 1 (0 where blocks give everyone an own one), trials."""

    wearer: int
    name: str
    sequence: int
    trials: tuple[SheetTrial, ...]

    @property
    def end_us(self) -> int:
        """When the last trial ends, us from arrival."""
        return self.trials[-1].end_us

    @property
    def order(self) -> tuple[str, ...]:
        """The conditions in the order of their counted trials, neighbours of one condition as one."""
        counted = [trial.condition for trial in self.trials if trial.counted]
        return tuple(name for place, name in enumerate(counted) if place == 0 or counted[place - 1] != name)


class _Planned(NamedTuple):
    block: int
    period: int
    condition: int
    repeat: int
    counted: bool


def running_sheet(scenario: Scenario, names: Sequence[str], seed: int) -> list[Visit]:
    """The visits of the wearers called `names`, in their order. `seed`: of the run; it decides who gets which order.

    A scenario without a `[study]` part is laid out by the defaults of one, in the order in which it lists conditions.
    """
    study = scenario.study or Study(order="as-listed")
    conditions = len(scenario.conditions)
    rows = williams(conditions) if study.order == "williams" else (tuple(range(conditions)),)
    sequences = assigned(len(names), len(rows), seed)
    visits = []
    for wearer, name in enumerate(names):
        if study.order == "blocks":
            blocks = shuffled_blocks(conditions, scenario.repeats, seed, wearer)
            planned, sequence = list(_in_blocks(blocks, study, scenario.repeats)), 0
        else:
            sequence = sequences[wearer] + 1
            planned = list(_in_periods(rows[sequence - 1], study, scenario.repeats))
        visits.append(Visit(wearer, name, sequence, tuple(_timed(planned, scenario, study, wearer))))
    return visits


def sequence_count(scenario: Scenario) -> int:
    """How many different sequences the study's order has; 0 for blocks, where everyone has an own one."""
    study = scenario.study or Study(order="as-listed")
    if study.order == "blocks":
        return 0
    return len(williams(len(scenario.conditions))) if study.order == "williams" else 1


def _in_periods(row: Sequence[int], study: Study, repeats: int) -> Iterator[_Planned]:
    for place, condition in enumerate(row, 1):
        for number in range(study.practice_trials):
            yield _Planned(1, place, condition, repeats + number, False)
        for repeat in range(repeats):
            yield _Planned(1, place, condition, repeat, True)


def _in_blocks(blocks: Sequence[Sequence[int]], study: Study, repeats: int) -> Iterator[_Planned]:
    for place, condition in enumerate(blocks[0], 1):
        for number in range(study.practice_trials):
            yield _Planned(1, place, condition, repeats + number, False)
    for block, row in enumerate(blocks):
        for place, condition in enumerate(row, 1):
            yield _Planned(block + 1, place, condition, block, True)


def _timed(planned: Sequence[_Planned], scenario: Scenario, study: Study, wearer: int) -> Iterator[SheetTrial]:
    start_us = us_from_s(study.preparation_s)
    between_us, change_us = us_from_s(study.rest_between_trials_s), us_from_s(study.rest_between_conditions_s)
    conditions = scenario.conditions
    for place, one in enumerate(planned):
        rest_us = 0
        if place + 1 < len(planned):
            rest_us = between_us if planned[place + 1].condition == one.condition else change_us
        # As `trials_of_wearer` numbers them: wearer by wearer, repeat by repeat, condition by condition.
        trial = (wearer * scenario.repeats + one.repeat) * len(conditions) + one.condition if one.counted else PRACTICE
        yield SheetTrial(
            one.block, one.period, place + 1, conditions[one.condition], trial, one.repeat,
            start_us, scenario.duration_us, rest_us,
        )  # fmt: skip
        start_us += scenario.duration_us + rest_us


PLACE_COLUMNS: Final = ("sequence", "block", "period", "position")
"""What a run's table of trials takes over from the sheet."""
COLUMNS: Final = (
    "wearer", "wearer_name", "sequence", "block", "period", "position", "condition", "practice", "trial", "repeat",
    "start_s", "end_s", "rest_s",
)  # fmt: skip


def sheet_rows(visits: Sequence[Visit]) -> Iterator[dict[str, object]]:
    """A mapping per trial with the keys COLUMNS, times in s; `trial` is None for practice."""
    for visit in visits:
        for one in visit.trials:
            yield {
                "wearer": visit.wearer, "wearer_name": visit.name, "sequence": visit.sequence, "block": one.block,
                "period": one.period, "position": one.position, "condition": one.condition,
                "practice": int(not one.counted), "trial": one.trial if one.counted else None, "repeat": one.repeat,
                "start_s": one.start_us / US_PER_S, "end_s": one.end_us / US_PER_S, "rest_s": one.rest_us / US_PER_S,
            }  # fmt: skip


def sheet_csv(visits: Sequence[Visit]) -> str:
    """The running sheet as CSV text: a row per trial, practice too (its `trial` is an empty cell)."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(sheet_rows(visits))
    return text.getvalue()


def places_by_trial(visits: Sequence[Visit]) -> dict[int, dict[str, int]]:
    """For each counted trial, by number: sequence (0: an own one), block, period and position in the visit."""
    return {
        one.trial: dict(zip(PLACE_COLUMNS, (visit.sequence, one.block, one.period, one.position), strict=True))
        for visit in visits
        for one in visit.trials
        if one.counted
    }
