"""What a scenario says of a person: screening answers and a calibration, checked key by key."""

from __future__ import annotations

from typing import Any

import pytest

from tests.scenarios.texts import CALIBRATED, ON_FILE, SCREENED, SMALLEST, loaded, problems_of, the_problem_of
from thenar.scenarios.person import CalibrationOnFile, SimulatedCalibration
from thenar.scenarios.wearers import wearers_of
from thenar.shared.signals import NOT_CALIBRATED, ChannelCalibration

AGONIST = """\
[calibration.agonist]
sensory_mA = 4.0
motor_mA = 7.5
ceiling_mA = 18.0
width_us = 250.0
rate_Hz = 40.0
full_current_mA = 11.5
spread = 0.22
reachable_N = 30.0
"""
BY_HAND = SMALLEST + '[calibration]\nsource = "on-file"\ninvented = true\nmax_pinch_N = 80.0\n' + AGONIST
"""A calibration by hand, of one channel."""


def test_what_is_left_out_is_not_on_file() -> None:
    scenario = loaded(SMALLEST).scenario
    assert scenario.screening_of(0) is None
    assert scenario.calibration_of(0) is None


def test_what_is_on_file_says_whether_it_is_invented_and_is_simulated_at_40_hertz_unless_it_says_otherwise() -> None:
    scenario = loaded(SMALLEST + ON_FILE).scenario
    screening = scenario.screening_of(0)
    assert screening is not None
    assert screening.invented
    assert screening.objections() == ()
    assert scenario.calibration_of(0) == SimulatedCalibration(source="simulated", width_us=250.0, rate_Hz=40.0)


def test_a_calibration_by_hand_reaches_the_loop_as_written_and_a_channel_left_out_has_a_ceiling_of_zero() -> None:
    source = loaded(BY_HAND).scenario.calibration_of(0)
    assert isinstance(source, CalibrationOnFile)
    calibration = source.calibration()
    assert calibration.agonist == ChannelCalibration(4.0, 7.5, 18.0, 250.0, 40.0, 11.5, 0.22, 30.0)
    assert calibration.antagonist == NOT_CALIBRATED
    assert calibration.antagonist.ceiling_mA == 0.0
    assert calibration.max_pinch_N == 80.0


@pytest.mark.parametrize(
    ("old", "new", "key", "allowed"),
    [
        ("sensory_mA = 4.0", "sensory_mA = 0.0", "agonist.sensory_mA", "above 0"),
        ("motor_mA = 7.5", "motor_mA = 4.0", "agonist.motor_mA", "above sensory_mA = 4.0"),
        ("ceiling_mA = 18.0", "ceiling_mA = 7.5", "agonist.ceiling_mA", "above motor_mA = 7.5"),
        ("ceiling_mA = 18.0", "ceiling_mA = 100.1", "agonist.ceiling_mA", "at most 100"),
        ("ceiling_mA = 18.0", "ceiling_mA = inf", "agonist.ceiling_mA", "finite"),
        ("ceiling_mA = 18.0", "ceiling_mA = nan", "agonist.ceiling_mA", "finite"),
        ("ceiling_mA = 18.0", "ceiling_mA = true", "agonist.ceiling_mA", "a number"),
        ("ceiling_mA = 18.0\n", "", "agonist.ceiling_mA", "this key is needed"),
        ("full_current_mA = 11.5", "full_current_mA = 7.5", "agonist.full_current_mA", "above motor_mA = 7.5"),
        ("width_us = 250.0", "width_us = 501.0", "agonist.width_us", "at most 500"),
        ("max_pinch_N = 80.0", "max_pinch_N = 0.0", "max_pinch_N", "above 5"),
        ("max_pinch_N = 80.0\n", "", "max_pinch_N", "this key is needed"),
        ("invented = true\n", "", "invented", "this key is needed"),
        ('"on-file"', '"on file"', "source", "one of simulated, on-file"),
        ('source = "on-file"\n', "", "source", "one of simulated, on-file"),
    ],
)
def test_a_number_that_can_not_be_is_told_with_its_key(old: str, new: str, key: str, allowed: str) -> None:
    assert problems_of(BY_HAND) == ()
    problem = the_problem_of(BY_HAND.replace(old, new, 1))
    assert problem.key == f"calibration.{key}"
    assert allowed in problem.allowed


def test_a_ceiling_at_the_hard_one_is_the_last_that_is_taken() -> None:
    assert problems_of(BY_HAND.replace("ceiling_mA = 18.0", "ceiling_mA = 100.0")) == ()


