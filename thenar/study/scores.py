"""One number per wearer: what tuning and sensitivity judge a trial by, made from its rows of measures.

Over the targets of a trial a mean is weighted by the time each was shown; over a wearer's repeats every trial counts
alike. Interventions are trace rows at which a rule of the interlock had acted since the row before, summed over rules.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from operator import methodcaller
from typing import Final, NamedTuple

import numpy as np

from thenar.report.metrics import TargetRow
from thenar.shared.errors import InputError, Problem, nearest, shown

S_PER_MIN: Final = 60.0
OVER: Final = ("mean", "p90", "worst")


class Score(NamedTuple):
    """A measure of one wearer in one condition: name, unit, meaning, and whether more of it is better."""

    name: str
    unit: str
    meaning: str
    larger_better: bool = False


SCORES: Final = (
    Score("mean_abs_error_N", "N", "mean of |force - target|"),
    Score("rms_error_N", "N", "root of the mean squared force - target"),
    Score("steady_error_N", "N", "mean of |force - target| in the steady part of each hold"),
    Score("cv_percent", "%", "SD of force over its mean in the steady part of each hold"),
    Score("in_band_percent", "%", "time within 10 % of the target or 0.5 N, whichever is larger", True),
    Score("charge_uC_per_min", "uC/min", "charge of both phases, both channels"),
    Score("interventions_per_min", "1/min", "trace rows at which a rule of the interlock acted, summed over rules"),
    Score("trips_per_min", "1/min", "latched trips"),
    Score("own_impulse_percent", "%", "own force over own, agonist and antagonist force, as impulses", True),
    Score("against_own_percent", "%", "time in which evoked force points against the change of the own force"),
    Score("evoked_lead_ms", "ms", "evoked onset ahead of own onset after a step, median over holds"),
    Score("over_window_percent", "%", "steps after which evoked force led by more than 100 ms (published: 80 to 100)"),
    Score("refusals_per_min", "1/min", "episodes of the agonist above the band, or the antagonist below it"),
)
_PLAIN: Final = (
    "steady_error_N", "cv_percent", "in_band_percent", "own_impulse_percent", "against_own_percent", "evoked_lead_ms",
    "over_window_percent", "refusals_per_min",
)  # fmt: skip
NAMES: Final = tuple(score.name for score in SCORES)


def score_called(name: str, option: str) -> Score:
    """The score of that name. Raises InputError, saying after which `option` it was typed."""
    for score in SCORES:
        if score.name == name:
            return score
    raise InputError([Problem(option, "", shown(name), f"one of {', '.join(NAMES)}", nearest(name, NAMES))])


def trial_scores(rows: Sequence[TargetRow]) -> dict[str, float]:
    """Every score of one trial by name, from all its rows. NaN where the rows have no such number."""
    minutes = math.fsum(row.time_s for row in rows) / S_PER_MIN
    charge_uC = math.fsum(
        row.value(f"{channel}_charge_both_phases_uC") for row in rows for channel in ("agonist", "antagonist")
    )
    return {
        "mean_abs_error_N": _by_time(rows, lambda row: row.value("mean_abs_error_N")),
        "rms_error_N": math.sqrt(_by_time(rows, lambda row: row.value("rms_error_N") ** 2)),
        **{name: _by_time(rows, methodcaller("value", name)) for name in _PLAIN},
        "charge_uC_per_min": charge_uC / minutes,
        "interventions_per_min": sum(count for row in rows for count in row.interventions.values()) / minutes,
        "trips_per_min": math.fsum(row.value("trips") for row in rows) / minutes,
    }


def _by_time(rows: Sequence[TargetRow], number: Callable[[TargetRow], float]) -> float:
    """Mean over targets weighted by time; a target that has no such number (NaN) is left out."""
    there = [(number(row), row.time_s) for row in rows if not math.isnan(number(row))]
    total_s = math.fsum(time_s for _, time_s in there)
    return math.fsum(value * time_s for value, time_s in there) / total_s if total_s else math.nan


Wearers = dict[int, dict[str, float]]
"""Wearer number to that wearer's scores by name."""


def wearer_scores(trials: Iterable[Sequence[TargetRow]]) -> Wearers:
    """Scores by wearer: the mean over that wearer's trials (NaN left out; NaN when nothing is left)."""
    found: dict[int, list[dict[str, float]]] = {}
    for rows in trials:
        found.setdefault(rows[0].label.wearer, []).append(trial_scores(rows))
    return {
        wearer: {name: _mean([scores[name] for scores in several]) for name in NAMES}
        for wearer, several in sorted(found.items())
    }


def _mean(numbers: Sequence[float]) -> float:
    there = [number for number in numbers if not math.isnan(number)]
    return math.fsum(there) / len(there) if there else math.nan


def over_wearers(numbers: Sequence[float], over: str, larger_better: bool = False) -> float:
    """One number for all wearers, in the unit of `numbers` (shape (wearers,)); NaN when one of them is.

    "mean"; "p90": what nine of ten wearers reach or better it, linear between neighbours; "worst": the worst wearer.
    Raises ValueError on another word.
    """
    match over:
        case "mean":
            return math.fsum(numbers) / len(numbers)
        case "p90":
            return float(np.quantile(numbers, 0.1 if larger_better else 0.9))
        case "worst":
            worst: Callable[..., float] = min if larger_better else max
            return math.nan if any(math.isnan(number) for number in numbers) else worst(numbers)
        case _:
            raise ValueError(f"no way over wearers called {over!r}")


def worse_share(assisted: Mapping[int, Mapping[str, float]], unassisted: Mapping[int, Mapping[str, float]]) -> float:
    """Share of wearers whose mean absolute error is larger assisted than unassisted, 0 to 1."""
    name = "mean_abs_error_N"
    worse = [wearer for wearer, scores in assisted.items() if scores[name] > unassisted[wearer][name]]
    return len(worse) / len(assisted)
