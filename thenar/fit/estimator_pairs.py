"""Measured force and estimates of a recording, paired: what can be used, and the first guess of the lag."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d
from scipy.signal import correlate, correlation_lags

from thenar.fit.between import both_between
from thenar.fit.recording import Recording, Series
from thenar.shared.errors import InputError, Problem

Numbers = NDArray[np.float64]

LEAST_S: Final = 20.0
LEAST_READINGS: Final = 200
LEAST_RANGE_N: Final = 1.0
LAG_HZ: Final = 200.0
LAG_WITHIN_S: Final = 5.0
TREND_S: Final = 5.0
SLOPE_OVER_S: Final = 0.01
HELD_RUN: Final = 2.0
AHEAD_S: Final = 0.02
LIGHT_N: Final = 8.0
WEAKEST_MATCH: Final = 0.3
OPPOSED: Final = 1.2  # a falling estimate correlates this much more strongly than any lag of a rising one


class Force(NamedTuple):
    """Measured force and its slope over time: s, N, N/s, shape (n,) each."""

    t_s: Numbers
    force_N: Numbers
    slope_N_per_s: Numbers

    def at(self, t_s: Numbers) -> Numbers:
        """Force in N at each of `t_s`, linear between samples."""
        found: Numbers = self.with_slope_at(t_s)[0]
        return found

    def with_slope_at(self, t_s: Numbers) -> Numbers:
        """Force in N and slope in N/s at each of `t_s` (m,): shape (2, m)."""
        return both_between(t_s, self.t_s, self.force_N, self.slope_N_per_s)


class Pairs(NamedTuple):
    """What a fit starts from. Readings in order of arrival, shape (n,): s, N; `lag_s`: first guess; `told`: warnings.

    `match`: the correlation at that lag, -1..1; `stated`: the uncertainty that came with readings, if any.
    """

    force: Force
    t_s: Numbers
    estimate_N: Numbers
    stated: Series | None
    lag_s: float
    match: float
    told: tuple[str, ...]


def paired(recording: Recording) -> Pairs:
    """Force and estimates of `recording`. Raises InputError when they can't tell an estimator."""
    problems = [
        Problem(recording.file, column, "no numbers", "measured force and estimate, both with times")
        for column in ("force_N", "estimate_N")
        if not recording.has(column)
    ]
    if problems:
        raise InputError(problems)
    measured, estimates = recording.series("force_N"), recording.series("estimate_N")
    _refuse(recording.file, measured, estimates)
    told: list[str] = []
    estimates = _first_of_held(estimates, told)
    if estimates.t_s.size < LEAST_READINGS:
        found = f"{estimates.t_s.size} different readings"
        raise InputError([Problem(recording.file, "estimate_N", found, f"at least {LEAST_READINGS}")])
    force = _force(measured)
    lag_s, match, against = first_lag(measured, estimates)
    if against > OPPOSED * max(match, WEAKEST_MATCH):
        found = f"falls as the force rises (correlation {-against:.2f}; {match:.2f} is the best that rises with it)"
        allowed = "an estimate that rises with force; turn its sign, or take force and estimate of the same pinch"
        raise InputError([Problem(recording.file, "estimate_N", found, allowed)])
    if match < WEAKEST_MATCH:
        found = f"no lag within {LAG_WITHIN_S:g} s at which they go together (best correlation {match:.2f})"
        allowed = "force and estimate of one pinch, with quick changes; clocks closer than that"
        raise InputError([Problem(recording.file, "estimate_N", found, allowed)])
    _refuse_exchanged(recording, measured, estimates, lag_s)
    top_N = float(np.quantile(measured.values, 0.999))
    if top_N < LIGHT_N:
        told.append(
            f"The strongest force on record is {top_N:.2g} N, where strong hands pinch 50 to 110 N: right for light "
            "holds, wrong if the columns are in kg or lb."
        )
    stated = recording.series("stated_sd_N") if recording.has("stated_sd_N") else None
    return Pairs(force, estimates.t_s, estimates.values, stated, lag_s, match, tuple(told))


def _refuse_exchanged(recording: Recording, measured: Series, estimates: Series, lag_s: float) -> None:
    """Raise InputError where the estimate comes before the force and is the quieter of the two."""
    if lag_s > -AHEAD_S:
        return
    gap_s = max(float(np.median(np.diff(series.t_s))) for series in (measured, estimates))
    grid = np.arange(max(measured.t_s[0], estimates.t_s[0]), min(measured.t_s[-1], estimates.t_s[-1]), gap_s)
    rough = []
    for series in (measured, estimates):
        values = np.interp(grid, series.t_s, series.values)
        rough.append(float(np.median(np.abs(np.diff(values, 2)))) / max(float(np.std(values)), 1e-9))
    if rough[0] <= rough[1]:
        return
    found = f"the estimate comes {-1e3 * lag_s:.0f} ms before the force, and the force is the noisier: exchanged?"
    allowed = "a force, and an estimate that comes after it; mend with --repair swap-force-estimate"
    raise InputError([Problem(recording.file, "columns force_N, estimate_N", found, allowed)])


