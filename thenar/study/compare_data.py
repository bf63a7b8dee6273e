"""A lab's own measured results as rows to compare, and how well a rehearsal predicted them.

The file is tidy: a line for each trial and target, columns LABELS and one or more measures. Equivalence is judged by
two one-sided tests against a stated margin (Schuirmann [@schuirmann-1987], from memory; statsmodels reckons them): a
rehearsal that is merely not shown to be wrong is not shown to be right.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from thenar.report.metrics import METRICS
from thenar.shared.errors import InputError, Problem, nearest, shown
from thenar.shared.text_input import bytes_in
from thenar.study.compare import Comparison
from thenar.study.compare_rows import Row

Floats = NDArray[np.float64]
LABELS: Final = ("wearer", "condition", "trial", "target_N")
MEASURES: Final = {metric.name: metric for metric in METRICS}
LARGEST_BYTES: Final = 50_000_000
MOST_PROBLEMS: Final = 8
TEMPLATE: Final = "`thenar template comparison` makes one"
LEAST_WEARERS: Final = 3


class Predicted(NamedTuple):
    """One difference (condition - against) as measured and as rehearsed, in the measure's unit.

    `low`, `high`: interval of rehearsed minus measured at 1 - 2 alpha; `p`: the larger of the two one-sided tests that
    they differ by `margin` or more; `equivalent`: whether p is below alpha. `same`: wearers of one name in both, whose
    differences were paired; 0 where none were and two groups were compared.
    """

    condition: str
    against: str
    target: str
    measured: float
    rehearsed: float
    low: float
    high: float
    p: float
    margin: float
    equivalent: bool
    same: int


class Spread(NamedTuple):
    """Means of wearers in one condition at one target: SDs measured and rehearsed, and Kolmogorov-Smirnov's test."""

    condition: str
    target: str
    measured_sd: float
    rehearsed_sd: float
    p_ks: float


class Trials(NamedTuple):
    """Trials of one wearer, condition, number and target in both: agreement of their values.

    `pairs`: how many; `concordance`: Lin's coefficient; `bias`, `low`, `high`: mean of rehearsed - measured and its
    limits of agreement.
    """

    pairs: int
    concordance: float
    bias: float
    low: float
    high: float


class Prediction(NamedTuple):
    """How well the rehearsal of `measure` predicted what was measured. `trials` is None without trials in common."""

    measure: str
    margin: float
    differences: tuple[Predicted, ...]
    spreads: tuple[Spread, ...]
    trials: Trials | None


def read_data(path: Path) -> tuple[Row, ...]:
    """The rows of a tidy CSV. Raises InputError naming line and column of what is wrong."""
    try:
        text = bytes_in(path, LARGEST_BYTES, "CSV file").decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError([Problem(str(path), "", "no UTF-8 text", f"a CSV; {TEMPLATE}")]) from None
    numbered = [(place, line) for place, line in enumerate(text.splitlines(), 1) if line.strip() and line[0] != "#"]
    if not numbered:
        raise InputError([Problem(str(path), "", "no line of numbers", f"a CSV; {TEMPLATE}")])
    header = [name.strip() for name in next(csv.reader([numbered[0][1]]))]
    measures = _measures(header, path)
    problems: list[Problem] = []
    rows = list(_rows(numbered[1:], header, measures, problems, str(path)))
    if problems:
        raise InputError(problems[:MOST_PROBLEMS])
    if not rows:
        raise InputError([Problem(str(path), "", "no line of numbers", "a line for each trial and target")])
    return tuple(rows)


