"""`thenar breakeven`: common noise, the folder, its words and tables, and what it refuses."""

from __future__ import annotations

import csv
import json
import math
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.scenarios.texts import ON_FILE
from tests.thenar.small_runs import SMALL, write_scenario
from tests.thenar.test_limit_deviations_in_outputs import LINE, PEAK, write_loosened
from tests.thenar.test_pictures import _png_texts
from tests.waiting import LONG_S
from thenar.cli import main
from thenar.plant_models.estimator import plan_readings
from thenar.scenarios.loader import LoadedScenario, parse_scenario
from thenar.shared.errors import InputError
from thenar.study import breakeven_map
from thenar.study.breakeven import Bench, break_even, held_at, with_wearers
from thenar.study.breakeven_sensors import perfect, with_error
from thenar.study.crossing import mean_interval

FOUR = SMALL.replace(
    '[[wearers]]\nname = "first engraver"\n\n[[wearers]]\nname = "second engraver"\nmax_pinch_N = 70.0\n',
    '[wearer]\nname = "engraver"\n\n[population]\ncount = 4\n',
)
FITTED = """\
schema = 1
part_of = "estimator"
fitted = "estimator"
title = "cuff of the bench"
[values]
latency_ms = 90.0
noise_floor_N = 0.4
true_N = [0.0, 4.0, 20.0]
reads_N = [0.3, 4.0, 6.0]
[came_from]
file = "bench.csv"
sha256 = "0000000000000000000000000000000000000000000000000000000000000000"
rows = 10
thenar = "0"
"""
Refused = Callable[..., str]


def four() -> LoadedScenario:
    """Four drawn engravers, holds of 3 s."""
    return parse_scenario(FOUR, "four.toml", Path())


def study(file: Path, out: Path, *more: str) -> int:
    """`thenar breakeven` at one force in this process, without other trusts."""
    return main(["breakeven", str(file), "--levels", "6", "--trust", "none", "--out", str(out), "--jobs", "1", *more])


@pytest.fixture
def refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Refused:
    """What a refusal says; nothing is left behind by it."""

    def told(text: str, *more: str) -> str:
        file = write_scenario(tmp_path, text)
        before = sorted(tmp_path.iterdir())
        assert main(["breakeven", str(file), "--out", str(tmp_path / "out"), *more]) == 2
        assert sorted(tmp_path.iterdir()) == before
        return capsys.readouterr().err

    return told


def test_two_sensors_meet_the_same_noise_at_two_forces() -> None:
    """Streams are named by seed, wearer, trial and purpose: neither the size of an error nor the force moves them."""
    loaded = four()
    small, large = (with_error(loaded.scenario.estimator, "noise", size) for size in (0.1, 3.0))
    draws = [plan_readings(sensor, 3_000_000, 5, 2, 1).unit_noise for sensor in (small, large)]
    np.testing.assert_array_equal(*draws)
    other = plan_readings(small, 3_000_000, 6, 2, 1).unit_noise
    assert not np.array_equal(draws[0], other)


def test_differences_move_little_with_a_little_more_error_and_repeat_exactly() -> None:
    first, again = Bench(four(), 5, 2, 1), Bench(four(), 5, 2, 2)
    one = first.tried(6.0, with_error(first.sensor, "bias-under", 1.0)).differences_N
    np.testing.assert_array_equal(one, again.tried(6.0, with_error(first.sensor, "bias-under", 1.0)).differences_N)
    near = first.tried(6.0, with_error(first.sensor, "bias-under", 1.001)).differences_N
    far = first.tried(6.0, with_error(first.sensor, "bias-under", 3.0)).differences_N
    assert np.abs(near - one).max() < 0.05 < np.abs(far - one).max()
    otherwise = Bench(four(), 6, 2, 1)
    assert np.abs(otherwise.tried(6.0, perfect(first.sensor)).differences_N - one).max() > 0.05


def test_a_hold_replaces_target_length_arming_and_faults() -> None:
    text = FOUR.replace("duration_s = 3.0", "duration_s = 90.0") + (
        '\n[session]\narm_at_s = 40.0\n\n[[faults]]\nkind = "emergency-stop"\nat_s = 30.0\n'
    )
    held = held_at(parse_scenario(text, "x.toml", Path()), 5.5, 3).scenario
    assert (held.target.model_dump()["level_N"], held.duration_s, held.repeats) == (5.5, 20.0, 3)
    assert (held.faults, held.session.arm_at_s, held.conditions) == ((), 0.0, ("unassisted", "assisted"))