def _refuse(file: str, measured: Series, estimates: Series) -> None:
    problems = []
    for key, series in (("force_N", measured), ("estimate_N", estimates)):
        size = series.t_s.size
        long_s = float(series.t_s[-1] - series.t_s[0])
        if size < LEAST_READINGS or long_s < LEAST_S:
            need = f"at least {LEAST_READINGS} numbers over {LEAST_S:g} s; 5 to 10 minutes tell all parameters"
            problems.append(Problem(file, key, f"too short: {size} numbers over {long_s:.1f} s", need))
        elif float(np.ptp(series.values)) < LEAST_RANGE_N:
            found = f"nearly constant: from {series.values.min():.2f} to {series.values.max():.2f} N"
            problems.append(Problem(file, key, found, f"a force that varies by {LEAST_RANGE_N:g} N or more"))
    if not problems:
        both_s = min(measured.t_s[-1], estimates.t_s[-1]) - max(measured.t_s[0], estimates.t_s[0])
        if both_s < LEAST_S:
            found = f"they share {max(0.0, both_s):.1f} s"
            problems.append(Problem(file, "t_s", found, f"at least {LEAST_S:g} s of force and estimate at once"))
    if problems:
        raise InputError(problems)


def _first_of_held(series: Series, told: list[str]) -> Series:
    """Only the first of equal neighbours, where a slow estimate was written again and again at a higher rate."""
    changed = np.flatnonzero(np.diff(series.values, prepend=np.nan) != 0.0)
    runs = np.diff(np.append(changed, series.values.size))
    moving = runs[series.values[changed] > series.values.min()]
    if moving.size == 0 or float(np.median(moving)) < HELD_RUN:
        return series
    typical = float(np.median(moving))
    told.append(
        f"Each estimate is written {typical:g} times (median): only the first of each was used, as its arrival."
    )
    # A value that holds much longer than usual (silent, stuck, cut at zero) is taken again at the usual pace.
    places = [np.arange(start, start + length, typical) for start, length in zip(changed, runs, strict=True)]
    kept = np.unique(np.concatenate(places).astype(int))
    return Series(series.t_s[kept], series.values[kept])


def _force(measured: Series) -> Force:
    gap_s = max(float(np.median(np.diff(measured.t_s))), 1e-3)
    grid = np.arange(measured.t_s[0], measured.t_s[-1], gap_s)
    values = np.interp(grid, measured.t_s, measured.values)
    slope = np.gradient(gaussian_filter1d(values, max(0.5, SLOPE_OVER_S / gap_s)), gap_s)
    return Force(measured.t_s, measured.values, np.interp(measured.t_s, grid, slope))


def first_lag(measured: Series, estimates: Series) -> tuple[float, float, float]:
    """Where the cross-correlation of quick changes peaks, refined by a parabola: lag in s and the correlation there.

    Last comes the strongest correlation of opposite sign within the same lags, as a positive number.
    """
    start_s, end_s = min(measured.t_s[0], estimates.t_s[0]), max(measured.t_s[-1], estimates.t_s[-1])
    grid = np.arange(start_s, end_s, 1.0 / LAG_HZ)
    quick = []
    for series in (estimates, measured):
        values = np.interp(grid, series.t_s, series.values)
        wide = round(TREND_S * LAG_HZ)
        values -= uniform_filter1d(uniform_filter1d(values, wide), wide)
        values[(grid < series.t_s[0]) | (grid > series.t_s[-1])] = 0.0
        quick.append(values)
    scale = float(np.linalg.norm(quick[0]) * np.linalg.norm(quick[1]))
    if scale <= 0.0:
        return 0.0, 0.0, 0.0
    found = correlate(quick[0], quick[1], method="fft") / scale
    lags = correlation_lags(grid.size, grid.size)
    near = np.abs(lags) <= LAG_WITHIN_S * LAG_HZ
    found, lags = found[near], lags[near]
    peak = int(np.argmax(found))
    shift = 0.0
    if 0 < peak < found.size - 1:
        left, top, right = found[peak - 1 : peak + 2]
        bend = left - 2.0 * top + right
        shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    return float((lags[peak] + shift) / LAG_HZ), float(found[peak]), max(0.0, -float(found.min()))
