"""What in a staircase speaks against the curve that was fitted to it: sentences for the reader, or a refusal."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.polynomial.legendre import legvander
from scipy.stats import chi2, f, linregress, norm, spearmanr

from thenar.fit.recruitment_findings import Findings, curve_N
from thenar.fit.recruitment_likelihood import NUDGE, Place
from thenar.fit.recruitment_profile import Range, interval, most_likely, refit
from thenar.fit.recruitment_steps import Floats, Steps
from thenar.shared.errors import InputError, Problem

RARE: Final = 1e-3
SELDOM: Final = 0.015
"""How often a right staircase may fail one of the tests of fit."""
"""A doubt is told where chance alone would raise it in one staircase of a thousand."""
LEAST_GAIN: Final = 8.0
"""What must make the forces e^8 times as likely: the curve, than one constant force; force at rest, than none."""
FAR_OFF: Final = 4.0
FEWEST: Final = 4
MOST_WIDTHS: Final = 8
FALLS_FROM: Final = 0.85
"""Recruited share from which on a curve is looked at for a fall."""
NEARLY_ALL: Final = 1.0 - 1e-12
WIDE: Final = 3.0
HIGHEST_DEGREE: Final = 4
"""Of the polynomial that residuals are held against, over standard normal scores of recruitment within +-WIDE."""


class OneWidth(NamedTuple):
    """Half recruitment in mA at one width in us from its own steps alone, maximum and spread being those of all."""

    width_us: float
    half_mA: float
    range: Range
    gain: float


def refuse_without_effect(file: str, findings: Findings) -> None:
    """Raise InputError where the force doesn't grow with the pulses."""
    force_N = findings.steps.force_N
    constant = force_N.size * (math.log(float(np.std(force_N))) + 0.5)
    curve = findings.staircase.loss(findings.best) + findings.staircase.constant
    constant += 0.5 * math.log(2.0 * math.pi) * force_N.size
    if constant - curve > LEAST_GAIN:
        return
    found = f"{force_N.min():g} to {force_N.max():g} N, with no growth over the pulses that stands out of the noise"
    allowed = "force that grows with the pulses (are the columns swapped, or did the steps stay below the threshold?)"
    raise InputError([Problem(file, "force_N", found, allowed)])


def standing_off(findings: Findings) -> Floats:
    """Residuals over the fitted SD at each step, shape (n,)."""
    steps, best = findings.steps, findings.best
    mean_N = curve_N(findings, best, steps.current_mA, steps.width_us)
    sd_N = math.exp(best[Place.FLOOR]) + best[Place.GROWTH] * mean_N
    return np.asarray((steps.force_N - mean_N) / sd_N)


def halves_by_width(findings: Findings) -> list[OneWidth]:
    """Half recruitment at every width with enough steps; none where there are too many widths for that."""
    steps, found = findings.steps, []
    if steps.widths_us.size > MOST_WIDTHS:
        return []
    for width_us in steps.widths_us:
        chosen = steps.width_us == width_us
        if chosen.sum() < FEWEST:
            continue
        own = Steps(
            steps.current_mA[chosen],
            steps.width_us[chosen],
            steps.force_N[chosen],
            steps.row[chosen],
            steps.rate_Hz,
        )
        staircase, point = findings.staircase.seen_from(float(width_us), findings.best)
        bounds = np.column_stack([point, point])
        bounds[Place.HALF] = staircase.bounds[Place.HALF]
        staircase = replace(staircase, steps=own, bounds=bounds)
        best = refit(staircase, point)
        logs = interval(staircase, best, Place.HALF)[0]
        ends = Range(*(math.exp(min(max(end, -700.0), 700.0)) for end in logs))
        gain = max(0.0, staircase.loss(point) - staircase.loss(best))
        found.append(OneWidth(float(width_us), math.exp(best[Place.HALF]), ends, gain))
    return found


