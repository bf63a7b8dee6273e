"""`thenar pace`: the account of deadlines as JSON and as text, and what it refuses."""

from __future__ import annotations

import contextlib
import io
import json
import os
import signal
import time
from pathlib import Path
from typing import Any

import pytest

from tests.thenar.small_runs import SMALL, thenar_process, write_scenario
from tests.waiting import LONG_S, until
from thenar.caution import SHORT
from thenar.cli import main, pace


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The account of 2 s at 2x, drawing all the while."""
    folder = tmp_path_factory.mktemp("pace")
    file = write_scenario(folder, SMALL.replace("duration_s = 3.0", "duration_s = 60.0"))
    told, begun_s = io.StringIO(), time.monotonic()
    with contextlib.redirect_stdout(told):
        assert main(["pace", str(file), "--seconds", "2", "--factor", "2", "--drawing", "--json"]) == 0
    found: dict[str, Any] = json.loads(told.getvalue())
    return found | {"took_s": time.monotonic() - begun_s}


def test_the_account_adds_up_and_is_that_of_the_pace_asked_for(record: dict[str, Any]) -> None:
    # 50 Hz at 2x: 100 ticks a second from the loop's first instant on. A busy machine answers fewer, and draws longer
    # than asked.
    assert 10 <= record["ticks"] <= 100 * record["took_s"] + 5
    assert record["wall_period_ms"] == 10.0
    assert sum(record["bins"]) == record["ticks"]
    assert len(record["bins"]) == len(record["limits_ms"]) + 1
    assert 0.0 <= record["p50_ms"] <= record["p99_ms"] <= record["p999_ms"] <= record["worst_ms"]
    assert record["p50_ms"] <= record["answered_p50_ms"]
    assert record["passed_over"] == 0, "at 2x nothing is passed over"
    assert record["pictures_drawn"] > 0
    assert record["caution"] == SHORT


def test_as_text_it_has_percentiles_a_histogram_and_what_became_of_late_ticks(
    record: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    pace._tell(record | {"factor": 1.0, "missed": 7, "passed_over": 7, "slipped_ms": 12.0})
    told = capsys.readouterr().out
    drawn = f"{record['pictures_drawn']} pictures drawn"
    for expected in ("99.9 %", "up to 5", "7 passed over", "expires by itself", "moved by 12 ms", drawn, "#", SHORT):
        assert expected in told
    pace._tell(record)
    assert "counted and run all the same" in capsys.readouterr().out


@pytest.mark.parametrize("option", [("--factor", "21"), ("--factor", "nan"), ("--seconds", "0"), ("--seed", "-1")])
def test_a_pace_out_of_range_is_refused(tmp_path: Path, option: tuple[str, str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["pace", str(write_scenario(tmp_path)), *option])
    assert ended.value.code == 2


def test_a_scenario_without_stimulation_has_no_loop_to_pace(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = SMALL.replace('conditions = ["unassisted", "assisted"]', 'conditions = ["unassisted"]')
    assert main(["pace", str(write_scenario(tmp_path, text))]) == 2
    told = capsys.readouterr().err
    assert "conditions" in told
    assert "there is no loop" in told


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")
def test_ctrl_c_ends_the_command_and_the_loop_with_it(tmp_path: Path) -> None:
    write_scenario(tmp_path)
    process = thenar_process(["pace", "short-hold.toml", "--seconds", "60"], tmp_path)
    until(lambda: _spawned(process.pid), "the loop's process")
    children = _spawned(process.pid)
    time.sleep(0.5)
    os.kill(process.pid, signal.SIGINT)
    _, told = process.communicate(timeout=LONG_S)
    assert process.returncode == 130, told
    assert "Traceback" not in told
    until(lambda: not any(_lives(child) for child in children), "the loop's end")


def _spawned(parent: int) -> list[int]:
    """Worker processes of a process."""
    text = Path(f"/proc/{parent}/task/{parent}/children").read_text(encoding="ascii")
    return [
        int(child) for child in text.split() if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes()
    ]  # fmt: skip


def _lives(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
