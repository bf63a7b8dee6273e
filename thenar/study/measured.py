"""Trials run and measured, by whatever engine is fastest for them: what sweeps, tuning and sensitivity stand on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing

from thenar.engine.trial import Trial
from thenar.report.metrics import TargetRow
from thenar.workers import finished_in_order


def measured(trials: Sequence[Trial], *, moving: bool, jobs: int) -> Iterator[tuple[int, list[TargetRow]]]:
    """Run every trial; gives (place in `trials`, its rows of measures) as trials finish, in no promised order.

    `moving`: the target program holds no level. `jobs`: how many cores to use. Raises LostWorkerError when a
    worker dies. Close the iterator to stop early.
    """
    with closing(finished_in_order(trials, moving=moving, jobs=jobs)) as running:
        for place, finished in enumerate(running):
            yield place, finished.rows
