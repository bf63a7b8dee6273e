"""`thenar tune`: repeatable, resumable, checked on wearers that it never saw, and honest about what it found."""

from __future__ import annotations

import csv
import json
import random
import signal
import subprocess
import sys
import types
from pathlib import Path
from typing import Any

import pytest

from tests.thenar.small_runs import SLOW_LAW, SMALL, thenar_process, with_own_law, write_scenario
from tests.thenar.test_limit_deviations_in_outputs import LINE, PEAK, write_loosened
from tests.thenar.test_pictures import _png_texts
from tests.waiting import LONG_S, until
from thenar.cli import main
from thenar.cli import tune as tune_command
from thenar.engine.trial import wearers_in
from thenar.scenarios.loader import LoadedScenario, load_scenario, parse_scenario
from thenar.study.drawn import drawn_wearers, held_out_seed
from thenar.study.goals import Measure
from thenar.study.held_out import ERROR, Check, Line
from thenar.study.resampled import Interval
from thenar.study.scores import score_called
from thenar.study.search import JOURNAL
from thenar.study.tunable import ranges_to_tune

FEW = ("--wearers", "3", "--held-out", "3", "--tries", "6", "--batch", "3", "--jobs", "1")
WORSE = ("--at-most", "worse_share=0.5")  # short trials of few wearers: one of them may be worse off by chance
ANY = ("--at-most", "worse_share=1")
BANG_BANG = SMALL.replace('name = "proportional"', 'name = "bang-bang"')


def tuned(file: Path, out: Path, *more: str) -> int:
    """`thenar tune` with few wearers and tries, in this process."""
    worse = () if any("worse_share" in word for word in more) else WORSE
    return main(["tune", str(file), *FEW, *worse, "--out", str(out), *more])


def table(out: Path) -> list[dict[str, str]]:
    """The rows of tries.csv."""
    return list(csv.DictReader((out / "tries.csv").read_text("utf-8").splitlines()))


