"""The wearers that a law is tuned and checked on: a population drawn around the scenario's base wearer."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, NamedTuple

from thenar.engine.trial import Trial, plan_trials
from thenar.plant_models.settings import Population
from thenar.scenarios.loader import LoadedScenario
from thenar.scenarios.person import CalibrationOnFile
from thenar.shared.errors import InputError, Problem

WEARERS: Final = 48
"""How many wearers are drawn where the person doesn't say and the scenario doesn't ask for more.

Fewer let a law be fitted to the few: with 12, a law tuned on the 90th percentile was worse on 12 others."""
LARGEST_SEED: Final = 2**63 - 1


class Drawn(NamedTuple):
    """A scenario whose wearers are drawn, unassisted and assisted, and in words where they come from."""

    loaded: LoadedScenario
    words: str

    def trials(self, seed: int, condition: str) -> list[Trial]:
        """The trials of one condition, wearer by wearer; the wearers and all noise follow from `seed`."""
        return [trial for trial in plan_trials(self.loaded, seed) if trial.label.condition == condition]


def drawn_wearers(loaded: LoadedScenario, count: int | None, repeats: int | None) -> Drawn:
    """`loaded` with a population of `count` wearers (None: the scenario's own count, at least WEARERS).

    `repeats`: trials of each (None: as the scenario says). Raises InputError where the calibration is one person's
    numbers.
    """
    scenario = loaded.scenario
    if isinstance(scenario.calibration, CalibrationOnFile):
        allowed = 'source = "simulated": every drawn wearer needs a calibration of their own'
        raise InputError([Problem(str(loaded.path), "calibration.source", "'on-file'", allowed)])
    if scenario.population is not None:
        count = max(WEARERS, scenario.population.count) if count is None else count
        population = scenario.population.model_copy(update={"count": count})
        words = "drawn by the scenario's [population]"
    else:
        population = Population(count=WEARERS if count is None else count)
        instead = "; its [[wearers]] take no part" if scenario.wearers else ""
        words = f"drawn around the base wearer with the default spreads, as the scenario has no [population]{instead}"
    changed = {
        "population": population,
        "wearers": (),
        "repeats": scenario.repeats if repeats is None else repeats,
        "conditions": ("unassisted", "assisted"),
    }
    return Drawn(replace(loaded, scenario=scenario.model_copy(update=changed)), words)


def held_out_seed(seed: int) -> int:
    """The seed of the wearers that the tuning never sees: the next one. Streams of two seeds share nothing."""
    return seed + 1 if seed < LARGEST_SEED else 0


def check_arms(trials: list[Trial], file: str) -> None:
    """Raises InputError when what is on file forbids arming in every trial: no setting of a law could matter."""
    why = [trial.arming_objections() for trial in trials]
    if why and all(why):
        told = "; ".join(f"{identifier} {words}" for identifier, words in why[0].items())
        raise InputError([Problem(file, "", f"the interlock refuses to arm: {told}", "a scenario that arms")])