def test_the_break_even_lies_where_the_mean_of_the_wearers_changes_its_sign() -> None:
    """Run again on both sides of what was found: help before the interval, none beyond it."""
    bench = Bench(four(), 5, 2, 2)
    found = break_even(bench, 6.0, "bias-under")
    crossed = found.crossing
    assert crossed.finite
    for size, sign in ((0.85 * crossed.value, 1), (1.15 * crossed.value, -1)):
        tried = bench.tried(6.0, with_error(bench.sensor, "bias-under", size))
        assert sign * float(tried.differences_N.mean()) > 0.0
    if math.isfinite(crossed.high):
        beyond = bench.tried(6.0, with_error(bench.sensor, "bias-under", 1.2 * crossed.high))
        assert mean_interval(beyond.differences_N).high < 0.0
    assert found.errors_N[0] == pytest.approx(crossed.value, rel=1e-6)


def test_a_lag_ends_where_the_interlock_calls_the_estimate_too_old() -> None:
    """R30: an estimate older than 300 ms makes the output ramp to zero; nothing is stimulated from there on."""
    bench = Bench(with_wearers(four(), 4), 5, 1, 2)
    late = bench.tried(6.0, with_error(bench.sensor, "lag", 320.0))
    assert late.pulses == 0
    assert not late.differences_N.any()
    assert bench.tried(6.0, with_error(bench.sensor, "lag", 250.0)).pulses > 0


