"""A sweep: settings times trials into a ledger, going on where an earlier run of the same sweep stopped.

What makes two sweeps the same: the scenario's bytes, the files it names, the axes, the design and its seed, every
setting with its limits, and what ran it (thenar's version, a fingerprint of all code that decides a trial).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Generator, Iterable
from contextlib import ExitStack, closing
from pathlib import Path
from types import TracebackType
from typing import Final, NamedTuple, Self

import thenar
from thenar.engine.trial import Trial
from thenar.report import metrics
from thenar.report.folder_lock import LOCK_FILE, sole_user
from thenar.scenarios.loader import LoadedScenario
from thenar.shared import compiled
from thenar.shared.errors import InputError, Problem
from thenar.study.axes import Axis, axes_of
from thenar.study.designs import GRID, settings_in
from thenar.study.ledger import LEDGER, Ledger
from thenar.study.sweep_plan import SweepPlan
from thenar.study.tasks import Chunk, Outcome, outcomes

Engine = Callable[[Iterable[Chunk]], Generator[Outcome, None, None]]
"""Runs chunks of trials, here or elsewhere; gives each trial as it ends, in any order."""

_DECIDES_A_TRIAL: Final = (*compiled.STEP_FOLDERS, "scenarios")


class Asked(NamedTuple):
    """What a person asks for: keys with their values, a design, how many samples (None: a grid), a seed (None: own)."""

    over: tuple[str, ...]
    design: str = GRID
    samples: int | None = None
    seed: int | None = None


class Sweep:
    """A checked sweep, nothing of which has run. Raises InputError when anything in it can't run.

    `on_settings` is told how many settings there are, and gives what to call after each is checked.
    """

    def __init__(
        self,
        loaded: LoadedScenario,
        asked: Asked,
        on_settings: Callable[[int], Callable[[object], None]] = lambda _: lambda _: None,
    ) -> None:
        self.loaded = loaded
        self.axes: tuple[Axis, ...] = axes_of(loaded, asked.over, drawn=asked.design != GRID)
        if asked.seed is not None and any(axis.key == "seed" for axis in self.axes):
            raise InputError([Problem("--seed", "", str(asked.seed), "none: the seed itself is swept")])
        self.seed = loaded.scenario.seed if asked.seed is None else asked.seed
        self.design = asked.design
        values = settings_in(self.axes, asked.design, asked.samples, self.seed)
        self.plan = SweepPlan(loaded, values, seed=asked.seed, on_checked=on_settings(len(values)))
        self.identity = self._identity()

    def fingerprint(self) -> str:
        """Eight hex digits that tell this sweep from others, for the name of its folder."""
        return hashlib.sha256(json.dumps(self.identity, sort_keys=True).encode()).hexdigest()[:8]

    def _identity(self) -> dict[str, str]:
        settings = [(dict(s.values), s.sha256, s.limits) for s in self.plan.settings]
        return {
            "format": "2",
            "scenario sha256": self.loaded.sha256,
            "files": json.dumps(dict(sorted(self.plan.files.items()))),
            "axes": " ".join(axis.words() for axis in self.axes),
            "design": self.design,
            "seed": str(self.seed),
            "settings": hashlib.sha256(json.dumps(settings).encode()).hexdigest(),
            "limits": ", ".join(sorted({s.limits for s in self.plan.settings})),
            **made_by(),
        }


def made_by() -> dict[str, str]:
    """What runs trials here: thenar's version, fingerprints of the measures and of all code that decides a trial."""
    return {
        "thenar": thenar.__version__,
        "measures": hashlib.sha256(Path(metrics.__file__).read_bytes()).hexdigest()[:16],
        "code": compiled.source_fingerprint(Path(compiled.__file__).resolve().parent.parent, _DECIDES_A_TRIAL),
    }


class SweepFolder:
    """The folder of a sweep, held by this process alone. Use as a context manager.

    Raises InputError when another process holds it, when it holds another sweep, or something else.
    """

    def __init__(self, sweep: Sweep, folder: Path) -> None:
        self.sweep, self.path = sweep, folder

    def __enter__(self) -> Self:
        with ExitStack() as held:
            _prepare(self.path)
            held.enter_context(sole_user(self.path))
            self.ledger = held.enter_context(Ledger(self.path / LEDGER))
            self.ledger.settle(self.sweep.identity, self.sweep.plan.settings)
            self._done = self.ledger.done(self.sweep.plan.settings)
            self._held = held.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._held.__exit__(kind, error, trace)

    @property
    def finished(self) -> int:
        """How many trials are in the ledger."""
        return sum(map(sum, self._done.values()))

    def first_trials(self) -> tuple[Trial, ...]:
        """Some of the trials that are left, those of one wearer in all settings first; none when all have run."""
        some = next(self.sweep.plan.chunks(self._done), None)
        return () if some is None else some.trials

    def run(self, engine: Engine, on_finished: Callable[[object], None] = lambda _: None) -> None:
        """Run what is left, each trial into the ledger as it ends; `on_finished` is told of each."""
        with closing(engine(self.sweep.plan.chunks(self._done))) as running:
            for outcome in running:
                self.ledger.add(outcome)
                on_finished(outcome)
        self._done = self.ledger.done(self.sweep.plan.settings)


def local_engine(jobs: int) -> Engine:
    """The engine that runs chunks on `jobs` cores of this machine, one chunk after another."""

    def run(chunks: Iterable[Chunk]) -> Generator[Outcome, None, None]:
        for chunk in chunks:
            yield from outcomes(chunk, jobs)

    return run


def _prepare(folder: Path) -> None:
    """Make `folder`, or see that it holds a sweep or nothing. Raises InputError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        names = {path.name for path in folder.iterdir()}
    except OSError as error:
        found = error.strerror or str(error)
        raise InputError([Problem(str(folder), "--out", found, "a folder that can be made and written")]) from None
    if names - {LOCK_FILE} and LEDGER not in names:
        allowed = "a new folder, or that of the same sweep: choose another --out"
        raise InputError([Problem(str(folder), "--out", f"a folder with files but no {LEDGER}", allowed)])
