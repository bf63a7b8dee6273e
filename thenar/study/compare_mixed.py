"""A linear mixed model of one measure over single trials: condition, target and their interaction, wearers random.

value = condition + target + condition x target + period + carry-over
        + the wearer's own level + the wearer's own answer to each condition + rest.

Conditions are coded against the baseline and targets against their mean (sum coding), so that a condition's coefficient
is its difference from the baseline at all targets alike. Where wearers had their trials in different orders, period
(the place of a trial among the wearer's own, a straight line) and first-order carry-over (the condition before) are
terms of the model; where all had one order, neither can be told from the conditions, and both are left out.

Both random parts are normal, the wearers' answers to all conditions with one variance (compound symmetry within each
wearer). Fitted by restricted maximum likelihood, whose two ratios of variances are sought here: library optimisers stop
at the saddle of a variance of zero. `tests/outside` holds the fit against statsmodels' variance components. Conditions
are tested by t with wearers - 1 degrees of freedom, as a paired test is; what varies within a wearer by F with those of
the rest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from thenar.study.compare_rows import Row, targets_of

RATIOS: Final = (0.0, *np.geomspace(1e-3, 1e3, 19).tolist())
LEAST: Final = 1e-8
EDGE: Final = 1e-6
"""A variance below this share of the rest's is at the edge of what it may be: zero."""
FEWEST: Final = 2
Floats = NDArray[np.float64]


class Effect(NamedTuple):
    """A condition against the baseline, over all targets, in the measure's unit: estimate, error, interval, p."""

    condition: str
    estimate: float
    error: float
    low: float
    high: float
    p: float


class Mixed(NamedTuple):
    """What the model says. `trouble`: what to be told about its fit, "" when it came out inside its bounds.

    `p_interaction`: that the conditions differ alike at all targets (NaN with one target). `sd_wearers`, `sd_answers`
    (of a wearer's own answer to a condition), `sd_rest`: in the measure's unit. `p_period`, `p_carry_over`: NaN where
    they are no terms. `effects` is empty when nothing could be fitted.
    """

    measure: str
    baseline: str
    rows: int
    wearers: int
    effects: tuple[Effect, ...]
    p_interaction: float = math.nan
    p_period: float = math.nan
    p_carry_over: float = math.nan
    sd_wearers: float = math.nan
    sd_answers: float = math.nan
    sd_rest: float = math.nan
    trouble: str = ""


class _Cells(NamedTuple):
    """Design and values side by side, shape (rows, columns + 1), and whose and which condition's each row is."""

    both: Floats
    of_cell: NDArray[np.int64]
    person_of_cell: NDArray[np.int64]


class _Fitted(NamedTuple):
    """Coefficients, their covariance, the ratios of both variances to the rest's, and the rest's variance."""

    estimates: Floats
    covariance: Floats
    ratios: tuple[float, float]
    rest: float


def mixed_model(rows: Sequence[Row], measure: str, conditions: Sequence[str], level: float) -> Mixed:
    """Fit the model to every row with a number. `conditions`: the baseline first; `level`: of the intervals.

    A condition's effect comes from the model of its rows and the baseline's alone: wearers may answer to one condition
    far less alike than to another, and one variance for all would be wrong for each.
    """
    kept = [row for row in rows if row.condition in conditions and math.isfinite(row.values[measure])]
    targets, persons = targets_of(kept), {row.person for row in kept}
    nothing = Mixed(measure, conditions[0], len(kept), len(persons), ())
    if len(persons) < FEWEST:
        return nothing._replace(trouble="not fitted: one wearer")
    order = _of_order(kept, conditions)
    whole = _model(kept, measure, conditions, targets, order)
    if isinstance(whole, str):
        return nothing._replace(trouble=f"not fitted: {whole}")
    effects = []
    for condition in conditions[1:]:
        pair = [place for place, row in enumerate(kept) if row.condition in (conditions[0], condition)]
        some = None if order is None else order[pair]
        fitted = _model([kept[place] for place in pair], measure, (conditions[0], condition), targets, some)
        if isinstance(fitted, str):
            return nothing._replace(trouble=f"not fitted: {fitted}")
        effects.append(_effect(condition, fitted, len(targets), len({kept[place].person for place in pair}), level))
    return _read(nothing._replace(effects=tuple(effects)), whole, len(conditions), len(targets))