def test_wearers_who_ignore_nudges_differ_from_those_who_follow_them() -> None:
    bench = Bench(four(), 5, 2, 2)
    sensor = with_error(bench.sensor, "bias-over", 2.0)
    ignoring, following = (bench.tried(6.0, sensor, trust).differences_N for trust in (0.0, 1.0))
    assert np.abs(ignoring - following).max() > 0.02


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two sensors, small maps and another trust."""
    folder = tmp_path_factory.mktemp("breakeven")
    file = write_scenario(folder, FOUR)
    (folder / "cuff.toml").write_text(FITTED, encoding="utf-8")
    patch = pytest.MonkeyPatch()
    patch.setattr(breakeven_map, "FORCES", 4)
    patch.setattr(breakeven_map, "ROWS", 5)
    more = ("--estimator", str(folder / "cuff.toml"), "--trust", "0,1", "--over", "bias", "together", "--repeats", "2")
    assert study(file, folder / "out", *more) == 0
    patch.undo()
    return folder / "out"


@pytest.mark.slow
def test_the_folder_holds_record_tables_and_pictures_that_agree(finished: Path) -> None:
    out = finished
    record: Any = json.loads((out / "breakeven.json").read_text("utf-8"))
    assert (record["wearers"], record["levels_N"], record["holds_per_wearer"]) == (4, [6.0], 2)
    kinds = [(row["kind"], row["trust"]) for row in record["break_even"]]
    assert kinds == [(kind, trust) for kind in ("bias-under", "bias-over", "together") for trust in (None, 0.0, 1.0)]
    rows = list(csv.DictReader((out / "breakeven.csv").read_text("utf-8").splitlines()))
    for row, one in zip(rows, record["break_even"], strict=True):
        assert row["break_even"] == ("" if one["break_even"] is None else repr(one["break_even"]))
    places = list(csv.DictReader((out / "map.csv").read_text("utf-8").splitlines()))
    assert len(places) == len(record["map"]) == 2 * 4 * 5
    for name in ("breakeven.png", "map.png"):
        told = _png_texts(out / name)
        assert "4 wearers" in told["Description"]
        assert "Simulation only" in told["Disclaimer"]


@pytest.mark.slow
def test_every_sentence_of_help_or_harm_has_its_interval_and_the_number_of_wearers(finished: Path) -> None:
    out = finished
    record: Any = json.loads((out / "breakeven.json").read_text("utf-8"))
    told = [*record["sentences"], *(row["sentence"] for row in record["break_even"])]
    assert len(told) == 3 + 1 + 4 + 9
    for line in told:
        assert "95 % interval" in line
        assert "4 wearers" in line
    assert any("cuff of the bench" in line for line in told)


@pytest.mark.slow
def test_json_alone_is_printed_and_is_the_record(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = write_scenario(tmp_path, FOUR)
    assert study(file, tmp_path / "out", "--json", "--no-map", "--over", "bias", "--repeats", "1") == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed.pop("folder") == str(tmp_path / "out")
    assert printed == json.loads((tmp_path / "out" / "breakeven.json").read_text("utf-8"))
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "breakeven.csv", "breakeven.json", "breakeven.png", "files.json",
    ]  # fmt: skip


@pytest.mark.slow
def test_loosened_limits_are_owned_up_to_everywhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, file = tmp_path / "out", write_loosened(tmp_path)
    third = '[[wearers]]\nname = "third engraver"\n\n[target]'
    file.write_text(file.read_text("utf-8").replace("[target]", third), encoding="utf-8")
    assert study(file, out, "--no-map", "--over", "bias", "--repeats", "1") == 0
    assert f"deviates from forearm-25cm2: {LINE}" in " ".join(capsys.readouterr().out.split())
    assert json.loads((out / "breakeven.json").read_text("utf-8"))["limits"]["deviations"] == [PEAK]
    assert "agonist.peak_mA=45" in (out / "breakeven.csv").read_text("utf-8").splitlines()[1]
    assert LINE in _png_texts(out / "breakeven.png")["Description"]


def test_a_perfect_sensor_has_nothing_to_scale_and_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sensor = "\n[estimator]\nlatency_ms = 0.0\nlatency_jitter_ms = 0.0\nnoise_floor_N = 0.0\nnoise_share = 0.0\n"
    file = write_scenario(tmp_path, FOUR + sensor)
    assert study(file, tmp_path / "out", "--over", "together", "--no-map") == 0
    assert "no error to scale" in capsys.readouterr().out
    assert not (tmp_path / "out" / "breakeven.png").exists()


@pytest.mark.parametrize(
    ("text", "more", "words"),
    [
        (SMALL, (), "at least 3, for an interval over wearers"),
        (SMALL, ("--wearers", "5"), "this one names its wearers"),
        (FOUR, ("--levels", "190"), "below the weakest wearer's maximum"),
        (FOUR.replace(ON_FILE, ""), (), "screening"),
        (FOUR, ("--estimator", "nowhere.toml"), "nowhere.toml"),
    ],
)
def test_what_cannot_be_asked_is_refused(text: str, more: tuple[str, ...], words: str, refused: Refused) -> None:
    assert words in refused(text, *more)


@pytest.mark.parametrize("more", [("--levels", "3,900"), ("--levels", "a"), ("--trust", "2"), ("--over", "rain")])
def test_options_out_of_range_are_refused_before_anything_is_read(
    more: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["breakeven", "no-such-file", *more])
    assert ended.value.code == 2
    assert f"argument {more[0]}" in capsys.readouterr().err


def test_a_target_that_holds_no_force_needs_levels(refused: Refused) -> None:
    moving = '[target]\nprogram = "sine"\nmean_N = 5.0\namplitude_N = 2.0\nperiod_s = 2.0\n'
    start, end = FOUR.index("[target]"), FOUR.index("[law]")
    assert "--levels with forces in N" in refused(FOUR[:start] + moving + "\n" + FOUR[end:])


def test_a_fit_of_something_else_is_no_estimator(refused: Refused, tmp_path: Path) -> None:
    other = FITTED.replace('"estimator"', '"wearer"').replace('fitted = "wearer"', 'fitted = "muscle"')
    values = other.index("latency_ms")
    other = other[:values] + "max_pinch_N = 80.0\n" + other[other.index("[came_from]") :]
    (tmp_path / "hand.toml").write_text(other, encoding="utf-8")
    assert "a fitted estimator" in refused(FOUR, "--estimator", str(tmp_path / "hand.toml"))


def test_too_few_drawn_wearers_are_an_error_of_the_study_too() -> None:
    with pytest.raises(InputError, match="at least 3"):
        with_wearers(parse_scenario(FOUR.replace("count = 4", "count = 2"), "two.toml", Path()), None)


def test_a_folder_that_holds_something_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "notes.txt").write_text("mine", encoding="utf-8")
    assert study(write_scenario(tmp_path, FOUR), tmp_path / "out") == 2
    assert "already holds files" in capsys.readouterr().err
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["notes.txt"]


@pytest.mark.parametrize(("error", "code"), [(KeyboardInterrupt(), 130), (OSError(28, "No space left"), 74)])
def test_a_stop_while_the_folder_is_written_leaves_nothing(
    error: BaseException, code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: object) -> None:
        raise error

    monkeypatch.setattr("thenar.cli.breakeven.draw_breakeven", stopped)
    file = write_scenario(tmp_path, FOUR)
    before = sorted(tmp_path.iterdir())
    assert study(file, tmp_path / "out", "--over", "bias", "--no-map", "--repeats", "1") == code
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_killed_search_leaves_no_folder(tmp_path: Path) -> None:
    """Killed two seconds after start: the search of 200 wearers takes far longer."""
    file = write_scenario(tmp_path, FOUR.replace("count = 4", "count = 200"))
    process = subprocess.Popen(
        [sys.executable, "-m", "thenar", "breakeven", str(file), "--out", str(tmp_path / "out")],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    time.sleep(2.0)
    assert process.poll() is None
    process.send_signal(signal.SIGKILL)
    process.wait(timeout=LONG_S)
    assert sorted(path.name for path in tmp_path.iterdir()) == [file.name]
