"""A sweep on a real Dask scheduler with two workers: equal to the local one, whoever dies, and what is refused."""

from __future__ import annotations

import os
import signal
import socket
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.thenar.dask_processes import DaskProcesses
from tests.thenar.small_runs import thenar_process
from tests.thenar.small_sweeps import GAIN, pushing_scenario, short_scenario
from tests.waiting import LONG_S, until
from thenar import load_scenario
from thenar.cli import main
from thenar.shared.errors import InputError
from thenar.study import cluster as cluster_module
from thenar.study.cluster import Cluster
from thenar.study.sweep import Asked, Sweep, SweepFolder, local_engine
from thenar.study.sweep_results import export, results_of
from thenar.study.tasks import Outcome

SHARES = "law.settings.share=0.1:0.8:8"
TRIALS = 2 * (1 + 8)
TABLES = ("t.csv", "t.parquet")
TWO = {"first", "second"}


@pytest.fixture(scope="module")
def dask(tmp_path_factory: pytest.TempPathFactory) -> Iterator[DaskProcesses]:
    """A scheduler with two workers."""
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    with DaskProcesses(tmp_path_factory.mktemp("dask")) as found:
        for name in TWO:
            found.worker(name)
        found.wait_for_workers(TWO)
        yield found


@pytest.fixture(scope="module")
def pushed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The tables of a local sweep of a user's slow law that nobody disturbed."""
    base = tmp_path_factory.mktemp("pushed")
    with SweepFolder(_pushing_sweep(base), base / "out") as folder:
        folder.run(local_engine(2))
        return _tables(folder, base)


def _pushing_sweep(base: Path) -> Sweep:
    return Sweep(load_scenario(pushing_scenario(base)), Asked((SHARES,)))


def _tables(folder: SweepFolder, base: Path) -> dict[str, bytes]:
    acted = results_of(folder).acted
    for name in TABLES:
        export(folder, acted, base / name)
    return {name: (base / name).read_bytes() for name in TABLES}


def _after(trials: int, act: Callable[[], None]) -> Callable[[object], None]:
    seen: list[object] = []

    def on_finished(outcome: object) -> None:
        assert isinstance(outcome, Outcome)
        seen.append(outcome)
        if len(seen) == trials:
            act()

    return on_finished


@pytest.mark.slow
def test_a_sweep_on_two_workers_leaves_the_same_tables_as_a_local_one(dask: DaskProcesses, tmp_path: Path) -> None:
    command = ["sweep", str(short_scenario(tmp_path)), "--over", f"{GAIN}=0.5:1.5:7"]
    command += ["--over", "estimator.latency_ms=50,150"]
    for where, more in (("here", ["--jobs", "1"]), ("there", ["--on", dask.address])):
        for name in TABLES:
            to = str(tmp_path / f"{where}-{name}")
            assert main([*command, "--out", str(tmp_path / where), "--to", to, *more]) == 0
    for name in TABLES:
        assert (tmp_path / f"there-{name}").read_bytes() == (tmp_path / f"here-{name}").read_bytes(), name


@pytest.mark.slow
def test_a_worker_killed_half_way_loses_nothing_and_a_law_file_travels_with_its_trials(
    dask: DaskProcesses, pushed: dict[str, bytes], tmp_path: Path
) -> None:
    names = {address: name for name, address in dask.wait_for_workers(TWO).items()}
    killed: list[str] = []
    with Cluster(dask.address) as cluster, SweepFolder(_pushing_sweep(tmp_path), tmp_path / "out") as folder:

        def kill() -> None:
            busy = [names[address] for address, tasks in cluster._client.processing().items() if tasks]
            assert busy, "no worker had anything to lose"
            killed.append(busy[-1])
            dask.named[killed[0]].kill()
            dask.named[killed[0]].wait()
            (tmp_path / "my_law.py").unlink()  # whoever looks for it on our disk from now on finds nothing

        folder.run(cluster.engine(TRIALS), _after(1, kill))
        assert folder.finished == TRIALS
        assert _tables(folder, tmp_path) == pushed
    dask.worker(killed[0])
    dask.wait_for_workers(TWO)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kill -9 and Ctrl-C as POSIX systems have them")
