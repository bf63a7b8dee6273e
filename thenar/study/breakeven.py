"""How good an estimate of force must be before assistance helps: break-even errors per force, kind and trust.

For each force the wearers of a scenario hold it for a while, without stimulation and assisted, with the same noise
(streams are named by seed, wearer, trial and purpose alone). A wearer's difference is the mean absolute error without
stimulation less that with it, averaged over the trials: above zero assistance helps. What is tried changes the sensor
or the trust alone, so that differences move smoothly and their mean over wearers has one clear crossing.

A hold replaces the scenario's target: `HOLD_S` seconds, or the scenario's length if that is shorter, armed from the
beginning. Faults on a timetable are left out, for they belong to a moment and not to a sensor.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.engine.trial import Trial, plan_trials
from thenar.plant_models.settings import Estimator
from thenar.scenarios.changes import with_values
from thenar.scenarios.loader import LoadedScenario
from thenar.scenarios.targets import ConstantTarget, StepsTarget
from thenar.shared.errors import InputError, Problem
from thenar.study.breakeven_sensors import (
    IN_NEWTONS,
    UNITS,
    errs,
    mean_abs_error_N,
    sizes_to_try,
    with_error,
)
from thenar.study.crossing import FEWEST, Crossing, crossing, mean_interval
from thenar.study.measured import measured
from thenar.study.resampled import Interval

HOLD_S: Final = 20.0
LEAST_REPEATS: Final = 4
MEASURE: Final = "mean_abs_error_N"
_PULSES: Final = ("agonist_pulses", "antagonist_pulses")

Floats = NDArray[np.float64]


class Asked(NamedTuple):
    """What is looked for. `trusts`: NaN for the wearers' own, otherwise every wearer's. `jobs`: cores."""

    loaded: LoadedScenario
    levels_N: tuple[float, ...]
    kinds: tuple[str, ...]
    trusts: tuple[float, ...]
    repeats: int
    seed: int
    jobs: int


class Tried(NamedTuple):
    """One sensor at one force: a difference in N per wearer, shape (wearers,); pulses given in all trials."""

    differences_N: Floats
    pulses: int


class Found(NamedTuple):
    """One break-even error.

    `crossing`: in the unit of the kind; `errors_N`: the estimator's mean absolute error at value, low and high (NaN
    where there is none, and for lag); `withheld`: what ends it is the interlock, which lets nothing through
    any more, and no harm is shown; `without_error`, `at_last`: mean over wearers of the
    difference in N with the first and the last sensor tried.
    """

    level_N: float
    kind: str
    trust: float
    crossing: Crossing
    errors_N: tuple[float, float, float]
    withheld: bool
    without_error: Interval
    at_last: Interval

    @property
    def unit(self) -> str:
        """The unit of the crossing."""
        return UNITS[self.kind]


class TrustEffect(NamedTuple):
    """With the scenario's sensor: by how many N the error of wearers with `high` trust is below that with `low` trust.

    The same wearers meet both: mean of paired differences with its interval over `wearers`.
    """

    level_N: float
    low: float
    high: float
    saved_N: Interval
    wearers: int


class _Planned(NamedTuple):
    """One force: assisted trials, the wearer of each, and the unassisted error in N of each, all of shape (trials,)."""

    trials: list[Trial]
    wearer: NDArray[np.int64]
    unassisted_N: Floats


class Bench:
    """Runs sensors at forces and remembers what came of it.

    `loaded`: a scenario that `holding` has checked; `repeats`: trials per wearer; `jobs`: cores.
    """

    def __init__(self, loaded: LoadedScenario, seed: int, repeats: int, jobs: int) -> None:
        self.sensor = loaded.scenario.estimator
        self.seed = seed
        self.wearers = loaded.scenario.wearer_count
        self._loaded, self._repeats, self._jobs = loaded, repeats, jobs
        self._planned: dict[float, _Planned] = {}
        self._tried: dict[tuple[float, float, Estimator], Tried] = {}

    def tried(self, level_N: float, sensor: Estimator, trust: float = math.nan) -> Tried:
        """Assistance with `sensor` at `level_N` N; `trust`: of every wearer, NaN for their own."""
        key = (level_N, math.inf if math.isnan(trust) else trust, sensor)
        if key not in self._tried:
            self._tried[key] = self._run(level_N, sensor, trust)
        return self._tried[key]

    def _run(self, level_N: float, sensor: Estimator, trust: float) -> Tried:
        plan = self._plan(level_N)
        trials = [dataclasses.replace(trial, estimator=sensor) for trial in plan.trials]
        if not math.isnan(trust):
            trusting: dict[int, Any] = {}
            for trial in trials:
                cue = trial.wearer.cue.model_copy(update={"trust": trust})
                trusting.setdefault(trial.label.wearer, trial.wearer.model_copy(update={"cue": cue}))
            trials = [dataclasses.replace(trial, wearer=trusting[trial.label.wearer]) for trial in trials]
        errors_N, pulses = self._errors(trials)
        each = np.bincount(plan.wearer, plan.unassisted_N - errors_N) / np.bincount(plan.wearer)
        # Without a pulse both conditions are the same trial but for the last bits of their sums.
        return Tried(each if pulses else np.zeros_like(each), pulses)

    def _plan(self, level_N: float) -> _Planned:
        if level_N not in self._planned:
            trials = plan_trials(held_at(self._loaded, level_N, self._repeats), self.seed)
            bare = [trial for trial in trials if not trial.stimulated]
            aided = [trial for trial in trials if trial.stimulated]
            wearer = np.array([trial.label.wearer for trial in aided], dtype=np.int64)
            self._planned[level_N] = _Planned(aided, wearer, self._errors(bare)[0])
        return self._planned[level_N]

    def _errors(self, trials: Sequence[Trial]) -> tuple[Floats, int]:
        errors_N, pulses = np.empty(len(trials)), 0
        for place, rows in measured(trials, moving=False, jobs=self._jobs):
            errors_N[place] = rows[0].value(MEASURE)
            pulses += sum(int(rows[0].value(name)) for name in _PULSES)
        return errors_N, pulses


def held_at(loaded: LoadedScenario, level_N: float, repeats: int) -> LoadedScenario:
    """The scenario with a hold of `level_N` N in place of its target, as this file's head says."""
    scenario = loaded.scenario
    changed: dict[str, Any] = {
        "target": ConstantTarget(program="constant", level_N=level_N),
        "duration_s": min(HOLD_S, scenario.duration_s),
        "repeats": repeats,
        "conditions": ("unassisted", "assisted"),
        "faults": (),
        "session": scenario.session.model_copy(update={"arm_at_s": 0.0}),
    }
    return dataclasses.replace(loaded, scenario=scenario.model_copy(update=changed))


