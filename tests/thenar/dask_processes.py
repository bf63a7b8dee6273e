"""A Dask scheduler and workers as processes of their own on the loopback address."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.waiting import until


class DaskProcesses:
    """A scheduler with workers of one thread each. Use as a context manager; ends what it started."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._started: list[subprocess.Popen[bytes]] = []
        self.named: dict[str, subprocess.Popen[bytes]] = {}

    def __enter__(self) -> Self:
        told = self.folder / "scheduler.json"
        self._start("dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(told))
        until(lambda: told.exists() and told.read_text().strip().endswith("}"), "a scheduler")
        self.address = json.loads(told.read_text())["address"].removeprefix("tcp://")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for process in reversed(self._started):
            process.kill()
            process.wait(timeout=30)

    def worker(self, name: str, preload: str = "") -> subprocess.Popen[bytes]:
        """Start one more worker. `preload`: Python that it runs first."""
        more = ["--name", name, "--nthreads", "1", "--no-nanny", "--local-directory", str(self.folder)]
        if preload:
            (self.folder / f"{name}.py").write_text(preload, encoding="utf-8")
            more += ["--preload", str(self.folder / f"{name}.py")]
        self.named[name] = self._start("dask_worker", self.address, "--host", "127.0.0.1", *more)
        return self.named[name]

    def workers(self) -> dict[str, str]:
        """Addresses of the workers that the scheduler knows, by name."""
        from distributed import Client

        with Client(self.address, set_as_default=False) as client:
            found = client.scheduler_info(n_workers=-1)["workers"]
            return {str(worker["name"]): str(address) for address, worker in found.items()}

    def wait_for_workers(self, names: set[str]) -> dict[str, str]:
        """Wait until the workers are these and no others; gives their addresses by name."""
        until(lambda: set(self.workers()) == names, f"the workers {names}")
        return self.workers()

    def _start(self, module: str, *arguments: str) -> subprocess.Popen[bytes]:
        log = (self.folder / f"{module}-{len(self._started)}.log").open("wb")
        with log:
            process = subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.{module}", *arguments, "--no-dashboard"],
                cwd=self.folder,
                stdout=log,
                stderr=log,
            )
        self._started.append(process)
        return process
