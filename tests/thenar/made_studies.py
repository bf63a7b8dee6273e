"""Whole small studies, drawn and run through the engine, as rows that a comparison takes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from thenar.engine.trial import Trial, plan_trials
from thenar.report.metrics import TargetRow
from thenar.scenarios.changes import with_values
from thenar.scenarios.gallery import gallery_file
from thenar.scenarios.loader import LoadedScenario, load_scenario
from thenar.study.compare_rows import Row, row_of
from thenar.study.measured import measured

WEARERS = 12
MEASURES = ("mean_abs_error_N", "agonist_pulses", "antagonist_pulses")
TRIAL_S = 30.0
AT_ONCE = 20


def ladder(conditions: list[str], repeats: int, **settings: object) -> LoadedScenario:
    """The shipped key-pinch ladder in short trials: every rung twice, WEARERS drawn wearers."""
    changes: dict[str, object] = {"conditions": conditions, "repeats": repeats, "duration_s": TRIAL_S}
    changes |= {"population.count": WEARERS} | settings
    return with_values(load_scenario(gallery_file("key-pinch-ladder")), changes)


def inert() -> LoadedScenario:
    """Assistance that never acts, and two trials of each wearer in each condition."""
    never = {"law.settings.gain_fraction_per_N": 0.0, "law.settings.start": "zero"}
    return ladder(["unassisted", "assisted"], 2, **never)


def first_without_then_with(trial: Trial) -> bool:
    """Of inert studies: the first trial of a wearer counts as unassisted, the second one as assisted.

    Noise follows (seed, wearer, repeat) and never the condition, so that inert assistance gives the very same trial
    twice, in which nothing could be found. Two repeats meet noise and orders of rungs of their own, as two trials of a
    person would.
    """
    return (trial.label.condition, trial.label.repeat) in {("unassisted", 0), ("assisted", 1)}


def every_trial(_: Trial) -> bool:
    """All trials of a study."""
    return True


def studies(
    loaded: LoadedScenario, seeds: Sequence[int], wanted: object = every_trial, jobs: int = 2
) -> Iterator[list[Row]]:
    """The rows of one study for each seed, with wearers, targets and noise of its own."""
    for first in range(0, len(seeds), AT_ONCE):
        plans = [[t for t in plan_trials(loaded, seed) if wanted(t)] for seed in seeds[first : first + AT_ONCE]]  # type: ignore[operator]
        trials = [trial for plan in plans for trial in plan]
        found: dict[int, list[TargetRow]] = dict(measured(trials, moving=False, jobs=jobs))
        place = 0
        for plan in plans:
            yield [row_of(row, MEASURES) for number in range(place, place + len(plan)) for row in found[number]]
            place += len(plan)
