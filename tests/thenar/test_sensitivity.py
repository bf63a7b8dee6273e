"""`thenar sensitivity`: which keys it moves, that it repeats, and that a silent fault never becomes zeros."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path
from typing import Any

import pytest

from tests.thenar.small_runs import SMALL, write_scenario
from tests.thenar.test_limit_deviations_in_outputs import LINE, PEAK, write_loosened
from tests.thenar.test_pictures import _png_texts
from thenar.cli import main
from thenar.engine.trial import plan_trials
from thenar.run import moves
from thenar.scenarios.changes import with_values
from thenar.scenarios.gallery import gallery_file, gallery_names
from thenar.scenarios.loader import load_scenario, parse_scenario
from thenar.shared.errors import InputError
from thenar.study.hangs_on import MOVED, default_ranges, described
from thenar.study.ranges import Range
from thenar.study.sensitivity import Question, _Base, answered

ALONE = SMALL.replace('[[wearers]]\nname = "first engraver"', '[wearer]\nname = "engraver"').replace(
    '[[wearers]]\nname = "second engraver"\nmax_pinch_N = 70.0\n', ""
)
OVER = ("--over", "wearer.production.gain=0.7:1.4", "--over", "estimator.noise_share=0.02:0.2:log")


def study(file: Path, out: Path, *more: str) -> int:
    """`thenar sensitivity` over two keys with few samples, in this process."""
    return main(["sensitivity", str(file), *OVER, "--samples", "4", "--repeats", "1", "--out", str(out), *more])


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A scenario and the folder of a Sobol study of it."""
    folder = tmp_path_factory.mktemp("sensitivity")
    file = write_scenario(folder, ALONE)
    assert study(file, folder / "out", "--jobs", "1") == 0
    return file, folder / "out"


