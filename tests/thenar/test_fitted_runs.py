"""Scenarios on fitted files through the front door: run, replay, sweep, other machines, tuned copies, check."""

from __future__ import annotations

import json
import pickle
import shutil
from pathlib import Path

import pytest

from tests.folders import manifest_in
from tests.scenarios.fitted_texts import HOLD, SENSOR, put_fits
from tests.thenar.dask_processes import DaskProcesses
from tests.thenar.small_runs import SMALL, write_scenario
from thenar import load_scenario, plan_trials
from thenar.cli import main
from thenar.report.tune_folder import write_scenario as write_copy
from thenar.shared.errors import InputError
from thenar.study.axes import axes_of
from thenar.study.sweep_plan import SweepPlan
from thenar.study.tasks import rows_of

BEFORE, _, AFTER = (
    SMALL.replace("duration_s = 3.0", "duration_s = 1.0")
    .replace("every_s = 1.5", "every_s = 0.5")
    .partition("[[wearers]]")
)
REST = "[target]" + AFTER.partition("[target]")[2]
FITTED = (
    BEFORE
    + '[wearer]\nfiles = ["people/hold.toml", "people/flexor.toml"]\n\n[estimator]\nfile = "sensor.toml"\n\n'
    + REST
)
AROUND = BEFORE + '[population]\ncount = 5\naround = [["people/hold.toml"], ["people/flexor.toml"]]\n\n' + REST
WRITTEN_OUT = (
    BEFORE
    + "[wearer]\nmax_pinch_N = 70.0\nproduction = { gain = 1.3, offset_N = 0.5 }\n"
    + "[wearer.agonist.recruitment]\nrheobase_mA = 5.0\nspread = 0.3\n"
    + "[estimator]\nlatency_ms = 90.0\nnoise_floor_N = 0.4\ntrue_N = [0.0, 5.0, 20.0]\nreads_N = [0.1, 4.0, 18.0]\n\n"
    + REST
)


def _study(folder: Path, text: str = FITTED) -> Path:
    put_fits(folder)
    (folder / "people").mkdir()
    for name in ("hold.toml", "flexor.toml"):
        (folder / name).rename(folder / "people" / name)
    return write_scenario(folder, text)


def test_a_run_on_fitted_files_is_that_of_the_same_values_written_out(tmp_path: Path) -> None:
    fitted = plan_trials(load_scenario(_study(tmp_path)))
    written = plan_trials(load_scenario(write_scenario(tmp_path, WRITTEN_OUT, "written.toml")))
    for one, other in zip(fitted, written, strict=True):
        assert one.wearer.model_copy(update={"files": ()}) == other.wearer
        assert one.estimator.model_copy(update={"file": ""}) == other.estimator
        assert one.calibration == other.calibration


@pytest.mark.parametrize("text", [FITTED, AROUND])
def test_a_run_keeps_the_fitted_files_and_replays_without_the_study(tmp_path: Path, text: str) -> None:
    file = _study(tmp_path / "study", text)
    assert main(["run", str(file), "--out", str(tmp_path / "run"), "--jobs", "1"]) == 0
    manifest = manifest_in(tmp_path / "run")
    by_name = {entry.name: entry for entry in manifest.inputs}
    assert {"people/hold.toml", "people/flexor.toml"} <= set(by_name)
    kept = tmp_path / "run" / by_name["people/hold.toml"].stored
    assert kept.read_text(encoding="utf-8") == HOLD
    shutil.rmtree(tmp_path / "study")
    assert main(["replay", str(tmp_path / "run")]) == 0
    kept.write_text(HOLD.replace("gain = 1.3", "gain = 1.31"), encoding="utf-8")
    assert main(["replay", str(tmp_path / "run")]) == 2


def test_a_swept_key_overrides_what_a_fitted_file_says(tmp_path: Path) -> None:
    loaded = load_scenario(_study(tmp_path))
    (axis,) = axes_of(loaded, ["estimator.latency_ms=50:150:3"], drawn=False)
    plan = SweepPlan(loaded, [{axis.key: value} for value in axis.grid()], seed=None)
    done = {setting.number: bytearray(setting.trials) for setting in plan.settings}
    late = {trial.estimator.latency_ms for chunk in plan.chunks(done) for trial in chunk.trials}
    assert late == {50.0, 100.0, 150.0}
    floors = {trial.estimator.noise_floor_N for chunk in plan.chunks(done) for trial in chunk.trials}
    assert floors == {0.4}
    assert plan.files.keys() == {"sensor.toml", "people/hold.toml", "people/flexor.toml"}


def test_a_sweep_over_fitted_files_writes_a_table_and_goes_on_only_with_the_same_files(tmp_path: Path) -> None:
    file = _study(tmp_path)
    late = SENSOR.replace("latency_ms = 90.0", "latency_ms = 300.0").replace("[80.0, 100.0]", "[290.0, 310.0]")
    (tmp_path / "late.toml").write_text(late, encoding="utf-8")
    command = ["sweep", str(file), "--over", "estimator.file=sensor.toml,late.toml", "--jobs", "1"]
    command += ["--out", str(tmp_path / "out")]
    assert main(command) == 0
    loaded = load_scenario(file)
    settings: list[dict[str, float | int | str | bool]] = [
        {"estimator.file": name} for name in ("sensor.toml", "late.toml")
    ]
    assert SweepPlan(loaded, settings, seed=None).files.keys() >= {"sensor.toml", "late.toml"}
    (tmp_path / "late.toml").write_text(late.replace("noise_floor_N = 0.4", "noise_floor_N = 0.5"), encoding="utf-8")
    assert main(command) == 2