def test_a_sweep_interrupted_and_killed_on_workers_ends_locally_with_the_same_table(
    dask: DaskProcesses, pushed: dict[str, bytes], tmp_path: Path
) -> None:
    from distributed import Client

    command = ["sweep", str(pushing_scenario(tmp_path)), "--over", SHARES, "--out", "out"]
    kept = 0
    for sign, code in ((signal.SIGINT, 130), (signal.SIGKILL, -signal.SIGKILL)):
        process = thenar_process([*command, "--on", dask.address], tmp_path)
        until(lambda kept=kept: _in_ledger(tmp_path) > kept, "a trial in the ledger")
        process.send_signal(sign)
        out, told = process.communicate(timeout=LONG_S)
        assert (process.returncode, out) == (code, ""), told
        assert "Traceback" not in told
        assert ("The same command with --out out goes on from there" in told) == (sign == signal.SIGINT)
        kept = _in_ledger(tmp_path)
        with Client(dask.address, set_as_default=False) as client:
            until(lambda client=client: not any(client.processing().values()), "no tasks that nobody wants")
    assert 2 <= kept < TRIALS
    with SweepFolder(_pushing_sweep(tmp_path), tmp_path / "out") as folder:
        assert folder.finished == kept
        folder.run(local_engine(2))
        assert _tables(folder, tmp_path) == pushed


def _in_ledger(base: Path) -> int:
    """Trials in the ledger, read as another program would, 0 while there is none."""
    if not (base / "out" / "ledger.sqlite").exists():
        return 0
    ledger = sqlite3.connect(base / "out" / "ledger.sqlite", timeout=10)
    try:
        found: int = ledger.execute("SELECT COUNT(*) FROM trials").fetchone()[0]
    except sqlite3.OperationalError:  # not a table yet
        return 0
    finally:
        ledger.close()
    return found


def test_a_worker_with_another_thenar_is_refused_at_the_start_and_when_it_joins_later(
    dask: DaskProcesses, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import thenar

    sweep = _pushing_sweep(tmp_path)
    with Cluster(dask.address) as cluster:
        other = dask.worker("other", "import thenar\nthenar.__version__ = '0.0.9'\n")
        try:
            address = dask.wait_for_workers({*TWO, "other"})["other"]
            told = f"--on {dask.address}: worker {address}: thenar\n    found: 0.0.9\n    allowed: {thenar.__version__}"
            with pytest.raises(InputError) as caught:
                list(
                    cluster.engine(TRIALS)(
                        sweep.plan.chunks({s.number: bytearray(s.trials) for s in sweep.plan.settings})
                    )
                )
            assert told in str(caught.value)
            command = ["sweep", str(tmp_path / "short-hold.toml"), "--over", SHARES, "--out", str(tmp_path / "out")]
            assert main([*command, "--on", dask.address]) == 2
            assert told in capsys.readouterr().err
            assert not (tmp_path / "out").exists()
        finally:
            other.kill()
            other.wait()
    dask.wait_for_workers(TWO)


def _refused(base: Path, capsys: pytest.CaptureFixture[str], *more: str) -> str:
    command = ["sweep", str(short_scenario(base)), "--over", f"{GAIN}=0.5,1.0", "--out", str(base / "out")]
    assert main([*command, *more]) == 2
    assert not (base / "out").exists()
    return capsys.readouterr().err


@pytest.mark.parametrize("mute", [False, True])
def test_nobody_who_answers_is_told_within_seconds(
    mute: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    monkeypatch.setattr(cluster_module, "CONNECT_S", 3.0)
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        if mute:
            listener.listen()
        address = f"127.0.0.1:{listener.getsockname()[1]}"
        told = _refused(tmp_path, capsys, "--on", address)
    assert f"--on {address}\n    found: {'no answer of a Dask scheduler' if mute else 'Connection refused'}" in told
    assert "allowed: the address of a running Dask scheduler" in told


def test_a_scheduler_without_workers_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    monkeypatch.setattr(cluster_module, "CONNECT_S", 3.0)
    with DaskProcesses(tmp_path) as alone:
        assert "found: a scheduler without workers" in _refused(tmp_path, capsys, "--on", alone.address)


@pytest.mark.parametrize("address", ["nowhere", "127.0.0.1:", ":8786", "127.0.0.1:0", "127.0.0.1:99999", "tcp://a:1"])
def test_an_address_that_is_none_is_refused(address: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = _refused(tmp_path, capsys, "--on", address)
    assert f"--on\n    found: {address!r}\n    allowed: HOST:PORT" in told


def test_cores_of_this_machine_and_workers_of_others_exclude_one_another(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    told = _refused(tmp_path, capsys, "--on", "127.0.0.1:8786", "--jobs", "2")
    assert "--jobs\n    found: 2\n    allowed: none beside --on" in told


def test_without_the_extra_its_name_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    told = _refused(tmp_path, capsys, "--on", "127.0.0.1:8786")
    assert "found: the package distributed is not installed" in told
    assert "python -m pip install 'thenar[cluster]'" in told