def test_the_folder_holds_record_tables_and_picture(finished: tuple[Path, Path]) -> None:
    _, out = finished
    record: Any = json.loads((out / "sensitivity.json").read_text("utf-8"))
    assert record["points"] == 4 * (2 + 2)
    samples = list(csv.DictReader((out / "samples.csv").read_text("utf-8").splitlines()))
    assert len(samples) == 16
    for row in samples:
        assert 0.7 <= float(row["wearer.production.gain"]) <= 1.4
        assert 0.02 <= float(row["estimator.noise_share"]) <= 0.2
    indices = list(csv.DictReader((out / "sensitivity.csv").read_text("utf-8").splitlines()))
    assert [row["key"] for row in indices] == [one["key"] for one in record["indices"]]
    assert float(indices[0]["total"]) >= float(indices[1]["total"])
    assert (out / "sensitivity.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.slow
def test_two_processes_give_the_same_numbers(finished: tuple[Path, Path], tmp_path: Path) -> None:
    file, out = finished
    assert study(file, tmp_path / "two", "--jobs", "2") == 0
    for name in ("sensitivity.json", "sensitivity.csv", "samples.csv"):
        assert (tmp_path / "two" / name).read_bytes() == (out / name).read_bytes()


def test_a_personal_gain_matters_more_than_the_sensors_noise(tmp_path: Path) -> None:
    """Without sight of the own force a gain of 0.7 or 1.4 is 30 or 40 % of the target; noise of 2 to 20 % averages."""
    file = write_scenario(tmp_path, ALONE)
    assert study(file, tmp_path / "out", "--method", "morris", "--samples", "8", "--jobs", "1") == 0
    record: Any = json.loads((tmp_path / "out" / "sensitivity.json").read_text("utf-8"))
    first, second = record["indices"]
    assert first["key"] == "wearer.production.gain"
    assert first["mu_star_N"] > 2 * second["mu_star_N"] > 0


def test_loosened_limits_are_owned_up_to_everywhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert study(write_loosened(tmp_path), out, "--method", "morris", "--samples", "2", "--jobs", "1") == 0
    assert f"deviates from forearm-25cm2: {LINE}" in capsys.readouterr().out
    record: Any = json.loads((out / "sensitivity.json").read_text("utf-8"))
    assert record["limits"]["deviations"] == [PEAK]
    assert "agonist.peak_mA=45" in (out / "samples.csv").read_text("utf-8").splitlines()[1]
    assert "agonist.peak_mA=45" in (out / "sensitivity.csv").read_text("utf-8").splitlines()[1]
    assert LINE in _png_texts(out / "sensitivity.png")["Description"]


def test_help_is_what_assistance_takes_off_the_error(tmp_path: Path) -> None:
    file = write_scenario(tmp_path, ALONE)
    code = study(file, tmp_path / "out", "--method", "morris", "--samples", "2", "--measure", "help_N", "--jobs", "1")
    assert code == 0
    rows = list(csv.DictReader((tmp_path / "out" / "samples.csv").read_text("utf-8").splitlines()))
    assert len({row["help_N"] for row in rows}) > 1


def _question(text: str, ranges: tuple[Range, ...], measure: str) -> Question:
    loaded = parse_scenario(text, "x.toml", Path())
    return Question(loaded, moves(loaded), ranges, "morris", 2, measure, 1, 5)


def test_a_measure_that_is_no_number_is_an_error_that_names_the_place() -> None:
    """No hold of a 0.8 s scenario outlasts the second after which a variation is taken."""
    text = ALONE.replace("duration_s = 3.0", "duration_s = 0.8")
    gain = (Range("wearer.production.gain", 0.7, 1.4),)
    with pytest.raises(InputError) as caught:
        answered(_question(text, gain, "cv_percent"), 1, lambda _: None)
    assert "4 of 4 outputs are not finite numbers; the first at wearer.production.gain=" in str(caught.value)


def test_a_measure_that_never_changes_is_an_error() -> None:
    gain = (Range("wearer.production.gain", 0.9, 1.1),)
    with pytest.raises(InputError, match="all 4 outputs are the same, 0"):
        answered(_question(ALONE, gain, "trips_per_min"), 1, lambda _: None)


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (("--over", "law.settings.deadband_N=0:1"), "a key below wearer., estimator., handling."),
        (("--over", "wearer.name=0:1"), "a key that holds a number"),
        (("--over", "wearer.sees_target=0:1"), "a key that holds a number"),
        (("--over", "wearer.max_pinsh_N=50:90"), "nearest known name: max_pinch_N"),
        (("--over", "wearer.cue.trust=-2:1"), "greater than or equal to -1"),
        (("--over", "wearer.max_pinch_N=6:90"), "a target of 7.0 N"),
        (("--measure", "speed"), "one of mean_abs_error_N"),
        (("--samples", "5"), "a power of two"),
    ],
)
def test_bad_input_is_told_and_leaves_nothing(
    more: tuple[str, ...], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write_scenario(tmp_path, ALONE)
    assert study(file, tmp_path / "out", "--jobs", "1", *more) == 2
    assert told in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == [file.name]


def test_a_point_is_the_scenario_with_these_values_in_its_text() -> None:
    """The quick way (no text) against the slow one."""
    values = {"wearer.max_pinch_N": 77.0, "wearer.antagonist.muscle.reachable_N": 11.0, "estimator.latency_ms": 95.5}
    ranges = tuple(Range(key, value - 1, value + 1) for key, value in values.items())
    question = _question(ALONE, ranges, "mean_abs_error_N")
    slow = with_values(question.loaded, values).scenario
    slow = slow.model_copy(update={"conditions": ("assisted",)})
    assert _Base(question).scenario(values).scenario == slow
    trial = _Base(question).trials(values)[0]
    twin = plan_trials(with_values(question.loaded, values), 5)[1]
    assert trial.calibration == twin.calibration
    assert trial.wearer == twin.wearer


@pytest.mark.parametrize("name", [name for name in gallery_names() if name != "not-screened"])
def test_every_default_range_of_the_gallery_is_one_that_the_scenario_allows(name: str) -> None:
    loaded = load_scenario(gallery_file(name))
    ranges = default_ranges(loaded)
    assert len(ranges) >= 10
    base = _Base(Question(loaded, moves(loaded), ranges, "sobol", 2, "mean_abs_error_N", 1, 1))
    for one in ranges:
        assert described(one.key)
        for end in (one.low, one.high):
            base.scenario({one.key: end})


def test_keys_that_do_nothing_in_a_scenario_are_left_out() -> None:
    keys = {one.key for one in default_ranges(parse_scenario(ALONE, "x.toml", Path()))}
    assert "wearer.production.wander_share" in keys
    assert not keys & {"wearer.visual_gain_per_s", "wearer.unseen_level_N", "estimator.jumps_per_min"}
    seen = (
        ALONE.replace('name = "engraver"', 'name = "engraver"\nsees_own_force = true')
        + "\n[estimator]\njumps_per_min = 2.0\n"
    )
    keys = {one.key for one in default_ranges(parse_scenario(seen, "x.toml", Path()))}
    assert {"wearer.visual_gain_per_s", "estimator.jumps_per_min"} <= keys
    assert "wearer.production.wander_share" not in keys


def test_a_factor_goes_as_far_up_as_down() -> None:
    ranges = {one.key: one for one in default_ranges(parse_scenario(ALONE, "x.toml", Path()))}
    latency = ranges["estimator.latency_ms"]
    assert math.isclose(latency.low * latency.high, 110.0**2, rel_tol=1e-5)
    assert latency.log
    assert len({moved.key for moved in MOVED}) == len(MOVED)
