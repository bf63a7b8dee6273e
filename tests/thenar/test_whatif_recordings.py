"""What-ifs of recordings in files: how columns are understood, what is refused, how differences are told."""

from __future__ import annotations

import csv
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.scenarios.texts import ON_FILE, loaded
from tests.thenar.small_runs import SMALL, with_own_law, write_scenario
from tests.thenar.test_pictures import _png_texts
from thenar.cli import main
from thenar.cli.whatif import _leave, _view
from thenar.fit.recording import Recording
from thenar.plant_models.settings import Estimator
from thenar.report.tables import read_trial
from thenar.run import run_scenario
from thenar.scenarios.loader import LoadedScenario, load_scenario
from thenar.shared.errors import InputError
from thenar.study.session import HELD_US, session_of
from thenar.study.session_run import session_of_run, trial_in
from thenar.study.whatif import whatif
from thenar.study.whatif_differences import Given, _difference, compared
from thenar.study.whatif_record import whatif_record

NAN = float("nan")
HOLD = f"""schema = 1
title = "A graver held"
duration_s = 5.0
conditions = ["assisted"]
[target]
program = "constant"
level_N = 6.0
[law]
name = "proportional"
{ON_FILE}"""


def recording(**columns: Any) -> Recording:
    """A session recording with these columns."""
    arrays = {name: np.asarray(values, dtype=np.float64) for name, values in columns.items()}
    rows = len(next(iter(arrays.values())))
    return Recording("session", "bench.csv", "0" * 64, rows, "", "", arrays)


def held(seconds: float = 4.0, rate_Hz: float = 50.0, begins_s: float = 0.0, **more: Any) -> Recording:
    """A hold of 6 N in which the estimate sags by a sine of 2 N; `more` columns as functions of time in s."""
    t_s = begins_s + np.arange(round(seconds * rate_Hz)) / rate_Hz
    columns: dict[str, Any] = {
        "t_s": t_s,
        "target_N": np.full(t_s.size, 6.0),
        "estimate_N": 5.0 + 2.0 * np.sin(1.7 * (t_s - begins_s)),
    }
    return recording(**columns, **{name: make(t_s - begins_s) for name, make in more.items()})


def test_a_run_written_out_as_a_file_gives_the_same_decisions_and_no_difference(tmp_path: Path) -> None:
    scenario = load_scenario(write_scenario(tmp_path))
    run_scenario(scenario, tmp_path / "run", jobs=1)
    names = ("trace", "pulses", "decisions")
    trace, pulses, before = (read_trial(tmp_path / "run" / f"{name}.parquet", 1) for name in names)
    rows = np.concatenate([trace["t_us"], pulses["t_us"]])
    order = np.argsort(rows, kind="stable")

    def column(of_trace: NDArray[Any], of_pulses: NDArray[Any]) -> NDArray[np.float64]:
        return np.concatenate([of_trace, of_pulses])[order]

    none, empty = np.full(len(trace["t_us"]), NAN), np.full(len(pulses["t_us"]), NAN)
    known = trace["estimate_age_us"] >= 0
    columns = {
        "t_s": rows[order] / 1e6,
        "target_N": column(trace["target_N"], empty),
        "estimate_N": column(trace["estimate_N"], empty),
        "estimate_age_ms": column(np.where(known, trace["estimate_age_us"] / 1e3, NAN), empty),
        "force_N": column(trace["force_N"], empty),
    }
    for number, channel in enumerate(("agonist", "antagonist")):
        mine = pulses["channel"] == number
        columns[f"{channel}_current_mA"] = column(none, np.where(mine, pulses["current_mA"], NAN))
        columns[f"{channel}_width_us"] = column(none, np.where(mine, pulses["width_us"], NAN))
    session = session_of(recording(**columns), scenario.scenario.estimator)
    found = whatif(session, scenario)
    for name, values in before.items():
        if "contact" not in name:
            np.testing.assert_array_equal(values, found.decisions[name], err_msg=name)
    beside = compared(session, found)
    assert len(pulses["t_us"]) > 20
    assert beside.differences == ()
    assert any("each row is taken for one pulse" in note for note in found.notes)
    given = session.levels[0]
    assert given is not None
    more = replace(session, levels=(given._replace(current_mA=given.current_mA + 1.0), None))
    assert {stretch.kind for stretch in compared(more, found).differences} == {"weaker"}


