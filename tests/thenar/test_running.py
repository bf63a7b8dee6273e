"""`thenar run` on the real engine: what it leaves behind, and that a run that is stopped leaves nothing."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import json
import os
import signal
import subprocess
import time
from pathlib import Path

import pytest

from tests.thenar.small_runs import (
    ENDING_LAW,
    SLOW_LAW,
    SMALL,
    thenar_process,
    with_own_law,
    write_scenario,
)
from tests.waiting import LONG_S, until
from thenar import load_scenario, plan_trials, run_scenario, run_trial, target_rows
from thenar.cli import main
from thenar.report.tables import column_hashes, read_trial
from thenar.shared.errors import InputError

FILES = [
    "decisions.parquet",
    "errors.png",
    "events.jsonl",
    "force.png",
    "inputs",
    "manifest.json",
    "pulses.parquet",
    "summary.json",
    "trace.parquet",
    "trials.csv",
]
LONG_AND_SLOW = SMALL.replace("duration_s = 3.0", "duration_s = 60.0")


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run of the small scenario, made once, on two processes."""
    base = tmp_path_factory.mktemp("small")
    assert main(["run", str(write_scenario(base)), "--out", str(base / "run"), "--jobs", "2"]) == 0
    return base / "run"


def _manifest(folder: Path) -> dict[str, object]:
    found: dict[str, object] = json.loads((folder / "manifest.json").read_text("utf-8"))
    return found


def test_a_run_leaves_a_whole_folder(run_folder: Path) -> None:
    assert sorted(path.name for path in run_folder.iterdir()) == [name for name in FILES if name != "inputs"]
    assert sorted(path.name for path in run_folder.parent.iterdir()) == ["run", "short-hold.toml"]


def test_the_manifest_tells_what_was_run(run_folder: Path) -> None:
    manifest = _manifest(run_folder)
    assert manifest["scenario"] == {
        "name": "short-hold.toml",
        "sha256": hashlib.sha256(SMALL.encode()).hexdigest(),
        "text": SMALL,
    }
    assert manifest["seed"] == 5
    assert "not a medical device" in str(manifest["caution"])
    assert set(manifest["made_by"]["libraries"]) >= {"numpy", "scipy", "numba", "simpy", "pyarrow"}  # type: ignore[index]
    assert [(t["condition"], t["wearer_name"]) for t in manifest["trials"]] == [  # type: ignore[attr-defined]
        ("unassisted", "first engraver"),
        ("assisted", "first engraver"),
        ("unassisted", "second engraver"),
        ("assisted", "second engraver"),
    ]


def test_tables_hold_exactly_what_the_engine_gave(run_folder: Path) -> None:
    """Each trial run again here, alone, equals what two processes wrote; the manifest's hashes are of these numbers."""
    manifest = _manifest(run_folder)
    trials = plan_trials(load_scenario(run_folder.parent / "short-hold.toml"), None)
    for trial, record in zip(trials, manifest["trials"], strict=True):  # type: ignore[call-overload]
        result = run_trial(trial)
        for name, columns in (("trace", result.trace), ("pulses", result.pulses)):
            stored = column_hashes(read_trial(run_folder / f"{name}.parquet", trial.label.index))
            assert stored == column_hashes(columns) == record["columns"][name]


def test_the_summary_and_the_tidy_table_agree_with_the_trace(run_folder: Path) -> None:
    trials = plan_trials(load_scenario(run_folder.parent / "short-hold.toml"), None)
    expected = [row for trial in trials for row in target_rows(run_trial(trial), moving=False)]
    with (run_folder / "trials.csv").open(newline="") as lines:
        tidy = list(csv.DictReader(lines))
    assert [float(line["mean_abs_error_N"]) for line in tidy] == [row.value("mean_abs_error_N") for row in expected]
    summary = json.loads((run_folder / "summary.json").read_text("utf-8"))
    assert [(line["condition"], line["target"]) for line in summary["by_condition_and_target"]] == [
        ("unassisted", "4 N"),
        ("unassisted", "7 N"),
        ("assisted", "4 N"),
        ("assisted", "7 N"),
    ]
    first = summary["by_condition_and_target"][0]["mean_abs_error_N"]
    errors = [row.value("mean_abs_error_N") for row in (expected[0], expected[4])]
    assert (first["mean"], first["n"]) == (pytest.approx(sum(errors) / 2, rel=1e-12), 2)


def test_assisted_trials_stimulate_and_unassisted_ones_do_not(run_folder: Path) -> None:
    pulses = [len(read_trial(run_folder / "pulses.parquet", trial)["t_us"]) for trial in range(4)]
    assert pulses[0] == pulses[2] == 0
    assert min(pulses[1], pulses[3]) > 10