def doubts_of(findings: Findings) -> list[str]:
    """Sentences on noise, order, rest and responses; an empty list where nothing stands out."""
    off = standing_off(findings)
    told = [_tails(findings, off), _order(off), _rest(findings), _contradiction(findings)]
    return [sentence for sentence in told if sentence]


def misfits_of(findings: Findings, halves: list[OneWidth]) -> list[str]:
    """Sentences on why the curve doesn't describe the steps; an empty list when it does."""
    told = [_falls(findings) or _shape(findings), _replicates(findings), _law(halves)]
    return [sentence for sentence in told if sentence]


def _falls(findings: Findings) -> str:
    """Whether force falls against the curve where that has nearly come to its end: the t test of a slope."""
    steps, off = findings.steps, standing_off(findings)
    share = curve_N(findings, findings.best, steps.current_mA, steps.width_us) / math.exp(findings.best[Place.MAXIMUM])
    reached = norm.ppf(np.clip(share, 0.0, NEARLY_ALL))
    top = share > FALLS_FROM
    if np.count_nonzero(top) < FEWEST + 1 or np.ptp(reached[top]) == 0.0:
        return ""
    slope = linregress(reached[top], off[top], alternative="less")
    if slope.pvalue >= SELDOM:
        return ""
    strong = steps.force_N[top][np.argsort(reached[top])]
    fall = 1.0 - float(np.median(strong[-FEWEST:]) / np.median(strong[:FEWEST]))
    if fall <= 0.0:
        return ""
    return (
        f"force falls at the highest currents, by some {100 * fall:.0f} %: another muscle works against it, the pads "
        "moved, or the muscle tired; the curve has no fall"
    )


def _shape(findings: Findings) -> str:
    """Whether residuals go in waves along the curve: neighbours lie off it to the same side, or a polynomial fits.

    In order of recruitment the residuals of the right curve are exchangeable but for the numbers fitted, which part
    neighbours; their lag-one correlation then has an SD of one over the root of their number at most.
    """
    steps = findings.steps
    off = np.clip(standing_off(findings), -FAR_OFF, FAR_OFF)
    share = curve_N(findings, findings.best, steps.current_mA, steps.width_us)
    row = off[np.lexsort((steps.current_mA, share))]
    link = float(np.sum(row[1:] * row[:-1]) / np.sum(row * row))
    if norm.sf(link * math.sqrt(row.size)) >= SELDOM and _waves(findings, off) >= SELDOM:
        return ""
    return (
        "the steps leave the curve together and in waves, not one by one: another muscle joined, the pads moved, or "
        "the muscle tired; this is no single muscle of the model"
    )


def _waves(findings: Findings, off: Floats) -> float:
    """How rarely the right curve's residuals would follow a polynomial so well: the F test of added columns."""
    steps, best = findings.steps, findings.best
    mean_N = curve_N(findings, best, steps.current_mA, steps.width_us)
    sd_N = math.exp(best[Place.FLOOR]) + best[Place.GROWTH] * mean_N
    tangent = []
    for place in np.flatnonzero(findings.staircase.free[: Place.FLOOR]):
        moved = best.copy()
        moved[place] += NUDGE
        tangent.append((curve_N(findings, moved, steps.current_mA, steps.width_us) - mean_N) / (NUDGE * sd_N))
    share = np.clip(mean_N / math.exp(best[Place.MAXIMUM]), 1e-9, 1.0 - 1e-9)
    along = np.clip(norm.ppf(share) / WIDE, -1.0, 1.0)
    waves = legvander(along, HIGHEST_DEGREE)[:, 1:] / sd_N[:, None]
    (plain, plain_rank), (waved, rank) = (
        _left(np.column_stack(tangent), off),
        _left(np.column_stack([*tangent, waves]), off),
    )
    free = off.size - rank
    if rank <= plain_rank or free < FEWEST - 1:
        return 1.0
    return float(f.sf((plain - waved) / (rank - plain_rank) / (waved / free), rank - plain_rank, free))