def _measures(header: Sequence[str], path: Path) -> tuple[str, ...]:
    problems = [
        Problem(str(path), f"column {name}", "not there", f"columns {', '.join(LABELS)} and measures")
        for name in LABELS
        if name not in header
    ]
    twice = [name for name in dict.fromkeys(header) if header.count(name) > 1]
    problems += [Problem(str(path), f"column {name}", "there twice", "each column once") for name in twice]
    for name in header:
        if name not in (*LABELS, "target") and name not in MEASURES:
            allowed = f"a measure of thenar: {', '.join(MEASURES)}"
            problems.append(Problem(str(path), f"column {shown(name)}", "unknown", allowed, nearest(name, MEASURES)))
    measures = tuple(name for name in header if name in MEASURES)
    if not measures and not problems:
        problems.append(Problem(str(path), "columns", "no measure", f"one or more of {', '.join(MEASURES)}"))
    if problems:
        raise InputError(problems)
    return measures


def _rows(
    numbered: Sequence[tuple[int, str]], header: Sequence[str], measures: Sequence[str], problems: list[Problem],
    file: str,
) -> Iterator[Row]:  # fmt: skip
    met: dict[tuple[str, str, int, str], int] = {}
    for place, line in numbered:
        cells = [cell.strip() for cell in next(csv.reader([line]))]
        if len(cells) != len(header):
            problems.append(Problem(file, f"line {place}", f"{len(cells)} cells", f"{len(header)}, as in the header"))
            continue
        named = dict(zip(header, cells, strict=True))
        wrong = [name for name in ("wearer", "condition") if not named[name] or not named[name].isprintable()]
        problems += [Problem(file, f"line {place}, column {name}", shown(named[name]), "a name") for name in wrong]
        numbers = {name: _number(named[name], name in measures) for name in ("trial", "target_N", *measures)}
        bad = [name for name, number in numbers.items() if number is None]
        problems += [
            Problem(file, f"line {place}, column {name}", shown(named[name]), "a number" + _or_empty(name, measures))
            for name in bad
        ]
        if wrong or bad:
            continue
        found = {name: number for name, number in numbers.items() if number is not None}
        target = named.get("target") or f"{found['target_N']:g} N"
        label = (named["wearer"], named["condition"], int(found["trial"]), target)
        if label in met:
            words = f"the same wearer, condition, trial and target as line {met[label]}"
            problems.append(Problem(file, f"line {place}", words, "a line for each trial and target"))
        met[label] = place
        yield Row(label[0], label[1], target, found["target_N"], label[2], {name: found[name] for name in measures})


def _or_empty(name: str, measures: Sequence[str]) -> str:
    return ", or an empty cell" if name in measures else ""


