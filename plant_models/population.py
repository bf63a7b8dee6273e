"""Wearers drawn around the wearer whom a scenario describes, by stated spreads.

Strength lies around the described wearer's, or follows the published norms that `norms` names. What each muscle reaches
is drawn around the described reach times the drawn strength over the described one: a stronger wearer has both muscles
stronger.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from thenar.plant_models.fitted_people import FittedPerson, drawn_values, picked, with_values
from thenar.plant_models.norms import NORMS, PinchNorm
from thenar.plant_models.settings import Channel, Population, Wearer
from thenar.shared.noise import stream

WEAKEST_N = 5.1
"""Drawn wearers are no weaker; a wearer of any scenario isn't either."""
LEAST_SHARE = 0.1
"""Nor than this share of the group's mean: a normal distribution has no end."""


def draw_wearers(
    base: Wearer, population: Population, seed: int, around: Sequence[FittedPerson] = ()
) -> tuple[Wearer, ...]:
    """`population.count` wearers. Wearer i depends on `seed`, i, base, spreads and `around` alone, not on the count."""
    return tuple(drawn_wearer(base, population, seed, index, around) for index in range(population.count))


def drawn_wearer(
    base: Wearer, population: Population, seed: int, index: int, around: Sequence[FittedPerson] = ()
) -> Wearer:
    """Wearer `index` (from 0) of `draw_wearers`, without the others.

    With fitted people to draw `around` (see `fitted_people.py`), one of them is picked at random and what was fitted
    is drawn by its own interval; all else is drawn just as without them.
    """
    person = picked(around, seed, index)
    if person is None:
        return _drawn(base, population, seed, index, None)
    own = drawn_values(person, seed, index)
    drawn = _drawn(base, population, seed, index, own.get("max_pinch_N"))
    return with_values(drawn, {**own, "files": person.files})


def _drawn(base: Wearer, population: Population, seed: int, index: int, fitted_max_pinch_N: float | None) -> Wearer:
    draws = stream(seed, index, 0, "population")
    max_pinch_N = _strength_N(base, population, draws, stream(seed, index, 0, "what is left of strength"))
    if fitted_max_pinch_N is not None:
        max_pinch_N = fitted_max_pinch_N
    production = base.production.model_copy(
        update={
            "gain": _within(_spread(base.production.gain, population.production_gain_sd, draws), 0.2, 3.0),
            "offset_N": base.production.offset_N + population.production_offset_sd_N * draws.standard_normal(),
        }
    )
    trust = _within(base.cue.trust + population.trust_sd * draws.standard_normal(), -1.0, 1.0)
    delay = population.delay_sd
    cue = base.cue.model_copy(
        update={"trust": trust, "delay_ms": _within(_spread(base.cue.delay_ms, delay, draws), 80.0, 500.0)}
    )
    strength = max_pinch_N / base.max_pinch_N
    return base.model_copy(
        update={
            "name": f"{base.name} {index + 1}",
            "max_pinch_N": max_pinch_N,
            "production": production,
            "cue": cue,
            "visual_delay_ms": _within(_spread(base.visual_delay_ms, delay, draws), 150.0, 500.0),
            "motor_delay_ms": _within(_spread(base.motor_delay_ms, delay, draws), 20.0, 150.0),
            "agonist": _drawn_channel(base.agonist, population, strength, draws),
            "antagonist": _drawn_channel(base.antagonist, population, strength, draws),
        }
    )


def _strength_N(base: Wearer, population: Population, draws: np.random.Generator, more: np.random.Generator) -> float:
    is_woman, deviation = draws.random() < population.women_share, draws.standard_normal()
    if population.norms is None:
        return _strong(PinchNorm(base.max_pinch_N, population.strength_sd * base.max_pinch_N), deviation)
    norm = NORMS[population.norms]
    whole_N = _strong(norm.women if is_woman else norm.men, deviation)
    if norm.left is None:
        return whole_N
    return max(WEAKEST_N, whole_N * _within(norm.left.mean_N + norm.left.sd_N * more.standard_normal(), 0.05, 1.2))


def _strong(norm: PinchNorm, deviation: float) -> float:
    return max(WEAKEST_N, LEAST_SHARE * norm.mean_N, norm.mean_N + norm.sd_N * deviation)


def _drawn_channel(base: Channel, population: Population, strength: float, draws: np.random.Generator) -> Channel:
    axons = base.recruitment
    recruitment = axons.model_copy(
        update={
            "rheobase_mA": _within(_spread(axons.rheobase_mA, population.threshold_sd, draws), 0.5, 20.0),
            "chronaxie_us": _within(_spread(axons.chronaxie_us, population.chronaxie_sd, draws), 100.0, 700.0),
        }
    )
    reach = _spread(base.muscle.reachable_N * strength, population.reach_sd, draws)
    muscle = base.muscle.model_copy(update={"reachable_N": _within(reach, 0.5, 150.0)})
    return base.model_copy(update={"recruitment": recruitment, "muscle": muscle})


def _spread(centre: float, sd: float, draws: np.random.Generator) -> float:
    """A lognormal draw with median `centre` and SD `sd` of its logarithm."""
    return centre * math.exp(sd * draws.standard_normal())


def _within(value: float, low: float, high: float) -> float:
    return min(high, max(low, value))
