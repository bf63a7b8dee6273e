"""`thenar sweep` on the real engine: what it leaves, that it goes on where it was, and what it refuses."""

from __future__ import annotations

import csv
import json
import math
import shutil
import sqlite3
from collections.abc import Generator, Iterable
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from tests.thenar.small_sweeps import GAIN, SHORT, pushing_scenario, short_scenario
from thenar import load_scenario, plan_trials
from thenar.caution import SHORT as CAUTION
from thenar.cli import main
from thenar.cli import sweep as sweep_command
from thenar.report.metrics import METRICS
from thenar.scenarios.changes import with_values
from thenar.shared.errors import InputError
from thenar.study.measured import measured
from thenar.study.sweep import Asked, Sweep, SweepFolder, local_engine
from thenar.study.sweep_results import export, results_of
from thenar.study.tasks import Chunk, Outcome, rows_of

OVER = (f"{GAIN}=0.5:1.5:3",)
SETTINGS, WEARERS, TARGETS = 3, 2, 2


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a scenario, a finished sweep of it (`out`), and its table as `t.parquet` and `t.csv`."""
    base = tmp_path_factory.mktemp("swept")
    for name in ("t.parquet", "t.csv"):
        assert main(_command(base, "--to", str(base / name), "--jobs", "1")) == 0
    return base


def _command(base: Path, *more: str, over: tuple[str, ...] = OVER) -> list[str]:
    named = [part for text in over for part in ("--over", text)]
    return ["sweep", str(short_scenario(base)), *named, "--out", str(base / "out"), *more]


def _sweep(base: Path, over: tuple[str, ...] = OVER) -> Sweep:
    return Sweep(load_scenario(short_scenario(base)), Asked(over))


def _rows(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def test_a_sweep_leaves_a_ledger_a_summary_and_a_picture(swept: Path) -> None:
    assert sorted(path.name for path in (swept / "out").iterdir()) == [
        "files.json", "ledger.sqlite", "lock", "summary.json", "sweep.png",
    ]  # fmt: skip
    summary = json.loads((swept / "out" / "summary.json").read_text("utf-8"))
    assert [setting["values"] for setting in summary["settings"]] == [{GAIN: 0.5}, {GAIN: 1.0}, {GAIN: 1.5}]
    assert summary["trials"] == WEARERS * (1 + SETTINGS)  # unassisted once per wearer
    assert summary["caution"] == CAUTION


def test_the_table_has_a_row_per_setting_trial_and_target_in_that_order(swept: Path) -> None:
    rows = _rows(swept / "t.csv")
    keys = [(int(row["setting"]), int(row["trial"]), float(row["target_N"])) for row in rows]
    assert keys == sorted(keys)
    assert len(keys) == len(set(keys)) == SETTINGS * WEARERS * 2 * TARGETS
    assert {row[GAIN] for row in rows} == {"0.5", "1.0", "1.5"}
    assert {row["wearer_name"] for row in rows} == {"first engraver", "second engraver"}
    assert all(row["limit_deviations"] == "" for row in rows)


def test_parquet_and_csv_hold_the_same_and_parquet_tells_units(swept: Path) -> None:
    table = pq.read_table(swept / "t.parquet")
    rows = _rows(swept / "t.csv")
    assert list(rows[0]) == table.column_names
    assert {metric.name for metric in METRICS} <= set(table.column_names)
    for name in table.column_names:
        values = table.column(name).to_pylist()
        if name in {metric.name for metric in METRICS} | {GAIN, "time_s"}:
            assert [float(row[name] or "nan") for row in rows] == pytest.approx(values, rel=0, abs=0, nan_ok=True)
        elif name in {"setting", "trial", "wearer", "holds"}:
            assert [int(row[name]) for row in rows] == values
    units = {field.name: field.metadata[b"unit"].decode() for field in table.schema}
    assert (units[GAIN], units["mean_abs_error_N"], units["settling_s"]) == ("mA/N", "N", "s")
    assert table.schema.metadata[b"caution"].decode() == CAUTION
    assert all(not field.nullable for field in table.schema)


def test_each_setting_has_the_numbers_of_a_run_of_its_own(swept: Path) -> None:
    rows = _rows(swept / "t.csv")
    loaded = load_scenario(swept / "short-hold.toml")
    for number, gain in enumerate((0.5, 1.0, 1.5)):
        trials = plan_trials(with_values(loaded, {GAIN: gain}))
        alone = dict(measured(trials, moving=False, jobs=1))
        expected = [row for place in range(len(trials)) for row in alone[place]]
        found = [row for row in rows if int(row["setting"]) == number]
        assert len(found) == len(expected)
        for mine, theirs in zip(found, expected, strict=True):
            assert (int(mine["trial"]), mine["condition"], mine["target"]) == (
                theirs.label.index, theirs.label.condition, theirs.target,
            )  # fmt: skip
            for metric, value in zip(METRICS, theirs.values, strict=True):
                assert float(mine[metric.name] or "nan") == value or math.isnan(value), metric.name


def test_settings_of_the_law_share_the_unassisted_trials_and_say_so(swept: Path) -> None:
    run_in = {(row["condition"], row["setting"], row["run_in_setting"]) for row in _rows(swept / "t.csv")}
    assert {found for found in run_in if found[0] == "unassisted"} == {("unassisted", str(n), "0") for n in range(3)}
    assert {found for found in run_in if found[0] == "assisted"} == {("assisted", str(n), str(n)) for n in range(3)}


def test_settings_beside_the_law_share_nothing(tmp_path: Path) -> None:
    over = ("estimator.latency_ms=50,150", f"{GAIN}=0.5,1.0")
    plan = _sweep(tmp_path, over).plan
    assert [setting.group for setting in plan.settings] == [0, 0, 2, 2]
    assert plan.trials == 2 * WEARERS * (1 + 2)


def test_two_cores_leave_the_same_table_as_one(swept: Path, tmp_path: Path) -> None:
    assert main(_command(tmp_path, "--to", str(tmp_path / "t.csv"), "--jobs", "2")) == 0
    assert main(_command(tmp_path, "--to", str(tmp_path / "t.parquet"), "--jobs", "1")) == 0
    for name in ("t.csv", "t.parquet"):
        assert (tmp_path / name).read_bytes() == (swept / name).read_bytes(), name


def test_chunks_hold_a_wearer_s_settings_together_and_few_trials_at_once(tmp_path: Path) -> None:
    plan = _sweep(tmp_path).plan
    chunks = list(plan.chunks({setting.number: bytearray(setting.trials) for setting in plan.settings}, size=3))
    assert [len(chunk.trials) for chunk in chunks] == [3, 3, 2]
    trials = [trial for chunk in chunks for trial in chunk.trials]
    assert [trial.label.wearer for trial in trials] == [0] * 4 + [1] * 4
    assert len({id(trial.target_us) for trial in trials[:4]}) == 1
    assert [setting for chunk in chunks for setting in chunk.settings] == [0, 0, 1, 2] * 2


def test_a_chunk_gives_the_same_wherever_its_rows_are_made(tmp_path: Path) -> None:
    import pickle

    plan = _sweep(tmp_path).plan
    (chunk,) = plan.chunks({setting.number: bytearray(setting.trials) for setting in plan.settings})
    there = pickle.loads(pickle.dumps(rows_of))(pickle.loads(pickle.dumps(chunk)))  # noqa: S301 - our own
    here = list(local_engine(1)([chunk]))
    # Trials come as they finish, in no promised order.
    there, here = (sorted(found, key=lambda one: (one.setting, one.label.index)) for found in (there, here))
    assert repr(there) == repr(here)


def _until(stop_after: int, seen: list[Outcome]) -> object:
    def engine(chunks: Iterable[Chunk]) -> Generator[Outcome, None, None]:
        for outcome in local_engine(1)(chunks):
            if len(seen) == stop_after:
                raise KeyboardInterrupt
            seen.append(outcome)
            yield outcome

    return engine


@pytest.mark.parametrize("stop_after", [0, 1, 7])
def test_a_sweep_that_is_stopped_goes_on_without_running_anything_twice(
    stop_after: int, swept: Path, tmp_path: Path
) -> None:
    sweep, seen = _sweep(tmp_path), []  # type: ignore[var-annotated]
    with pytest.raises(KeyboardInterrupt), SweepFolder(sweep, tmp_path / "out") as folder:
        folder.run(_until(stop_after, seen))  # type: ignore[arg-type]
    with SweepFolder(_sweep(tmp_path), tmp_path / "out") as folder:
        assert folder.finished == stop_after
        folder.run(_until(99, seen))  # type: ignore[arg-type]
        assert folder.finished == folder.sweep.plan.trials
        export(folder, results_of(folder).acted, tmp_path / "t.parquet")
    assert len({(o.setting, o.label.index) for o in seen}) == len(seen) == sweep.plan.trials
    assert (tmp_path / "t.parquet").read_bytes() == (swept / "t.parquet").read_bytes()


def test_a_finished_sweep_says_so_and_shows_its_table_again(swept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (swept / "out" / "ledger.sqlite").read_bytes()
    assert main(_command(swept)) == 0
    told = capsys.readouterr()
    assert "8 of 8 trials were there, nothing is left to run" in told.err
    assert "90th perc." in told.out
    assert CAUTION in told.out
    assert (swept / "out" / "ledger.sqlite").read_bytes() == before


def test_json_tells_every_setting(swept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(_command(swept, "--json")) == 0
    record = json.loads(capsys.readouterr().out)
    assert record == json.loads((swept / "out" / "summary.json").read_text("utf-8"))
    assert record["best_setting"] in range(SETTINGS)


@pytest.mark.parametrize(
    ("more", "over", "told"),
    [
        (["--seed", "6"], OVER, "seed"),
        ([], (f"{GAIN}=0.5:1.6:3",), "axes"),
        (["--design", "sobol", "--samples", "3"], (f"{GAIN}=0.5:1.5",), "design"),
    ],
)
def test_another_sweep_is_refused_in_the_same_folder(
    more: list[str], over: tuple[str, ...], told: str, swept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (swept / "out" / "ledger.sqlite").read_bytes()
    assert main(_command(swept, *more, over=over)) == 2
    assert f"ledger.sqlite: {told}\n" in capsys.readouterr().err
    assert (swept / "out" / "ledger.sqlite").read_bytes() == before


def test_a_changed_scenario_law_or_thenar_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = pushing_scenario(tmp_path)
    asked = Asked(("law.settings.share=0.2:0.4:2",))
    with SweepFolder(Sweep(load_scenario(file), asked), tmp_path / "out"):
        pass
    law = (tmp_path / "my_law.py").read_text()
    for name, change in (("files", "law"), ("thenar", "version")):
        if change == "law":
            (tmp_path / "my_law.py").write_text(law + "\n# changed\n")
        else:
            (tmp_path / "my_law.py").write_text(law)
            monkeypatch.setattr("thenar.__version__", "0.0.1", raising=False)
        with pytest.raises(InputError) as caught:
            SweepFolder(Sweep(load_scenario(file), asked), tmp_path / "out").__enter__()
        assert [problem.key for problem in caught.value.problems] == [name]


def test_a_folder_that_holds_something_else_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    assert main(_command(tmp_path)) == 2
    assert "files but no ledger.sqlite" in capsys.readouterr().err
    assert [path.name for path in out.iterdir()] == ["notes.txt"]
    (out / "notes.txt").unlink()
    (out / "ledger.sqlite").write_text("not a data base, whatever its name says" * 100)
    assert main(_command(tmp_path)) == 2
    assert "the ledger as `thenar sweep` wrote it" in capsys.readouterr().err
    (out / "ledger.sqlite").unlink()
    with sqlite3.connect(out / "ledger.sqlite") as other:
        other.execute("CREATE TABLE gravers (name TEXT)")
    assert main(_command(tmp_path)) == 2
    assert "the ledger as `thenar sweep` wrote it" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["t.xlsx", "t", "nowhere/t.csv"])
def test_a_table_that_can_not_be_written_is_told_before_anything_runs(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(_command(tmp_path, "--to", str(tmp_path / name))) == 2
    assert "--to" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_without_out_the_same_command_finds_its_own_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    command = ["sweep", str(short_scenario(tmp_path)), "--over", f"{GAIN}=0.5,1.0", "--jobs", "1"]
    assert main(command) == 0
    assert main(command) == 0
    assert "nothing is left to run" in capsys.readouterr().err
    assert len(list((tmp_path / "runs").iterdir())) == 1
    assert main([*command, "--seed", "8"]) == 0
    assert len(list((tmp_path / "runs").iterdir())) == 2


def test_a_user_s_law_can_be_swept(tmp_path: Path) -> None:
    file = pushing_scenario(tmp_path)
    more = ["--over", "law.settings.share=0.2,0.4", "--out", str(tmp_path / "out"), "--to", str(tmp_path / "t.csv")]
    assert main(["sweep", str(file), *more, "--jobs", "1"]) == 0
    rows = [row for row in _rows(tmp_path / "t.csv") if row["condition"] == "assisted"]
    charge = {
        share: sum(float(r["agonist_charge_both_phases_uC"]) for r in rows if r["law.settings.share"] == share)
        for share in ("0.2", "0.4")
    }
    assert 0.0 < charge["0.2"] < charge["0.4"]


def test_a_wearer_who_is_not_screened_makes_the_sweep_say_that_no_pulse_left(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = SHORT.replace('epilepsy = "no"', 'epilepsy = "yes"')
    command = _command(tmp_path)
    short_scenario(tmp_path, text)
    assert main([*command, "--jobs", "1"]) == 0
    assert "NO PULSE LEFT in 6 of 6 stimulated trials" in capsys.readouterr().out


def test_a_copied_folder_goes_on_as_the_first_would(swept: Path, tmp_path: Path) -> None:
    shutil.copytree(swept / "out", tmp_path / "out")
    assert main(_command(tmp_path, "--to", str(tmp_path / "t.csv"))) == 0
    assert (tmp_path / "t.csv").read_bytes() == (swept / "t.csv").read_bytes()


def test_a_law_that_only_decides_is_said_to_run_in_the_event_engine(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, out = str(pushing_scenario(tmp_path)), str(tmp_path / "out")
    assert main(["sweep", file, "--over", "law.settings.share=0.2,0.3", "--jobs", "1", "--out", out]) == 0
    assert "note: Pushing in my_law.py runs in the event engine" in capsys.readouterr().err


def test_an_interrupt_that_became_another_error_on_its_way_says_how_to_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def wrapped(*_: object) -> None:
        raise RuntimeError("Error calling __set_name__") from KeyboardInterrupt()

    monkeypatch.setattr(sweep_command, "_draw", wrapped)
    assert main(_command(tmp_path)) == 130
    assert f"The same command with --out {tmp_path / 'out'} goes on from there" in capsys.readouterr().err


def test_a_folder_left_in_the_midst_of_a_transaction_keeps_what_was_written_before(tmp_path: Path) -> None:
    """Ctrl-C may fall just behind the first word of a transaction, where no guard of it stands yet."""
    sweep = Sweep(load_scenario(short_scenario(tmp_path)), Asked((f"{GAIN}=0.1:0.2:2",)))

    def interrupted() -> None:
        with SweepFolder(sweep, tmp_path / "out") as folder:
            folder.run(local_engine(1))
            folder.ledger._base.execute("BEGIN IMMEDIATE")
            folder.ledger._base.execute("DELETE FROM trials")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    with SweepFolder(sweep, tmp_path / "out") as folder:
        assert folder.finished == sweep.plan.trials
