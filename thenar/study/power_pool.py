"""The pool that planned studies are drawn from: many simulated wearers, each with many trials in two conditions.

Noise in a simulated trial follows (seed, wearer, repeat) and not the condition. Pairs of trials of one repeat would
share it and differ less than a person's two trials do. So the baseline is simulated in other repeats than the assisted
trials. Trials of one wearer are simulated apart: nobody learns or tires from one to the next.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import islice
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.engine.trial import Trial, trials_of_wearer, wearers_in
from thenar.report.metrics import METRICS, TargetRow
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError, Problem, nearest, shown
from thenar.study.drawn import check_arms, drawn_wearers
from thenar.study.scores import SCORES, trial_scores
from thenar.study.tuning import rows_of

WEARERS: Final = 400
ASSISTED: Final = "assisted"
BASELINES: Final = ("unassisted", "stimulation-only")
FEWEST_WEARERS: Final = 20
RESAMPLES: Final = 2_000
_TRIALS_AT_ONCE: Final = 4_096

Floats = NDArray[np.float64]


class Measure(NamedTuple):
    """What is compared: its name, unit, meaning, and whether less (-1) or more (1) of it helps; 0: neither is said."""

    name: str
    unit: str
    meaning: str
    better: int


class Pool(NamedTuple):
    """A measure of simulated wearers in two conditions, shapes (wearers, trials), in the measure's unit.

    `left_out`: drawn wearers for whom some trial gave no number; `words`: where the wearers come from.
    """

    assisted: Floats
    baseline: Floats
    left_out: int
    words: str

    @property
    def wearers(self) -> int:
        """How many wearers are in it."""
        return len(self.assisted)

    @property
    def trials(self) -> int:
        """Trials of each wearer in each condition."""
        return int(self.assisted.shape[1])

    def differences(self, trials: int) -> Floats:
        """Assisted minus baseline, a mean of `trials` trials each, shape (wearers, ways to pick neighbouring trials).

        Trials of one wearer are alike but for chance, so any of them make a study of so many trials.
        """
        ways = 1 if trials == self.trials else self.trials
        each = self.assisted - self.baseline
        picked = (np.arange(ways)[:, None] + np.arange(trials)[None, :]) % self.trials
        return np.asarray(each[:, picked].mean(axis=2))

    @property
    def mean_difference(self) -> float:
        """Mean of assisted minus baseline, in the measure's unit."""
        return float(np.mean(self.assisted - self.baseline))


class Spread(NamedTuple):
    """SD of wearers' own mean differences, and SD of one trial's difference about it, both in the measure's unit."""

    between_wearers: float
    within_wearer: float


def measure_called(name: str, option: str) -> Measure:
    """The measure of that name. Raises InputError, saying after which `option` or key it stands."""
    for score in SCORES:
        if score.name == name:
            return Measure(name, score.unit, score.meaning, 1 if score.larger_better else -1)
    for metric in METRICS:
        if metric.name == name:
            return Measure(name, metric.unit, metric.meaning, 0)
    known = sorted({score.name for score in SCORES} | {metric.name for metric in METRICS})
    raise InputError([Problem(option, "", shown(name), f"one of {', '.join(known)}", nearest(name, known))])


def pool_scenario(loaded: LoadedScenario, baseline: str, wearers: int, trials: int) -> tuple[LoadedScenario, str]:
    """The scenario with so many drawn wearers and repeats enough for both conditions; and where they come from.

    Raises InputError where the wearers can't be drawn.
    """
    drawn = drawn_wearers(loaded, wearers, 2 * trials)
    scenario = drawn.loaded.scenario.model_copy(update={"conditions": (baseline, ASSISTED)})
    return replace(drawn.loaded, scenario=scenario), drawn.words


def pool_trials(loaded: LoadedScenario, seed: int) -> Iterator[Trial]:
    """The trials of a pool: assisted in the first half of the repeats, the baseline in the second."""
    half = loaded.scenario.repeats // 2
    for number, wearer in enumerate(wearers_in(loaded, seed)):
        for repeat in range(2 * half):
            wanted = ASSISTED if repeat < half else loaded.scenario.conditions[0]
            yield from (
                trial
                for trial in trials_of_wearer(loaded, seed, number, wearer, repeat)
                if trial.label.condition == wanted
            )


