"""How well a force followed its target: one tidy row per trial and target level.

Definitions, all on the rows of the trace (force at the fingertip, as the trace clock saw it):

- A row stands for the time until the next row, the last one until the trial ends. Every mean is weighted
  by that time, so a level held twice counts by how long it was held.
- A hold is an unbroken stretch of rows with one target. A moving program (ramp, sine, recording) has no
  holds: it gives one row named "moving", and what needs a hold is NaN there.
- band: within 10 % of the target or 0.5 N of it, whichever is larger.
- A hold has two parts. The steady part is its last `steady_s` of the scenario (3 s), at most its second half; what
  comes before is the approach. A hold shorter than a second is all approach. Correcting isn't unsteadiness: a measure
  of steadiness that begins before the force has settled counts it as such.
- steady error, coefficient of variation (sample SD, n - 1, over mean), drift (least-squares slope): of the force in the
  steady parts, averaged over the holds of a level by their length. NaN when no hold has one.
- approach error: mean |force - target| over the approaches.
- rise time: until nine tenths of the way from the force at a hold's start to its level are done, averaged over the
  holds with a way longer than the band that got there. NaN when none did.
- overshoot: largest force above target once a hold that began below its target has reached it; the largest
  of the level's holds. NaN when no hold of the level began below and got there.
- settling time: from the start of a hold until the force is in the band and stays there for 0.5 s, averaged
  over the holds that settled (`settled_holds` of `holds` did). NaN when none did.
- charge: rectified, that is current times width of both phases of every pulse, summed.
- beyond known: time in which the force lies outside what the recordings behind the fitted sensor and wearer support
  (their `known_N`), of all time above half a newton. NaN when neither states a range.
- agency: own_impulse_percent, against_own_percent, evoked_lead_ms, over_window_percent and refusals_per_min are
  defined, with their limits, at the head of `thenar.engine.measures_agency`. They never make one score.
- interventions: trace rows at which a requirement had acted since the row before. The exact number of control
  ticks and pulses is counted per trial by the engine (`reason_ticks`).
"""

from __future__ import annotations

import math
import statistics
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.engine import measures, measures_agency
from thenar.engine.band import BAND_LEAST_N, BAND_SHARE
from thenar.engine.result import TrialLabel, TrialResult
from thenar.safety.reasons import RULES
from thenar.scenarios.known import is_beyond
from thenar.shared.ticks import US_PER_MS, US_PER_S

PHASES_PER_PULSE: Final = 2
MOVING: Final = "moving"
EXTRAPOLATED: Final = " (extrapolated)"
"""After the name of a level for which sensor or wearer are carried on beyond their recordings."""

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
    Metric("steady_error_N", "N", "mean of |force - target| in the steady part of each hold"),
    Metric("cv_percent", "%", "SD of force over its mean in the steady part of each hold"),
    Metric("drift_N_per_s", "N/s", "slope of force in the steady part of each hold"),
    Metric("approach_error_N", "N", "mean of |force - target| before the steady part of each hold"),
    Metric("rise_s", "s", "time until nine tenths of the way to a new level are done"),
    Metric("in_band_percent", "%", "time within 10 % of the target or 0.5 N, whichever is larger"),
    Metric("overshoot_N", "N", "largest force above target after reaching it from below"),
    Metric("settling_s", "s", "time into the band and staying there for 0.5 s, over the holds that settled"),
    Metric("agonist_charge_both_phases_uC", "uC", "rectified charge of the agonist channel"),
    Metric("antagonist_charge_both_phases_uC", "uC", "rectified charge of the antagonist channel"),
    Metric("agonist_pulses", "1", "pulses of the agonist channel"),
    Metric("antagonist_pulses", "1", "pulses of the antagonist channel"),
    Metric("trips", "1", "latched trips"),
    Metric("beyond_known_percent", "%", "time with a force that the fitted sensor or wearer isn't known for"),
    Metric("own_impulse_percent", "%", "own force over own, agonist and antagonist force, as impulses"),
    Metric("against_own_percent", "%", "time in which evoked force points against the change of the own force"),
    Metric("evoked_lead_ms", "ms", "evoked onset ahead of own onset after a step, median over holds"),
    Metric("over_window_percent", "%", "steps after which evoked force led by more than 100 ms (published: 80 to 100)"),
    Metric("refusals_per_min", "1/min", "episodes of the agonist above the band, or the antagonist below it"),
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


