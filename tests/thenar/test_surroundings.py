"""Bad surroundings: closed or broken streams, full disks, a killed parent, an ASCII locale, too long a trial."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path

import pytest

from tests.thenar.small_runs import SLOW_LAW, SMALL, with_own_law, write_scenario
from tests.waiting import LONG_S, until
from thenar.cli import main
from thenar.report.summary import OutputOff, output_off_us

pytestmark = pytest.mark.skipif(os.name != "posix", reason="streams, limits and signals as POSIX systems have them")
PLAIN = {"NUMBA_DISABLE_JIT": "1"}
"""Steps as plain Python: nothing here hangs on how they run."""


def shell(line: str, folder: Path, **more: str) -> subprocess.CompletedProcess[str]:
    """What a line of bash gives; `thenar` in it is this project's, run as plain Python."""
    begin = f'thenar() {{ "{sys.executable}" -m thenar "$@"; }}; set -o pipefail; '
    return subprocess.run(
        ["/bin/bash", "-c", begin + line],
        cwd=folder, env=os.environ | PLAIN | more, capture_output=True, text=True, timeout=LONG_S, check=False,
    )  # fmt: skip


def test_a_closed_standard_output_changes_neither_the_work_nor_the_exit_code(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    done = shell("thenar run short-hold.toml --out run --jobs 1 >&-", tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads((tmp_path / "run" / "manifest.json").read_text("utf-8"))["trials"]
    assert shell("thenar run short-hold.toml --out again --jobs 1 >&- 2>&- <&-", tmp_path).returncode == 0
    for name in ("trace.parquet", "trials.csv", "events.jsonl"):  # nothing was printed into a file that took the place
        assert (tmp_path / "run" / name).read_bytes() == (tmp_path / "again" / name).read_bytes(), name
    (tmp_path / "bad.toml").write_text("schema = 2\n", encoding="utf-8")
    assert shell("thenar check bad.toml >&-", tmp_path).returncode == 2


def test_a_reader_that_goes_away_changes_neither_the_work_nor_the_exit_code(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    (tmp_path / "bad.toml").write_text("schema = 2\n", encoding="utf-8")
    many = " ".join(["short-hold.toml"] * 300)  # more than a pipe holds
    assert shell(f"thenar --json check {many} | head -1", tmp_path).stdout == "{\n"
    done = shell(f"thenar --json check {many} | head -1", tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    done = shell(f"thenar --json check {many} bad.toml | head -1", tmp_path)
    assert done.returncode == 2, "the file after the reader left was looked at too"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a full device as Linux has it")
def test_a_full_disk_under_standard_output_is_told(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    done = shell("thenar check short-hold.toml > /dev/full", tmp_path)
    assert done.returncode == 74
    assert done.stderr == "the system refused: standard output: No space left on device\n"


ASCII: Mapping[str, str] = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONIOENCODING": "ascii", "PYTHONCOERCECLOCALE": "0"}


def test_a_folder_with_letters_beyond_ascii_works_where_the_locale_knows_none(tmp_path: Path) -> None:
    folder = tmp_path / "Gravur-Lehrgänge"
    folder.mkdir()
    write_scenario(folder, SMALL.replace("Short graver hold", "Kurzer Stich, größere Kraft"), "häkchen.toml")
    done = shell("thenar run Gravur-Lehrgänge/häkchen.toml --out Gravur-Lehrgänge/lauf-ä", tmp_path, **ASCII)
    assert (done.returncode, done.stderr) == (0, "")
    assert "gr\\xf6\\xdfere Kraft" in done.stdout
    assert json.loads((folder / "lauf-ä" / "manifest.json").read_text("utf-8"))["scenario"]["name"] == "häkchen.toml"


def test_a_name_that_is_no_utf_8_is_told(tmp_path: Path) -> None:
    done = shell("thenar check $'b\\xe4nk.toml'", tmp_path)
    assert done.returncode == 2
    assert done.stderr == "command line: word 2\n    found: b\\udce4nk.toml\n    allowed: a name in UTF-8\n"


def test_a_pipe_or_a_device_in_place_of_a_scenario_is_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "bench.toml")
    for name, found in (("bench.toml", "a pipe"), ("/dev/zero", "a device")):
        done = shell(f"thenar check {name}", tmp_path)
        assert (done.returncode, done.stderr) == (2, f"{name}\n    found: {found}\n    allowed: a readable TOML file\n")


NO_ROOM = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, ({bytes}, {bytes}))
import signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from thenar.cli import main
sys.argv[0] = "thenar"
sys.exit(main())
"""


@pytest.mark.slow
@pytest.mark.parametrize("size", [0, 2_000, 30_000])
def test_a_run_on_a_full_disk_is_told_in_a_line_and_leaves_nothing(tmp_path: Path, size: int) -> None:
    """No file may grow past `size` bytes: the system refuses as it does on a full disk."""
    file = write_scenario(tmp_path)
    done = subprocess.run(
        [sys.executable, "-c", NO_ROOM.format(bytes=size), "run", file.name, "--out", "run", "--jobs", "1"],
        cwd=tmp_path, env=os.environ | PLAIN, capture_output=True, text=True, timeout=LONG_S, check=False,
    )  # fmt: skip
    assert done.returncode == 74, done.stderr
    assert done.stderr.startswith("the system refused: ")
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert [path.name for path in tmp_path.iterdir()] == [file.name]


KEEPS = """
import os, resource, signal, sys
from thenar.shared import compiled
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, ({bytes}, {bytes}))

@compiled.entry
def twice(number):
    return 2 * number

print(twice(21), twice(2.5))
"""


def keeping(folder: Path, size: int) -> subprocess.CompletedProcess[str]:
    """A program that compiles a step; its cache lies in `folder` and may not hold files past `size` bytes."""
    (folder / "keeps.py").write_text(KEEPS.format(bytes=size), encoding="utf-8")
    return subprocess.run(
        [sys.executable, "keeps.py"], cwd=folder, capture_output=True, text=True, timeout=LONG_S, check=False,
        env={name: value for name, value in os.environ.items() if name != "NUMBA_DISABLE_JIT"}
        | {"THENAR_CACHE_DIR": str(folder / "cache")},
    )  # fmt: skip


def test_a_full_cache_disk_costs_time_and_one_note_that_names_the_folder(tmp_path: Path) -> None:
    done = keeping(tmp_path, 0)
    assert (done.returncode, done.stdout) == (0, "42 5.0\n")
    assert done.stderr.startswith(f"note: compiled models can't be kept in {tmp_path / 'cache'}")
    assert done.stderr.endswith(" (File too large): going on without\n")
    assert len(done.stderr.splitlines()) == 1


def test_damaged_files_in_the_cache_are_passed_over_and_made_anew(tmp_path: Path) -> None:
    assert keeping(tmp_path, 10**9).stderr == ""
    kept = list((tmp_path / "cache").rglob("*.nb?"))
    assert len(kept) == 3, "an index and two compiled forms"
    for file in kept:
        for content in (b"", file.read_bytes()[: file.stat().st_size // 2]):
            whole = file.read_bytes()
            file.write_bytes(content)
            done = keeping(tmp_path, 10**9)
            assert (done.returncode, done.stdout) == (0, "42 5.0\n"), done.stderr
            assert "Traceback" not in done.stderr
            file.write_bytes(whole)
    assert keeping(tmp_path, 10**9).stderr == ""


def test_processes_that_work_for_a_command_end_within_a_second_of_its_death(tmp_path: Path) -> None:
    """At any instant of theirs, those too at which they are only being born; a second of an idle machine, that is."""
    file = with_own_law(tmp_path, SLOW_LAW, "Slow", SMALL.replace("duration_s = 3.0", "duration_s = 60.0"))
    for wait_for in (1, 2):
        command = subprocess.Popen(
            [sys.executable, "-m", "thenar", "run", file.name, "--out", "run", "--jobs", "2"],
            cwd=tmp_path, env=os.environ | PLAIN, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
        until(lambda count=wait_for, group=command.pid: len(workers_in(group)) >= count, "workers")
        command.send_signal(signal.SIGKILL)
        killed_s = time.monotonic()
        command.wait(LONG_S)
        until(lambda group=command.pid: not workers_in(group), "the workers' end")
        print(f"{wait_for} of the workers there: all gone {time.monotonic() - killed_s:.2f} s after the kill")


def workers_in(group: int) -> list[str]:
    """The workers among the living processes of a process group."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            fields = (entry / "stat").read_text().rpartition(")")[2].split()
            if entry.name.isdigit() and int(fields[2]) == group and fields[0] not in {"Z", "X"}:
                found += [entry.name] if b"spawn_main" in (entry / "cmdline").read_bytes() else []
        except (OSError, IndexError, ValueError):
            continue
    return found


TOO_LONG = SMALL.replace("duration_s = 3.0", "duration_s = 7200.0").replace("every_s = 1.5", "every_s = 3600.0")


def test_a_trial_that_outlasts_its_session_is_warned_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(write_scenario(tmp_path, TOO_LONG))
    assert main(["check", file]) == 0
    told = capsys.readouterr().out
    assert f"{file}: can run, but look at the first line" in told
    assert "TRIAL OUTLASTS THE SESSION" in told
    assert "R24 ends stimulation: none for the last 5400 of 7200 s (75 %)" in told
    assert main(["check", file, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["files"][0]["unstimulated_after_session_s"] == 5400.0
    assert main(["check", str(write_scenario(tmp_path))]) == 0
    assert "OUTLASTS" not in capsys.readouterr().out


STOPPED = SMALL + '\n[[faults]]\nkind = "emergency-stop"\nat_s = 1.0\nconditions = ["assisted"]\n'


def test_a_run_says_for_how_long_a_trip_kept_the_output_off(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(write_scenario(tmp_path, STOPPED))
    assert main(["run", file, "--out", str(tmp_path / "run"), "--jobs", "1"]) == 0
    told = capsys.readouterr().out
    assert "OUTPUT OFF in 2 trials for 4 s, 67 % of their 6 s, after R33" in told
    (off,) = json.loads((tmp_path / "run" / "summary.json").read_text("utf-8"))["output_off"]
    assert (off["cause"], off["off_s"], off["of_s"], len(off["trials"])) == ("R33", 4.0, 6.0, 2)
    assert main(["report", str(tmp_path / "run"), "--out", str(tmp_path / "page.html")]) == 0
    assert "OUTPUT OFF in 2 trials for 4 s" in (tmp_path / "page.html").read_text("utf-8")


def test_the_output_is_off_from_a_trip_until_it_is_armed_again() -> None:
    def event(kind: str, t_us: int, cause: str = "") -> dict[str, object]:
        return {"kind": kind, "t_us": t_us, "cause": cause}

    assert output_off_us([event("armed", 0)], 10) == {}
    assert output_off_us([event("armed", 0), event("trip", 4, "R31")], 10) == {"R31": 6}
    again = [event("trip", 2, "R31"), event("trip", 3, "R33"), event("cleared", 4, "R31"), event("armed", 5)]
    assert output_off_us([*again, event("trip", 7, "R31"), event("armed", 8), event("trip", 9, "R30")], 10) == {
        "R31": 4, "R30": 1,
    }  # fmt: skip
    assert str(OutputOff("R24", "Session", [1], 90.0, 120.0)) == "90 s, 75 % of their 120 s, after R24 (Session)"
