"""A sweep on other machines: trials as tasks of a Dask scheduler that is already running.

Only this process writes the ledger. Dask moves what a lost worker had to another one. Tasks travel as pickles, so who
may reach the scheduler may run code on every machine of it, and the scheduler may run code here.
"""

from __future__ import annotations

import asyncio
import importlib.util
import itertools
import logging
import queue
import socket
import time
import uuid
from collections.abc import Generator, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, Self

from thenar.lost_worker import LostWorkerError
from thenar.shared.errors import InputError, Problem, shown
from thenar.study.cluster_task import LawFile, differences, packed, parts_of, run_task, surroundings
from thenar.study.sweep import Engine
from thenar.study.tasks import Chunk, Outcome

CONNECT_S: Final = 10.0
"""How long a scheduler may take to answer, and to have a worker."""
ALONE_S: Final = 60.0
"""How long a sweep waits for a worker once it has none left."""
TRIALS_PER_TASK: Final = 96
"""At most. A task should take well above the milliseconds that Dask needs for one, and be no great loss."""
_TASKS_PER_THREAD: Final = 4
_AHEAD_PER_THREAD: Final = 2
_LOOK_AGAIN_S: Final = 2.0


def check_address(address: str) -> tuple[str, int]:
    """Host and port of HOST:PORT. Raises InputError when it is none, or when `distributed` isn't installed."""
    host, colon, port = address.rpartition(":")
    if not (colon and host and port.isascii() and port.isdigit() and 0 < int(port) < 65536) or "/" in host:
        allowed = "HOST:PORT of a running Dask scheduler, for example 127.0.0.1:8786"
        raise InputError([Problem("--on", "", shown(address), allowed)])
    if importlib.util.find_spec("distributed") is None:
        allowed = "the extra `cluster`: python -m pip install 'thenar[cluster]'"
        raise InputError([Problem(f"--on {address}", "", "the package distributed is not installed", allowed)])
    return host.removeprefix("[").removesuffix("]"), int(port)


