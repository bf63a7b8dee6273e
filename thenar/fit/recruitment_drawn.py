"""What the picture of a recruitment fit draws: curves with bands, the steps, what is left over, and the law."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from scipy.stats import t as student

from thenar.fit.recruitment_doubts import OneWidth, standing_off
from thenar.fit.recruitment_findings import Findings, curve_N, half_at
from thenar.fit.recruitment_likelihood import Place
from thenar.fit.recruitment_profile import CONFIDENCE, covariance
from thenar.fit.recruitment_steps import Floats
from thenar.fit.recruitment_threshold import factor_at

MOST_LINES: Final = 6
POINTS: Final = 120
NUDGE: Final = 1e-4


def drawn_of(findings: Findings, halves: list[OneWidth]) -> dict[str, Any]:
    """Arrays by name. `lines`: one for each width (or current, where the widths climb), each a dictionary of arrays."""
    steps = findings.steps
    by_width = steps.widths_us.size <= MOST_LINES
    fixed, moving = (steps.width_us, steps.current_mA) if by_width else (steps.current_mA, steps.width_us)
    off = standing_off(findings)
    lines = []
    for value in np.unique(fixed)[:MOST_LINES]:
        chosen = fixed == value
        along = np.linspace(0.0 if by_width else moving[chosen].min(), 1.04 * moving[chosen].max(), POINTS)
        still = np.full(POINTS, value)
        pulses = (along, still) if by_width else (still, along)
        curve, half_band = _band(findings, *pulses)
        lines.append(
            {
                "name": f"{value:g} {'us' if by_width else 'mA'}",
                "along": along,
                "curve_N": curve,
                "half_band_N": half_band,
                "at": moving[chosen],
                "force_N": steps.force_N[chosen],
                "off": off[chosen],
            }
        )
    return {
        "axis": "current, mA" if by_width else "pulse width, us",
        "lines": lines,
        "law": _law(findings),
        "halves": [one._asdict() for one in halves],
    }


def _band(findings: Findings, current_mA: Floats, width_us: Floats) -> tuple[Floats, Floats]:
    """The fitted force, and half the width of its 95 % band from the curvature of the likelihood; (POINTS,) each."""
    best, spread = findings.best, covariance(findings.staircase, findings.best)
    tilt = np.zeros((best.size, current_mA.size))
    for place in range(Place.FLOOR):
        moved = best.copy()
        moved[place] += NUDGE
        tilt[place] = curve_N(findings, moved, current_mA, width_us)
    curve = curve_N(findings, best, current_mA, width_us)
    tilt[: Place.FLOOR] = (tilt[: Place.FLOOR] - curve) / NUDGE
    variance = np.einsum("ij,ik,kj->j", tilt, spread, tilt)
    return curve, _quantile(findings) * np.sqrt(np.maximum(variance, 0.0))


def _law(findings: Findings) -> dict[str, Any]:
    """Half recruitment over width with its band, and the motor threshold where it was noted."""
    widths_us = np.geomspace(min(60.0, findings.steps.widths_us[0]), max(600.0, findings.steps.widths_us[-1]), 60)
    best, spread = findings.best, covariance(findings.staircase, findings.best)
    half_mA = np.array([half_at(findings.staircase, best, width_us) for width_us in widths_us])
    moved = best.copy()
    moved[Place.CHRONAXIE] += NUDGE
    bent = np.log([half_at(findings.staircase, moved, width_us) for width_us in widths_us])
    pull = (bent - np.log(half_mA)) / NUDGE
    half, chronaxie = int(Place.HALF), int(Place.CHRONAXIE)
    variance = spread[half, half] + 2.0 * pull * spread[half, chronaxie] + pull * pull * spread[chronaxie, chronaxie]
    reach = np.exp(_quantile(findings) * np.sqrt(np.maximum(variance, 0.0)))
    return {
        "width_us": widths_us,
        "half_mA": half_mA,
        "low_mA": half_mA / reach,
        "high_mA": half_mA * reach,
        "known": bool(findings.values["chronaxie_us"].told),
        "threshold_mA": _thresholds(findings, widths_us),
    }


def _thresholds(findings: Findings, widths_us: Floats) -> Floats:
    """Low, median and high of the motor threshold at each width, shape (3, n); (3, 0) where none was noted."""
    seen = findings.seen
    if seen is None:
        return np.empty((3, 0))
    nodes, which = np.unique(seen.chronaxie_us, return_inverse=True)
    found = []
    for width_us in widths_us:
        factors = np.array([factor_at(float(node), float(width_us)) for node in nodes])
        found.append(np.quantile(seen.rheobase_mA * factors[which], (0.025, 0.5, 0.975)))
    return np.array(found).T


def _quantile(findings: Findings) -> float:
    return float(student.ppf(0.5 + 0.5 * CONFIDENCE, findings.staircase.left_over))