def simulated_pool(
    loaded: LoadedScenario,
    words: str,
    measure: str,
    seed: int,
    *,
    moving: bool,
    jobs: int,
    on_trial: Callable[[object], None],
) -> Pool:
    """Run a pool's scenario (`pool_scenario`) and keep one number of each trial; equal whatever `jobs` (cores) is.

    `moving`: the target program holds no level; `on_trial` is called after each trial. Raises InputError where the
    interlock would never arm, and where too few wearers have a number for `measure`.
    """
    scenario = loaded.scenario
    half = scenario.repeats // 2
    values = np.full((2, scenario.wearer_count, half), math.nan)
    trials = pool_trials(loaded, seed)
    while some := list(islice(trials, _TRIALS_AT_ONCE)):
        check_arms([trial for trial in some if trial.stimulated], str(loaded.path))
        for trial, rows in zip(some, rows_of(some, moving, jobs, on_trial), strict=True):
            side = 0 if trial.label.condition == ASSISTED else 1
            values[side, trial.label.wearer, trial.label.repeat % half] = trial_value(rows, measure)
    there = np.isfinite(values).all(axis=(0, 2))
    _check_enough(int(there.sum()), scenario.wearer_count, measure)
    return Pool(values[0][there], values[1][there], int((~there).sum()), words)


def _check_enough(there: int, drawn: int, measure: str) -> None:
    if there < FEWEST_WEARERS:
        found = f"{there} of {drawn} simulated wearers have a number for it in every trial"
        raise InputError([Problem("--measure", measure, found, f"at least {FEWEST_WEARERS} wearers who have one")])


def trial_value(rows: Sequence[TargetRow], measure: str) -> float:
    """One number of a trial: as tuning scores it, or else the mean over its targets weighted by time (NaN: none)."""
    if not rows:
        return math.nan
    if any(score.name == measure for score in SCORES):
        return trial_scores(rows)[measure]
    there = [(row.value(measure), row.time_s) for row in rows if not math.isnan(row.value(measure))]
    total_s = math.fsum(time_s for _, time_s in there)
    return math.fsum(value * time_s for value, time_s in there) / total_s if total_s else math.nan


def spread_of(pool: Pool) -> Spread:
    """The parts of the spread by one-way analysis of variance (moments; a negative part between wearers becomes 0).

    One trial of each wearer can't be taken apart: all of it then stands between wearers and the other is NaN.
    """
    each = pool.assisted - pool.baseline
    of_means = float(np.var(each.mean(axis=1), ddof=1))
    if pool.trials == 1:
        return Spread(math.sqrt(of_means), math.nan)
    within = float(np.mean(np.var(each, axis=1, ddof=1)))
    return Spread(math.sqrt(max(0.0, of_means - within / pool.trials)), math.sqrt(within))


def people_interval(pool: Pool, trials: int, people: int, alpha: float, effect: float | None, seed: int) -> list[float]:
    """Ends of a 95 % interval for the people needed, had other wearers been simulated (infinite: no effect is left).

    Wearers are resampled. People grow as (SD over mean effect) squared beyond the t test's own z^2 / 2, which `people`
    found by simulation is scaled by; `effect`: the wanted mean difference, None for the pool's own.
    """
    from scipy import special

    differences = pool.differences(trials)
    rng = np.random.default_rng([seed, 3])
    who = rng.integers(0, pool.wearers, size=(RESAMPLES, pool.wearers))
    first, second = differences.mean(axis=1)[who].mean(axis=1), np.square(differences).mean(axis=1)[who].mean(axis=1)
    variance = second - np.square(first)
    mean = first if effect is None else np.full(RESAMPLES, effect)
    sign, own = np.sign(pool.mean_difference if effect is None else effect), pool.mean_difference
    target = own if effect is None else effect
    with np.errstate(divide="ignore"):
        ratio = np.where(mean * sign > 0, variance / np.square(mean), np.inf) / (np.var(differences) / target**2)
    extra = float(special.ndtri(1.0 - alpha / 2.0)) ** 2 / 2.0
    needed = max(0.0, people - extra) * ratio + extra
    low, high = np.quantile(needed, [0.025, 0.975], method="inverted_cdf")
    return [float(np.ceil(low)), float(np.ceil(high))]