class Seen(NamedTuple):
    """What is measured of a trial, in order of time: columns of the trace (rows,), of the pulses (pulses,), trips.

    `own_N`, `agonist_N`, `antagonist_N`: forces as each would be alone; `agonist_mA`, `antagonist_mA`: admitted.
    """

    t_us: Integers
    target_N: Floats
    force_N: Floats
    own_N: Floats
    agonist_N: Floats
    antagonist_N: Floats
    agonist_mA: Floats
    antagonist_mA: Floats
    reasons: Integers
    pulse_us: Integers
    channel: Integers
    current_mA: Floats
    width_us: Integers
    trips_us: Integers
    known_N: tuple[float, float] | None
    steady_us: int


def target_rows(result: TrialResult, *, moving: bool) -> list[TargetRow]:
    """The rows of one trial, targets rising.

    `moving` says that the program never holds a level, so that the whole trial is one row.
    """
    trace, pulses = result.trace, result.pulses
    trips = [event["t_us"] for event in result.events if event.get("kind") == "trip"]
    seen = Seen(
        trace["t_us"], trace["target_N"], trace["force_N"], trace["voluntary_N"], trace["agonist_evoked_N"],
        trace["antagonist_evoked_N"], trace["agonist_admitted_mA"], trace["antagonist_admitted_mA"], trace["reasons"],
        pulses["t_us"], pulses["channel"], pulses["current_mA"], pulses["width_us"], np.array(trips, dtype=np.int64),
        result.known_N, result.steady_us,
    )  # fmt: skip
    return rows_of_seen(result.label, result.duration_us, seen, moving=moving)


def rows_of_seen(label: TrialLabel, duration_us: int, seen: Seen, *, moving: bool) -> list[TargetRow]:
    """As `target_rows`, of a trial that lasts `duration_us` us."""
    t_us = seen.t_us
    span_us = np.diff(t_us, append=max(duration_us, int(t_us[-1]))) if len(t_us) else t_us
    kept = np.flatnonzero(span_us > 0)
    if not len(kept):
        return []
    # Mostly all rows but the last: then no row is looked up one by one.
    rows: Any = slice(len(kept)) if kept[-1] == len(kept) - 1 else kept
    t_us, target_N, force_N, *others, reasons = (np.ascontiguousarray(column[rows]) for column in seen[:9])
    span_us = span_us[rows]
    starts = np.zeros(1, np.int64) if moving else np.append(0, np.flatnonzero(np.diff(target_N) != 0.0) + 1)
    levels, level = (np.full(1, math.nan), 0) if moving else np.unique(target_N[starts], return_inverse=True)
    holds = np.stack(
        [starts, np.append(starts[1:], len(kept)), np.broadcast_to(level, starts.shape)], axis=1, dtype=np.int64
    )
    sums = np.zeros((len(levels), measures.SUMS))
    sums[:, measures.OVERSHOOT] = math.nan
    counts = np.zeros((len(levels), measures.COUNTS), dtype=np.int64)
    measures.measure(
        t_us, span_us, target_N, force_N, reasons, holds, not moving, seen.steady_us,
        seen.pulse_us, seen.channel, seen.current_mA * seen.width_us * PHASES_PER_PULSE, seen.trips_us, sums, counts,
    )  # fmt: skip
    forces = measures_agency.Forces(force_N, *others)
    agency = _agency(t_us, span_us, target_N, forces, holds, sums[:, measures.TIME], moving=moving)
    beyond = _beyond_known_percent(span_us, force_N, holds, len(levels), seen.known_N)
    return [
        _row(
            label,
            MOVING if moving else _target_name(level_N, seen.known_N),
            level_N,
            own_sums,
            own_counts,
            (own_beyond, *own_agency),
        )
        for level_N, own_sums, own_counts, own_beyond, own_agency in zip(
            levels.tolist(), sums.tolist(), counts.tolist(), beyond, agency, strict=True
        )
    ]


def _beyond_known_percent(
    span_us: Integers, force_N: Floats, holds: Integers, levels: int, known_N: tuple[float, float] | None
) -> list[float]:
    """Of each level: the share of its time with more than a little force in which that lies outside `known_N`."""
    if known_N is None:
        return [math.nan] * levels
    level = np.repeat(holds[:, 2], holds[:, 1] - holds[:, 0])
    felt_us = np.where(force_N > BAND_LEAST_N, span_us, 0).astype(float)
    outside = (force_N < known_N[0]) | (force_N > known_N[1])
    shown_us, beyond_us = (np.bincount(level, weights, levels) for weights in (felt_us, felt_us * outside))
    return [
        100.0 * out / all_us if all_us else 0.0
        for out, all_us in zip(beyond_us.tolist(), shown_us.tolist(), strict=True)
    ]


