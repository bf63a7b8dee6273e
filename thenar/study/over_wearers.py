"""One piece of work for each wearer, over processes when there are many; answers in the order of the wearers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from typing import Final, TypeVar

from thenar.engine.trial import Trial
from thenar.lost_worker import LostWorkerError
from thenar.shared.worker_process import WorkerContext

Answer = TypeVar("Answer")
PER_TASK: Final = 20
FEWEST: Final = 100
"""Below so many wearers one process is faster: a new one takes seconds to load what it needs."""


def for_each(
    work: Callable[[Trial], Answer], trials: Sequence[Trial], jobs: int, on_done: Callable[[object], None]
) -> list[Answer]:
    """`work(trial)` for every trial, in their order; `work` must pickle. `on_done` is called after each.

    `jobs`: processes to use. Raises what `work` raises, and LostWorkerError when a process dies.
    """
    answers: list[Answer] = []
    if jobs <= 1 or len(trials) < FEWEST:
        for trial in trials:
            answers.append(work(trial))
            on_done(trial)
        return answers
    tasks = [trials[first : first + PER_TASK] for first in range(0, len(trials), PER_TASK)]
    pool = ProcessPoolExecutor(jobs, WorkerContext())
    try:
        for found in pool.map(partial(_each, work), tasks):
            answers += found
            for answer in found:
                on_done(answer)
    except BrokenProcessPool:
        raise LostWorkerError("a worker process ended without an answer; --jobs 1 does the same in one") from None
    finally:
        pool.shutdown(cancel_futures=True)
    return answers


def _each(work: Callable[[Trial], Answer], trials: Sequence[Trial]) -> list[Answer]:
    return [work(trial) for trial in trials]