def test_time_counts_from_the_first_target_and_estimates_before_it_are_the_last_one_only() -> None:
    early = recording(
        t_s=[100.0, 100.2, 100.4, 100.6], target_N=[NAN, NAN, 6.0, 6.0], estimate_N=[3.0, 4.0, NAN, 5.0],
        estimate_age_ms=[20.0, 20.0, NAN, 20.0],
    )  # fmt: skip
    session = session_of(early, Estimator())
    assert (session.begins_s, session.duration_us) == (100.4, 200_000)
    assert session.readings.arrives_us.tolist() == [0, 200_000]
    assert session.readings.sampled_us.tolist() == [-220_000, 180_000]
    assert session.readings.estimate_N.tolist() == [4.0, 5.0]


def test_a_repeated_or_overtaken_sample_is_no_new_estimate() -> None:
    file = recording(
        t_s=[0.0, 0.1, 0.2, 0.3], target_N=[6.0, NAN, NAN, NAN], estimate_N=[3.0, 3.0, 2.0, 4.0],
        estimate_age_ms=[10.0, 110.0, 250.0, 10.0],
    )  # fmt: skip
    readings = session_of(file, Estimator()).readings
    assert readings.estimate_N.tolist() == [3.0, 4.0]
    assert readings.arrived.tolist() == [1, 2]


def test_what_a_file_leaves_out_of_its_estimates_is_taken_from_the_scenario_and_said() -> None:
    file = held(estimate_age_ms=lambda t: np.where(t < 1.0, 30.0, NAN))
    session = session_of(file, Estimator(latency_ms=80.0, noise_floor_N=0.2, noise_share=0.1))
    ages_us = session.readings.arrives_us - session.readings.sampled_us
    assert set(ages_us[session.readings.arrives_us < 1_000_000].tolist()) == {30_000}
    assert set(ages_us[session.readings.arrives_us >= 1_000_000].tolist()) == {80_000}
    assert np.isnan(session.readings.stated_sd_N).all()
    assert sum("150 of 200 estimates have no estimate_age_ms" in note for note in session.notes) == 1
    assert sum("stated_sd_N" in note for note in session.notes) == 1


def test_a_log_with_zeros_is_followed_to_its_end_and_pulses_stand_for_a_while() -> None:
    current_mA = lambda t: np.where((t > 1.0) & (t < 2.0), 9.0, 0.0)  # noqa: E731
    width_us = lambda t: np.full(t.size, 200.0)  # noqa: E731
    study = loaded(HOLD.replace('name = "proportional"', 'name = "proportional"\n[law.settings]\ndeadband_N = 50.0'))
    log = session_of(held(agonist_current_mA=current_mA, agonist_width_us=width_us), Estimator())
    gaps = session_of(
        held(
            agonist_current_mA=lambda t: np.where(current_mA(t) > 0, 9.0, NAN),
            agonist_width_us=lambda t: np.where(current_mA(t) > 0, 200.0, NAN),
        ),
        Estimator(),
    )
    for session, ends_us in ((log, 2_000_000), (gaps, 1_980_000 + HELD_US)):
        (stretch,) = compared(session, whatif(session, study)).differences
        assert (stretch.channel, stretch.kind) == ("agonist", "silent instead")
        assert (stretch.recorded_mA, stretch.would_mA) == (9.0, 0.0)
        assert stretch.from_us == 1_020_000
        assert abs(stretch.to_us - ends_us) <= 20_000
        assert (stretch.demanded_mA, stretch.target_N) == (0.0, 6.0)


