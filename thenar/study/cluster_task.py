"""What a worker on another machine does with its share of a sweep, and how the share is packed for the way.

A worker runs a task only when all that decides a trial is the same there as here (`surroundings`): trials must come
out with the same bits wherever they run. A user's law file travels with its task. Nothing here needs `distributed` but
`run_task`, which only a worker calls.
"""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
import itertools
import math
import pickle
import platform
import threading
from collections.abc import Iterator, Mapping
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Final, NamedTuple

import llvmlite
import numba
import numpy as np

from thenar.controller.registry import ENTRY_POINT_GROUP
from thenar.engine.trial import Trial
from thenar.shared.errors import InputError, Problem
from thenar.study.measured import slow_laws
from thenar.study.sweep import made_by
from thenar.study.tasks import Chunk, Outcome, rows_of

_SAME: Final = "{value}, as on the machine that asks"
_NOTHING: Final = "nothing"


class LawFile(NamedTuple):
    """A user's law file on its way: its bytes, and where it lies on the machine that asks."""

    source: bytes
    shown: str


class Task(NamedTuple):
    """Trials on their way to a worker. `law_files`: by the path that `law.file` of a trial has in it."""

    chunk: Chunk
    law_files: dict[str, LawFile]


@functools.cache
def _surroundings() -> tuple[tuple[str, str], ...]:
    versions = {
        "python": platform.python_version(),
        "numpy": np.__version__,
        "numba": numba.__version__,
        "llvmlite": llvmlite.__version__,
        "distributed": importlib.metadata.version("distributed"),
        "machine": platform.machine(),
        "arithmetic": _arithmetic(),
        "laws of installed packages": _installed_laws(),
    }
    return tuple((made_by() | versions).items())


def surroundings() -> dict[str, str]:
    """All that decides what a trial comes to in this process, by name; taken once, when first asked for."""
    return dict(_surroundings())


def differences(found: Mapping[str, str], asked: Mapping[str, str], address: str, worker: str) -> list[Problem]:
    """Where a worker differs from the machine that asks: a problem each, with both values."""
    return [
        Problem(f"--on {address}", f"worker {worker}: {name}", there, _SAME.format(value=here))
        for name in sorted(found.keys() | asked.keys())
        if (there := found.get(name, _NOTHING)) != (here := asked.get(name, _NOTHING))
    ]


