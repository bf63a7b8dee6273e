"""From the rows of a sweep to a line per setting: means and the 90th percentile over wearers.

A wearer's error is the mean of |force - target| over the whole of that wearer's trials of one condition: rows weighted
by how long their target was shown. A wearer counts once. The 90th percentile (linear between wearers) keeps a setting
from being good on the mean at the cost of a few. Interventions are trace rows at which a requirement had acted, summed
over requirements, per minute of simulated time; trips are counted per trial. Both are those of the condition shown.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final, NamedTuple

import numpy as np

from thenar.report.metrics import TargetRow

ERROR: Final = "mean_abs_error_N"
PULSES: Final = ("agonist_pulses", "antagonist_pulses")
SHOWN_FIRST: Final = ("assisted", "stimulation-only", "unassisted")
UNASSISTED: Final = "unassisted"
TAIL_PERCENT: Final = 90.0


class SettingLine(NamedTuple):
    """One setting over its wearers (errors in N, NaN where there is none).

    `values`: of the swept keys; `low_N`, `median_N`, `p90_N`: 10th, 50th and 90th percentile over wearers of the error
    in `condition`; `unassisted_N`, `unassisted_p90_N`: median and 90th
    percentile over wearers without stimulation; `worse_share`: share of
    wearers whose error is larger than their own unassisted one; `interventions_per_min` in trace rows per minute;
    `trips_per_trial`; `charge_uC_per_min`: both channels and phases; `silent_trials`: without a pulse.
    """

    setting: int
    values: tuple[Any, ...]
    condition: str
    wearers: int
    trials: int
    mean_N: float
    low_N: float
    median_N: float
    p90_N: float
    unassisted_N: float
    unassisted_p90_N: float
    worse_share: float
    interventions_per_min: float
    trips_per_trial: float
    charge_uC_per_min: float
    silent_trials: int


def line_of(setting: int, values: tuple[Any, ...], rows: Sequence[TargetRow]) -> SettingLine:
    """The line of one setting. `rows`: all of its rows, those of shared trials too."""
    conditions = {row.label.condition for row in rows}
    condition = next((name for name in SHOWN_FIRST if name in conditions), SHOWN_FIRST[0])
    shown = [row for row in rows if row.label.condition == condition]
    errors = wearer_errors(shown)
    without = wearer_errors(row for row in rows if row.label.condition == UNASSISTED)
    both = [wearer for wearer in errors if wearer in without]
    compared = condition != UNASSISTED and bool(both)
    worse = sum(1 for wearer in both if errors[wearer] > without[wearer])
    trials = len({row.label.index for row in shown})
    minutes = sum(row.time_s for row in shown) / 60.0
    low, median, p90 = percentiles(errors.values(), (100.0 - TAIL_PERCENT, 50.0, TAIL_PERCENT))
    median_without, p90_without = percentiles(without.values(), (50.0, TAIL_PERCENT))
    return SettingLine(
        setting=setting,
        values=values,
        condition=condition,
        wearers=len(errors),
        trials=trials,
        mean_N=float(np.mean(list(errors.values()))) if errors else math.nan,
        low_N=low,
        median_N=median,
        p90_N=p90,
        unassisted_N=median_without,
        unassisted_p90_N=p90_without,
        worse_share=worse / len(both) if compared else math.nan,
        interventions_per_min=_per(sum(sum(row.interventions.values()) for row in shown), minutes),
        trips_per_trial=_per(_total(shown, "trips"), trials),
        charge_uC_per_min=_per(sum(_total(shown, f"{side}_charge_both_phases_uC") for side in _SIDES), minutes),
        silent_trials=_silent(shown) if condition != UNASSISTED else 0,
    )


_SIDES: Final = ("agonist", "antagonist")


def wearer_errors(rows: Iterable[TargetRow]) -> dict[int, float]:
    """Wearer number to mean absolute error in N over all rows of that wearer, weighted by time (NaN left out)."""
    found: dict[int, list[tuple[float, float]]] = {}
    for row in rows:
        error_N = row.value(ERROR)
        if math.isfinite(error_N) and row.time_s > 0.0:
            found.setdefault(row.label.wearer, []).append((error_N, row.time_s))
    return {
        wearer: sum(error * time for error, time in parts) / sum(time for _, time in parts)
        for wearer, parts in found.items()
    }


def percentiles(numbers: Iterable[float], percents: Sequence[float]) -> tuple[float, ...]:
    """Percentiles of numbers (linear between neighbours), NaN each when there are none."""
    array = np.array(list(numbers))
    if not len(array):
        return (math.nan,) * len(percents)
    return tuple(np.percentile(array, percents).tolist())


def best_first(lines: Iterable[SettingLine]) -> list[SettingLine]:
    """Lines with the smallest 90th percentile of error first; those without one last."""
    return sorted(lines, key=lambda line: (math.isnan(line.p90_N), line.p90_N, line.setting))


def _total(rows: Iterable[TargetRow], name: str) -> float:
    return sum(row.value(name) for row in rows)


def _per(total: float, count: float) -> float:
    return total / count if count else math.nan


def _silent(rows: Iterable[TargetRow]) -> int:
    pulses: dict[int, float] = {}
    for row in rows:
        pulses[row.label.index] = pulses.get(row.label.index, 0.0) + sum(row.value(name) for name in PULSES)
    return sum(1 for count in pulses.values() if not count)
