"""The arithmetic of the measures of a trial, in one compiled pass. Their definitions: `thenar.report.metrics`."""

from __future__ import annotations

import math
from typing import Any, Final

from thenar.engine.band import half_band_N
from thenar.shared.compiled import entry, step

SETTLED_AFTER_US: Final = 1_000_000
STAY_US: Final = 500_000

TIME, ABSOLUTE, SQUARE, INSIDE, VARIATION, VARIATION_TIME, OVERSHOOT, SETTLING, CHARGE = 0, 1, 2, 3, 4, 5, 6, 7, 8
SUMS: Final = 10
"""Columns of `sums`: us, N us, N^2 us, us, % us, us, N (the largest; NaN when none), us, and nC of either channel."""
HOLDS, SETTLED, PULSES, TRIPS, ACTED = 0, 1, 2, 4, 5
COUNTS: Final = 44
"""Columns of `counts`: holds, settled ones, pulses of either channel, trips, and rows by requirement from R01 on."""


@step
def _variation(t_us: Any, span_us: Any, force_N: Any, start: int, stop: int) -> tuple[float, float]:
    """Coefficient of variation in % and settled time in us of one hold; time 0 when there is none."""
    first = start
    while first < stop and t_us[first] - t_us[start] < SETTLED_AFTER_US:
        first += 1
    count = stop - first
    if count < 2:
        return 0.0, 0.0
    total, time_us = 0.0, 0.0
    for row in range(first, stop):
        total += force_N[row]
        time_us += span_us[row]
    mean = total / count
    if not mean > 0.0:
        return 0.0, 0.0
    squares = 0.0
    for row in range(first, stop):
        squares += (force_N[row] - mean) * (force_N[row] - mean)
    return 100.0 * math.sqrt(squares / (count - 1)) / mean, time_us


@step
def overshoot_after_reaching_N(force_N: Any, start: int, stop: int, level_N: float) -> float:
    """Largest force above a level after reaching it from below, N; NaN when it never did or began above."""
    reached = start
    while reached < stop and force_N[reached] < level_N:
        reached += 1
    if reached in (start, stop):
        return math.nan
    highest = force_N[reached]
    for row in range(reached, stop):
        highest = max(highest, force_N[row])
    return float(highest - level_N)


@step
def settling_us(t_us: Any, span_us: Any, force_N: Any, start: int, stop: int, level_N: float) -> int:
    """Time until the force is in the band and stays for half a second, us; -1 when it never does."""
    half_N = half_band_N(level_N)
    entered = -1
    for row in range(start, stop):
        if not abs(force_N[row] - level_N) <= half_N:
            entered = -1
            continue
        if entered < 0:
            entered = t_us[row] - t_us[start]
        if t_us[row] + span_us[row] - t_us[start] - entered >= STAY_US:
            return int(entered)
    return -1


@step
def _errors(span_us: Any, target_N: Any, force_N: Any, reasons: Any, hold: Any, sums: Any, counts: Any) -> None:
    for row in range(hold[0], hold[1]):
        span = float(span_us[row])
        error_N = force_N[row] - target_N[row]
        sums[TIME] += span
        sums[ABSOLUTE] += abs(error_N) * span
        sums[SQUARE] += error_N * error_N * span
        if abs(error_N) <= half_band_N(target_N[row]):
            sums[INSIDE] += span
        mask, place = reasons[row], ACTED
        while mask > 0 and place < COUNTS:
            counts[place] += mask & 1
            mask >>= 1
            place += 1


@step
def _of_hold(t_us: Any, span_us: Any, target_N: Any, force_N: Any, hold: Any, sums: Any, counts: Any) -> None:
    """What only a hold of one level has."""
    start, stop = hold[0], hold[1]
    level_N = target_N[start]
    percent, time_us = _variation(t_us, span_us, force_N, start, stop)
    sums[VARIATION] += percent * time_us
    sums[VARIATION_TIME] += time_us
    over_N = overshoot_after_reaching_N(force_N, start, stop, level_N)
    if not math.isnan(over_N) and not over_N <= sums[OVERSHOOT]:
        sums[OVERSHOOT] = over_N
    settled_us = settling_us(t_us, span_us, force_N, start, stop, level_N)
    if settled_us >= 0:
        counts[SETTLED] += 1
        sums[SETTLING] += settled_us


@entry
def measure(
    t_us: Any,
    span_us: Any,
    target_N: Any,
    force_N: Any,
    reasons: Any,
    holds: Any,
    still: bool,
    pulse_us: Any,
    channel: Any,
    charge_nC: Any,
    trips_us: Any,
    sums: Any,
    counts: Any,
) -> None:
    """Add up everything about a trial, level by level.

    Trace columns of shape (rows,), with the time in us that each row stands for; `holds` (n, 3): first row, row after
    the last, level, in order of time; pulses of shape (pulses,) and trips of shape (trips,) in order of time, with the
    rectified charge in nC. `still`: whether holds are holds of one level. `sums` (levels, SUMS) and `counts` (levels,
    COUNTS) begin at zero, but for an overshoot of NaN.
    """
    pulse, trip = 0, 0
    for place in range(len(holds)):
        hold = holds[place]
        level = hold[2]
        counts[level, HOLDS] += 1
        _errors(span_us, target_N, force_N, reasons, hold, sums[level], counts[level])
        if still:
            _of_hold(t_us, span_us, target_N, force_N, hold, sums[level], counts[level])
        begins_us, ends_us = t_us[hold[0]], t_us[hold[1] - 1] + span_us[hold[1] - 1]
        while pulse < pulse_us.size and pulse_us[pulse] < ends_us:
            if pulse_us[pulse] >= begins_us:
                sums[level, CHARGE + channel[pulse]] += charge_nC[pulse]
                counts[level, PULSES + channel[pulse]] += 1
            pulse += 1
        while trip < trips_us.size and trips_us[trip] < ends_us:
            if trips_us[trip] >= begins_us:
                counts[level, TRIPS] += 1
            trip += 1
