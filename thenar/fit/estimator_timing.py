"""Lag, pace and jitter of an estimator as parameters: what of an arrival's shift is latency, and what is sampling."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from thenar.fit.estimator_clock import Clock, Width
from thenar.fit.estimator_search import Found
from thenar.fit.found import Parameter
from thenar.plant_models.settings import Estimator

Z: Final = 1.959964
ROUNDED_S: Final = 0.5e-6
SURE: Final = 6.0
LONGEST_MS: Final = 2000.0
NEITHER: Final = (
    "arrivals shift by {wide:.2f} and {narrow:.2f} ms; which of the two is sampling and which is latency, this "
    "recording can't tell: record quicker changes of force"
)
SCATTERED: Final = (
    "arrivals are too scattered or too coarsely timed against their pace to part sampling from latency: record arrival "
    "times to 0.1 ms"
)
NO_PACE: Final = (
    "readings keep no pace, each gap is drawn anew: sampling and latency can't be parted; record the time at which a "
    "sample was taken"
)
DEFAULTS: Final = Estimator()


def timing(clock: Clock, found: Found) -> list[Parameter]:
    """rate_Hz, latency_ms, latency_jitter_ms and jitter_ms."""
    gap_s, spread_s = clock.gap_s, Z * clock.gap_se_s + ROUNDED_S
    ends = 1.0 / (gap_s + spread_s), 1.0 / (gap_s - spread_s)
    pace = "exact but for times being whole microseconds"
    if clock.gap_sd_s > 0.0:
        pace = f"mean rate: readings keep no pace, their gaps have an SD of {1e3 * clock.gap_sd_s:.3g} ms"
    made = [Parameter("rate_Hz", 1.0 / gap_s, "Hz", *ends, True, pace)]
    knots = found.guess.true_N.size
    lag_ms, se_ms = 1e3 * found.guess.lag_s, 1e3 * math.sqrt(found.covariance[knots, knots])
    if clock.gap_sd_s > 0.0:
        return [*made, _latency(lag_ms, se_ms, None, 0.0), *_irregular(clock)]
    if clock.wide is None or clock.narrow is None:
        spread_ms = math.sqrt(12.0) * 1e3 * float(np.std(clock.deviation_s))
        return [*made, _latency(lag_ms, se_ms, None, spread_ms), *_untold(SCATTERED)]
    pair = _which(clock.wide, clock.narrow, clock.gap_s, found)
    if pair is None:
        note = NEITHER.format(wide=1e3 * clock.wide.value, narrow=1e3 * clock.narrow.value)
        return [*made, _latency(lag_ms, se_ms, None, 1e3 * clock.wide.high), *_untold(note)]
    late, jitter = pair
    return [
        *made,
        _latency(lag_ms, se_ms, late, 0.0),
        Parameter("latency_jitter_ms", *_in_ms(late)),
        Parameter("jitter_ms", *_in_ms(jitter)),
    ]


def _in_ms(width: Width) -> tuple[float, str, float, float]:
    return 1e3 * width.value, "ms", 1e3 * width.low, 1e3 * width.high


def _untold(note: str) -> list[Parameter]:
    keys = {"latency_jitter_ms": DEFAULTS.latency_jitter_ms, "jitter_ms": DEFAULTS.jitter_ms}
    return [Parameter(key, value, "ms", math.nan, math.nan, False, note) for key, value in keys.items()]


def _irregular(clock: Clock) -> list[Parameter]:
    """Latency's jitter is untold; the simulated sampling is shifted evenly, so that gaps spread as on record."""
    widest_ms = 500.0 * clock.gap_s
    width_ms = 1e3 * math.sqrt(6.0) * clock.gap_sd_s
    note = "an even shift whose gaps spread as those on record"
    if width_ms > widest_ms:
        note = (
            f"gaps spread more than an even pace can be shifted: half a gap of {1e3 * clock.gap_s:.3g} ms is simulated"
        )
    late, _ = _untold(NO_PACE)
    value_ms = min(width_ms, widest_ms)
    return [late, Parameter("jitter_ms", value_ms, "ms", value_ms, max(value_ms, width_ms), True, note)]


def _which(wide: Width, narrow: Width, gap_s: float, found: Found) -> tuple[Width, Width] | None:
    """(latency, sampling) as widths, or None when the force doesn't tell."""
    if wide.low <= narrow.high:
        both = Width(0.5 * (wide.value + narrow.value), narrow.low, wide.high)
        return both, both
    if wide.low > 0.5 * gap_s:
        return wide, narrow
    place = found.guess.true_N.size + 1
    follow, variance = found.follow, float(found.covariance[place, place])
    share = wide.value**2 / (wide.value**2 + narrow.value**2)
    favour = ((follow - (1.0 - share)) ** 2 - (follow - share) ** 2) / (2.0 * variance)
    if abs(favour) < SURE:
        return None
    return (wide, narrow) if favour > 0.0 else (narrow, wide)


def _latency(lag_ms: float, se_ms: float, late: Width | None, widest_ms: float) -> Parameter:
    """The least latency: mean lag less half the latency's jitter."""
    if late is None:
        # The default jitter is what the scenario will have; the truth lies between no jitter and all of it.
        value = lag_ms - 0.5 * DEFAULTS.latency_jitter_ms
        low, high = min(value, lag_ms - 0.5 * widest_ms) - Z * se_ms, max(value, lag_ms) + Z * se_ms
    else:
        half = 1e3 * 0.5 * (late.high - late.low) / (2.0 * Z)
        value = lag_ms - 500.0 * late.value
        low, high = value - Z * math.hypot(se_ms, half), value + Z * math.hypot(se_ms, half)
    note = f"mean lag on record {lag_ms:.1f} ms, any offset between the two clocks included"
    if not 0.0 <= value <= LONGEST_MS:
        why = f"{note}: no estimator of the simulator has it; record both on one clock"
        return Parameter("latency_ms", DEFAULTS.latency_ms, "ms", math.nan, math.nan, False, why)
    return Parameter("latency_ms", value, "ms", max(0.0, low), high, True, note)
