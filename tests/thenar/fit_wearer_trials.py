"""Recordings of drawn wearers with known truth, made by the loop of the plant models' tests, not by the fit's own."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.plant_models.body_runs import Hold
from thenar.fit.found import Fit
from thenar.fit.recording import Recording
from thenar.fit.wearer import fit_wearer
from thenar.plant_models.settings import Wearer

RATE_HZ = 100
RANGES = {
    "production.gain": (0.6, 1.5),
    "production.offset_N": (-1.5, 1.5),
    "production.scatter_share": (0.04, 0.25),
    "visual_gain_per_s": (0.5, 2.5),
    "visual_delay_ms": (150.0, 350.0),
    "production.drift_depth": (0.05, 0.4),
    "production.drift_tau_s": (7.0, 35.0),
    "production.drift_neutral_share": (0.03, 0.15),
    "production.wander_share": (0.015, 0.1),
    "production.wander_tau_s": (2.5, 25.0),
    "noise.floor": (0.0004, 0.0025),
    "noise.linear": (0.004, 0.022),
    "noise.quadratic": (0.003, 0.02),
    "noise.slow_Hz": (0.25, 1.2),
    "noise.fast_Hz": (3.0, 14.0),
    "noise.fast_share": (0.08, 0.45),
}
"""What truths are drawn from, evenly (on a log scale but for offset, depth, neutral share and fast share)."""
PLAIN = {"production.offset_N", "production.drift_depth", "production.drift_neutral_share", "noise.fast_share"}
MAX_PINCH_N = (50.0, 140.0)
LEVELS = (0.03, 0.08, 0.16, 0.3)
"""Targets in a recording, shares of maximum: twice hidden for 40 s, once shown for 20 s, after 10 s of rest each."""


class Part(NamedTuple):
    """A target in N for so many seconds, with the own force shown or not."""

    target_N: float
    seconds: float
    shown: bool


def wearer_of(values: Mapping[str, float], max_pinch_N: float) -> Wearer:
    """A wearer of the settings model from values by key path."""
    table: dict[str, Any] = {"max_pinch_N": max_pinch_N, "production": {}, "noise": {}}
    for key, value in values.items():
        part, _, last = key.rpartition(".")
        (table[part] if part else table)[last] = value
    return Wearer.model_validate(table)


def recorded(wearer: Wearer, parts: list[Part], seed: int) -> Recording:
    """The wearer's force at these targets, read to 0.001 N at 100 Hz."""
    seconds = sum(part.seconds for part in parts)
    hold = Hold(wearer, seconds, seed)
    hold.target_N[:] = np.repeat([one.target_N for one in parts], [round(one.seconds * RATE_HZ) for one in parts])
    until = 0.0
    for part in parts:
        until += part.seconds
        force = hold.run(until, sees_own_force=part.shown)
    shown = np.repeat([float(one.shown) for one in parts], [round(one.seconds * RATE_HZ) for one in parts])
    return recording_of(np.arange(hold.ticks) / RATE_HZ, hold.target_N, np.round(force, 3), shown)


def recording_of(
    t_s: NDArray[np.float64],
    target_N: NDArray[np.float64],
    force_N: NDArray[np.float64],
    shown: NDArray[np.float64] | None = None,
) -> Recording:
    """These columns as a recording of kind "wearer"."""
    columns = {"t_s": t_s, "target_N": target_N, "force_N": force_N}
    if shown is not None:
        columns["own_force_shown"] = shown
    return Recording("wearer", "hold.csv", "0" * 64, t_s.size, "", "", columns)


def drawn_truth(random: np.random.Generator) -> tuple[dict[str, float], float]:
    """Values by key path and a maximum in N."""
    values = {}
    for key, (low, high) in RANGES.items():
        if key in PLAIN:
            values[key] = float(random.uniform(low, high))
        else:
            values[key] = math.exp(random.uniform(math.log(low), math.log(high)))
    # The engine rounds a delay to whole ticks.
    values["visual_delay_ms"] = float(round(values["visual_delay_ms"], -1))
    return values, float(random.uniform(*MAX_PINCH_N))


def protocol(max_pinch_N: float, random: np.random.Generator) -> list[Part]:
    """Nine minutes of targets in random order."""
    work = [Part(level * max_pinch_N, 40.0, False) for level in (*LEVELS, *LEVELS)]
    work += [Part(level * max_pinch_N, 20.0, True) for level in LEVELS]
    random.shuffle(work)  # type: ignore[arg-type]
    return [one for part in work for one in (Part(0.0, 10.0, part.shown), part)]


class Recovered(NamedTuple):
    """A truth and what was fitted to its recording."""

    truth: dict[str, float]
    fit: Fit

    def inside(self) -> dict[str, bool]:
        """Of each number called identifiable, whether its interval holds the truth."""
        told = [one for one in self.fit.parameters if one.identifiable and one.key in self.truth]
        return {one.key: one.low <= self.truth[one.key] <= one.high for one in told}


def recovered(seed: int) -> Recovered:
    """Draw a truth, record it, fit it."""
    random = np.random.default_rng(seed)
    truth, max_pinch_N = drawn_truth(random)
    parts = protocol(max_pinch_N, random)
    recording = recorded(wearer_of(truth, max_pinch_N), parts, seed + 1_000_000)
    return Recovered(truth, fit_wearer(recording, None, max_pinch_N))