class Cluster:
    """The workers of a scheduler, each seen to be able to run our trials with the same bits. Use as a context manager.

    `address`: HOST:PORT. Entering raises InputError when nobody answers, no worker is there or one differs.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self._asked = surroundings()
        self.workers: dict[str, int] = {}

    def __enter__(self) -> Self:
        _knock(self.address)
        self._client = _client(self.address)
        try:
            self.workers = self.threads_of_workers(CONNECT_S)
            self._compare()
        except BaseException:
            self._client.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        with _quiet():
            self._client.close()

    def engine(self, trials: int) -> Engine:
        """The engine that runs chunks there. `trials`: how many are to come, so that few are shared out finely."""

        def run(chunks: Iterable[Chunk]) -> Generator[Outcome, None, None]:
            share = -(-trials // (_TASKS_PER_THREAD * max(1, sum(self.workers.values()))))
            most = max(1, min(TRIALS_PER_TASK, share))
            parts = (part for chunk in chunks for part in parts_of(chunk, most))
            with _quiet():
                yield from self._over_workers(parts)

        return run

    def _over_workers(self, parts: Iterator[Chunk]) -> Generator[Outcome, None, None]:
        law_files: dict[Path, LawFile] = {}
        asked = tuple(self._asked.items())
        name = f"thenar-{uuid.uuid4().hex}"
        waiting: set[Any] = set()
        ended: queue.SimpleQueue[Any] = queue.SimpleQueue()
        numbers = itertools.count()
        watch = _Watch(self)
        try:
            while True:
                for part in itertools.islice(parts, max(0, watch.room() - len(waiting))):
                    task = packed(part, law_files)
                    key = f"{name}-{next(numbers)}"
                    future = self._client.submit(run_task, task, asked, self.address, key=key, pure=False)
                    waiting.add(future)
                    future.add_done_callback(ended.put)
                if not waiting:
                    return
                try:
                    future = ended.get(timeout=_LOOK_AGAIN_S)
                except queue.Empty:  # time to look whether there are workers still
                    continue
                waiting.discard(future)
                yield from self._answer(future)
        finally:
            if waiting and self._client.status == "running":
                self._client.cancel(list(waiting))

    def _answer(self, future: Any) -> list[Outcome]:
        from distributed import KilledWorker

        try:
            outcomes: list[Outcome] = future.result()
        except (InputError, LostWorkerError):
            raise
        except ImportError as error:  # the workers of the start were asked; this one joined later
            raise self._refused(f"a new worker without this thenar ({error})", "the same thenar on all") from None
        except KilledWorker as error:
            raise LostWorkerError(
                f"the workers at {self.address} that got a certain task ended without an answer, again and again: "
                f"they ran out of memory, were killed, or the law's file ended them (last: {error.last_worker.address})"
            ) from None
        except Exception:
            if self._client.status != "running" or future.cancelled():
                raise self._lost_scheduler() from None
            raise
        return outcomes

    def _lost_scheduler(self) -> LostWorkerError:
        return LostWorkerError(
            f"the scheduler at {self.address} is gone, or gave the tasks up; the same command goes on"
        )

    def threads_of_workers(self, longest_s: float) -> dict[str, int]:
        """Threads by worker; waits at most `longest_s` s for the first one."""
        end = time.monotonic() + longest_s
        while True:
            try:
                found = {str(name): int(threads) for name, threads in self._client.nthreads().items()}
            except OSError:
                raise self._lost_scheduler() from None
            if found or time.monotonic() > end:
                return found
            time.sleep(0.1)

    def _compare(self) -> None:
        found = self._client.run(surroundings, on_error="return")
        if not found:
            raise self._refused("a scheduler without workers", f"at least one worker: dask worker {self.address}")
        problems: list[Problem] = []
        for worker, there in sorted(found.items()):
            if isinstance(there, Exception):
                allowed = f"thenar {self._asked['thenar']} with code {self._asked['code']}, as on the machine that asks"
                told = f"{type(there).__name__}: {there}"
                problems.append(Problem(f"--on {self.address}", f"worker {worker}: thenar", told, allowed))
            else:
                problems += differences(there, self._asked, self.address, str(worker))
        if problems:
            raise InputError(problems)

    def _refused(self, found: str, allowed: str) -> InputError:
        return InputError([Problem(f"--on {self.address}", "", found, allowed)])


class _Watch:
    """Looks now and then how many workers there are: they come and go while a sweep runs."""

    def __init__(self, cluster: Cluster) -> None:
        self._cluster = cluster
        self._looked = self._last_seen = time.monotonic()

    def room(self) -> int:
        """How many tasks may be under way. Raises LostWorkerError when no worker has been there for long."""
        cluster, now = self._cluster, time.monotonic()
        if now - self._looked >= _LOOK_AGAIN_S:
            self._looked = now
            workers = cluster.threads_of_workers(0.0)
            if workers:
                cluster.workers, self._last_seen = workers, now
            elif now - self._last_seen > ALONE_S:
                raise LostWorkerError(
                    f"no worker has been at {cluster.address} for {ALONE_S:g} s; the same command goes on once one is"
                )
        return _AHEAD_PER_THREAD * max(1, sum(cluster.workers.values()))


def _knock(address: str) -> None:
    """Raise InputError when nobody listens there: the system says why, at once and more plainly than Dask."""
    host, port = check_address(address)
    try:
        socket.create_connection((host, port), timeout=CONNECT_S).close()
    except OSError as error:
        raise _nobody(address, error.strerror or str(error)) from None


def _client(address: str) -> Any:
    from distributed import Client

    with _quiet():
        try:
            # Client itself waits for ever on a listener that says nothing.
            asyncio.run(asyncio.wait_for(_greeted(address), CONNECT_S))
            return Client(address, timeout=CONNECT_S, set_as_default=False, direct_to_workers=False)
        except (OSError, ValueError, ImportError) as error:  # ImportError: Dask's word for versions that don't agree
            raise _nobody(address, f"no answer of a Dask scheduler ({type(error).__name__})") from None


async def _greeted(address: str) -> None:
    from distributed import Security
    from distributed.comm import connect

    comm = await connect(address, timeout=CONNECT_S, **Security().get_connection_args("client"))
    await comm.close()


def _nobody(address: str, found: str) -> InputError:
    return InputError(
        [Problem(f"--on {address}", "", found, "the address of a running Dask scheduler: dask scheduler")]
    )


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep Dask's own log off the screen: what matters of it is told in our words."""
    import distributed  # noqa: F401 - sets the levels that are changed here

    logs = [logging.getLogger(name) for name in ("distributed", "distributed.client", "distributed.core")]
    before = [log.level for log in logs]
    for log in logs:
        log.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for log, level in zip(logs, before, strict=True):
            log.setLevel(level)
