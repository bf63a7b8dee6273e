"""The batch engine: whole trials in compiled code, bit for bit what the event engine makes of them.

It takes laws that are one compiled step (`thenar.controller.stepped`); for any other, `why_not` tells why.
"""

from __future__ import annotations

from thenar.controller.registry import build_law
from thenar.controller.stepped import NotCompiledError, StepAt, SteppedLaw, step_at
from thenar.engine.desk import Desk, lay_desk
from thenar.engine.happenings import told
from thenar.engine.loop import room_for_law, room_for_strikes, run_loop, timetable
from thenar.engine.records import as_result
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial


class _NoLaw(SteppedLaw):
    """For trials without stimulation: it is never asked."""

    @staticmethod
    def step(numbers: object, memory: object, seen: object, asked: object) -> None:
        """Nothing."""


def law_step_of(trial: Trial) -> StepAt:
    """The step of a trial's law, built afresh. Raises NotCompiledError, and InputError as `build_law` does."""
    law = build_law(trial.law, trial.calibration, trial.law_base) if trial.stimulated else _NoLaw(())
    return step_at(law)


def why_not(trial: Trial) -> str:
    """Why this trial can't run here, in words; "" when it can. Builds the law."""
    try:
        law_step_of(trial)
    except NotCompiledError as error:
        return str(error)
    return ""


def run_on(trial: Trial, desk: Desk) -> None:
    """Run a trial to its end on a desk that is laid for it. Raises NotCompiledError as the law demands."""
    law = law_step_of(trial)
    if run_loop(desk, timetable(trial, desk), room_for_law(*law[:3]), room_for_strikes(desk)) != 0:
        raise NotCompiledError(f"{trial.law.class_name or trial.law.name} raised in its step")


def run_trial_compiled(trial: Trial) -> TrialResult:
    """Run one trial in the batch engine. Raises NotCompiledError when its law needs the event engine."""
    desk = lay_desk(trial)
    run_on(trial, desk)
    events = [told(trial, row) for row in desk.happenings[: int(desk.live["happenings"][0])].tolist()]
    return as_result(trial, desk, events)