def levels_of(loaded: LoadedScenario) -> tuple[float, ...]:
    """The forces in N that a scenario holds, rising. Raises InputError when it holds none."""
    target = loaded.scenario.target
    if isinstance(target, ConstantTarget):
        levels: tuple[float, ...] = (target.level_N,)
    elif isinstance(target, StepsTarget):
        levels = target.levels_N
    else:
        levels = ()
    levels = tuple(sorted({level for level in levels if level > 0.0}))
    if not levels:
        allowed = "--levels with forces in N, as --levels 3,6,9"
        raise InputError([Problem(str(loaded.path), "target", "no force above zero that is held", allowed)])
    return levels


def with_wearers(loaded: LoadedScenario, count: int | None) -> LoadedScenario:
    """The scenario with `count` drawn wearers (None: its own). Raises InputError without wearers enough."""
    scenario, file = loaded.scenario, str(loaded.path)
    if count is not None:
        if scenario.wearers:
            allowed = "a scenario with [population] or a single [wearer] to draw around; this one names its wearers"
            raise InputError([Problem(file, "--wearers", str(count), allowed)])
        loaded = with_values(loaded, {"population.count": count})
    found = loaded.scenario.wearer_count
    if found < FEWEST:
        allowed = f"at least {FEWEST}, for an interval over wearers; --wearers 12 draws 12 around the scenario's own"
        raise InputError([Problem(file, "wearers", str(found), allowed)])
    return loaded