def _left(columns: Floats, off: Floats) -> tuple[float, int]:
    """The sum of squares that least squares on `columns` (n, k) leaves of `off` (n,), and their rank."""
    scaled = columns / np.maximum(np.linalg.norm(columns, axis=0), 1e-12)
    solved, _, rank, _ = np.linalg.lstsq(scaled, off, rcond=1e-8)
    return float(np.sum((off - scaled @ solved) ** 2)), int(rank)


def _replicates(findings: Findings) -> str:
    """Lack of fit against what repeated pulses scatter: the F test of any textbook on regression."""
    steps = findings.steps
    pulses, group = np.unique(np.stack([steps.current_mA, steps.width_us]), axis=1, return_inverse=True)
    off = np.clip(standing_off(findings), -FAR_OFF, FAR_OFF)
    of_group = np.bincount(group)
    means = np.bincount(group, off) / of_group
    scatter_free, lack_free = (
        off.size - of_group.size,
        pulses.shape[1] - int(findings.staircase.free[: Place.FLOOR].sum()),
    )
    if scatter_free < FEWEST or lack_free < 1:
        return ""
    scatter = float(np.sum((off - means[group]) ** 2)) / scatter_free
    lack = float(np.sum(of_group * means**2)) / lack_free
    if f.sf(lack / scatter, lack_free, scatter_free) >= SELDOM:
        return ""
    return (
        f"repeated pulses scatter by {math.sqrt(scatter):.2g} of the fitted noise, their means lie "
        f"{math.sqrt(lack):.2g} off the curve: the curve isn't of the recording's shape"
    )


def _tails(findings: Findings, off: Floats) -> str:
    if not findings.staircase.tailed:
        return ""
    rows = ", ".join(str(row) for row in findings.steps.row[np.abs(off) > FAR_OFF][:8])
    where = f" (rows {rows})" if rows else ""
    return f"some steps lie far off the curve{where}; they were given less weight, none was left out"


def _order(off: Floats) -> str:
    link = spearmanr(np.arange(off.size), off)
    if link.pvalue >= RARE:
        return ""
    return (
        f"force {'falls' if link.statistic < 0 else 'rises'} against the curve along the recording (rank correlation "
        f"{link.statistic:.2f}): fatigue or moved pads; rest longer between steps, or mix their order"
    )


def _rest(findings: Findings) -> str:
    """Whether the steps fit better once what the weakest pulses read is taken off all of them."""
    steps, staircase = findings.steps, findings.staircase
    share = curve_N(findings, findings.best, steps.current_mA, steps.width_us)
    weakest = np.argsort(share)[: max(FEWEST, share.size // 8)]
    rest_N = float(np.median(steps.force_N[weakest]))
    lowered = replace(staircase, steps=steps._replace(force_N=steps.force_N - rest_N))
    best = min((refit(lowered, findings.best), most_likely(lowered)), key=lowered.loss)
    if staircase.loss(findings.best) - lowered.loss(best) < LEAST_GAIN:
        return ""
    return (
        f"the weakest pulses read {rest_N:.2g} N, and all steps fit better without it: the force isn't over rest; take "
        "the force at rest off"
    )


def _law(halves: list[OneWidth]) -> str:
    free = len(halves) - 2
    if free < 1 or chi2.sf(2.0 * sum(one.gain for one in halves), free) >= RARE:
        return ""
    told = ", ".join(f"{one.half_mA:.3g} mA at {one.width_us:g} us" for one in halves)
    return f"half recruitment ({told}) is off the law b (1 + c / width) by more than noise: intervals are too narrow"


def _contradiction(findings: Findings) -> str:
    ratio = findings.values.get("median_over_motor")
    if ratio is None or ratio.value > 1.0:
        return ""
    return "responses were seen only above half recruitment, as no wearer of the model shows: check column response"
