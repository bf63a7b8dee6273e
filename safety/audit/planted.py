"""Planted faults: the proof that the auditor can fail. At least one for every requirement, and for every check.

A clean log, played by the real interlock, is changed in one place: to the last value inside a bound, where the audit
must pass, and one step past it, where exactly that requirement must fail (others only if they are named).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

from thenar.safety.audit.bounds import Bounds
from thenar.safety.audit.edits import ONE_CHANNEL, RUN_OUT, TWO_CHANNELS, Case, Script
from thenar.safety.audit.judge import judge_log
from thenar.safety.audit.logs import DecisionLog, PulseLog
from thenar.safety.audit.plant import Plant
from thenar.safety.audit.planted_from_r20 import PLANTED_FROM_R20
from thenar.safety.audit.planted_to_r19 import PLANTED_TO_R19

Play = Callable[[Script], tuple[PulseLog, DecisionLog]]
PLANTS: Final = PLANTED_TO_R19 + PLANTED_FROM_R20


class Proof(NamedTuple):
    """What the auditor said of a plant: rules that failed inside and outside the bound."""

    plant: Plant
    inside: tuple[str, ...]
    outside: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Whether the twin passed and the fault was noticed, and nothing else was."""
        return (
            not self.inside
            and self.plant.rule in self.outside
            and set(self.outside) <= self.plant.also | {self.plant.rule}
        )


def proofs(bounds: Bounds, play: Play) -> Iterator[Proof]:
    """Every plant judged. `bounds`: those of a person with forearm pads; `play`: plays a script under such limits."""
    played = {script: play(script) for script in (ONE_CHANNEL, TWO_CHANNELS, RUN_OUT)}
    for plant in PLANTS:
        clean = Case(bounds, *played[plant.script])
        yield Proof(plant, _broken(plant.inside(clean)), _broken(plant.outside(clean)))


def _broken(case: Case) -> tuple[str, ...]:
    return judge_log(
        case.bounds, case.pulses, None if case.alone else case.decisions, reconciled=case.reconciled
    ).broken