def test_the_kind_of_a_difference_follows_current_width_and_charge() -> None:
    recorded = Given(np.array([0, 5, 5, 5, 5, 5, 0.0]), np.array([0, 200, 200, 200, 200, 200, 0.0]))
    would = Given(np.array([0, 5.04, 0, 4, 6, 4, 3.0]), np.array([0, 200, 0, 200, 200, 250, 100.0]))
    assert _difference(recorded, would, 0.05).tolist() == [0, 0, 1, 3, 4, 5, 2]


@pytest.mark.parametrize(
    ("file", "words"),
    [
        (recording(t_s=[0.0, 1.0], target_N=[1.0, 1.0]), "estimate_N"),
        (recording(t_s=[0.0, 1.0], target_N=[NAN, NAN], estimate_N=[1.0, 1.0]), "target_N"),
        (recording(t_s=[0.0, NAN], target_N=[1.0, 1.0], estimate_N=[1.0, 1.0]), "t_s, row 2"),
        (recording(t_s=[1.0, 0.0], target_N=[1.0, 1.0], estimate_N=[1.0, 1.0]), "never step back"),
        (recording(t_s=[0.0, 9000.0], target_N=[1.0, 1.0], estimate_N=[1.0, 1.0]), "7200 s: cut it"),
        (recording(t_s=[0.0], target_N=[1.0], estimate_N=[1.0]), "a session that lasts"),
        (held(agonist_current_mA=lambda t: t), "agonist_width_us"),
        (held(agonist_current_mA=lambda t: t, agonist_width_us=lambda t: np.where(t < 1, 200, NAN)), "without a width"),
        (held(agonist_current_mA=lambda t: -t, agonist_width_us=lambda t: t), "negative"),
        (held(estimate_age_ms=lambda t: -1.0 - t), "estimate_age_ms, row 1"),
        (replace(held(), kind="wearer"), "kind session"),
    ],
)  # fmt: skip
def test_a_recording_that_cant_be_used_is_refused_with_what_is_wrong(file: Recording, words: str) -> None:
    with pytest.raises(InputError, match=words):
        session_of(file, Estimator())


def test_ten_minutes_at_a_kilohertz_can_be_looked_at() -> None:
    study = loaded(HOLD)
    session = session_of(held(seconds=1.0), study.scenario.estimator)
    whatif(session, study)  # compiled by now
    noise_N = np.random.default_rng(5).normal(0.0, 0.2, 600_000)  # seed 5
    long = held(seconds=600.0, rate_Hz=1000.0, estimate_age_ms=lambda t: np.full(t.size, 40.0))
    begun = time.perf_counter()
    columns = {**long.columns, "estimate_N": long.columns["estimate_N"] + noise_N}
    session = session_of(replace(long, columns=columns), study.scenario.estimator)
    found = whatif(session, study)
    compared(session, found)
    took_s = time.perf_counter() - begun
    print(f"ten minutes at 1 kHz: {took_s:.2f} s")
    assert len(found.ticks) == 30_000


def test_a_law_is_told_the_uncertainty_on_record_or_else_that_of_the_scenarios_estimator(tmp_path: Path) -> None:
    source = (
        "class Doubter:\n"
        "    def __init__(self, settings, calibration):\n        pass\n"
        "    def decide(self, observation):\n"
        "        return ((10.0 * observation.stated_sd_N, 200.0, 30.0), (0.0, 0.0, 0.0))\n"
    )
    text = SMALL + "\n[estimator]\nnoise_floor_N = 0.2\nnoise_share = 0.1\n"
    study = load_scenario(with_own_law(tmp_path, source, "Doubter", text), check_law=True)
    file = held(stated_sd_N=lambda t: np.where(t < 1.0, 0.5, NAN), estimate_age_ms=lambda t: 0.0 * t)
    found = whatif(session_of(file, study.scenario.estimator), study)
    told_N = np.where(found.at_ticks("t_us") < 1_000_000, 0.5, 0.2 + 0.1 * found.estimate_N)
    np.testing.assert_allclose(found.at_ticks("agonist_asked_uA"), 10_000 * told_N, atol=1.0)


