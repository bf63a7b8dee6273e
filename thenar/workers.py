"""Running the trials of a plan over processes, results in order of the plan, memory flat.

Workers are spawned, never forked, and end by themselves when the process that started them is gone.
A script that runs more than one job must guard its entry with `if __name__ == "__main__":`, because a
spawned worker imports the script again.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Generator, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, redirect_stdout
from multiprocessing import resource_tracker
from typing import Any, Final, NamedTuple

from thenar.engine.events import run_trial
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial
from thenar.lost_worker import LostWorkerError
from thenar.report.metrics import TargetRow, target_rows
from thenar.report.tables import TABLES, column_hashes
from thenar.shared.worker_process import WorkerContext

QUEUED_PER_JOB: Final = 2


class Finished(NamedTuple):
    """A trial that has run: its result, its rows of measures, and SHA-256 by table and column."""

    result: TrialResult
    rows: list[TargetRow]
    hashes: dict[str, dict[str, str]]


def cores() -> int:
    """How many processor cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def finished_in_order(trials: Sequence[Trial], *, moving: bool, jobs: int) -> Generator[Finished, None, None]:
    """Run every trial and give the finished ones in the order of `trials`.

    `jobs`: processes to use (1 runs in this process). Raises LostWorkerError when a worker dies.
    """
    jobs = min(jobs, len(trials))
    if jobs <= 1:
        for trial in trials:
            yield finish(trial, moving)
        return
    yield from _over_processes(trials, moving, jobs)


def finish(trial: Trial, moving: bool) -> Finished:
    """Run one trial, measure it and hash its columns. `moving`: the target program holds no level."""
    try:
        with redirect_stdout(sys.stderr):  # a law may print: results keep standard output to themselves
            result = run_trial(trial)
    except SystemExit as error:
        raise LostWorkerError(f"{described(trial)}: the law tried to end the program (exit {error.code})") from None
    tables = {"trace": result.trace, "pulses": result.pulses, "decisions": result.decisions}
    return Finished(result, target_rows(result, moving=moving), {name: column_hashes(tables[name]) for name in TABLES})


def described(trial: Trial) -> str:
    """The label of a trial in words."""
    label = trial.label
    return (
        f"trial {label.index} ({label.condition}, wearer {label.wearer} {label.wearer_name!r}, repeat {label.repeat})"
    )


def _over_processes(trials: Sequence[Trial], moving: bool, jobs: int) -> Generator[Finished, None, None]:
    before = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(jobs, WorkerContext(), initializer=settle_in)
    waiting: deque[tuple[Trial, Future[Finished]]] = deque()
    left = iter(trials)
    try:
        while True:
            for trial in left:
                with interrupts_held_back():
                    waiting.append((trial, pool.submit(finish, trial, moving)))
                if len(waiting) >= jobs * QUEUED_PER_JOB:
                    break
            if not waiting:
                break
            trial, future = waiting.popleft()
            yield _answer(trial, future)
        pool.shutdown()
    except BaseException:
        # Nobody waits for a trial whose result nobody wants: a user's law may take for ever.
        for child in set(multiprocessing.active_children()) - before:
            child.terminate()
        _close_results(pool)
        pool.shutdown(cancel_futures=True)
        raise


def _close_results(pool: ProcessPoolExecutor) -> None:
    """Let the pool's own thread see an end where an ended worker left half a result: it would wait for the rest.

    The library has no door for this: as long as this process could write results too, its reader waits.
    """
    results: Any = pool._result_queue  # noqa: SLF001
    if results is not None:
        results._writer.close()  # noqa: SLF001


def _answer(trial: Trial, future: Future[Finished]) -> Finished:
    try:
        return future.result()
    except BrokenProcessPool:
        raise LostWorkerError(
            f"a worker process ended without an answer, at {described(trial)} or one close to it. "
            "It ran out of memory, was killed, or the law's file ended it; --jobs 1 shows which trial it is"
        ) from None


@contextmanager
def interrupts_held_back() -> Iterator[None]:
    """Deliver Ctrl-C only afterwards. A worker that is born meanwhile inherits this and never sees one at all.

    The mask is for the worker. It does not hold back this process: a library's thread may take the signal, and Python
    then answers it in the main thread all the same. So the answer waits too.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # the library's first worker starts this, which would lift the mask
    usual = signal.getsignal(signal.SIGINT)
    ours = threading.current_thread() is threading.main_thread() and usual is not None
    came: list[int] = []
    if ours:
        signal.signal(signal.SIGINT, lambda number, _: came.append(number))
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        if ours:
            signal.signal(signal.SIGINT, usual)
        if came:
            signal.raise_signal(signal.SIGINT)


def settle_in() -> None:
    """Leave Ctrl-C to the starting process (also where signals can't be held back), and end when that is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