def _number(cell: str, may_be_empty: bool) -> float | None:
    """The number in a cell, NaN for an empty one where that may be, else None."""
    if not cell:
        return math.nan if may_be_empty else None
    try:
        number = float(cell)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def template_csv() -> str:
    """An empty table for a lab's own results, with three example rows."""
    text = io.StringIO()
    text.write(
        "# thenar comparison: measured results, a line for each trial and target; an empty cell: not measured.\n"
    )
    text.write(
        "# Only from sessions that your ethics board approved; no names, no dates of birth: wearers are labels.\n"
    )
    text.write(f"# Measures, one or more: {', '.join(f'{one.name} ({one.unit or 1})' for one in METRICS)}\n")
    text.write("# The three rows below are examples: put your own in their place.\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*LABELS, "mean_abs_error_N", "cv_percent"])
    writer.writerows([
        ["bench 1", "unassisted", 1, 4.0, 1.31, 6.2], ["bench 1", "assisted", 2, 4.0, 0.94, 6.6],
        ["bench 2", "unassisted", 1, 4.0, 1.52, ""],
    ])  # fmt: skip
    return text.getvalue()


def prediction_of(
    measured: Comparison, rehearsed: Comparison, rows: tuple[Sequence[Row], Sequence[Row]], margin: float
) -> Prediction:
    """How well `rehearsed` predicted `measured` in its first measure. `rows`: of both, measured first.

    `margin`: in the measure's unit. Only conditions and targets that both have are compared.
    """
    measure, alpha = measured.question.measures[0], measured.question.alpha
    one, other = measured.means[measure], rehearsed.means[measure]
    targets = [target for target in one.targets if target in other.targets]
    conditions = [name for name in one.conditions if name in other.conditions]
    differences = []
    for result in measured.results:
        if result.measure != measure or result.target not in targets or not {result.one, result.other} <= {*conditions}:
            continue
        of = [_differences(means, result.one, result.other, result.target) for means in (one, other)]
        if min(len(found) for found in of) >= LEAST_WEARERS:
            differences.append(_predicted((result.one, result.other, result.target), of[0], of[1], margin, alpha))
    spreads = []
    for condition in conditions:
        for target in targets:
            own = [_of_persons(means, condition, target) for means in (one, other)]
            values = [np.array(list(found.values())) for found in own]
            if min(len(found) for found in values) >= LEAST_WEARERS:
                p = float(stats.ks_2samp(*values).pvalue)
                sds = [float(found.std(ddof=1)) for found in values]
                spreads.append(Spread(condition, target, sds[0], sds[1], p))
    return Prediction(measure, margin, tuple(differences), tuple(spreads), _trials(rows, measure))


def _of_persons(means: Any, condition: str, target: str) -> dict[str, float]:
    column = means.numbers[:, means.conditions.index(condition), means.targets.index(target)]
    return {person: float(value) for person, value in zip(means.persons, column, strict=True) if math.isfinite(value)}


def _differences(means: Any, one: str, other: str, target: str) -> dict[str, float]:
    first, second = _of_persons(means, one, target), _of_persons(means, other, target)
    return {person: first[person] - second[person] for person in first if person in second}


def _predicted(
    names: tuple[str, str, str],
    measured: Mapping[str, float],
    rehearsed: Mapping[str, float],
    margin: float,
    alpha: float,
) -> Predicted:
    """Two one-sided tests: paired where persons carry one name, Welch's else."""
    from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

    same = [person for person in measured if person in rehearsed]
    if len(same) < LEAST_WEARERS:
        same = []
    if same:
        ours = np.array([rehearsed[person] for person in same])
        theirs = np.array([measured[person] for person in same])
        apart = DescrStatsW(ours - theirs)
        with np.errstate(divide="ignore"):  # all alike: the tests are sure
            p = float(apart.ttost_mean(-margin, margin)[0])
            low, high = apart.tconfint_mean(2.0 * alpha)
    else:
        ours, theirs = np.array(list(rehearsed.values())), np.array(list(measured.values()))
        both = CompareMeans(DescrStatsW(ours), DescrStatsW(theirs))
        p = float(both.ttost_ind(-margin, margin, usevar="unequal")[0])
        low, high = both.tconfint_diff(2.0 * alpha, usevar="unequal")
    means = float(theirs.mean()), float(ours.mean())
    return Predicted(*names, *means, float(low), float(high), p, margin, p < alpha, len(same))


def _trials(rows: tuple[Sequence[Row], Sequence[Row]], measure: str) -> Trials | None:
    """Agreement trial by trial, of trials that carry one label in both."""
    by_label = [
        {(row.person, row.condition, row.trial, row.target): row.values.get(measure, math.nan) for row in one}
        for one in rows
    ]
    pairs = np.array([(value, by_label[1][label]) for label, value in by_label[0].items() if label in by_label[1]])
    pairs = pairs[np.isfinite(pairs).all(axis=1)] if len(pairs) else pairs
    if len(pairs) < LEAST_WEARERS:
        return None
    measured, rehearsed = pairs.T
    apart = rehearsed - measured
    covered = measured.var() + rehearsed.var() + (measured.mean() - rehearsed.mean()) ** 2
    concordance = 2.0 * float(np.cov(measured, rehearsed, bias=True)[0, 1]) / float(covered) if covered else 1.0
    bias, sd = float(apart.mean()), float(apart.std(ddof=1))
    return Trials(len(pairs), concordance, bias, bias - 1.96 * sd, bias + 1.96 * sd)
