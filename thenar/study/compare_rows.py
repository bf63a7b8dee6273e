"""What a comparison stands on: one row per trial and target, and the mean of each wearer in each condition.

Repeats of a wearer are averaged first, each with equal weight, as in the table of a run; a NaN is left out. OVERALL is
the mean over the targets, each with equal weight, of a wearer who has a number at every one of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.report.metrics import TargetRow
from thenar.scenarios.study import Exclude

OVERALL: Final = "all targets"
UNASSISTED: Final = "unassisted"
ERROR: Final = "mean_abs_error_N"
TRIPS: Final = "trips"

Floats = NDArray[np.float64]


class Row(NamedTuple):
    """One trial at one target. `person`: a wearer's name, one for each person; `values`: by measure, NaN for none."""

    person: str
    condition: str
    target: str
    target_N: float
    trial: int
    values: Mapping[str, float]


class Means(NamedTuple):
    """One measure's mean of each wearer: `numbers` has shape (persons, conditions, targets), NaN where there is none.

    Where there are several targets, the last place is OVERALL.
    """

    persons: tuple[str, ...]
    conditions: tuple[str, ...]
    targets: tuple[str, ...]
    numbers: Floats


class Excluded(NamedTuple):
    """A wearer whom a rule of the study leaves out, and the rule with what was found, in words."""

    person: str
    why: str


def row_of(row: TargetRow, measures: Iterable[str]) -> Row:
    """A row as `thenar.study.measured` gives it, with the measures named."""
    label = row.label
    values = {name: row.value(name) for name in measures}
    return Row(label.wearer_name, label.condition, row.target, row.target_N, label.index, values)


def targets_of(rows: Iterable[Row]) -> tuple[str, ...]:
    """The targets by name, rising."""
    found = {row.target: row.target_N for row in rows}
    return tuple(sorted(found, key=lambda name: (math.isnan(found[name]), found[name], name)))


def means_of(rows: Sequence[Row], measure: str, conditions: Sequence[str]) -> Means:
    """The mean of each wearer in each of `conditions` and at each target."""
    persons, targets = tuple(dict.fromkeys(row.person for row in rows)), targets_of(rows)
    sums, counts = (np.zeros((len(persons), len(conditions), len(targets))) for _ in range(2))
    places = [{name: place for place, name in enumerate(names)} for names in (persons, conditions, targets)]
    for row in rows:
        if row.condition in places[1] and math.isfinite(row.values[measure]):
            at = (places[0][row.person], places[1][row.condition], places[2][row.target])
            sums[at] += row.values[measure]
            counts[at] += 1
    numbers = np.divide(sums, counts, out=np.full(sums.shape, math.nan), where=counts > 0)
    if len(targets) > 1:
        numbers = np.concatenate([numbers, numbers.mean(axis=2, keepdims=True)], axis=2)
        targets = (*targets, OVERALL)
    return Means(persons, tuple(conditions), targets, numbers)


def excluded_by(rules: Exclude, rows: Sequence[Row], refused: Mapping[str, int]) -> list[Excluded]:
    """The wearers among `rows` whom a rule hits, each once with every rule that does.

    `refused`: how many stimulated trials of a wearer never armed. The rows must hold TRIPS and ERROR.
    """
    found = []
    for person in dict.fromkeys(row.person for row in rows):
        own = [row for row in rows if row.person == person]
        why = [_trips(rules, own), _refusals(rules, refused.get(person, 0)), _error(rules, own)]
        if any(why):
            found.append(Excluded(person, "; ".join(words for words in why if words)))
    return found


def _trips(rules: Exclude, rows: Sequence[Row]) -> str:
    trips = sum(row.values[TRIPS] for row in rows if math.isfinite(row.values[TRIPS]))
    if rules.trips_over is None or trips <= rules.trips_over:
        return ""
    return f"trips_over = {rules.trips_over}: {trips:.0f} latched trips"


def _refusals(rules: Exclude, refused: int) -> str:
    if rules.refused_trials_over is None or refused <= rules.refused_trials_over:
        return ""
    return f"refused_trials_over = {rules.refused_trials_over}: {refused} stimulated trials never armed"


def _error(rules: Exclude, rows: Sequence[Row]) -> str:
    numbers = [row.values[ERROR] for row in rows if row.condition == UNASSISTED]
    numbers = [number for number in numbers if math.isfinite(number)]
    error = float(np.mean(numbers)) if numbers else 0.0
    if rules.unassisted_error_over_N is None or error <= rules.unassisted_error_over_N:
        return ""
    return f"unassisted_error_over_N = {rules.unassisted_error_over_N:g}: {error:.3g} N mean absolute error unassisted"
