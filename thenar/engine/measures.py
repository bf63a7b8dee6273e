"""The arithmetic of the measures of a trial, in one compiled pass. Their definitions: `thenar.report.metrics`."""

from __future__ import annotations

import math
from typing import Any, Final

from thenar.engine.band import half_band_N
from thenar.safety.reasons import RULES
from thenar.shared.compiled import entry, step

LEAST_STEADY_US: Final = 500_000
STAY_US: Final = 500_000
RISEN_SHARE: Final = 0.9

TIME, ABSOLUTE, SQUARE, INSIDE, VARIATION, STEADY_TIME, OVERSHOOT, SETTLING, CHARGE = 0, 1, 2, 3, 4, 5, 6, 7, 8
STEADY_ABSOLUTE, DRIFT, APPROACH_TIME, APPROACH_ABSOLUTE, RISE = 10, 11, 12, 13, 14
SUMS: Final = 15
"""Columns of `sums`: us, N us, N^2 us, us; % us and us of steady parts; N (the largest overshoot; NaN when none), us of
settling, nC of either channel; N us and N of steady parts, us and N us of approaches, us of rises."""
HOLDS, SETTLED, PULSES, TRIPS, RISEN, ACTED = 0, 1, 2, 4, 5, 6
COUNTS: Final = ACTED + RULES
"""Columns of `counts`: holds, settled ones, pulses of either channel, trips, risen holds, and rows by requirement from
R01 on."""


@step
def steady_from(t_us: Any, span_us: Any, start: int, stop: int, steady_us: int) -> int:
    """The first row of a hold's steady part: its last `steady_us` us, at most its second half; `stop` for none."""
    ends_us = t_us[stop - 1] + span_us[stop - 1]
    length_us = min(steady_us, (ends_us - t_us[start]) // 2)
    first = start
    while first < stop and t_us[first] < ends_us - length_us:
        first += 1
    return first if length_us >= LEAST_STEADY_US and stop - first >= 2 else stop


@step
def variation_percent(force_N: Any, start: int, stop: int) -> float:
    """Coefficient of variation of two rows or more, %; 0 at no force."""
    total = 0.0
    for row in range(start, stop):
        total += force_N[row]
    mean = total / (stop - start)
    if not mean > 0.0:
        return 0.0
    squares = 0.0
    for row in range(start, stop):
        squares += (force_N[row] - mean) * (force_N[row] - mean)
    return float(100.0 * math.sqrt(squares / (stop - start - 1)) / mean)


@step
def drift_N_per_s(t_us: Any, force_N: Any, start: int, stop: int) -> float:
    """Slope of the straight line through two rows or more by least squares, N/s."""
    middle_us, middle_N = 0.0, 0.0
    for row in range(start, stop):
        middle_us += t_us[row] - t_us[start]
        middle_N += force_N[row]
    middle_us /= stop - start
    middle_N /= stop - start
    both, square = 0.0, 0.0
    for row in range(start, stop):
        off_us = t_us[row] - t_us[start] - middle_us
        both += off_us * (force_N[row] - middle_N)
        square += off_us * off_us
    return float(both / square * 1e6)


@step
def rise_us(t_us: Any, force_N: Any, start: int, stop: int, level_N: float) -> int:
    """Time until nine tenths of the way from a hold's first force to its level are done, us; -1 when never or no way.

    A way within the band is none.
    """
    way_N = level_N - force_N[start]
    if abs(way_N) <= half_band_N(level_N):
        return -1
    for row in range(start, stop):
        if (force_N[row] - force_N[start]) / way_N >= RISEN_SHARE:
            return int(t_us[row] - t_us[start])
    return -1


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
def _steady(t_us: Any, span_us: Any, force_N: Any, hold: Any, level_N: float, steady_us: int, sums: Any) -> None:
    """A hold in two parts: the approach, and the steady part if there is one."""
    start, stop = hold[0], hold[1]
    first = steady_from(t_us, span_us, start, stop, steady_us)
    for row in range(start, first):
        sums[APPROACH_TIME] += span_us[row]
        sums[APPROACH_ABSOLUTE] += abs(force_N[row] - level_N) * span_us[row]
    if first == stop:
        return
    time_us = 0.0
    for row in range(first, stop):
        time_us += span_us[row]
        sums[STEADY_ABSOLUTE] += abs(force_N[row] - level_N) * span_us[row]
    sums[STEADY_TIME] += time_us
    sums[VARIATION] += variation_percent(force_N, first, stop) * time_us
    sums[DRIFT] += drift_N_per_s(t_us, force_N, first, stop) * time_us


@step
def _of_hold(
    t_us: Any, span_us: Any, target_N: Any, force_N: Any, hold: Any, steady_us: int, sums: Any, counts: Any
) -> None:
    """What only a hold of one level has."""
    start, stop = hold[0], hold[1]
    level_N = target_N[start]
    _steady(t_us, span_us, force_N, hold, level_N, steady_us, sums)
    risen_us = rise_us(t_us, force_N, start, stop, level_N)
    if risen_us >= 0:
        counts[RISEN] += 1
        sums[RISE] += risen_us
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
    steady_us: int,
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
    rectified charge in nC. `still`: whether holds are holds of one level; `steady_us`: their steady part, us. `sums`
    (levels, SUMS) and `counts` (levels, COUNTS) begin at zero, but for an overshoot of NaN.
    """
    pulse, trip = 0, 0
    for place in range(len(holds)):
        hold = holds[place]
        level = hold[2]
        counts[level, HOLDS] += 1
        _errors(span_us, target_N, force_N, reasons, hold, sums[level], counts[level])
        if still:
            _of_hold(t_us, span_us, target_N, force_N, hold, steady_us, sums[level], counts[level])
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