def _agency(
    t_us: Integers, span_us: Integers, target_N: Floats, forces: measures_agency.Forces, holds: Integers,
    shown_us: Floats, *, moving: bool,
) -> list[tuple[float, ...]]:  # fmt: skip
    """The agency measures of each level, in the order of METRICS. `shown_us`: for how long each was shown."""
    sums = np.zeros((len(shown_us), measures_agency.SUMS))
    counts = np.zeros((len(shown_us), measures_agency.COUNTS), dtype=np.int64)
    leads_us = np.zeros(len(holds))
    measures_agency.measure_agency(t_us, span_us, target_N, forces, holds, not moving, sums, counts, leads_us)
    leads: list[list[float]] = [[] for _ in shown_us]
    for level, lead_us in zip(holds[:, 2].tolist(), leads_us.tolist(), strict=True):
        if not math.isnan(lead_us):
            leads[level].append(lead_us)
    return [
        (
            100.0 * (own / (own + evoked)) if own + evoked > 0.0 else math.nan,
            100.0 * against_us / time_us,
            statistics.median(own_leads) / US_PER_MS if own_leads else math.nan,
            100.0 * over / of if of else math.nan,
            60.0 * refusals * US_PER_S / time_us,
        )
        for time_us, (own, evoked, against_us), (refusals, of, over), own_leads in zip(
            shown_us.tolist(), sums.tolist(), counts.tolist(), leads, strict=True
        )
    ]


def _row(
    label: TrialLabel, target: str, target_N: float, sums: list[float], counts: list[int], others: tuple[float, ...]
) -> TargetRow:
    time_us, settled, risen = sums[measures.TIME], counts[measures.SETTLED], counts[measures.RISEN]
    steady_us, approach_us = sums[measures.STEADY_TIME], sums[measures.APPROACH_TIME]
    values = (
        sums[measures.ABSOLUTE] / time_us,
        math.sqrt(sums[measures.SQUARE] / time_us),
        *(
            sums[place] / steady_us if steady_us else math.nan
            for place in (measures.STEADY_ABSOLUTE, measures.VARIATION, measures.DRIFT)
        ),
        sums[measures.APPROACH_ABSOLUTE] / approach_us if approach_us else math.nan,
        sums[measures.RISE] / risen / US_PER_S if risen else math.nan,
        100.0 * sums[measures.INSIDE] / time_us,
        sums[measures.OVERSHOOT],
        sums[measures.SETTLING] / settled / US_PER_S if settled else math.nan,
        sums[measures.CHARGE] / 1000.0,
        sums[measures.CHARGE + 1] / 1000.0,
        float(counts[measures.PULSES]),
        float(counts[measures.PULSES + 1]),
        float(counts[measures.TRIPS]),
        *others,
    )
    acted = {f"R{number:02d}": rows for number, rows in enumerate(counts[measures.ACTED :], start=1) if rows}
    holds = counts[measures.HOLDS]
    return TargetRow(label, target, target_N, time_us / US_PER_S, holds, settled, values, acted)


def _target_name(level_N: float, known_N: tuple[float, float] | None) -> str:
    """The name by which all tables and pictures know a level; beyond what is known of sensor or wearer it says so."""
    return level_name(level_N) + (EXTRAPOLATED if is_beyond(level_N, known_N) else "")


def level_name(level_N: float) -> str:
    """A target level as tables and pictures show it, in N: "4 N", "2.5 N"."""
    return f"{level_N:.6g} N"


def band_N(target_N: Any) -> Any:
    """Half-width of the band around a target, in N. Takes and gives a scalar or an array of any shape."""
    return np.maximum(BAND_SHARE * np.abs(target_N), BAND_LEAST_N)


def reason_counts(reasons: Integers) -> dict[str, int]:
    """Rows at which each requirement acted. `reasons`: masks of shape (rows,), bit n-1 for requirement Rn."""
    counts: dict[str, int] = {}
    for number in range(1, RULES + 1):
        rows = int(np.count_nonzero(reasons >> (number - 1) & 1))
        if rows:
            counts[f"R{number:02d}"] = rows
    return counts
