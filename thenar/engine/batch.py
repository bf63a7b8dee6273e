"""The batch engine: whole trials in compiled code, bit for bit what the event engine makes of them.

It takes laws that are one compiled step (`thenar.controller.stepped`). Trials that share everything but the law share
one desk: its noise is drawn once. The compiled loop holds no lock of Python's, so threads run side by side.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final

from numpy.typing import NDArray

from thenar.controller.registry import OWN_PROCESS, where_runs
from thenar.controller.stepped import NotCompiledError, StepAt, SteppedLaw, step_at
from thenar.engine.desk import Desk, lay_desk
from thenar.engine.happenings import told
from thenar.engine.loop import course, room_for_law, run_loop, timetable
from thenar.engine.records import as_result
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial, law_of

_WRITTEN: Final = (
    "live", "body_state", "wearer_state", "memory", "admitted", "gate_out", "counts", "asked", "senses",
)  # fmt: skip
"""Arrays of a desk that a trial must find as they were laid; all others it fills before it reads them."""


class _NoLaw(SteppedLaw):
    """For trials without stimulation: it is never asked."""

    @staticmethod
    def step(numbers: object, memory: object, seen: object, asked: object) -> None:
        """Nothing."""


def law_step_of(trial: Trial) -> StepAt:
    """The step of a trial's law, built afresh. Raises NotCompiledError, and InputError as `build_law` does."""
    if trial.stimulated and where_runs(trial.law, trial.trust_law) == OWN_PROCESS:
        name = trial.law.class_name or trial.law.name
        raise NotCompiledError(f"{name} runs in a process of its own; with --trust-law it may run compiled in this one")
    return step_at(law_of(trial) if trial.stimulated else _NoLaw(()))


def state_of(desk: Desk) -> list[NDArray[Any]]:
    """Copies of what a trial must find on its desk as it was laid."""
    return [getattr(desk, name).copy() for name in _WRITTEN]


def put_back(desk: Desk, state: Sequence[NDArray[Any]]) -> None:
    """Make a desk ready for another trial. `state`: from `state_of` when it was laid."""
    for name, content in zip(_WRITTEN, state, strict=True):
        getattr(desk, name)[:] = content


def run_family(trials: Sequence[Trial], steps: Sequence[StepAt]) -> Iterator[Desk]:
    """Run trials that differ in nothing but their law, with the step of each; gives the desk after every one.

    The desk is good until the next trial is asked for. Raises NotCompiledError when a law raises: its trial then needs
    the event engine, which tells what the law said.
    """
    desk = lay_desk(trials[0])
    table = timetable(trials[0], desk)
    laid = state_of(desk)
    for trial, law in zip(trials, steps, strict=True):
        put_back(desk, laid)
        if run_loop(desk, table, room_for_law(law.step, law.numbers, law.memory), course(desk)) != 0:
            raise NotCompiledError(f"{trial.law.class_name or trial.law.name} raised in its step")
        yield desk


def run_trial_compiled(trial: Trial) -> TrialResult:
    """Run one trial in the batch engine. Raises NotCompiledError when its law needs the event engine."""
    for desk in run_family([trial], [law_step_of(trial)]):
        events = [told(trial, row) for row in desk.happenings[: int(desk.live["happenings"][0])].tolist()]
        return as_result(trial, desk, events)
    raise AssertionError("a family of one has one trial")
