"""A linear mixed model of one measure over single trials: condition, target and their interaction, wearers random.

value = condition + target + condition x target + the wearer's own level + rest. Conditions are coded against the
baseline and targets against their mean (sum coding), so that a condition's coefficient is its difference from the
baseline at all targets alike. Fitted by restricted maximum likelihood (statsmodels MixedLM). Tests are Wald's, without
a correction for few wearers, and the model lets every wearer gain alike: it stands beside the paired tests, not above
them.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from thenar.study.compare_rows import Row, targets_of

METHODS: Final = ("bfgs", "powell", "lbfgs")
RATIOS: Final = (0.0, *np.geomspace(1e-5, 1e4, 91).tolist())
EDGE: Final = 1e-6
"""A wearers' variance below this share of the rest's is at the edge of what it may be: zero."""
AS_LIKELY: Final = 1e-3
"""So much less log likelihood than the best known point is still the same point."""
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
    """What the model says. `trouble`: what to be told about its fit, "" when it converged inside its bounds.

    `p_interaction`: that the conditions differ alike at all targets (NaN with one target). `sd_wearers`, `sd_rest`: in
    the measure's unit. `effects` is empty when nothing could be fitted.
    """

    measure: str
    baseline: str
    rows: int
    wearers: int
    effects: tuple[Effect, ...]
    p_interaction: float
    sd_wearers: float
    sd_rest: float
    converged: bool
    trouble: str


def mixed_model(rows: Sequence[Row], measure: str, conditions: Sequence[str], level: float) -> Mixed:
    """Fit the model to every row with a number. `conditions`: the baseline first; `level`: of the intervals."""
    kept = [row for row in rows if row.condition in conditions and math.isfinite(row.values[measure])]
    persons = {row.person: None for row in kept}
    values = np.array([row.values[measure] for row in kept])
    targets = targets_of(kept)
    design = _design(kept, conditions, targets)
    nothing = Mixed(
        measure, conditions[0], len(kept), len(persons), (), math.nan, math.nan, math.nan, converged=False, trouble=""
    )
    if len(kept) <= design.shape[1] + 1 or np.linalg.matrix_rank(design) < design.shape[1]:
        return nothing._replace(trouble="not fitted: too few trials, or a condition without a number at some target")
    explained = design @ np.linalg.lstsq(design, values, rcond=None)[0]
    if np.allclose(values, explained, rtol=1e-9, atol=1e-12 * max(1.0, float(np.max(np.abs(values))))):
        return nothing._replace(trouble="not fitted: the numbers don't vary beyond what the conditions explain")
    fitted, told = _fitted(values, design, np.array([row.person for row in kept]))
    if fitted is None:
        return nothing._replace(trouble=f"not fitted: {told}")
    return _read(nothing, fitted, told, conditions, len(targets), level)


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


def _fitted(values: Floats, design: Floats, persons: NDArray[Any]) -> tuple[Any, str]:
    """The first fit that ends at the best point, else the last one (None: none), and what was said of it.

    The likelihood has a saddle at a wearers' variance of zero, where an optimiser may stop and call it converged. So
    the best ratio of the two variances is found first, and is where it starts; one that ends lower has not converged.
    """
    from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams

    ratio, best = _best_ratio(values, design, persons)
    start = MixedLMParams.from_components(np.zeros(design.shape[1]), cov_re=np.array([[max(ratio, RATIOS[1])]]))
    last, told = None, "no method came to an end"
    for method in METHODS:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            try:
                found = MixedLM(values, design, groups=persons).fit(start_params=start, reml=True, method=method)
            except (np.linalg.LinAlgError, ValueError) as error:
                told = " ".join(str(error).split())
                continue
        reached = _likelihood(float(np.asarray(found.cov_re)[0, 0]) / found.scale, values, design, persons)
        found.ended_well = bool(found.converged) and reached >= best - AS_LIKELY
        last, told = found, "; ".join(dict.fromkeys(" ".join(str(one.message).split()) for one in said))
        if found.ended_well:
            break
    return last, told


def _best_ratio(values: Floats, design: Floats, persons: NDArray[Any]) -> tuple[float, float]:
    """The likeliest ratio of the wearers' variance to the rest's, and its log likelihood."""

    def unlikely(log_ratio: float) -> float:
        return -_likelihood(math.exp(log_ratio), values, design, persons)

    found = [_likelihood(ratio, values, design, persons) for ratio in RATIOS]
    at = int(np.argmax(found))
    if at == 0:
        return 0.0, found[0]
    around = (math.log(RATIOS[max(1, at - 1)]), math.log(RATIOS[min(len(RATIOS) - 1, at + 1)]))
    best = optimize.minimize_scalar(unlikely, bounds=around, method="bounded")
    return math.exp(best.x), max(found[at], -float(best.fun))


def _likelihood(ratio: float, values: Floats, design: Floats, persons: NDArray[Any]) -> float:
    """The restricted log likelihood at a ratio of variances, what doesn't depend on it left out."""
    both = np.column_stack([design, values])
    crossed, log_determinant = both.T @ both, 0.0
    for person in np.unique(persons):
        own = both[persons == person]
        sums, grown = own.sum(axis=0), 1.0 + ratio * len(own)
        crossed -= ratio / grown * np.outer(sums, sums)
        log_determinant += math.log(grown)
    information, with_value = crossed[:-1, :-1], crossed[:-1, -1]
    rest = float(crossed[-1, -1] - with_value @ np.linalg.solve(information, with_value))
    df = len(values) - design.shape[1]
    return float(-0.5 * (log_determinant + np.linalg.slogdet(information)[1] + df * math.log(rest)))


def _read(nothing: Mixed, fitted: Any, told: str, conditions: Sequence[str], targets: int, level: float) -> Mixed:
    count = len(conditions) * targets
    estimates, covariance = np.asarray(fitted.params)[:count], np.asarray(fitted.cov_params())[:count, :count]
    wide = float(stats.norm.ppf(0.5 + level / 2))
    effects = []
    for place, condition in enumerate(conditions[1:], start=1):
        at = place * targets
        estimate, error = float(estimates[at]), math.sqrt(max(0.0, float(covariance[at, at])))
        p = float(2 * stats.norm.sf(abs(estimate) / error)) if error else math.nan
        effects.append(Effect(condition, estimate, error, estimate - wide * error, estimate + wide * error, p))
    crossed = [place * targets + step for place in range(1, len(conditions)) for step in range(1, targets)]
    variance, rest = float(np.asarray(fitted.cov_re)[0, 0]), float(fitted.scale)
    trouble = []
    if not fitted.ended_well:
        trouble.append(
            f"DID NOT CONVERGE ({', '.join(METHODS)} tried): don't rely on it" + (f"; {told}" if told else "")
        )
    elif variance <= EDGE * rest:
        trouble.append("the variance between wearers came out as zero, the edge of what it may be")
    return nothing._replace(
        effects=tuple(effects), p_interaction=_wald(estimates, covariance, crossed), converged=fitted.ended_well,
        sd_wearers=math.sqrt(max(0.0, variance)), sd_rest=math.sqrt(rest), trouble="; ".join(trouble),
    )  # fmt: skip


def _wald(estimates: Floats, covariance: Floats, places: Sequence[int]) -> float:
    """p that the coefficients in `places` are all zero."""
    if not places:
        return math.nan
    try:
        found = float(estimates[places] @ np.linalg.solve(covariance[np.ix_(places, places)], estimates[places]))
    except np.linalg.LinAlgError:
        return math.nan
    return float(stats.chi2.sf(found, len(places)))