def check(loaded: LoadedScenario, levels_N: Sequence[float], seed: int) -> None:
    """Raise InputError unless every wearer can be stimulated and hold every level."""
    file = str(loaded.path)
    trials = [trial for trial in plan_trials(held_at(loaded, levels_N[0], 1), seed) if trial.stimulated]
    for trial in trials:
        if trial.recorded_N.size:
            allowed = "wearers who make their own force: one who plays back a recording holds no force"
            raise InputError([Problem(file, "wearer.recording", trial.wearer.recording, allowed)])
        objections = trial.arming_objections()
        if objections:
            found = "; ".join(f"{why} ({name})" for name, why in objections.items())
            allowed = "what is on file lets the loop arm: without stimulation there is no break-even"
            raise InputError([Problem(file, "", f"{trial.wearer.name}: {found}", allowed)])
    most_N = min(trial.wearer.max_pinch_N for trial in trials)
    for level in levels_N:
        if not 0.0 < level < most_N:
            allowed = f"a force above 0 and below the weakest wearer's maximum of {most_N:.1f} N"
            raise InputError([Problem(file, "--levels", f"{level:g} N", allowed)])


def break_evens(bench: Bench, asked: Asked) -> Iterator[Found]:
    """Every break-even error asked for: force by force, kind by kind, trust by trust. Kinds that can't err give none.

    Raises InputError when the law can't be built, LostWorkerError when a worker dies.
    """
    for level_N in asked.levels_N:
        for kind in kinds_that_err(bench.sensor, asked.kinds):
            for trust in asked.trusts:
                yield break_even(bench, level_N, kind, trust)


def trust_effects(bench: Bench, asked: Asked) -> Iterator[TrustEffect]:
    """What the largest trust asked for changes against the smallest, force by force; nothing without two of them."""
    stated = sorted({trust for trust in asked.trusts if not math.isnan(trust)})
    if len(stated) < 2:
        return
    for level_N in asked.levels_N:
        low, high = (bench.tried(level_N, bench.sensor, trust).differences_N for trust in (stated[0], stated[-1]))
        yield TrustEffect(level_N, stated[0], stated[-1], mean_interval(high - low), low.size)


def kinds_that_err(sensor: Estimator, kinds: Sequence[str]) -> tuple[str, ...]:
    """`kinds` without "together" where the scenario's sensor has no error to scale."""
    return tuple(kind for kind in kinds if kind != "together" or errs(sensor))


def break_even(bench: Bench, level_N: float, kind: str, trust: float = math.nan) -> Found:
    """The largest error of one kind at which assistance still helps at `level_N` N."""

    def tried(size: float) -> Tried:
        return bench.tried(level_N, with_error(bench.sensor, kind, size), trust)

    found = crossing(lambda size: tried(size).differences_N, sizes_to_try(bench.sensor, kind, level_N))
    errors_N = tuple(_placed_N(bench, level_N, kind, size) for size in (found.value, found.low, found.high))
    withheld = found.finite and math.isfinite(found.high) and not found.harmful
    ends = (mean_interval(tried(size).differences_N) for size in (found.first, found.last))
    return Found(level_N, kind, trust, found, (errors_N[0], errors_N[1], errors_N[2]), withheld, *ends)


def _placed_N(bench: Bench, level_N: float, kind: str, size: float) -> float:
    if not math.isfinite(size) or kind not in (*IN_NEWTONS, "together"):
        return math.nan
    return float(mean_abs_error_N(with_error(bench.sensor, kind, size), np.array([level_N]), bench.seed)[0])
