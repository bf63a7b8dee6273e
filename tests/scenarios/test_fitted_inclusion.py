"""Scenarios that stand on fitted files: what comes first, what clashes, and which files are known."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest

from tests.scenarios.fitted_texts import HOLD, SENSOR, fitted_text, put_fits
from tests.scenarios.texts import SMALLEST, loaded, problems_of, the_problem_of
from thenar.plant_models.settings import Estimator, Wearer
from thenar.scenarios.changes import text_with, value_at, with_values
from thenar.scenarios.schema_json import json_schema


@pytest.fixture
def fits(tmp_path: Path) -> Path:
    """A folder with fitted files."""
    return put_fits(tmp_path)


def test_a_fitted_estimator_stands_in_for_what_the_scenario_leaves_out(fits: Path) -> None:
    found = loaded(SMALLEST + '[estimator]\nfile = "sensor.toml"\nnoise_floor_N = 0.7\n', fits)
    sensor = found.scenario.estimator
    assert (sensor.latency_ms, sensor.true_N, sensor.reads_N) == (90.0, (0.0, 5.0, 20.0), (0.1, 4.0, 18.0))
    assert sensor.noise_floor_N == 0.7
    assert sensor.noise_share == Estimator().noise_share
    assert [(file.key, file.name) for file in found.files] == [("estimator.file", "sensor.toml")]


def test_a_wearer_stands_on_several_files_and_own_keys_come_first(fits: Path) -> None:
    text = SMALLEST + '[wearer]\nfiles = ["hold.toml", "flexor.toml"]\n[wearer.production]\ngain = 0.9\n'
    found = loaded(text, fits)
    wearer = found.scenario.wearer
    assert (wearer.max_pinch_N, wearer.production.gain, wearer.production.offset_N) == (70.0, 0.9, 0.5)
    assert wearer.agonist.recruitment.rheobase_mA == 5.0
    assert wearer.antagonist == Wearer().antagonist
    assert [file.key for file in found.files] == ["wearer.files[0]", "wearer.files[1]"]


def test_people_are_drawn_around_a_fitted_strength(fits: Path) -> None:
    text = SMALLEST + '[wearer]\nfiles = ["hold.toml"]\n[population]\ncount = 2\n'
    population = loaded(text, fits).scenario.population
    assert population is not None
    assert population.norms is None


def test_a_wearer_by_hand_stands_on_files_over_the_base_wearer(fits: Path) -> None:
    text = SMALLEST + '[wearer]\nmax_pinch_N = 55.0\nfiles = ["flexor.toml"]\n'
    text += '[[wearers]]\nname = "left"\n[[wearers]]\nname = "right"\nfiles = ["hold.toml"]\nmotor_delay_ms = 60.0\n'
    left, right = loaded(text, fits).scenario.wearers
    assert (left.max_pinch_N, left.agonist.recruitment.spread) == (55.0, 0.3)
    assert (right.max_pinch_N, right.agonist.recruitment.spread, right.motor_delay_ms) == (70.0, 0.3, 60.0)
    assert [file.key for file in loaded(text, fits).files] == ["wearer.files[0]", "wearers[1].files[0]"]


def test_two_files_that_say_the_same_are_an_error_that_names_both_unless_the_scenario_says_it_itself(
    fits: Path,
) -> None:
    (fits / "second.toml").write_text(fitted_text("muscle", "[values.production]\ngain = 1.1\n"), encoding="utf-8")
    text = SMALLEST + '[wearer]\nfiles = ["hold.toml", "second.toml"]\n'
    problem = the_problem_of(text, fits)
    assert problem.key == "wearer.files[1]"
    for words in ("production.gain", "'second.toml'", "'hold.toml'", "wearer.files[0]"):
        assert words in problem.found
    assert "write it in the scenario" in problem.allowed
    around = the_problem_of(SMALLEST + '[population]\ncount = 2\naround = [["hold.toml", "second.toml"]]\n', fits)
    assert (around.key, "scenario" in around.allowed) == ("population.around[0][1]", False)
    assert loaded(text + "[wearer.production]\ngain = 1.0\n", fits).scenario.wearer.production.gain == 1.0


@pytest.mark.parametrize(
    ("table", "key", "wanted"),
    [
        ('[estimator]\nfile = "hold.toml"\n', "estimator.file", "estimator"),
        ('[wearer]\nfiles = ["hold.toml", "sensor.toml"]\n', "wearer.files[1]", "wearer"),
        ('[[wearers]]\nname = "a"\nfiles = ["sensor.toml"]\n', "wearers[0].files[0]", "wearer"),
        ('[population]\ncount = 2\naround = [["hold.toml"], ["sensor.toml"]]\n', "population.around[1][0]", "wearer"),
    ],
)
def test_a_file_of_the_wrong_part_is_refused(fits: Path, table: str, key: str, wanted: str) -> None:
    problem = the_problem_of(SMALLEST + table, fits)
    assert problem.key == key
    assert problem.allowed == f"a fitted file that is part of {wanted}"


def test_a_faulty_fitted_file_is_told_with_its_own_name_and_the_rest_is_still_checked(fits: Path) -> None:
    (fits / "sensor.toml").write_text(SENSOR.replace("latency_ms = 90.0", "latency_ms = 1e9"), encoding="utf-8")
    found = problems_of(SMALLEST + '[estimator]\nfile = "sensor.toml"\nrate_Hz = -1.0\n', fits)
    assert [(problem.file, problem.key) for problem in found] == [
        (str(fits / "sensor.toml"), "values.latency_ms"),
        ("study.toml", "estimator.rate_Hz"),
    ]


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ('[estimator]\nfile = "sensr.toml"\n', "estimator.file"),
        ("[estimator]\nfile = 3\n", "estimator.file"),
        ('[wearer]\nfiles = "hold.toml"\n', "wearer.files"),
        ('[wearer]\nfiles = ["hold.toml", 2]\n', "wearer.files[1]"),
        ('[wearer]\nfiles = [""]\n', "wearer.files[0]"),
        ('[population]\ncount = 2\naround = ["hold.toml"]\n', "population.around[0]"),
        ("[population]\ncount = 2\naround = [[]]\n", "population.around[0]"),
        ('[population]\ncount = 2\naround = [["/hold.toml"]]\n', "population.around[0][0]"),
    ],
)
def test_a_name_that_cannot_be_followed_is_told_with_its_place(fits: Path, table: str, key: str) -> None:
    assert the_problem_of(SMALLEST + table, fits).key == key


def test_a_curve_of_the_scenario_must_fit_the_curve_of_the_file(fits: Path) -> None:
    text = SMALLEST + '[estimator]\nfile = "sensor.toml"\ntrue_N = [0.0, 50.0]\n'
    assert the_problem_of(text, fits).allowed == "as many reads_N as true_N"


def test_values_by_key_path_override_fitted_ones_and_are_found(fits: Path) -> None:
    text = SMALLEST + '# my sensor\n[estimator]\nfile = "sensor.toml"\n[wearer]\nfiles = ["hold.toml"]\n'
    found = loaded(text, fits)
    assert value_at(found, "estimator.latency_ms") == 90.0
    assert value_at(found, "wearer.files[0]") == "hold.toml"
    changed = with_values(found, {"estimator.latency_ms": 40.0, "wearer.production.gain": 2.0})
    assert changed.scenario.estimator.latency_ms == 40.0
    assert changed.scenario.estimator.noise_floor_N == 0.4
    assert (changed.scenario.wearer.production.gain, changed.scenario.wearer.max_pinch_N) == (2.0, 70.0)
    assert "# my sensor" in changed.text


def test_another_fitted_file_can_be_put_in_by_key_path(fits: Path) -> None:
    (fits / "other.toml").write_text(SENSOR.replace("latency_ms = 90.0", "latency_ms = 85.0"), encoding="utf-8")
    (fits / "weak.toml").write_text(HOLD.replace("max_pinch_N = 70", "max_pinch_N = 65"), encoding="utf-8")
    text = SMALLEST + '[estimator]\nfile = "sensor.toml"\n[wearer]\nfiles = ["flexor.toml", "hold.toml"]\n'
    changed = with_values(loaded(text, fits), {"estimator.file": "other.toml", "wearer.files[1]": "weak.toml"})
    assert (changed.scenario.estimator.latency_ms, changed.scenario.wearer.max_pinch_N) == (85.0, 65.0)
    around = SMALLEST + '[population]\ncount = 2\naround = [["flexor.toml"], ["hold.toml", "flexor.toml"]]\n'
    told = text_with(around, {"population.around[1][0]": "weak.toml"}, "study.toml")
    assert '[["flexor.toml"], ["weak.toml", "flexor.toml"]]' in told


def test_people_of_a_population_are_known_with_files_values_and_intervals(fits: Path) -> None:
    found = loaded(
        SMALLEST + '[population]\ncount = 2\naround = [["hold.toml", "flexor.toml"], ["flexor.toml"]]\n', fits
    )
    both, flexor = found.people
    assert both.files == ("hold.toml", "flexor.toml")
    assert both.intervals["production.gain"] == (1.2, 1.4)
    assert both.values["agonist"] == flexor.values["agonist"] == {"recruitment": {"rheobase_mA": 5.0, "spread": 0.3}}
    assert len(found.files) == 3


def test_editors_know_the_keys_that_name_fitted_files() -> None:
    schema = json_schema()
    good = {"schema": 1, "title": "A hold", "duration_s": 1.0, "conditions": ["assisted"]}
    good |= {"target": {"program": "constant", "level_N": 5.0}, "law": {"name": "proportional"}}
    good |= {"estimator": {"file": "sensor.toml"}, "wearer": {"files": ["hold.toml"]}}
    good |= {"population": {"count": 3, "around": [["hold.toml"], ["flexor.toml"]]}}
    jsonschema.validate(good, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(good | {"wearer": {"files": "hold.toml"}}, schema)
