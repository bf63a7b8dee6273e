"""Processes of ours that end when the process that started them is gone, however it went, from their first instant on.

A worker takes seconds to import what it needs. What watches for its parent must not come after that.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import threading
import time
from multiprocessing.context import SpawnContext, SpawnProcess
from typing import Any, Final

LOOK_EVERY_S: Final = 0.1
_PR_SET_PDEATHSIG: Final = 1


class WorkerProcess(SpawnProcess):
    """A spawned process that watches its parent before it imports anything else of ours."""

    def __reduce__(self) -> tuple[Any, ...]:
        # What is unpickled first in the new process runs before the target and its modules are.
        lasting = threading.current_thread() is threading.main_thread()
        return _born, (type(self), os.getpid(), lasting), self.__dict__


class WorkerContext(SpawnContext):
    """The library's way of spawning, with workers that end with their parent."""

    Process = WorkerProcess


def _born(kind: type[WorkerProcess], parent: int, lasting: bool) -> WorkerProcess:
    end_with(parent, lasting)
    return kind.__new__(kind)


def end_with(parent: int, lasting: bool) -> None:
    """End this process as soon as the process `parent` that started it is gone.

    `lasting`: the thread that started it lasts as long as its process. The kernel of Linux, which needs no turn of
    ours, goes by that thread.
    """
    if os.name != "posix":
        return  # there a thread of `thenar.workers` waits for the parent
    if lasting and sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    threading.Thread(target=_watch, args=(parent,), daemon=True).start()


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(LOOK_EVERY_S)
    os._exit(1)