def _model(
    rows: Sequence[Row], measure: str, conditions: Sequence[str], targets: Sequence[str], order: Floats | None
) -> _Fitted | str:
    """The model of these rows, or why there is none."""
    values, design = np.array([row.values[measure] for row in rows]), _design(rows, conditions, targets)
    for column in [] if order is None else order.T:
        more = np.column_stack([design, column])
        design = more if np.linalg.matrix_rank(more) == more.shape[1] else design
    if len(rows) <= design.shape[1] + 1 or np.linalg.matrix_rank(design) < design.shape[1]:
        return "too few trials, or a condition without a number at some target"
    explained = design @ np.linalg.lstsq(design, values, rcond=None)[0]
    if np.allclose(values, explained, rtol=1e-9, atol=1e-12 * max(1.0, float(np.max(np.abs(values))))):
        return "the numbers don't vary beyond what the conditions explain"
    persons = list(dict.fromkeys(row.person for row in rows))
    person = np.array([persons.index(row.person) for row in rows])
    cell = person * len(conditions) + np.array([conditions.index(row.condition) for row in rows])
    cells, of_cell = np.unique(cell, return_inverse=True)
    return _fitted(_Cells(np.column_stack([design, values]), of_cell, cells // len(conditions)))


def _design(rows: Sequence[Row], conditions: Sequence[str], targets: Sequence[str]) -> Floats:
    """Shape (rows, conditions x targets): treatment coding times sum coding."""
    of_condition = np.eye(len(conditions))
    of_condition[:, 0] = 1.0
    of_target = np.eye(len(targets))
    of_target[:, 1:] = of_target[:, :-1]
    of_target[-1, 1:] = -1.0
    of_target[:, 0] = 1.0
    lines = [
        np.outer(of_condition[conditions.index(row.condition)], of_target[targets.index(row.target)]).ravel()
        for row in rows
    ]
    return np.array(lines).reshape(len(rows), -1)


def _of_order(rows: Sequence[Row], conditions: Sequence[str]) -> Floats | None:
    """Period, and the condition before in sum coding (nought in a first trial): shape (rows, conditions).

    None where all wearers had their conditions in one order.
    """
    orders: dict[str, dict[int, str]] = {}
    for row in rows:
        orders.setdefault(row.person, {})[row.trial] = row.condition
    played = {person: [own[trial] for trial in sorted(own)] for person, own in orders.items()}
    if len({tuple(order) for order in played.values()}) < FEWEST:
        return None
    of_condition = np.vstack([np.eye(len(conditions))[:-1, :-1], np.full(len(conditions) - 1, -1.0)])
    made = np.zeros((len(rows), len(conditions)))
    for line, row in enumerate(rows):
        place = sorted(orders[row.person]).index(row.trial)
        made[line, 0] = place - 0.5 * (len(played[row.person]) - 1)
        if place:
            made[line, 1:] = of_condition[conditions.index(played[row.person][place - 1])]
    return made


def _fitted(cells: _Cells) -> _Fitted:
    """The likeliest ratios of variances, from the best of a grid on, and what follows from them."""

    def unlikely(logs: Floats) -> float:
        ratios = np.exp(np.clip(logs, math.log(LEAST), math.log(1e6)))
        return -_likelihood(cells, float(ratios[0]), float(ratios[1]))

    grid = [(one, other) for one in RATIOS for other in RATIOS]
    start = max(grid, key=lambda ratios: _likelihood(cells, *ratios))
    begin = np.log(np.maximum(start, LEAST))
    simplex = begin + np.array([[0.0, 0.0], [0.4, 0.0], [0.0, 0.4]])
    options = {"xatol": 1e-7, "fatol": 1e-10, "initial_simplex": simplex, "maxiter": 2000}
    found = optimize.minimize(unlikely, begin, method="Nelder-Mead", options=options)
    ratios = np.exp(np.clip(found.x, math.log(LEAST), math.log(1e6)))
    ratios = tuple(0.0 if ratio < EDGE else float(ratio) for ratio in ratios)
    if _likelihood(cells, *ratios) < _likelihood(cells, *start):
        ratios = start
    information, with_value, rest, _ = _crossed(cells, *ratios)
    df = len(cells.both) - information.shape[0]
    return _Fitted(
        np.asarray(np.linalg.solve(information, with_value), dtype=np.float64),
        np.asarray(rest / df * np.linalg.inv(information), dtype=np.float64),
        ratios,
        rest / df,
    )


def _likelihood(cells: _Cells, wearers: float, answers: float) -> float:
    """The restricted log likelihood at two ratios of variances, what doesn't depend on them left out."""
    information, _, rest, log_determinant = _crossed(cells, wearers, answers)
    df = len(cells.both) - information.shape[0]
    return float(-0.5 * (log_determinant + np.linalg.slogdet(information)[1] + df * math.log(rest)))


def _crossed(cells: _Cells, wearers: float, answers: float) -> tuple[Floats, Floats, float, float]:
    """X'V^-1 X, X'V^-1 y, the rest's squares and log |V|, for V = 1 + wearers 11' + answers 11' within each cell."""
    size = np.bincount(cells.of_cell)
    sums = np.zeros((size.size, cells.both.shape[1]))
    np.add.at(sums, cells.of_cell, cells.both)
    grown = 1.0 + answers * size
    crossed = cells.both.T @ cells.both - (sums * (answers / grown)[:, None]).T @ sums
    persons = int(cells.person_of_cell.max()) + 1
    weight = np.bincount(cells.person_of_cell, size / grown, persons)
    of_person = np.zeros((persons, cells.both.shape[1]))
    np.add.at(of_person, cells.person_of_cell, sums / grown[:, None])
    crossed -= (of_person * (wearers / (1.0 + wearers * weight))[:, None]).T @ of_person
    information, with_value = crossed[:-1, :-1], crossed[:-1, -1]
    rest = float(crossed[-1, -1] - with_value @ np.linalg.solve(information, with_value))
    return information, with_value, rest, float(np.log(grown).sum() + np.log1p(wearers * weight).sum())


def _effect(condition: str, fitted: _Fitted, targets: int, persons: int, level: float) -> Effect:
    """The difference of two conditions: t with wearers - 1 degrees of freedom, as in a paired test."""
    estimate, error = float(fitted.estimates[targets]), math.sqrt(max(0.0, float(fitted.covariance[targets, targets])))
    wide = float(stats.t.ppf(0.5 + level / 2, persons - 1))
    p = float(2 * stats.t.sf(abs(estimate) / error, persons - 1)) if error else math.nan
    return Effect(condition, estimate, error, estimate - wide * error, estimate + wide * error, p)


def _read(nothing: Mixed, fitted: _Fitted, conditions: int, targets: int) -> Mixed:
    """Interaction, order and variances, of the model of all conditions."""
    count = conditions * targets
    within = max(nothing.wearers - 1, nothing.rows - len(fitted.estimates) - nothing.wearers * conditions)
    crossed = [place * targets + step for place in range(1, conditions) for step in range(1, targets)]
    of_order = list(range(count, len(fitted.estimates)))
    names = ("wearers", "wearers' answers to a condition")
    edge = [name for name, ratio in zip(names, fitted.ratios, strict=True) if ratio == 0.0]
    trouble = f"the variance between {' and '.join(edge)} came out as zero, the edge of what it may be" if edge else ""
    wearers, answers, rest = (math.sqrt(ratio * fitted.rest) for ratio in (*fitted.ratios, 1.0))
    return nothing._replace(
        p_interaction=_wald(fitted, crossed, within), p_period=_wald(fitted, of_order[:1], within),
        p_carry_over=_wald(fitted, of_order[1:], within), sd_wearers=wearers, sd_answers=answers, sd_rest=rest,
        trouble=trouble,
    )  # fmt: skip


def _wald(fitted: _Fitted, places: Sequence[int], df: int) -> float:
    """p that the coefficients in `places` are all zero: Wald's statistic over their number, as F with `df` below."""
    if not places:
        return math.nan
    estimates, covariance = fitted.estimates[places], fitted.covariance[np.ix_(places, places)]
    try:
        found = float(estimates @ np.linalg.solve(covariance, estimates))
    except np.linalg.LinAlgError:
        return math.nan
    return float(stats.f.sf(found / len(places), len(places), df))