def test_a_law_of_ones_own_that_raises_is_a_finding(tmp_path: Path) -> None:
    source = (
        "class Odd:\n"
        "    def __init__(self, settings, calibration):\n        self.asked = 0\n"
        "    def decide(self, observation):\n        self.asked += 1\n"
        "        if self.asked > 20:\n            raise RuntimeError('no idea')\n"
        "        return ((5.0, 200.0, 30.0), (0.0, 0.0, 0.0))\n"
    )
    study = load_scenario(with_own_law(tmp_path, source, "Odd"), check_law=True)
    found = whatif(session_of(held(), study.scenario.estimator), study)
    assert [cause for _, cause in found.trips] == ["R01"]
    assert any(event["kind"] == "law-fault" and "no idea" in str(event["what"]) for event in found.events)
    assert len(found.pulses["t_us"]) > 0


@pytest.fixture(scope="module")
def a_run(tmp_path_factory: pytest.TempPathFactory) -> tuple[LoadedScenario, Path]:
    """The small scenario and its finished run."""
    base = tmp_path_factory.mktemp("ran")
    scenario = load_scenario(write_scenario(base))
    run_scenario(scenario, base / "run", jobs=1)
    return scenario, base / "run"


def asked(*arguments: object) -> int:
    return main(["whatif", *(str(argument) for argument in arguments)])