def record(out: Path) -> Any:
    """tune.json."""
    return json.loads((out / "tune.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A scenario with a comment behind a tuned key, and the folder that tuning it left behind."""
    folder = tmp_path_factory.mktemp("tune")
    text = SMALL.replace('name = "proportional"', 'name = "proportional"\n\n[law.settings]\ndeadband_N = 0.4  # mine')
    file = write_scenario(folder, text)
    assert tuned(file, folder / "out") == 0
    return file, folder / "out"


def test_the_tuned_file_loads_and_holds_the_tuned_values_and_the_comments(finished: tuple[Path, Path]) -> None:
    file, out = finished
    text = (out / "tuned.toml").read_text("utf-8")
    assert "# mine" in text
    settings = load_scenario(out / "tuned.toml", check_law=True).scenario.law.settings
    best = record(out)["tuned"]["values"]
    assert {f"law.settings.{key}": value for key, value in settings.items()} == best
    before = load_scenario(file).scenario
    assert load_scenario(out / "tuned.toml").scenario.model_copy(update={"law": before.law}) == before


def test_the_chosen_try_is_the_best_within_the_bounds(finished: tuple[Path, Path]) -> None:
    rows = table(finished[1])
    assert [int(row["try"]) for row in rows] == list(range(6))
    assert [int(row["batch"]) for row in rows] == [0, 0, 0, 1, 1, 1]
    met = [row for row in rows if row["within_bounds"] == "1"]
    assert all((float(row["worse_share"]) <= 0.5) == (row["within_bounds"] == "1") for row in rows)
    best = min(met, key=lambda row: float(row["mean_abs_error_N:p90"]))
    assert [row["try"] for row in rows if row["chosen"] == "1"] == [best["try"]]
    assert rows[0]["law.settings.deadband_N"] == "0.4"  # the untuned law is tried first


def test_held_out_wearers_are_others_than_the_tuning_ones(finished: tuple[Path, Path]) -> None:
    file, out = finished
    found = record(out)
    wearers = found["wearers"]
    assert wearers["held_out"]["seed"] != wearers["tuning"]["seed"]
    drawn = drawn_wearers(load_scenario(file), 40, None).loaded
    one = wearers_in(drawn, wearers["tuning"]["seed"])
    other = wearers_in(drawn, wearers["held_out"]["seed"])
    assert not {wearer.max_pinch_N for wearer in one} & {wearer.max_pinch_N for wearer in other}
    assert len(found["held_out"]["wearers"]) == 3
    assert "its [[wearers]] take no part" in wearers["where_from"]
    assert held_out_seed(2**63 - 1) == 0


def test_every_arm_is_measured_on_the_same_held_out_wearers(finished: tuple[Path, Path]) -> None:
    held_out = record(finished[1])["held_out"]
    for measure in held_out["measures"]:
        arms, differences = measure["arms"], measure["differences"]
        assert set(arms) == {"unassisted", "untuned", "tuned"}
        assert differences["tuned - untuned"]["value"] == pytest.approx(
            arms["tuned"]["value"] - arms["untuned"]["value"]
        )
        for found in (*arms.values(), *differences.values()):
            assert found["low"] <= found["value"] + 1e-9
            assert found["value"] <= found["high"] + 1e-9
    per_wearer = [one["tuned"]["mean_abs_error_N"] for one in held_out["wearers"]]
    mean = next(one for one in held_out["measures"] if one["name"] == "mean_abs_error_N:mean")
    assert mean["arms"]["tuned"]["value"] == pytest.approx(sum(per_wearer) / 3)


def test_the_pictures_are_there(finished: tuple[Path, Path]) -> None:
    for name in ("tries.png", "wearers.png"):
        assert (finished[1] / name).read_bytes().startswith(b"\x89PNG")
    assert not (finished[1] / "front.png").exists()
    assert not list(finished[1].glob("*.part"))


@pytest.mark.slow
def test_two_processes_give_the_same_table_and_result(tmp_path: Path) -> None:
    file = write_scenario(tmp_path)
    for jobs in ("1", "2"):
        assert tuned(file, tmp_path / jobs, "--jobs", jobs, "--tries", "3") == 0
    for name in ("tries.csv", "tune.json", "tuned.toml"):
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes()


def test_a_finished_tuning_and_another_command_are_refused(
    finished: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    file, out = finished
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    assert tuned(file, out) == 2
    assert "a tuning that is finished" in capsys.readouterr().err
    assert tuned(file, out, "--seed", "9") == 2
    assert "but it was begun with 5" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_several_objectives_leave_the_tries_that_no_other_beats(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, out = write_scenario(tmp_path, BANG_BANG), tmp_path / "out"
    objectives = ("--objective", "mean_abs_error_N:mean", "--objective", "charge_uC_per_min:mean")
    assert tuned(file, out, *objectives, *ANY, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["sampler"] == "nsga2"
    points = [
        (float(row["mean_abs_error_N:mean"]), float(row["charge_uC_per_min:mean"]))
        for row in table(out)
        if row["within_bounds"] == "1"
    ]
    unbeaten = [tuple(one["objectives"]) for one in found["beaten_by_none"]]
    for point in points:
        beaten = any(a <= point[0] and b <= point[1] and (a, b) != point for a, b in points)
        assert (point in unbeaten) is not beaten
    assert (out / "front.png").is_file()
    files = sorted(path.name for path in out.glob("front-try-*.toml"))
    assert files == sorted(f"front-try-{one['try']:04d}.toml" for one in found["beaten_by_none"])
    assert load_scenario(out / files[0]).scenario.law.name == "bang-bang"


def test_bounds_that_nothing_meets_leave_no_tuned_law(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, out = write_scenario(tmp_path), tmp_path / "out"
    assert tuned(file, out, "--at-most", "charge_uC_per_min=0.001", "--tries", "3") == 1
    told = capsys.readouterr().out
    assert "NO TRY MET EVERY BOUND" in told
    assert "charge_uC_per_min:mean by" in told
    assert record(out)["tuned"] is None
    assert not (out / "tuned.toml").exists()


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (("--over", "wearer.max_pinch_N=50:90"), "bodies and sensors can't be tuned"),
        (("--over", "law.settings.gain=0:1"), "one of"),
        (("--over", "law.settings.deadband_N=-1:1"), "at least 0"),
        (("--sampler", "tpee"), "nearest known name: tpe"),
        (("--objective", "speed"), "one of mean_abs_error_N"),
    ],
)
def test_bad_input_is_told_on_one_screen_and_leaves_nothing(
    more: tuple[str, ...], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write_scenario(tmp_path)
    assert tuned(file, tmp_path / "out", *more) == 2
    assert told in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == [file.name]


def test_without_margins_a_floor_on_them_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "thenar.study.margins", None)
    assert tuned(write_scenario(tmp_path), tmp_path / "out", "--margin-floor", "2") == 2
    assert "thenar.study.margins isn't there" in capsys.readouterr().err


def test_a_floor_on_the_margin_is_asked_of_every_try(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A stand-in reckons a margin from the gain alone, so that a gain above 1 mA/N is beyond the floor."""

    class Found:
        def __init__(self, gain: float) -> None:
            self.gain = gain

        def gain_margin(self) -> float:
            return 4.0 / self.gain

    stand_in = types.ModuleType("thenar.study.margins")
    asked: list[int] = []

    def margins_of(loaded: LoadedScenario, *, seed: int) -> Found:
        asked.append(loaded.scenario.wearer_count)
        return Found(loaded.scenario.law.settings.get("gain_mA_per_N", 0.5))

    stand_in.margins_of = margins_of  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "thenar.study.margins", stand_in)
    more = ("--margin-floor", "4", "--sampler", "random")
    assert tuned(write_scenario(tmp_path), tmp_path / "out", *more) == 0
    rows = table(tmp_path / "out")
    assert asked == [3] * (1 + len(rows))
    gains = [float(row["law.settings.gain_mA_per_N"]) for row in rows]
    assert [float(row["gain_margin_of_worst"]) for row in rows] == [4.0 / gain for gain in gains]
    assert min(gains) < 1 < max(gains)
    assert all(row["within_bounds"] == "0" for row, gain in zip(rows, gains, strict=True) if gain > 1)


def test_a_scenario_that_never_arms_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = SMALL.replace('epilepsy = "no"', 'epilepsy = "yes"')
    assert tuned(write_scenario(tmp_path, text), tmp_path / "out") == 2
    assert "the interlock refuses to arm" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_loosened_limits_are_owned_up_to_everywhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The tuned scenario also takes the profile's file along, so that it loads where it lies."""
    out = tmp_path / "out"
    assert tuned(write_loosened(tmp_path), out, "--tries", "3", *ANY) == 0
    assert f"deviates from forearm-25cm2: {LINE}" in capsys.readouterr().out
    assert record(out)["limits"]["deviations"] == [PEAK]
    assert {row["limit_deviations"] for row in table(out)} == {"agonist.peak_mA=45"}
    for name in ("tries.png", "wearers.png"):
        assert LINE in _png_texts(out / name)["Description"]
    assert [str(found) for found in load_scenario(out / "tuned.toml").profile.deviations()] == [LINE]


def test_settings_that_the_law_refuses_together_are_refused_tries(tmp_path: Path) -> None:
    file = write_scenario(tmp_path, BANG_BANG)
    over = ("--over", "law.settings.deadband_N=0.1:1", "--over", "law.settings.hysteresis_N=0.2:1")
    assert tuned(file, tmp_path / "out", *over, "--sampler", "random", "--tries", "12", *ANY) == 0
    rows = table(tmp_path / "out")
    for row in rows:
        clash = float(row["law.settings.hysteresis_N"]) > 2 * float(row["law.settings.deadband_N"])
        assert ("hysteresis" in row["refused"]) is clash
        assert (row["mean_abs_error_N:p90"] == "") is clash
    assert any(row["refused"] for row in rows)


def test_the_default_ranges_are_those_stated() -> None:
    by_current = parse_scenario(SMALL, "x.toml", Path())
    assert [str(one) for one in ranges_to_tune(by_current, ())] == [
        "law.settings.gain_mA_per_N=0.05:5:log",
        "law.settings.deadband_N=0.05:2",
    ]
    for law in ("confident", "yielding"):
        own = parse_scenario(SMALL.replace('name = "proportional"', f'name = "{law}"'), "x.toml", Path())
        assert ranges_to_tune(own, ()) == ranges_to_tune(by_current, ())
    bang_bang = parse_scenario(BANG_BANG, "x.toml", Path())
    assert [str(one) for one in ranges_to_tune(bang_bang, ())] == [
        "law.settings.agonist.share=0.02:0.8",
        "law.settings.antagonist.share=0.02:0.8",
        "law.settings.deadband_N=0.15:2",
    ]


def test_a_law_of_ones_own_needs_ranges(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = with_own_law(tmp_path, SLOW_LAW, "Slow")
    assert tuned(file, tmp_path / "out") == 2
    assert "no default ranges for this law" in capsys.readouterr().err


def _running(file: Path, out: Path, *more: str) -> subprocess.Popen[str]:
    return thenar_process(["tune", str(file), *FEW, *WORSE, "--out", str(out), *more], file.parent)


def _wait_for(out: Path, size: int) -> None:
    """Until the journal has so many bytes."""
    until(lambda: (out / JOURNAL).exists() and (out / JOURNAL).stat().st_size >= size, f"{size} bytes of the journal")


def _killed_and_resumed(finished: tuple[Path, Path], folder: Path, kills: int) -> None:
    file, whole = finished
    seed = random.SystemRandom().randrange(2**32)
    print("seed", seed)
    chance = random.Random(seed)
    journal = (whole / JOURNAL).stat().st_size
    out = folder / "killed"
    for number in range(kills):
        process = _running(file, out)
        _wait_for(out, int(journal * (number + chance.random()) / (kills + 1)))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        assert process.returncode != 0
    assert tuned(file, out) == 0
    for name in ("tries.csv", "tune.json", "tuned.toml"):
        assert (out / name).read_bytes() == (whole / name).read_bytes()


@pytest.mark.slow
def test_a_tuning_that_is_killed_ends_like_one_that_was_not(finished: tuple[Path, Path], tmp_path: Path) -> None:
    _killed_and_resumed(finished, tmp_path, 1)


@pytest.mark.campaign
def test_a_tuning_killed_ten_times_ends_like_one_that_was_not(finished: tuple[Path, Path], tmp_path: Path) -> None:
    _killed_and_resumed(finished, tmp_path, 10)


@pytest.mark.slow
def test_an_interrupt_says_how_to_go_on(finished: tuple[Path, Path], tmp_path: Path) -> None:
    file, _ = finished
    process = _running(file, tmp_path / "out", "--tries", "600")
    _wait_for(tmp_path / "out", 2000)
    process.send_signal(signal.SIGINT)
    printed, told = process.communicate(timeout=LONG_S)
    assert process.returncode == 130
    assert printed == ""
    assert "of 600 tries are kept; the same command goes on" in told
    assert f"--out {tmp_path / 'out'}" in told
    assert "\x1b" not in told  # piped: no bar


def test_an_interrupt_that_became_another_error_on_its_way_says_how_to_go_on(
    finished: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def wrapped(*_: object) -> None:
        raise RuntimeError("Error calling __set_name__") from KeyboardInterrupt()

    monkeypatch.setattr(tune_command, "chosen_of", wrapped)
    assert tuned(finished[0], tmp_path / "out") == 130
    assert "interrupted: 6 of 6 tries are kept; the same command goes on" in capsys.readouterr().err


def test_a_tuned_law_that_is_worse_is_said_to_be_worse_by_a_positive_amount() -> None:
    error = Measure(score_called(ERROR, ""), "mean")
    for found, words in (
        (Interval(0.005, 0.001, 0.009), "is WORSE than the untuned one; worse by +0.005 N (95 % interval +0.001 to"),
        (
            Interval(-0.005, -0.009, -0.001),
            "beats the untuned one; better by +0.005 N (95 % interval +0.001 to +0.009)",
        ),
        (Interval(-0.005, -0.009, 0.001), "does NOT beat the untuned one; better by +0.005 N (95 % interval -0.001"),
    ):
        (sentence,) = Check(1, {}, (Line(error, {}, {("tuned", "untuned"): found}),), {}).verdict()
        assert words in sentence
