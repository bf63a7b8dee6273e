"""How well a force followed its target: one tidy row per trial and target level.

Definitions, all on the rows of the trace (force at the fingertip, as the trace clock saw it):

- A row stands for the time until the next row, the last one until the trial ends. Every mean is weighted
  by that time, so a level held twice counts by how long it was held.
- A hold is an unbroken stretch of rows with one target. A moving program (ramp, sine, recording) has no
  holds: it gives one row named "moving", and what needs a hold is NaN there.
- band: within 10 % of the target or 0.5 N of it, whichever is larger.
- coefficient of variation: sample SD (n - 1) over mean of the force, after the first second of a hold,
  averaged over the holds of a level by their settled time. NaN when no hold outlasts a second.
- overshoot: largest force above target once a hold that began below its target has reached it; the largest
  of the level's holds. NaN when no hold of the level began below and got there.
- settling time: from the start of a hold until the force is in the band and stays there for 0.5 s, averaged
  over the holds that settled (`settled_holds` of `holds` did). NaN when none did.
- charge: rectified, that is current times width of both phases of every pulse, summed.
- interventions: trace rows at which a requirement had acted since the row before. The exact number of control
  ticks and pulses is counted per trial by the engine (`reason_ticks`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import pairwise
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.engine.result import TrialLabel, TrialResult
from thenar.shared.signals import AGONIST, ANTAGONIST
from thenar.shared.ticks import US_PER_S

BAND_SHARE: Final = 0.10
BAND_LEAST_N: Final = 0.5
SETTLED_AFTER_US: Final = 1 * US_PER_S
STAY_US: Final = US_PER_S // 2
PHASES_PER_PULSE: Final = 2
REQUIREMENTS_COUNT: Final = 39
MOVING: Final = "moving"

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


class Metric(NamedTuple):
    """One measure of a row: its column name, its unit and what it means."""

    name: str
    unit: str
    meaning: str


METRICS: Final = (
    Metric("mean_abs_error_N", "N", "mean of |force - target|"),
    Metric("rms_error_N", "N", "root of the mean squared force - target"),
    Metric("cv_percent", "%", "SD of force over its mean, after the first second of each hold"),
    Metric("in_band_percent", "%", "time within 10 % of the target or 0.5 N, whichever is larger"),
    Metric("overshoot_N", "N", "largest force above target after reaching it from below"),
    Metric("settling_s", "s", "time into the band and staying there for 0.5 s, over the holds that settled"),
    Metric("agonist_charge_both_phases_uC", "uC", "rectified charge of the agonist channel"),
    Metric("antagonist_charge_both_phases_uC", "uC", "rectified charge of the antagonist channel"),
    Metric("agonist_pulses", "1", "pulses of the agonist channel"),
    Metric("antagonist_pulses", "1", "pulses of the antagonist channel"),
    Metric("trips", "1", "latched trips"),
)


class TargetRow(NamedTuple):
    """One trial at one target level. `values` has one number per entry of METRICS, in that order.

    `target_N` is the level in N (NaN for a moving target), `time_s` how long it was shown,
    `interventions` counts trace rows by requirement identifier, only those that acted.
    """

    label: TrialLabel
    target: str
    target_N: float
    time_s: float
    holds: int
    settled_holds: int
    values: tuple[float, ...]
    interventions: dict[str, int]

    def value(self, name: str) -> float:
        """The measure called `name`, in the unit that METRICS gives. Raises KeyError on any other name."""
        for metric, number in zip(METRICS, self.values, strict=True):
            if metric.name == name:
                return number
        raise KeyError(name)


def target_rows(result: TrialResult, *, moving: bool) -> list[TargetRow]:
    """The rows of one trial, targets rising.

    `moving` says that the program never holds a level, so that the whole trial is one row.
    """
    t_us = result.trace["t_us"]
    span_us = np.diff(np.append(t_us, max(result.duration_us, int(t_us[-1])))) if len(t_us) else np.zeros(0, np.int64)
    kept = np.flatnonzero(span_us > 0)
    trace = {name: column[kept] for name, column in result.trace.items()}
    seen = _Rows(trace["t_us"], span_us[kept], trace["target_N"], trace["force_N"], trace["reasons"])
    if not len(kept):
        return []
    if moving:
        return [_moving_row(result, seen)]
    holds = _holds(seen)
    levels = sorted({float(seen.target_N[hold.start]) for hold in holds})
    return [_level_row(result, seen, level, [h for h in holds if seen.target_N[h.start] == level]) for level in levels]


class _Rows(NamedTuple):
    """Trace columns of one shape (rows,), with the time in us that each row stands for."""

    t_us: Integers
    span_us: Integers
    target_N: Floats
    force_N: Floats
    reasons: Integers

    def part(self, rows: slice) -> _Rows:
        return _Rows(self.t_us[rows], self.span_us[rows], self.target_N[rows], self.force_N[rows], self.reasons[rows])


def _holds(rows: _Rows) -> list[slice]:
    """Slices of rows over which the target stays the same."""
    edges = [0, *(np.flatnonzero(np.diff(rows.target_N) != 0.0) + 1).tolist(), len(rows.target_N)]
    return [slice(start, stop) for start, stop in pairwise(edges)]


def _moving_row(result: TrialResult, rows: _Rows) -> TargetRow:
    whole = [slice(0, len(rows.t_us))]
    nothing = (math.nan, math.nan, math.nan, 0)
    return _row(result, rows, MOVING, math.nan, whole, nothing)


def _level_row(result: TrialResult, rows: _Rows, level_N: float, holds: list[slice]) -> TargetRow:
    parts = [rows.part(hold) for hold in holds]
    overshoot = [value for part in parts if not math.isnan(value := overshoot_N(part.force_N, level_N))]
    settling = [value for part in parts if not math.isnan(value := _settling_s(part, level_N))]
    measured = (
        _variation_percent(parts),
        max(overshoot, default=math.nan),
        float(np.mean(settling)) if settling else math.nan,
        len(settling),
    )
    return _row(result, rows, level_name(level_N), level_N, holds, measured)


def level_name(level_N: float) -> str:
    """A target level as tables and pictures show it, in N: "4 N", "2.5 N"."""
    return f"{level_N:.6g} N"


def _row(
    result: TrialResult,
    rows: _Rows,
    target: str,
    target_N: float,
    holds: list[slice],
    of_holds: tuple[float, float, float, int],
) -> TargetRow:
    chosen = np.concatenate([np.arange(hold.start, hold.stop) for hold in holds])
    span = rows.span_us[chosen].astype(np.float64)
    error = rows.force_N[chosen] - rows.target_N[chosen]
    variation, overshoot, settling, settled = of_holds
    edges = [(int(rows.t_us[h.start]), int(rows.t_us[h.stop - 1] + rows.span_us[h.stop - 1])) for h in holds]
    charge = [_pulses_between(result.pulses, channel, edges) for channel in (AGONIST, ANTAGONIST)]
    trips = [_moment(event) for event in result.events if event.get("kind") == "trip"]
    values = (
        float(np.average(np.abs(error), weights=span)),
        math.sqrt(float(np.average(error * error, weights=span))),
        variation,
        100.0 * float(np.average(np.abs(error) <= band_N(rows.target_N[chosen]), weights=span)),
        overshoot,
        settling,
        charge[AGONIST][0],
        charge[ANTAGONIST][0],
        float(charge[AGONIST][1]),
        float(charge[ANTAGONIST][1]),
        float(sum(1 for t_us in trips for start, stop in edges if start <= t_us < stop)),
    )
    acted = reason_counts(rows.reasons[chosen])
    return TargetRow(result.label, target, target_N, float(span.sum()) / US_PER_S, len(holds), settled, values, acted)


def _moment(event: dict[str, object]) -> int:
    t_us = event["t_us"]
    if not isinstance(t_us, int):
        raise TypeError(f"an event's t_us must be a whole number, found {t_us!r}")
    return t_us


def band_N(target_N: Any) -> Any:
    """Half-width of the band around a target, in N. Takes and gives a scalar or an array of any shape."""
    return np.maximum(BAND_SHARE * np.abs(target_N), BAND_LEAST_N)


def overshoot_N(force_N: Floats, level_N: float) -> float:
    """Largest force above the level after reaching it from below, in N.

    `force_N`: one hold, shape (rows,). NaN when it did not begin below, or never got there.
    """
    reached = np.flatnonzero(force_N >= level_N)
    if not force_N[0] < level_N or not len(reached):
        return math.nan
    return float(np.max(force_N[reached[0] :]) - level_N)


def _settling_s(part: _Rows, level_N: float) -> float:
    return settling_s(part.t_us, part.span_us, part.force_N, level_N)


def settling_s(t_us: Integers, span_us: Integers, force_N: Floats, level_N: float) -> float:
    """Time in s from the first row until the force is in the band and stays for 0.5 s, NaN when it never does.

    `t_us`, `span_us` (us) and `force_N` (N): one hold, shape (rows,).
    """
    inside = np.abs(force_N - level_N) <= band_N(level_N)
    entered = math.nan
    for row in range(len(t_us)):
        if not inside[row]:
            entered = math.nan
            continue
        if math.isnan(entered):
            entered = float(t_us[row])
        if t_us[row] + span_us[row] - entered >= STAY_US:
            return (entered - float(t_us[0])) / US_PER_S
    return math.nan


def _variation_percent(parts: Iterable[_Rows]) -> float:
    """Coefficient of variation in %, averaged over holds by their settled time."""
    found: list[float] = []
    weights: list[float] = []
    for part in parts:
        settled = part.t_us - part.t_us[0] >= SETTLED_AFTER_US
        force = part.force_N[settled]
        if len(force) < 2 or not np.mean(force) > 0:
            continue
        found.append(100.0 * float(np.std(force, ddof=1)) / float(np.mean(force)))
        weights.append(float(part.span_us[settled].sum()))
    return float(np.average(found, weights=weights)) if found else math.nan


def _pulses_between(pulses: dict[str, NDArray[Any]], channel: int, edges: list[tuple[int, int]]) -> tuple[float, int]:
    """Rectified charge in uC and number of the pulses of one channel that began inside the stretches of time."""
    t_us = pulses["t_us"]
    inside = np.zeros(len(t_us), dtype=bool)
    for start, stop in edges:
        inside |= (t_us >= start) & (t_us < stop)
    inside &= pulses["channel"] == channel
    charge_nC = pulses["current_mA"][inside] * pulses["width_us"][inside] * PHASES_PER_PULSE
    return float(charge_nC.sum()) / 1000.0, int(inside.sum())


def reason_counts(reasons: Integers) -> dict[str, int]:
    """Rows at which each requirement acted. `reasons`: masks of shape (rows,), bit n-1 for requirement Rn."""
    counts: dict[str, int] = {}
    for number in range(1, REQUIREMENTS_COUNT + 1):
        rows = int(np.count_nonzero(reasons >> (number - 1) & 1))
        if rows:
            counts[f"R{number:02d}"] = rows
    return counts
