"""The whole loop under attack: a simulated engraver, a law that asks for anything, and one fault after another."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np

from thenar.engine.events import EventTrial
from thenar.engine.result import TrialResult
from thenar.engine.trial import plan_trials
from thenar.safety.audit.bounds import Bounds, bounds_of
from thenar.scenarios.loader import parse_scenario
from thenar.shared.signals import REST, Demand, Observation, Stimulus

SECONDS: Final = 40
_QUESTIONS: Final = (
    "implanted_electronics", "pregnancy", "epilepsy", "heart_disease", "cancer_at_the_site", "thrombosis",
    "bleeding_or_recent_surgery", "broken_or_infected_skin", "absent_sensation", "unable_to_report",
)  # fmt: skip
SCREENED: Final = """[screening]
invented = true
placement = { site = "forearm", same_limb = true }
[screening.contraindications]
""" + "\n".join([f'{question} = "no"' for question in _QUESTIONS] + ['[calibration]\nsource = "simulated"\n'])
"""What is on file about the invented person, as a scenario states it."""
_FAULTS: Final = (
    ("dropout", 4.0, "for_s = 0.5"), ("stuck", 7.0, "for_s = 1.5"), ("controller-stall", 12.0, "for_s = 0.3"),
    ("unbalanced-pulses", 15.0, 'for_s = 0.5\nchannel = "agonist"\nmissing_share = 0.2'),
    ("electrode-lift", 18.0, 'for_s = 1.0\nchannel = "agonist"\ncontact_share = 0.3'),
    ("jump", 22.0, "offset_N = 6.0\ngain = 1.4"), ("emergency-stop", 26.013, ""),
    ("controller-stall", 31.0, "for_s = 1.2"),
    ("unbalanced-pulses", 35.0, 'for_s = 0.5\nchannel = "agonist"\nmissing_share = 1.0'),
)  # fmt: skip


class HostileLaw:
    """Asks for what no law should: far too much, now and then nonsense, and it falls silent by raising."""

    def __init__(self, rng: np.random.Generator) -> None:
        """`rng`: gives every demand."""
        self._rng = rng
        self._demand: object = Demand(REST, REST)

    def decide(self, _observation: Observation) -> Demand:
        """The demand of this tick, whatever it is."""
        draw = self._rng.random()
        if draw < 0.02:
            raise ArithmeticError("a law that falls over")
        if draw < 0.04:
            return None  # type: ignore[return-value]  # the loop must bear it
        if draw < 0.15:
            self._demand = Demand(self._stimulus(), self._stimulus() if draw < 0.08 else REST)
        return self._demand  # type: ignore[return-value]  # as above

    def _stimulus(self) -> Stimulus:
        rng = self._rng
        return Stimulus(float(rng.uniform(0, 90)), float(rng.uniform(20, 700)), float(rng.uniform(2, 130)))


def scenario_text(profile: str, seed: int) -> str:
    """The scenario that the hostile law runs in. Wearer, calibration and answers are invented."""
    faults = "\n".join(f'[[faults]]\nkind = "{kind}"\nat_s = {at}\n{more}' for kind, at, more in _FAULTS)
    causes = ("R30", "R18", "R19", "R28", "R32", "R33", "R01", "R31")
    resets = "\n".join(
        f'[[faults]]\nkind = "re-arm"\nat_s = {second + 0.1 * place:.1f}\ncause = "{cause}"'
        for second in (3, 6, 10, 14, 17, 21, 25, 30, 34, 38)
        for place, cause in enumerate(causes)
    )
    return f"""
schema = 1
title = "An engraver's loop under attack"
seed = {seed}
duration_s = {SECONDS}.0
conditions = ["assisted"]
[target]
program = "constant"
level_N = 7.0
[law]
name = "proportional"
[limits]
profile = "{profile}"
{SCREENED}
{faults}
{resets}
"""


def hostile_trial(seed: int, index: int, profile: str) -> tuple[Bounds, TrialResult]:
    """Run one trial of the attacked loop; the auditor's bounds for it, and what it left."""
    trial = plan_trials(parse_scenario(scenario_text(profile, seed % 2**31), "attack.toml", Path()))[0]
    law = HostileLaw(np.random.default_rng([seed, 3, index]))
    answers = None if trial.screening is None else trial.screening.model_dump()
    bounds = bounds_of(trial.profile.text, trial.calibration, trial.clock.control_us, answers, profile)
    return bounds, EventTrial(trial, law=law).run()
