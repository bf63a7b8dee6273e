"""Power by simulation: studies drawn from a pool of differences, a paired test on each, and how many found the effect.

A study of n people is n draws, with replacement, from a pool of one difference per draw; its paired t test is the one
sample t test on the differences. The people of a study are drawn one after another from the seed, so a study of n + 1
people is the study of n and one more: the curve over n is smooth, and growing the largest n changes nothing below.

Counts are exact; intervals are Wilson's [@wilson-1927], 95 %, and hold for the drawing alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from thenar.study.power_looks import boundaries, look_people, nominal

FEWEST: Final = 3
MOST: Final = 1_000
"""The largest study that is looked for."""
LEVEL: Final = 0.95
_AT_ONCE: Final = 2_500
"""Studies drawn together, so that memory stays flat."""

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


class Draws(NamedTuple):
    """How studies are drawn. `values`: differences in the measure's unit with mean 0, shape (pool,).

    `simulations`: studies; `seed`: all draws follow from it; `dropout`: share of people, 0 to below 1, lost by chance.
    """

    values: Floats
    simulations: int
    seed: int
    dropout: float = 0.0

    @property
    def sd(self) -> float:
        """SD of the differences, in their unit."""
        return float(np.sqrt(np.mean(np.square(self.values))))


class Effect(NamedTuple):
    """What the drawn people are given: a mean difference, in the measure's unit, and a factor on the spread."""

    mean: float
    spread: float = 1.0


class PairedTest(NamedTuple):
    """The test: two-sided `alpha`, and how often the data are looked at (1: only at the end)."""

    alpha: float
    looks: int = 1


class Power(NamedTuple):
    """Of `studies` with `people` each: `found` the effect in its own direction, `wrong_way` found the opposite.

    `expected_people`: mean number of people until the study stopped (`people` without looks).
    """

    people: int
    studies: int
    found: int
    wrong_way: int
    expected_people: float

    @property
    def share(self) -> float:
        """Share of studies that found the effect, 0 to 1."""
        return self.found / self.studies

    @property
    def interval(self) -> tuple[float, float]:
        """Wilson's 95 % interval of `share`."""
        return wilson(self.found, self.studies)

    @property
    def false_alarms(self) -> int:
        """Studies that found any difference, whichever way: what counts when there is none."""
        return self.found + self.wrong_way

    @property
    def alarm_interval(self) -> tuple[float, float]:
        """Wilson's 95 % interval of the share of `false_alarms`."""
        return wilson(self.false_alarms, self.studies)


def wilson(count: int, of: int) -> tuple[float, float]:
    """Wilson's 95 % interval of the share `count` of `of`."""
    z = float(special.ndtri(0.5 + LEVEL / 2.0))
    middle, spread = count + z * z / 2.0, z * math.sqrt(count * (of - count) / of + z * z / 4.0)
    low, high = (middle - spread) / (of + z * z), (middle + spread) / (of + z * z)
    return (0.0 if count == 0 else low, 1.0 if count == of else high)


def analytic_power(people: int, standardised: float, alpha: float) -> float:
    """Power of the two-sided paired t test when differences are normal; `standardised`: mean over SD, no unit.

    Both directions are counted. Source: the noncentral t distribution, as in Cohen [@cohen-1988].
    """
    df, noncentrality = people - 1, abs(standardised) * math.sqrt(people)
    critical = float(stats.t.isf(alpha / 2.0, df))
    above = float(stats.nct.sf(critical, df, noncentrality))
    return above + float(stats.nct.cdf(-critical, df, noncentrality))


def power_curve(draws: Draws, effect: Effect, alpha: float, largest: int) -> list[Power]:
    """Power of the paired t test, done once at the end, for every number of people from FEWEST to `largest`."""
    found, wrong = np.zeros((2, largest + 1), dtype=np.int64)
    critical = _critical(np.array([alpha]), largest)[0]
    for count, mean, sd in _running(draws, largest):
        t = _t(count, mean, sd, effect)
        needed = critical[count]
        right_way = t if effect.mean >= 0 else -t
        found[1:] += np.count_nonzero(right_way >= needed, axis=1)
        wrong[1:] += np.count_nonzero(right_way <= -needed, axis=1)
    return [Power(n, draws.simulations, int(found[n]), int(wrong[n]), float(n)) for n in range(FEWEST, largest + 1)]


def power_with_looks(draws: Draws, effect: Effect, test: PairedTest, people: int) -> Power:
    """Power of a study of at most `people` that stops at the first look whose t test falls below its boundary."""
    at = np.array(look_people(people, test.looks))
    levels = nominal(boundaries(test.alpha, tuple((at / people).tolist())))
    critical = _critical(levels, people)
    found = wrong = 0
    stopped_after = 0
    for count, mean, sd in _running(draws, people):
        rows = at - 1
        t = _t(count[rows], mean[rows], sd[rows], effect)
        needed = np.take_along_axis(critical, count[rows], axis=1)
        right_way = t if effect.mean >= 0 else -t
        past = np.abs(t) >= needed
        first = np.where(past.any(axis=0), past.argmax(axis=0), len(at) - 1)
        deciding = np.take_along_axis(np.where(past, right_way, 0.0), first[None, :], axis=0)[0]
        found += int(np.count_nonzero(deciding > 0))
        wrong += int(np.count_nonzero(deciding < 0))
        stopped_after += int(at[first].sum())
    return Power(people, draws.simulations, found, wrong, stopped_after / draws.simulations)