def test_trials_bound_for_another_machine_need_none_of_the_files(tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    from thenar.study.cluster_task import packed

    loaded = load_scenario(_study(tmp_path / "study"))
    plan = SweepPlan(loaded, [{}], seed=None)
    (chunk,) = plan.chunks({0: bytearray(plan.settings[0].trials)})
    here = rows_of(chunk)
    task = packed(chunk, {})
    shutil.rmtree(tmp_path / "study")
    assert pickle.loads(task).law_files == {}  # noqa: S301 - packed just now
    assert repr(rows_of(pickle.loads(task).chunk)) == repr(here)  # noqa: S301 - packed just now


@pytest.mark.slow
def test_a_sweep_on_another_worker_leaves_the_same_table_as_a_local_one(tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    command = ["sweep", str(_study(tmp_path, AROUND)), "--over", "estimator.latency_ms=50,150"]
    (tmp_path / "dask").mkdir()
    with DaskProcesses(tmp_path / "dask") as dask:
        dask.worker("first")
        dask.wait_for_workers({"first"})
        for where, more in (("here", ["--jobs", "1"]), ("there", ["--on", dask.address])):
            to = ["--out", str(tmp_path / where), "--to", str(tmp_path / f"{where}.csv")]
            assert main([*command, *to, *more]) == 0
    assert (tmp_path / "there.csv").read_bytes() == (tmp_path / "here.csv").read_bytes()


def test_a_copy_of_a_scenario_with_other_values_has_its_fitted_files_beside_it(tmp_path: Path) -> None:
    file = _study(tmp_path / "study")
    other = write_scenario(tmp_path, HOLD.replace("gain = 1.3", "gain = 1.2"), "hold.toml").parent
    (other / "sub").mkdir()
    (other / "sub" / "hold.toml").write_text(HOLD.replace("max_pinch_N = 70", "max_pinch_N = 66"), encoding="utf-8")
    text = AROUND.replace('["people/flexor.toml"]', '["../hold.toml"], ["../sub/hold.toml", "people/flexor.toml"]')
    file.write_text(text, encoding="utf-8")
    loaded = load_scenario(file)
    (tmp_path / "out").mkdir()
    write_copy(tmp_path / "out", "tuned.toml", loaded, {"law.settings.deadband_N": 0.4})
    shutil.rmtree(tmp_path / "study")
    again = load_scenario(tmp_path / "out" / "tuned.toml")
    assert [(p.values, p.intervals) for p in again.people] == [(p.values, p.intervals) for p in loaded.people]
    assert [p.values["max_pinch_N"] for p in again.people] == [70.0, 70.0, 66.0]


def test_a_population_around_people_is_the_same_wearer_by_wearer_and_under_every_law(tmp_path: Path) -> None:
    loaded = load_scenario(_study(tmp_path, AROUND))
    whole = {trial.label.wearer: trial.wearer for trial in plan_trials(loaded)}
    plan = SweepPlan(loaded, [{"law.settings.deadband_N": 0.2}, {"law.settings.deadband_N": 0.4}], seed=None)
    done = {setting.number: bytearray(setting.trials) for setting in plan.settings}
    for chunk in plan.chunks(done):
        for trial in chunk.trials:
            assert trial.wearer == whole[trial.label.wearer]
    assert {wearer.files for wearer in whole.values()} == {("people/hold.toml",), ("people/flexor.toml",)}


def test_check_tells_which_fitted_files_are_in_use_with_origin_and_intervals(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = FITTED.replace('file = "sensor.toml"\n', 'file = "sensor.toml"\nnoise_floor_N = 0.7\n')
    assert main(["check", str(_study(tmp_path, text))]) == 0
    told = " ".join(capsys.readouterr().out.split())
    for words in (
        "fitted estimator sensor.toml (estimator.file), from engraver.csv, 60000 rows, 2026-05-01T10:00:00 to",
        "latency_ms 90 (80 to 100)",
        "noise_floor_N 0.4 [set by the scenario instead]",
        "fitted wearer people/hold.toml (wearer.files[0])",
        "production.gain 1.3 (1.2 to 1.4)",
    ):
        assert words in told


def test_check_as_json_holds_origin_values_and_intervals(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--json", str(_study(tmp_path, AROUND))]) == 0
    (record,) = json.loads(capsys.readouterr().out)["files"]
    hold, flexor = record["fitted"]
    assert (hold["key"], hold["name"]) == ("population.around[0][0]", "people/hold.toml")
    assert hold["intervals"]["production.gain"] == [1.2, 1.4]
    assert flexor["came_from"]["file"] == "engraver.csv"


def test_a_faulty_fitted_file_stops_a_run_before_it_begins(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = _study(tmp_path)
    (tmp_path / "sensor.toml").write_text(SENSOR.replace("latency_ms", "latncy_ms"), encoding="utf-8")
    assert main(["run", str(file), "--out", str(tmp_path / "run")]) == 2
    told = capsys.readouterr().err
    assert "values.latncy_ms" in told
    assert "nearest known name: latency_ms" in told
    assert not (tmp_path / "run").exists()
    with pytest.raises(InputError):
        load_scenario(file)