def parts_of(chunk: Chunk, most: int) -> Iterator[Chunk]:
    """`chunk` in parts of at most `most` trials.

    What shares a wearer, a repeat and all but the law stays together, unless it is longer than that by itself: then it
    is cut into even pieces.
    """
    part: list[int] = []
    for _, family in itertools.groupby(range(len(chunk.trials)), lambda place: _family(chunk.trials[place])):
        places = list(family)
        if part and len(part) + len(places) > most:
            yield _part(chunk, part)
            part = []
        pieces = -(-len(places) // most)
        cuts = [len(places) * number // pieces for number in range(pieces + 1)]
        for first, last in itertools.pairwise(cuts[:-1]):
            yield _part(chunk, places[first:last])
        part += places[cuts[-2] :]
    if part:
        yield _part(chunk, part)


def packed(chunk: Chunk, law_files: dict[Path, LawFile]) -> bytes:
    """A chunk and the law files that it names as bytes. `law_files`: those read so far, by path; gets new ones.

    Raises InputError when a law file can't be read.
    """
    taken: dict[str, LawFile] = {}
    trials = tuple(_bound_for_elsewhere(trial, law_files, taken) for trial in chunk.trials)
    return pickle.dumps(Task(chunk._replace(trials=trials), taken), protocol=pickle.HIGHEST_PROTOCOL)


def run_task(task: bytes, asked: tuple[tuple[str, str], ...], address: str) -> list[Outcome]:
    """Run a packed task in a worker. `asked`: the surroundings of who asks, `address`: the scheduler's, for errors.

    Raises InputError when this worker differs, or when a law can't be built here.
    """
    from distributed import get_worker

    here = get_worker()
    worker = str(here.address)
    differ = differences(surroundings(), dict(asked), address, worker)
    if differ:
        raise InputError(differ)
    # Not before the two are known to be the same: bytes of another thenar could mean anything.
    chunk, law_files = pickle.loads(task)  # noqa: S301 - whoever may hand over a task may run any code here
    home = _unpacked(law_files, Path(here.local_directory) / "thenar-laws")
    chunk = chunk._replace(trials=tuple(_at_home(trial, home, law_files) for trial in chunk.trials))
    try:
        with _ALONE if slow_laws(chunk.trials) else nullcontext():
            return rows_of(chunk)
    except InputError as error:
        shown = {str(home / name): file.shown for name, file in law_files.items()}
        raise InputError(
            problem._replace(file=shown.get(problem.file, problem.file), found=f"{problem.found} (on worker {worker})")
            for problem in error.problems
        ) from None


_ALONE: Final = threading.Lock()
"""Held while a law in plain Python runs: another thread that keeps the interpreter busy could make it seem to overrun
the wall-clock limit of a tick, and so change what the trial comes to."""
_UNPACKING: Final = threading.Lock()


def _family(trial: Trial) -> tuple[int, int, int]:
    # A wearer's trials are planned together for each group of settings, and share their target then.
    return trial.label.wearer, trial.label.repeat, id(trial.target_us)


def _part(chunk: Chunk, places: list[int]) -> Chunk:
    settings = tuple(chunk.settings[place] for place in places)
    return Chunk(settings, tuple(chunk.trials[place] for place in places), chunk.moving)


def _bound_for_elsewhere(trial: Trial, law_files: dict[Path, LawFile], taken: dict[str, LawFile]) -> Trial:
    if trial.law.file is None:
        return trial
    path = trial.law_base / trial.law.file
    if path not in law_files:
        try:
            law_files[path] = LawFile(path.read_bytes(), str(path))
        except OSError as error:
            raise InputError([Problem(str(path), "", error.strerror or str(error), "a readable Python file")]) from None
    name = f"{hashlib.sha256(law_files[path].source).hexdigest()[:16]}/{path.name}"
    taken[name] = law_files[path]
    return replace(trial, law_base=Path(), law=trial.law.model_copy(update={"file": name}))


def _at_home(trial: Trial, home: Path, law_files: Mapping[str, LawFile]) -> Trial:
    return replace(trial, law_base=home) if trial.law.file in law_files else trial


def _unpacked(law_files: Mapping[str, LawFile], home: Path) -> Path:
    """`home` with `law_files` in it: a folder of this worker alone, which Dask clears away after a worker that died."""
    with _UNPACKING:
        for name, file in law_files.items():
            if not (home / name).exists():
                (home / name).parent.mkdir(parents=True, exist_ok=True)
                (home / name).write_bytes(file.source)
    return home


def _installed_laws() -> str:
    laws = {
        f"{point.name} = {point.value} ({point.dist.name} {point.dist.version})" if point.dist else point.value
        for point in importlib.metadata.entry_points(group=ENTRY_POINT_GROUP)
    }
    return ", ".join(sorted(laws)) or "none"


def _arithmetic() -> str:
    """A fingerprint of what this machine's mathematical library answers: its last bits may depend on the processor."""
    points = [(place + 0.5) / 256.0 for place in range(2048)]
    functions = (math.exp, math.log, math.log1p, math.log10, math.sin, math.erfc, math.sqrt)
    answers = [function(x) for function in functions for x in points] + [math.exp(-x) for x in points]
    digest = hashlib.sha256(np.array(answers).tobytes())
    for function in (np.exp, np.log, np.sin, np.sqrt):
        digest.update(function(np.array(points)).tobytes())
    digest.update(np.random.Generator(np.random.Philox(key=1)).standard_normal(2048).tobytes())
    digest.update(str(numba.config.USING_SVML).encode())
    return digest.hexdigest()[:16]