class Needed(NamedTuple):
    """How many people reach the wanted power, None where MOST don't: by the share itself, and by its lower end."""

    by_share: Power | None
    by_lower_end: Power | None
    curve: tuple[Power, ...]


def people_needed(draws: Draws, effect: Effect, alpha: float, power: float, at_least: int = FEWEST) -> Needed:
    """The smallest study whose simulated power reaches `power`, with the curve up to beyond it and to `at_least`."""
    largest = max(at_least, _first_reach(draws, effect, alpha, power))
    while True:
        curve = power_curve(draws, effect, alpha, largest)
        sure = next((one for one in curve if one.interval[0] >= power), None)
        if largest >= MOST or (sure is not None and sure.people <= 0.8 * largest):
            return Needed(next((one for one in curve if one.share >= power), None), sure, tuple(curve))
        largest = min(MOST, 2 * largest)


def people_needed_with_looks(draws: Draws, effect: Effect, test: PairedTest, power: float, start: int) -> Power | None:
    """The smallest largest study with looks whose power's lower end reaches `power`; None where MOST people don't.

    `start`: people that a study without looks needs. Looks cost power, but on a skewed pool hardly any: begin below.
    """
    for people in range(max(FEWEST, math.floor(0.95 * start)), min(MOST, 2 * start + 10) + 1):
        found = power_with_looks(draws, effect, test, people)
        if found.interval[0] >= power:
            return found
    return None


def shown_people(needed: int | None, curve: Sequence[Power]) -> list[int]:
    """About ten numbers of people around what is needed, for a table."""
    last = curve[-1].people
    middle = last if needed is None else needed
    near = {round(middle * share) for share in (0.4, 0.55, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5)}
    return sorted(n for n in near if FEWEST <= n <= last)


def _first_reach(draws: Draws, effect: Effect, alpha: float, power: float) -> int:
    """A first guess at the largest study to draw: what normal differences would need, and half as many again."""
    if not effect.mean:
        return MOST
    z = float(special.ndtri(1.0 - alpha / 2.0) + special.ndtri(power))
    guess = (z * effect.spread * draws.sd / effect.mean) ** 2 / (1.0 - draws.dropout)
    return int(min(MOST, 1.5 * guess + 20))


def _critical(alphas: Floats, largest: int) -> Floats:
    """Two-sided critical t for 0 to `largest` people, a row per alpha; infinite where no test can be done."""
    df = np.arange(largest + 1) - 1.0
    found = np.full((len(alphas), largest + 1), np.inf)
    found[:, 2:] = -special.stdtrit(df[None, 2:], alphas[:, None] / 2.0)
    return found


def _t(count: Integers, mean: Floats, sd: Floats, effect: Effect) -> Floats:
    """Student's t of every study, shape as `mean`; 0 where the SD is 0 (the same person drawn each time)."""
    error = effect.spread * sd / np.sqrt(np.maximum(count, 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (effect.mean + effect.spread * mean) / error
    return np.asarray(np.where(sd > 0, t, 0.0))


def _running(draws: Draws, people: int) -> Iterator[tuple[Integers, Floats, Floats]]:
    """Count, mean and SD of the first 1 to `people` people of each study, shapes (people, some studies)."""
    for first in range(0, draws.simulations, _AT_ONCE):
        studies = min(_AT_ONCE, draws.simulations - first)
        yield _running_sums(draws, people, studies, first)


def _running_sums(draws: Draws, people: int, studies: int, first: int) -> tuple[Integers, Floats, Floats]:
    who, leaving = (np.random.default_rng([draws.seed, first, purpose]) for purpose in (1, 2))
    # Person after person, a row each: more people leave the rows above as they are.
    value = draws.values[(who.random((people, studies)) * len(draws.values)).astype(np.int64)]
    if draws.dropout:
        stays = leaving.random((people, studies)) >= draws.dropout
        value = np.where(stays, value, 0.0)
        count = np.cumsum(stays, axis=0, dtype=np.int64)
    else:
        count = np.broadcast_to(np.arange(1, people + 1)[:, None], (people, studies))
    total, squares = np.cumsum(value, axis=0), np.cumsum(np.square(value), axis=0)
    mean = total / np.maximum(count, 1)
    # Values have mean 0, so nothing cancels; what rounding leaves of an SD of 0 is taken off.
    left = np.maximum(squares - count * np.square(mean), 0.0)
    left[left <= 1e-12 * squares] = 0.0
    return count, mean, np.sqrt(left / np.maximum(count - 1, 1))