def test_the_command_says_that_nothing_differs_and_leaves_a_folder(
    a_run: tuple[LoadedScenario, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scenario, folder = a_run
    assert asked(folder, "--scenario", scenario.path, "--trial", 3, "--out", tmp_path / "out") == 0
    told = capsys.readouterr().out
    assert "NO DIFFERENCE" in told
    assert "second engraver" in told
    assert "the wearer's reaction is not replayed" in " ".join(told.split())
    assert "R28 (contact) and R17 (compliance) can't be judged" in " ".join(told.split())
    assert {file.name for file in (tmp_path / "out").iterdir()} == {
        "whatif.json", "files.json", "ticks.csv", "differences.csv", "held-back.csv", "decisions.parquet",
        "pulses.parquet", "whatif.png",
    }  # fmt: skip
    assert "Trips here: none" in _png_texts(tmp_path / "out" / "whatif.png")["Description"]
    assert asked(folder, "--scenario", scenario.path, "--out", tmp_path / "out") == 2


def test_the_command_tells_a_changed_deadband_in_words_tables_and_json(
    a_run: tuple[LoadedScenario, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, folder = a_run
    law = 'name = "proportional"\n[law.settings]\ndeadband_N = 1.0\n'
    wider = write_scenario(tmp_path, SMALL.replace('name = "proportional"\n', law))
    assert asked(folder, "--scenario", wider, "--out", tmp_path / "out") == 0
    told = capsys.readouterr().out
    assert "THEY PART at" in told
    assert "Differences: what was delivered" in told
    assert asked(folder, "--scenario", wider, "--json") == 0
    record = json.loads(capsys.readouterr().out)
    with (tmp_path / "out" / "differences.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(record["differences"]) > 0
    assert float(rows[0]["from_s"]) == record["differences"][0]["from_s"] == record["first_parting_s"]
    assert record["commands_of_the_run"]["demand_differs"] > 0
    with (tmp_path / "out" / "ticks.csv").open() as file:
        ticks = list(csv.DictReader(file))
    assert len(ticks) == record["commands_of_the_run"]["ticks"] == 151
    unlike = [row for row in ticks if row["agonist_would_mA"] != row["agonist_recorded_mA"]]
    first_s = min(one["from_s"] for one in record["differences"] if one["channel"] == "agonist")
    assert float(unlike[0]["t_s"]) == first_s


def test_options_that_fit_the_other_kind_of_recording_are_refused(
    a_run: tuple[LoadedScenario, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scenario, folder = a_run
    (tmp_path / "bench.csv").write_text("t_s,target_N,estimate_N\n")
    assert asked(tmp_path / "bench.csv", "--scenario", scenario.path, "--trial", 0) == 2
    assert "--trial" in capsys.readouterr().err
    assert asked(folder, "--scenario", scenario.path, "--repair", "gaps") == 2
    assert "--repair" in capsys.readouterr().err
    assert asked(folder, "--scenario", scenario.path, "--trial", 77) == 2
    assert "a trial of this run: 0 to 3" in capsys.readouterr().err
    assert asked(tmp_path, "--scenario", scenario.path) == 2
    assert "no manifest.json in it" in capsys.readouterr().err


def test_a_file_is_read_as_a_session_on_its_own_clock(
    a_run: tuple[LoadedScenario, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scenario, _ = a_run
    columns = held(begins_s=50.0, estimate_age_ms=lambda t: 0.0 * t + 40.0).columns
    rows = zip(*(values.tolist() for values in columns.values()), strict=True)
    text = "\n".join([",".join(columns), *(",".join(f"{value:.4f}" for value in row) for row in rows)]) + "\n"
    (tmp_path / "bench.csv").write_text(text.replace("estimate_N", "sensor_N"))
    assert asked(tmp_path / "bench.csv", "--scenario", scenario.path) == 2
    assert "estimate_N" in capsys.readouterr().err
    assert asked(tmp_path / "bench.csv", "--scenario", scenario.path, "--column", "estimate_N=sensor_N") == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "0 s here is t_s = 50.000 in the recording" in told
    assert "what was delivered is not on record" in told


def test_a_session_too_short_to_be_armed_or_without_papers_says_so(
    a_run: tuple[LoadedScenario, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, folder = a_run
    late = write_scenario(tmp_path, SMALL.replace("[limits]", "[session]\narm_at_s = 2.9\n[limits]"), "late.toml")
    assert asked(folder, "--scenario", late) == 0
    assert "silent instead" in capsys.readouterr().out
    bare = write_scenario(tmp_path, SMALL.replace(ON_FILE, ""), "bare.toml")
    assert asked(folder, "--scenario", bare) == 0
    told = capsys.readouterr().out
    assert "REFUSED TO ARM" in told
    assert "R27" in told


def test_the_recorded_force_decides_nothing_and_no_pad_is_measured(a_run: tuple[LoadedScenario, Path]) -> None:
    scenario, folder = a_run
    chosen = trial_in(folder, 1)
    session = session_of_run(chosen)
    deaf = replace(session, force_N=session.force_N * 0.0 + 99.0)
    one, other = whatif(session, scenario), whatif(deaf, scenario)
    for name, values in one.decisions.items():
        np.testing.assert_array_equal(values, other.decisions[name])
    assert set(one.at_ticks("agonist_contact_ohm").tolist()) == {-1}


def test_a_long_session_gets_a_closer_picture_of_where_loop_and_recording_part(tmp_path: Path) -> None:
    study = loaded(HOLD)
    file = held(
        seconds=12.0,
        agonist_current_mA=lambda t: np.where((t > 9.0) & (t < 9.5), 30.0, 0.0),
        agonist_width_us=lambda t: np.full(t.size, 250.0),
    )
    session = session_of(file, study.scenario.estimator)
    found = whatif(session, study)
    beside = compared(session, found)
    assert beside.parts_us is not None
    record = whatif_record(session, study, found, beside)
    assert record["first_parting_s"] == beside.parts_us / 1e6
    _leave(tmp_path / "out", study, session, found, beside, record)
    assert "where they first part" in _png_texts(tmp_path / "out" / "moment.png")["Title"]
    whole = _view(session, found, beside)
    closer = whole.between(8.0, 10.0)
    assert (closer.begin_s, closer.end_s) == (8.0, 10.0)
    assert (closer.t_s[0], closer.t_s[-1], closer.t_s.size) == (8.0, 10.0, 101)
    agonist, antagonist = closer.channels
    assert agonist.recorded_uC is not None
    assert agonist.recorded_uC.max() == 7.5  # 30 mA x 250 us
    assert antagonist.recorded_uC is None
    assert all(begin_s < 10.0 and end_s > 8.0 for begin_s, end_s, _ in agonist.differences)
    assert len(agonist.differences) < len(whole.channels[0].differences)
