"""The running sheet of a study: every time by hand, orders as designed, and trials numbered as a run numbers them."""

from __future__ import annotations

import csv
import io
from collections import Counter
from itertools import pairwise, permutations

from tests.scenarios.texts import SMALLEST, loaded
from thenar.engine.trial import plan_trials
from thenar.scenarios.loader import LoadedScenario
from thenar.study.sheet import COLUMNS, Visit, places_by_trial, running_sheet, sequence_count, sheet_csv

THREE = '["unassisted", "assisted", "stimulation-only"]'


def study_of(*lines: str, conditions: str = THREE, repeats: int = 2, wearers: int = 6) -> LoadedScenario:
    """A study of 10 s trials with these lines in its `[study]` part."""
    text = SMALLEST.replace('["assisted"]', f"{conditions}\nrepeats = {repeats}\n")
    people = f"[population]\ncount = {wearers}\n"
    return loaded("\n".join([text, people, "[study]", *lines, ""]))


def sheet_of(study: LoadedScenario, seed: int = 1) -> list[Visit]:
    """Its running sheet; wearers are called by number."""
    return running_sheet(study.scenario, [str(n) for n in range(study.scenario.wearer_count)], seed)


def test_times_add_up_by_hand() -> None:
    """Preparation 100 s; two conditions of one practice and two counted trials of 10 s; rests 20 s and 50 s.

    100-110 rest 20, 130-140 rest 20, 160-170 rest 50, 220-230 rest 20, 250-260 rest 20, 280-290, the end.
    """
    study = study_of(
        'order = "as-listed"', "preparation_s = 100.0", "practice_trials = 1", "rest_between_trials_s = 20.0",
        "rest_between_conditions_s = 50.0", conditions='["assisted", "unassisted"]', wearers=1,
    )  # fmt: skip
    (visit,) = sheet_of(study)
    assert [one.start_us // 1_000_000 for one in visit.trials] == [100, 130, 160, 220, 250, 280]
    assert [one.end_us // 1_000_000 for one in visit.trials] == [110, 140, 170, 230, 260, 290]
    assert [one.rest_us // 1_000_000 for one in visit.trials] == [20, 20, 50, 20, 20, 0]
    assert [one.condition for one in visit.trials] == ["assisted"] * 3 + ["unassisted"] * 3
    assert [one.counted for one in visit.trials] == [False, True, True] * 2
    assert [one.repeat for one in visit.trials] == [2, 0, 1] * 2
    assert [one.trial for one in visit.trials] == [-1, 0, 2, -1, 1, 3]
    assert [one.period for one in visit.trials] == [1, 1, 1, 2, 2, 2]
    assert visit.end_us == 290_000_000
    assert visit.order == ("assisted", "unassisted")


def test_williams_orders_are_given_out_evenly_and_balance_neighbours_over_wearers() -> None:
    visits = sheet_of(study_of('order = "williams"', wearers=12))
    assert set(Counter(visit.sequence for visit in visits).values()) == {2}
    neighbours = Counter(pair for visit in visits for pair in pairwise(visit.order))
    assert neighbours == dict.fromkeys(permutations(("unassisted", "assisted", "stimulation-only"), 2), 4)


def test_blocks_hold_each_condition_once_and_practice_comes_before_the_first() -> None:
    visits = sheet_of(study_of('order = "blocks"', "practice_trials = 2", repeats=4))
    assert {visit.sequence for visit in visits} == {0}
    for visit in visits:
        assert [one.counted for one in visit.trials] == [False] * 6 + [True] * 12
        for block in range(1, 5):
            inside = [one for one in visit.trials if one.counted and one.block == block]
            assert len({one.condition for one in inside}) == 3
            assert {one.repeat for one in inside} == {block - 1}
            assert [one.period for one in inside] == [1, 2, 3]
    assert len({tuple(one.condition for one in visit.trials) for visit in visits}) > 1


def test_the_longer_rest_follows_exactly_where_the_condition_changes() -> None:
    lines = ('order = "blocks"', "rest_between_trials_s = 7.0", "rest_between_conditions_s = 77.0")
    for visit in sheet_of(study_of(*lines, repeats=6)):
        for one, after in pairwise(visit.trials):
            assert one.rest_us == (7_000_000 if one.condition == after.condition else 77_000_000)
            assert after.start_us == one.end_us + one.rest_us


def test_counted_trials_are_those_of_the_plan_each_once_with_their_own_wearer() -> None:
    for order in ("williams", "blocks", "as-listed"):
        study = study_of(f'order = "{order}"', "practice_trials = 1", repeats=3, wearers=5)
        planned = {trial.label.index: trial.label for trial in plan_trials(study)}
        found = [(visit, one) for visit in sheet_of(study) for one in visit.trials if one.counted]
        assert sorted(one.trial for _, one in found) == sorted(planned)
        for visit, one in found:
            label = planned[one.trial]
            assert (label.wearer, label.condition, label.repeat) == (visit.wearer, one.condition, one.repeat)
        assert len(places_by_trial(sheet_of(study))) == len(planned)


def test_the_sheet_follows_from_the_seed() -> None:
    study = study_of('order = "williams"', wearers=12)
    assert sheet_of(study, 3) == sheet_of(study, 3)
    assert sheet_of(study, 3) != sheet_of(study, 4)


def test_the_number_of_sequences_is_the_designs() -> None:
    two = '["unassisted", "assisted"]'
    assert sequence_count(study_of('order = "williams"').scenario) == 6
    assert sequence_count(study_of('order = "williams"', conditions=two).scenario) == 2
    assert sequence_count(study_of('order = "blocks"').scenario) == 0
    assert sequence_count(study_of('order = "as-listed"').scenario) == 1


def test_a_scenario_without_a_study_is_laid_out_as_listed() -> None:
    (visit,) = running_sheet(loaded(SMALLEST).scenario, ["one"], 1)
    assert (visit.order, visit.sequence) == (("assisted",), 1)


def test_the_csv_has_a_row_per_trial_and_an_empty_number_for_practice() -> None:
    study = study_of('order = "williams"', "practice_trials = 1", wearers=2)
    rows = list(csv.DictReader(io.StringIO(sheet_csv(sheet_of(study)))))
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == 2 * 3 * 3
    assert {row["trial"] == "" for row in rows if row["practice"] == "1"} == {True}
    assert sorted(int(row["trial"]) for row in rows if row["practice"] == "0") == list(range(12))
    assert all(float(row["end_s"]) - float(row["start_s"]) == 10.0 for row in rows)
