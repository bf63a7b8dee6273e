"""The `[study]` part of a scenario: what it may say, what is taken when it says nothing, and how mistakes are told."""

from __future__ import annotations

import tomllib

import jsonschema
import pytest

from tests.scenarios.texts import SMALLEST, loaded, problems_of, the_problem_of
from thenar.report.measure_names import measure_problems
from thenar.scenarios.gallery import gallery_file
from thenar.scenarios.loader import load_scenario
from thenar.scenarios.schema_json import json_schema
from thenar.scenarios.study import Study


def with_study(lines: str) -> str:
    """The smallest scenario with a study of these lines."""
    return f"{SMALLEST}\n[study]\n{lines}\n"


def test_a_scenario_without_a_study_has_none() -> None:
    assert loaded(SMALLEST).scenario.study is None


def test_an_empty_study_is_balanced_decided_by_the_mean_error_and_excludes_nobody() -> None:
    study = loaded(with_study("")).scenario.study
    assert study == Study()
    assert (study.order, study.all_measures, study.alpha) == ("williams", ("mean_abs_error_N",), 0.05)
    assert set(study.exclude.model_dump().values()) == {None}


def test_everything_that_a_study_may_say_is_taken_over() -> None:
    text = """order = "blocks"
preparation_s = 600.0
practice_trials = 2
rest_between_trials_s = 30.0
rest_between_conditions_s = 120.0
longest_visit_min = 90.0
primary = "rms_error_N"
measures = ["cv_percent", "overshoot_N"]
alpha = 0.01
exclude = { trips_over = 3, refused_trials_over = 0, unassisted_error_over_N = 5.0 }
exclusion = ["A bad day."]
stop = ["Pain.", "The wearer's wish."]"""
    study = loaded(with_study(text)).scenario.study
    assert study is not None
    assert study.model_dump() == {
        **tomllib.loads(text), "measures": ("cv_percent", "overshoot_N"), "exclusion": ("A bad day.",),
        "stop": ("Pain.", "The wearer's wish."),
    }  # fmt: skip
    assert study.all_measures == ("rms_error_N", "cv_percent", "overshoot_N")


@pytest.mark.parametrize(
    ("line", "key", "nearest"),
    [
        ('order = "wiliams"', "study.order", "williams"),
        ("practise_trials = 2", "study.practise_trials", "practice_trials"),
        ("exclude = { trips_ovr = 3 }", "study.exclude.trips_ovr", "trips_over"),
        ("practice_trials = 1.5", "study.practice_trials", ""),
        ("rest_between_trials_s = -1.0", "study.rest_between_trials_s", ""),
        ("alpha = 0.0", "study.alpha", ""),
        ("alpha = 5", "study.alpha", ""),
        ("measures = 3", "study.measures", ""),
        ('measures = ["a", "a"]', "study.measures", ""),
        ('measures = ["mean_abs_error_N"]', "study.measures", ""),
        ('stop = ["Pain.", "two\\nlines"]', "study.stop[1]", ""),
        ('stop = [" "]', "study.stop[0]", ""),
        ("longest_visit_min = 0.0", "study.longest_visit_min", ""),
        ("exclude = { trips_over = -1 }", "study.exclude.trips_over", ""),
    ],
)
def test_a_mistake_is_told_with_its_key_and_the_nearest_name(line: str, key: str, nearest: str) -> None:
    problem = the_problem_of(with_study(line))
    assert (problem.key, problem.nearest) == (key, nearest)
    assert problem.file == "study.toml"
    assert problem.allowed


def test_a_study_that_is_no_table_is_refused() -> None:
    (problem,) = problems_of(SMALLEST.replace("schema = 1", "schema = 1\nstudy = 3", 1))
    assert problem.key == "study"


def test_a_mistake_in_a_study_is_told_together_with_the_others() -> None:
    text = with_study("alpha = 2.0").replace("level_N = 5.0", "levl_N = 5.0")
    assert {problem.key for problem in problems_of(text)} == {"study.alpha", "target.levl_N", "target.level_N"}


def test_an_unknown_measure_is_told_with_the_nearest_one() -> None:
    study = Study(primary="mean_abs_eror_N", measures=("cv_percent", "nonsense"))
    first, second = measure_problems(study, "mine.toml")
    assert (first.file, first.key, first.nearest) == ("mine.toml", "study.primary", "mean_abs_error_N")
    assert (second.key, second.found, second.nearest) == ("study.measures[1]", "'nonsense'", "")


@pytest.mark.parametrize("line", ['order = "wiliams"', "alpha = 0.5", "exclude = { trips_ovr = 3 }", "measures = 3"])
def test_the_json_schema_refuses_what_the_loader_refuses(line: str) -> None:
    checker = jsonschema.Draft202012Validator(json_schema())
    checker.validate(tomllib.loads(with_study('order = "blocks"')))
    assert problems_of(with_study(line))
    assert not checker.is_valid(tomllib.loads(with_study(line)))


def test_the_shipped_study_names_known_measures_and_gives_every_sequence_to_two_wearers() -> None:
    scenario = load_scenario(gallery_file("key-pinch-study")).scenario
    assert scenario.study is not None
    assert list(measure_problems(scenario.study, "")) == []
    assert (scenario.wearer_count, len(scenario.conditions), scenario.study.order) == (12, 3, "williams")
    assert scenario.study.stop
    assert scenario.study.exclusion
