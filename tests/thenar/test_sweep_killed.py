"""A sweep that is killed at any instant, or interrupted, or started twice."""

from __future__ import annotations

import os
import random
import secrets
import signal
import sqlite3
import time
from pathlib import Path

import pytest

from tests.thenar.small_runs import thenar_process
from tests.thenar.small_sweeps import pushing_scenario
from tests.waiting import LONG_S, until
from thenar import load_scenario
from thenar.study.sweep import Asked, Sweep, SweepFolder

SHARES = "law.settings.share=0.1:0.8:8"
TRIALS = 2 * (1 + 8)
posix = pytest.mark.skipif(os.name != "posix", reason="kill -9 and Ctrl-C as POSIX systems have them")


def _arguments(base: Path, jobs: int = 1) -> list[str]:
    scenario = str(pushing_scenario(base))
    return ["sweep", scenario, "--over", SHARES, "--out", "out", "--to", "t.parquet", "--jobs", str(jobs)]


def _finish(base: Path, arguments: list[str]) -> str:
    process = thenar_process(arguments, base)
    _, told = process.communicate(timeout=LONG_S)
    assert process.returncode == 0, told
    return told


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The table of a sweep that nobody disturbed."""
    base = tmp_path_factory.mktemp("whole")
    _finish(base, _arguments(base))
    return (base / "t.parquet").read_bytes()


def _in_ledger(base: Path) -> int:
    """Trials in the ledger, read as another program would, 0 while there is none."""
    file = base / "out" / "ledger.sqlite"
    if not file.exists():
        return 0
    base_of = sqlite3.connect(file, timeout=10)
    try:
        found: int = base_of.execute("SELECT COUNT(*) FROM trials").fetchone()[0]
    except sqlite3.OperationalError:  # killed before the first table was made
        return 0
    finally:
        base_of.close()
    return found


def _killed_often(base: Path, table: bytes, instants: int, jobs: int) -> None:
    """Kill the sweep at drawn instants, one after another, then let it end: the table must be equal.

    An instant is a drawn time after a drawn number of trials, or after the start of the process.
    """
    seed = secrets.randbits(32)
    print(f"instants drawn with seed {seed}")
    draws = random.Random(seed)
    arguments = _arguments(base, jobs)
    found = []
    for kill in range(instants):
        after = draws.randrange(TRIALS * (kill + 1) // instants)
        longest_s = 0.25 if after > _in_ledger(base) else 2.0
        process = thenar_process(arguments, base)
        until(lambda after=after: _in_ledger(base) >= after, f"{after} trials in the ledger")
        time.sleep(draws.uniform(0.0, longest_s))
        process.send_signal(signal.SIGKILL)
        process.communicate(timeout=LONG_S)
        found.append(_in_ledger(base))
    print(f"trials in the ledger after each kill: {found} of {TRIALS}")
    assert found == sorted(found)
    _finish(base, arguments)
    assert _in_ledger(base) == TRIALS
    assert (base / "t.parquet").read_bytes() == table


@posix
@pytest.mark.slow
def test_a_sweep_killed_at_a_drawn_instant_ends_with_the_same_table(whole: bytes, tmp_path: Path) -> None:
    _killed_often(tmp_path, whole, 1, jobs=1)


@posix
@pytest.mark.campaign
@pytest.mark.parametrize("jobs", [1, 2])
def test_a_sweep_killed_at_ten_drawn_instants_ends_with_the_same_table(whole: bytes, tmp_path: Path, jobs: int) -> None:
    # Each kill in a sweep of its own too, so that every instant of a life is met, not only the first ones.
    for number in range(10):
        base = tmp_path / str(number)
        base.mkdir()
        _killed_often(base, whole, 1, jobs)
    _killed_often(tmp_path, whole, 10, jobs)


@posix
@pytest.mark.slow
def test_ctrl_c_leaves_with_130_and_says_how_to_go_on(whole: bytes, tmp_path: Path) -> None:
    arguments = _arguments(tmp_path)
    process = thenar_process(arguments, tmp_path)
    until(lambda: _in_ledger(tmp_path) >= 2, "trials in the ledger")
    process.send_signal(signal.SIGINT)
    out, told = process.communicate(timeout=LONG_S)
    assert (process.returncode, out) == (130, ""), told
    assert "The same command with --out out goes on from there" in told
    assert "Traceback" not in told
    kept = _in_ledger(tmp_path)
    assert 2 <= kept < TRIALS
    assert not (tmp_path / "t.parquet").exists()
    going_on = f"{kept} of {TRIALS} trials were there, going on with the other {TRIALS - kept}"
    assert going_on in _finish(tmp_path, arguments)
    assert (tmp_path / "t.parquet").read_bytes() == whole


@posix
def test_a_second_process_in_the_same_folder_is_refused_until_the_first_is_gone(tmp_path: Path) -> None:
    sweep = Sweep(load_scenario(pushing_scenario(tmp_path)), Asked((SHARES,)))
    with SweepFolder(sweep, tmp_path / "out"):
        process = thenar_process(_arguments(tmp_path), tmp_path)
        _, told = process.communicate(timeout=LONG_S)
        assert process.returncode == 2
        assert f"another process, number {os.getpid()}, is at work in it" in told
    with SweepFolder(sweep, tmp_path / "out") as folder:
        assert folder.finished == 0
