"""Trials run and measured, by whatever engine is fastest for them: what sweeps, tuning and sensitivity stand on.

A law that is one compiled step runs in the batch engine, over threads. Any other runs in the event engine, over
processes; `slow_laws` says which and why.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import closing, redirect_stdout
from typing import Any, Final

import numpy as np

from thenar.controller.stepped import NotCompiledError, StepAt
from thenar.engine.batch import law_step_of, run_family
from thenar.engine.desk import TRACE_FLOATS, TRACE_INTEGERS, Desk
from thenar.engine.happenings import TRIP
from thenar.engine.loop import run_loop
from thenar.engine.trial import Trial
from thenar.report.metrics import Seen, TargetRow, rows_of_seen
from thenar.shared.compiled import ready
from thenar.workers import finished_in_order

_QUEUED_PER_JOB: Final = 2
_SEEN_FLOATS: Final = tuple(
    TRACE_FLOATS.index(name)
    for name in (
        "target_N", "force_N", "voluntary_N", "agonist_evoked_N", "antagonist_evoked_N", "agonist_admitted_mA",
        "antagonist_admitted_mA",
    )
)  # fmt: skip
_TIME, _REASONS = TRACE_INTEGERS.index("t_us"), TRACE_INTEGERS.index("reasons")

Measured = tuple[int, list[TargetRow]]
_Rows = list[tuple[int, list[TargetRow] | None]]
"""Places and their rows; None in place of the rows of a trial whose law raised."""


def measured(trials: Sequence[Trial], *, moving: bool, jobs: int) -> Iterator[Measured]:
    """Run every trial; gives (place in `trials`, its rows of measures) as trials finish, in no promised order.

    `moving`: the target program holds no level. `jobs`: how many cores to use. Raises InputError when a law can't be
    built, LostWorkerError when a worker dies. Close the iterator to stop early.
    """
    slow = set(slow_laws(trials))
    fast = [place for place, trial in enumerate(trials) if not (trial.stimulated and _law_of(trial) in slow)]
    left = sorted(set(range(len(trials))) - set(fast))
    for place, rows in _over_threads(trials, fast, moving, jobs):
        if rows is None:
            left.append(place)
        else:
            yield place, rows
    with closing(finished_in_order([trials[place] for place in left], moving=moving, jobs=jobs)) as running:
        for place, finished in zip(left, running, strict=True):
            yield place, finished.rows


def slow_laws(trials: Iterable[Trial]) -> dict[str, str]:
    """The laws among `trials` that need the event engine, by name or file and class, and why. Builds one of each."""
    found: dict[str, str] = {}
    asked: set[str] = set()
    for trial in trials:
        law = _law_of(trial)
        if law in asked or not trial.stimulated:
            continue
        asked.add(law)
        try:
            _step_of(trial)
        except NotCompiledError as error:
            found[law] = str(error)
    return found


def _law_of(trial: Trial) -> str:
    return trial.law.name or f"{trial.law.class_name} in {trial.law.file}"


def _step_of(trial: Trial) -> StepAt:
    with redirect_stdout(sys.stderr):  # a law may print: results keep standard output to themselves
        return law_step_of(trial)


def _over_threads(
    trials: Sequence[Trial], places: Sequence[int], moving: bool, jobs: int
) -> Iterator[tuple[int, list[TargetRow] | None]]:
    """As `measured`, in the batch engine, families in order where `jobs` is 1."""
    families: dict[Any, list[int]] = {}
    for place in places:
        families.setdefault(_all_but_the_law(trials[place]), []).append(place)
    waiting: list[Future[_Rows]] = []
    pool = ThreadPoolExecutor(jobs, thread_name_prefix="thenar-batch")
    try:
        for family in families.values():
            ours = [trials[place] for place in family]
            steps = [_step_of(trial) for trial in ours]
            if not ready(run_loop):  # in a thread, Ctrl-C would wait for the compiler to end
                yield from _family_rows(ours, steps, family, moving)
                continue
            waiting.append(pool.submit(_family_rows, ours, steps, family, moving))
            while len(waiting) >= jobs * _QUEUED_PER_JOB:
                yield from _taken_out(waiting)
        while waiting:
            yield from _taken_out(waiting)
    finally:
        pool.shutdown(cancel_futures=True)


def _taken_out(waiting: list[Future[_Rows]]) -> Iterator[tuple[int, list[TargetRow] | None]]:
    """Wait for the first to end; takes those that have out of `waiting`, the one that was asked for first to begin."""
    done, _ = wait(waiting, return_when=FIRST_COMPLETED)
    ended = [future for future in waiting if future in done]
    waiting[:] = [future for future in waiting if future not in done]
    for future in ended:
        yield from future.result()


def _all_but_the_law(trial: Trial) -> tuple[Any, ...]:
    """Equal for trials that share all but the law (plans share the objects that hold a wearer's part in a trial)."""
    shared = (
        trial.wearer, trial.estimator, trial.handling, trial.clock, trial.calibration, trial.profile, trial.screening,
        trial.target_us, trial.target_N, trial.recorded_N, trial.faults,
    )  # fmt: skip
    label = trial.label
    plain = (trial.seed, trial.duration_us, trial.arm_us, label.wearer, label.repeat, label.condition)
    return (*map(id, shared), *plain)


def _family_rows(trials: Sequence[Trial], steps: Sequence[StepAt], places: Sequence[int], moving: bool) -> _Rows:
    found: _Rows = []
    try:
        for trial, place, desk in zip(trials, places, run_family(trials, steps), strict=True):
            found.append((place, rows_of_seen(trial.label, trial.duration_us, _seen_on(desk, trial), moving=moving)))
    except NotCompiledError:
        # The rest of the family is laws of the same class: the event engine takes them all.
        found += [(place, None) for place in places[len(found) :]]
    return found


def _seen_on(desk: Desk, trial: Trial) -> Seen:
    floats, integers = desk.trace_floats, desk.trace_integers
    left = desk.pulses[: int(desk.live["pulses"][0])]
    happened = desk.happenings[: int(desk.live["happenings"][0])]
    target_N, force_N, own_N, agonist_N, antagonist_N, agonist_mA, antagonist_mA = floats.T[list(_SEEN_FLOATS)]
    return Seen(
        integers[:, _TIME], target_N, force_N, own_N, agonist_N, antagonist_N, agonist_mA, antagonist_mA,
        integers[:, _REASONS],
        np.ascontiguousarray(left[:, 0]), np.ascontiguousarray(left[:, 1]), left[:, 2] / 1e3, left[:, 3],
        np.ascontiguousarray(happened[happened[:, 1] == TRIP, 0]), trial.known_N, trial.steady_us,
    )  # fmt: skip
