"""Fitted files read alone: what they hold, and what a person is told about one that can't be used."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.scenarios.fitted_texts import FLEXOR, HOLD, SENSOR, put_fits
from tests.scenarios.texts import SMALLEST
from thenar.scenarios.fitted import fitted_in, leaves, read_fitted
from thenar.shared.errors import InputError, Problem


def _problems(text: str) -> tuple[Problem, ...]:
    with pytest.raises(InputError) as caught:
        fitted_in(text, "hand.toml")
    return caught.value.problems


def _problem(text: str) -> Problem:
    (found,) = _problems(text)
    assert found.file == "hand.toml"
    return found


def test_a_fitted_estimator_holds_values_intervals_and_origin(tmp_path: Path) -> None:
    found = read_fitted(put_fits(tmp_path) / "sensor.toml")
    assert (found.part_of, found.kind) == ("estimator", "estimator")
    assert found.values == {
        "latency_ms": 90.0,
        "noise_floor_N": 0.4,
        "true_N": (0.0, 5.0, 20.0),
        "reads_N": (0.1, 4.0, 18.0),
    }
    assert found.intervals["latency_ms"] == (80.0, 100.0)
    assert found.intervals["reads_N[2]"] == (17.0, 19.5)
    assert (found.came_from.file, found.came_from.rows) == ("engraver.csv", 60000)


def test_a_fitted_wearer_is_nested_and_whole_numbers_become_what_the_settings_hold() -> None:
    found = fitted_in(HOLD, "hold.toml")
    assert dict(leaves(found.values)) == {"max_pinch_N": 70.0, "production.gain": 1.3, "production.offset_N": 0.5}
    assert type(found.values["max_pinch_N"]) is float
    assert set(found.intervals) == {"max_pinch_N", "production.gain", "production.offset_N"}


@pytest.mark.parametrize(
    ("text", "key", "allowed", "near"),
    [
        (SENSOR.replace("latency_ms = 90.0", "latency_ms = -1.0"), "values.latency_ms", "at least 0", ""),
        (SENSOR.replace("noise_floor_N", "noise_flor_N"), "values.noise_flor_N", "one of", "noise_floor_N"),
        (SENSOR.replace("4.0, 18.0]\n[i", "4.0]\n[i"), "values", "as many reads_N as true_N", ""),
        (SENSOR.replace("[80.0, 100.0]", "[100.0, 80.0]"), "intervals.latency_ms", "[low, high]", ""),
        (SENSOR.replace("[80.0, 100.0]", "[80.0, inf]"), "intervals.latency_ms", "[low, high]", ""),
        (SENSOR.replace("[80.0, 100.0]", "80.0"), "intervals.latency_ms", "[low, high]", ""),
        (SENSOR.replace("latency_ms = [", "latency = ["), "intervals.latency", "a key that [values] has", "latency_ms"),
        (SENSOR.replace(", [17.0, 19.5]]", "]"), "intervals.reads_N", "3 pairs", ""),
        (SENSOR.replace("[17.0, 19.5]", "[17.0]"), "intervals.reads_N[2]", "[low, high]", ""),
        (SENSOR.replace('fitted = "estimator"', 'fitted = "estimater"'), "fitted", "one of", "estimator"),
        (SENSOR.replace('fitted = "estimator"', 'fitted = "muscle"'), "part_of", "wearer, as fitted = 'muscle'", ""),
        (SENSOR.replace('part_of = "estimator"', 'part_off = "estimator"'), "part_of", "needed", ""),
        (SENSOR.replace('thenar = "0.1.0"', ""), "came_from.thenar", "needed", ""),
        (SENSOR.replace("engraver.csv", "folder/engraver.csv"), "came_from.file", "match pattern", ""),
        (SENSOR.replace("abab", "abxy", 1), "came_from.sha256", "match pattern", ""),
        (SENSOR.replace("rows = 60000", "rows = 0"), "came_from.rows", "at least 1", ""),
        (SENSOR.replace("schema = 1", "schema = 2"), "schema", "the only version so far", ""),
        (SENSOR.replace("latency_ms = 90.0", 'file = "other.toml"\nlatency_ms = 90.0'), "values.file", "scenario", ""),
        (HOLD.replace("max_pinch_N = 70", 'max_pinch_N = 70\nname = "A"'), "values.name", "scenario", ""),
        (HOLD.replace("gain = 1.3", 'gain = "1.3"'), "values.production.gain", "a number", ""),
        (FLEXOR.replace("spread = 0.3", "rhobase_mA = 5"), "values.agonist.recruitment.rhobase_mA", "", "rheobase_mA"),
    ],
)
def test_what_is_wrong_is_told_with_its_key_what_is_allowed_and_the_nearest_name(
    text: str, key: str, allowed: str, near: str
) -> None:
    assert text not in (SENSOR, HOLD, FLEXOR)
    told = [problem for problem in _problems(text) if problem.key == key]
    assert len(told) == 1, _problems(text)
    assert allowed in told[0].allowed
    assert told[0].nearest == near


def test_a_scenario_in_place_of_a_fitted_file_is_called_so() -> None:
    assert _problem(SMALLEST).found == "a scenario"


def test_a_fit_without_values_is_refused() -> None:
    empty = (
        "".join(part for part in SENSOR.partition("[values]\n")[:2])
        + "[came_from]"
        + SENSOR.partition("[came_from]")[2]
    )
    assert _problem(empty).key == "values"


@pytest.mark.parametrize("content", [b"\xff\xfe", b"schema = ", b"", b"[" * 3000, b"x = 1" + b"0" * 5000])
def test_bytes_that_are_no_fitted_file_are_told_plainly(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "hand.toml").write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_fitted(tmp_path / "hand.toml")
    assert str(tmp_path / "hand.toml") in str(caught.value)
    assert len(str(caught.value).splitlines()) <= 12
