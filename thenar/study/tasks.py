"""What is handed to whoever computes: a chunk of trials in, rows of measures out, nothing else.

`rows_of` is a pure function of a chunk that can be pickled, so another engine may run it elsewhere; who calls it
writes the ledger.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from thenar.engine.result import TrialLabel
from thenar.engine.trial import Trial
from thenar.report.metrics import TargetRow
from thenar.study.measured import measured


class Chunk(NamedTuple):
    """Trials to run: the setting that each belongs to, and whether their targets move (hold no level)."""

    settings: tuple[int, ...]
    trials: tuple[Trial, ...]
    moving: bool


class Outcome(NamedTuple):
    """One trial that has run: its setting, its label, and its rows of measures, targets rising."""

    setting: int
    label: TrialLabel
    rows: list[TargetRow]


def outcomes(chunk: Chunk, jobs: int) -> Iterator[Outcome]:
    """Run a chunk on `jobs` cores; gives trials as they finish, in no promised order.

    Raises LostWorkerError when a worker dies.
    """
    for place, rows in measured(chunk.trials, moving=chunk.moving, jobs=jobs):
        yield Outcome(chunk.settings[place], chunk.trials[place].label, rows)


def rows_of(chunk: Chunk, jobs: int = 1) -> list[Outcome]:
    """A whole chunk run, for engines that hand chunks elsewhere."""
    return list(outcomes(chunk, jobs))
