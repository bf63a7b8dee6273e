"""Who takes part: the base wearer, wearers written by hand over it, or a population drawn around it."""

from __future__ import annotations

from typing import Any

from thenar.plant_models.settings import Population, Wearer
from thenar.scenarios.schema import Scenario

Table = dict[str, Any]


def overlaid(base: Table, over: Table) -> Table:
    """`base` with every value of `over` put in its place; tables are merged key by key, all else is replaced."""
    result = dict(base)
    for key, value in over.items():
        below = base.get(key)
        result[key] = overlaid(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return result


def written_out(table: Table, base: Wearer | None = None) -> Table:
    """A wearer's table with every value that it leaves out taken from `base` (the default wearer when None).

    Without this, `[wearer.antagonist.muscle]` with one key would reset the antagonist's other values to those of
    an agonist, because a channel alone doesn't know which one it is.
    """
    return overlaid((base or Wearer()).model_dump(), table)


def wearers_of(scenario: Scenario) -> tuple[Wearer, ...] | Population:
    """The wearers of a scenario in file order, or the population to draw around `scenario.wearer`."""
    if scenario.population is not None:
        return scenario.population
    return tuple(wearer.body() for wearer in scenario.wearers) or (scenario.wearer,)