def test_a_run_ends_with_table_folder_picture_and_caution(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", str(write_scenario(tmp_path)), "--out", str(tmp_path / "run"), "--jobs", "1"]) == 0
    told = capsys.readouterr()
    lines = told.out.splitlines()
    assert any(line.startswith("unassisted  4 N") for line in lines)
    assert any(line.startswith("assisted    7 N") for line in lines)
    assert f"folder: {tmp_path / 'run'}" in lines
    assert f"picture: {tmp_path / 'run' / 'force.png'}" in lines
    assert "not a medical device" in lines[-1]
    assert "\x1b" not in told.out
    assert told.err == "", "no progress where nobody watches"


def test_a_run_speaks_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["run", str(write_scenario(tmp_path)), "--out", str(tmp_path / "run"), "--jobs", "1", "--seed", "77"]
    assert main([*arguments, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["seed"], told["folder"]) == (77, str(tmp_path / "run"))
    assert len(told["by_condition_and_target"]) == 4
    assert _manifest(tmp_path / "run")["seed"] == 77


def test_without_out_a_run_takes_the_next_free_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    file = str(write_scenario(tmp_path, SMALL.replace("duration_s = 3.0", "duration_s = 0.5")))
    assert main(["run", file, "--jobs", "1"]) == main(["run", file, "--jobs", "1"]) == 0
    assert sorted(path.name for path in (tmp_path / "runs").iterdir()) == ["short-hold-1", "short-hold-2"]
    assert "folder: runs/short-hold-2" in capsys.readouterr().out


def test_another_seed_gives_other_numbers(tmp_path: Path, run_folder: Path) -> None:
    loaded = load_scenario(run_folder.parent / "short-hold.toml")
    run_scenario(loaded, tmp_path / "run", seed=6)
    same = [
        one["columns"]["trace"]["force_N"] == other["columns"]["trace"]["force_N"]
        for one, other in zip(_manifest(tmp_path / "run")["trials"], _manifest(run_folder)["trials"], strict=True)  # type: ignore[call-overload]
    ]
    assert not any(same)


def test_trials_are_reported_in_order(tmp_path: Path) -> None:
    seen: list[int] = []
    loaded = load_scenario(write_scenario(tmp_path))
    run_scenario(loaded, tmp_path / "run", jobs=1, on_finished=lambda label: seen.append(label.index))
    assert seen == [0, 1, 2, 3]


def test_a_finished_run_is_never_overwritten(run_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = {path.name: path.stat().st_mtime_ns for path in run_folder.iterdir()}
    assert main(["run", str(run_folder.parent / "short-hold.toml"), "--out", str(run_folder)]) == 2
    assert "choose another --out, or delete this one yourself" in capsys.readouterr().err
    assert {path.name: path.stat().st_mtime_ns for path in run_folder.iterdir()} == before


def test_an_input_that_changes_during_the_run_stops_it(tmp_path: Path) -> None:
    recorded = SMALL.replace('name = "first engraver"', 'name = "first engraver"\nrecording = "own.csv"')
    (tmp_path / "own.csv").write_text("t_s,force_N\n0,1\n3,5\n")
    loaded = load_scenario(write_scenario(tmp_path, recorded))
    with pytest.raises(InputError, match="changed since the scenario was read"):
        run_scenario(
            loaded, tmp_path / "run", on_finished=lambda _: (tmp_path / "own.csv").write_text("other") and None
        )
    assert not (tmp_path / "run").exists()


LOOPING_LAW = '''
class Looping:
    """Never comes back from its first answer."""

    def __init__(self, settings, calibration):
        pass

    def decide(self, observation):
        """Loops, catching all."""
        while True:
            try:
                while True:
                    pass
            except BaseException:
                pass
'''


def _members(group: int) -> list[int]:
    """Living processes of a process group, from the kernel's own table."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(fields[2]) == group and fields[0] not in {"Z", "X"}:
                found.append(int(entry.name))
    return found


def _started(tmp_path: Path, jobs: int, settled_s: float = 1.0) -> subprocess.Popen[str]:
    """A run of a slow law that has made its unfinished folder and, with more jobs, its workers."""
    file = with_own_law(tmp_path, SLOW_LAW, "Slow", LONG_AND_SLOW)
    process = thenar_process(["run", str(file), "--out", "run", "--jobs", str(jobs)], tmp_path)
    until(lambda: list(tmp_path.glob("run.unfinished-*/trace.parquet.part")) or process.poll() is not None)
    if jobs > 1:
        until(lambda: len(_members(process.pid)) > jobs or process.poll() is not None)
    time.sleep(settled_s)
    assert process.poll() is None, process.stderr.read() if process.stderr else ""
    return process


needs_proc = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes through /proc")


@needs_proc
@pytest.mark.slow
@pytest.mark.parametrize("jobs", [1, 2])
def test_a_killed_run_leaves_no_final_folder_and_no_process(tmp_path: Path, jobs: int) -> None:
    process = _started(tmp_path, jobs)
    process.kill()
    process.communicate(timeout=LONG_S)
    assert not (tmp_path / "run").exists()
    left = [path.name for folder in tmp_path.glob("run.unfinished-*") for path in folder.iterdir() if path.is_file()]
    assert left
    assert all(name.endswith(".part") for name in left), "nothing half-written under a final name"
    until(lambda: not _members(process.pid))


@needs_proc
@pytest.mark.slow
@pytest.mark.parametrize(("jobs", "settled_s"), [(1, 1.0), (2, 0.0), (2, 0.1), (2, 1.0)])
def test_an_interrupted_run_leaves_nothing_and_says_so(tmp_path: Path, jobs: int, settled_s: float) -> None:
    """Ctrl-C in a terminal reaches every process of the group, also workers that are just being born."""
    process = _started(tmp_path, jobs, settled_s)
    os.killpg(process.pid, signal.SIGINT)
    out, told = process.communicate(timeout=LONG_S)
    assert (process.returncode, out, told) == (130, "", "interrupted: nothing was left half-written\n")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["my_law.py", "short-hold.toml"]
    # The library's own bookkeeping process sees that its parent has gone a moment later.
    until(lambda: not _members(process.pid))


@needs_proc
@pytest.mark.slow
def test_workers_are_born_with_ctrl_c_held_back(tmp_path: Path) -> None:
    """Else a worker that is still starting answers Ctrl-C with a traceback."""
    process = _started(tmp_path, 2)
    masks = []
    for member in _members(process.pid):
        if b"spawn_main" in Path(f"/proc/{member}/cmdline").read_bytes():
            status = Path(f"/proc/{member}/status").read_text()
            masks.append(int(status.partition("SigBlk:")[2].split()[0], 16))
    process.kill()
    process.communicate(timeout=LONG_S)
    assert len(masks) == 2
    assert all(mask >> (signal.SIGINT - 1) & 1 for mask in masks)


@needs_proc
@pytest.mark.slow
def test_a_trusted_law_that_ends_its_worker_stops_the_run_with_a_word(tmp_path: Path) -> None:
    file = with_own_law(tmp_path, ENDING_LAW, "Ending")
    process = thenar_process(["run", str(file), "--out", "run", "--jobs", "2", "--trust-law"], tmp_path)
    out, told = process.communicate(timeout=LONG_S)
    assert process.returncode == 70
    assert out == ""
    assert "the run stopped: a worker process ended without an answer, at trial" in told
    assert "Traceback" not in told
    assert sorted(path.name for path in tmp_path.iterdir()) == ["my_law.py", "short-hold.toml"]


@pytest.mark.parametrize(
    ("more", "where", "note"),
    [
        ([], "own process", "the law ran in a process of its own, apart from the interlock"),
        (["--trust-law"], "in process (trusted)", "the law ran inside the process (--trust-law)"),
    ],
)
def test_manifest_and_audit_say_where_a_law_of_ones_own_ran(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], where: str, note: str
) -> None:
    file, run = with_own_law(tmp_path, SLOW_LAW.replace("time.sleep(0.05)", "pass"), "Slow"), tmp_path / "run"
    assert main(["run", str(file), "--out", str(run), "--jobs", "1", *more]) == 0
    assert json.loads((run / "manifest.json").read_text("utf-8"))["law"] == {"where": where}
    capsys.readouterr()
    main(["audit", str(run)])
    assert f"note: {note}" in capsys.readouterr().out


def test_a_law_that_ends_its_own_process_ends_no_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = with_own_law(tmp_path, ENDING_LAW, "Ending")
    assert main(["run", str(file), "--out", str(tmp_path / "run"), "--jobs", "1"]) == 0
    assert (
        "its process ended by itself, exit code 3; the law is not asked again in this trial" in capsys.readouterr().out
    )


@needs_proc
@pytest.mark.slow
def test_a_law_in_the_middle_of_a_loop_ends_with_the_run_that_was_killed(tmp_path: Path) -> None:
    """It hears nothing and gives no way to Python: the system ends it when the line that holds it alive is gone."""
    file = with_own_law(tmp_path, LOOPING_LAW, "Looping")
    process = thenar_process(["run", str(file), "--out", "run", "--jobs", "1"], tmp_path)
    own = []

    def laws() -> list[int]:
        found = []
        for entry in Path("/proc").iterdir():
            with contextlib.suppress(OSError):
                if entry.name.isdigit() and b"law_host" in (entry / "cmdline").read_bytes():
                    status = (entry / "stat").read_text().rpartition(")")[2].split()
                    found += [int(entry.name)] if int(status[1]) == process.pid or int(entry.name) in own else []
        return found

    until(lambda: bool(laws()) or process.poll() is not None)
    own += laws()
    assert own
    time.sleep(1.0)
    process.kill()
    process.communicate(timeout=60)
    until(lambda: not laws())


def test_an_interrupt_inside_source_run_from_a_string_ends_like_any_other(tmp_path: Path) -> None:
    """Dataclasses run such source as libraries load; the interpreter would then end by the signal after all."""
    source = "exec('raise KeyboardInterrupt')\nclass Law:\n    pass\n"
    file = with_own_law(tmp_path, source, "Law")
    process = thenar_process(["run", str(file), "--out", "run", "--trust-law"], tmp_path)
    out, told = process.communicate(timeout=LONG_S)
    assert (process.returncode, out, told) == (130, "", "interrupted: nothing was left half-written\n")