def test_a_calibration_by_hand_without_any_channel_is_refused() -> None:
    assert the_problem_of(BY_HAND.removesuffix(AGONIST)).key == "calibration"


@pytest.mark.parametrize("answer", ['""', '"nope"', '"No"', "true", "0"])
def test_a_blank_or_unknown_answer_is_told_with_its_key_and_the_choices(answer: str) -> None:
    problem = the_problem_of(SMALLEST + SCREENED.replace('epilepsy = "no"', f"epilepsy = {answer}"))
    assert problem.key == "screening.contraindications.epilepsy"
    assert problem.allowed == "one of no, yes, not asked"


@pytest.mark.parametrize(
    ("old", "new", "key", "nearest"),
    [
        ("[screening]", "[screning]", "screning", "screening"),
        ("epilepsy", "epilepsie", "screening.contraindications.epilepsie", "epilepsy"),
        ('"forearm"', '"forarm"', "screening.placement.site", "forearm"),
        ("same_limb", "same_lim", "screening.placement.same_lim", "same_limb"),
        ("invented", "inventd", "screening.inventd", "invented"),
    ],
)
def test_a_misspelt_key_of_the_screening_is_answered_with_the_nearest(
    old: str, new: str, key: str, nearest: str
) -> None:
    text = (SMALLEST + SCREENED).replace(old, new)
    assert {problem.key: problem.nearest for problem in problems_of(text)}[key] == nearest


def test_screening_and_calibration_that_are_no_tables_are_told_so() -> None:
    head = SMALLEST.replace("schema = 1", 'schema = 1\nscreening = "done"\ncalibration = 3')
    assert [problem.key for problem in problems_of(head)] == ["screening", "calibration"]


def test_where_a_calibration_is_taken_is_no_longer_a_key_of_the_session() -> None:
    assert the_problem_of(SMALLEST + "[session]\ncalibration_rate_Hz = 50.0\n").key == "session.calibration_rate_Hz"


@pytest.mark.parametrize(
    ("people", "sharing"),
    [("[population]\ncount = 3\n", 3), ('[[wearers]]\nname = "one"\n[[wearers]]\nname = "two"\n', 2)],
)
def test_one_persons_numbers_for_more_than_one_wearer_are_refused(people: str, sharing: int) -> None:
    problem = the_problem_of(BY_HAND + people)
    assert problem.key == "calibration.source"
    assert problem.found == f"'on-file' for {sharing} wearers"


def under_wearers(text: str) -> str:
    """The tables of `text` as those of the last of [[wearers]]."""
    return text.replace("[screening", "[wearers.screening").replace("[calibration", "[wearers.calibration")


def test_a_wearers_own_screening_replaces_the_common_one_whole_and_inherits_no_answer() -> None:
    own = '[[wearers]]\nname = "one"\n[[wearers]]\nname = "two"\n[wearers.screening]\ninvented = true\n'
    scenario = loaded(SMALLEST + ON_FILE + own).scenario
    first, second = scenario.screening_of(0), scenario.screening_of(1)
    assert first is not None
    assert second is not None
    assert first.objections() == ()
    assert len(second.objections()) == 11


def test_a_wearers_own_calibration_stands_beside_the_common_one() -> None:
    own = '[[wearers]]\nname = "one"\n[[wearers]]\nname = "two"\nmax_pinch_N = 60.0\n'
    scenario = loaded(SMALLEST + CALIBRATED + own + under_wearers(BY_HAND.removeprefix(SMALLEST))).scenario
    assert isinstance(scenario.calibration_of(0), SimulatedCalibration)
    assert isinstance(scenario.calibration_of(1), CalibrationOnFile)
    one, two = wearers_of(scenario)  # type: ignore[misc]
    assert (one.max_pinch_N, two.max_pinch_N) == (90.0, 60.0)
    assert type(two).__name__ == "Wearer", "the models get no answers"


def test_numbers_by_hand_may_be_common_where_only_one_wearer_has_none_of_their_own() -> None:
    own: Any = '[[wearers]]\nname = "one"\n[[wearers]]\nname = "two"\n' + under_wearers(CALIBRATED)
    assert problems_of(BY_HAND + own) == ()


def test_what_is_wrong_with_a_wearers_own_tables_is_told_with_the_place_in_the_list() -> None:
    own = '[[wearers]]\nname = "one"\n' + under_wearers(ON_FILE).replace('"forearm"', '"leg"').replace(
        '"simulated"', '"simulatd"'
    )
    keys = [problem.key for problem in problems_of(SMALLEST + own)]
    assert keys == ["wearers[0].screening.placement.site", "wearers[0].calibration.source"]
