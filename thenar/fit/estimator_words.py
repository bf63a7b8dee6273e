"""An estimator's noise, bursts, jumps and cuts as parameters: each with its interval, or with why there is none."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, Final

import numpy as np

from thenar.fit.estimator_bursts import FEWEST_BURSTS, Bursts, Outliers
from thenar.fit.estimator_clock import Clock
from thenar.fit.estimator_jumps import JumpSizes
from thenar.fit.estimator_noise import PER_MIN
from thenar.fit.estimator_pairs import Pairs
from thenar.fit.estimator_search import Found, curve_se_N
from thenar.fit.found import Parameter
from thenar.fit.recording import Recording
from thenar.plant_models.estimator import EstimatorParams, stated_sd_N
from thenar.plant_models.settings import Estimator

Z: Final = 1.959964
DEFAULTS: Final = Estimator()
# A curve is to be right within 0.2 N: beyond this half interval that would be luck.
LOOSEST_N: Final = 0.2
LOOSEST_LOG: Final = 0.5
WIDER: Final = 1.3
"""Intervals of the noise are so much wider than the likelihood's bend says: of forty recordings made without thenar
(`tests/outside/gloves.py`: knees between knots, dropouts, outliers that don't stand out) one in four wasn't held."""
LEAST_RANGE_N: Final = 3.0
LEAST_DRIFT_MIN: Final = 2.0
SHORTEST_OF_GAP: Final = 0.4
WELL_LONG_MIN: Final = 5.0
UNEVEN: Final = 0.2
NOT_PARTED: Final = (
    "the noise at rest can't be parted from that which grows with force: most readings are cut at zero, or lie at one "
    "level. Record holds at several levels in one placement"
)


def _untold(key: str, unit: str, note: str, low: float = math.nan, high: float = math.nan) -> Parameter:
    return Parameter(key, float(getattr(DEFAULTS, key)), unit, low, high, False, note)


def noise_told(found: Found, long_min: float) -> list[Parameter]:
    """The curve's readings, noise floor, share and correlation time, and drift."""
    guess, noise = found.guess, found.noise
    made = []
    curve = zip(guess.true_N, guess.reads_N, curve_se_N(found), strict=True)
    for place, (true_N, reads_N, se_N) in enumerate(curve):
        note = f"reading at a true force of {true_N:.2f} N"
        told = Z * se_N <= LOOSEST_N
        if not told:
            note += f": told to {Z * se_N:.2g} N only; it stands in the curve all the same. {_curve_better(found)}"
        made.append(
            Parameter(
                f"reads_N[{place}]", float(reads_N), "N", max(0.0, reads_N - Z * se_N), reads_N + Z * se_N, told, note
            )
        )
    spread, variances = noise.spread, np.maximum(0.0, np.diag(noise.covariance))
    errors = WIDER * np.sqrt(variances)
    range_N = float(np.ptp(found.linear.course.force_N[found.counts]))
    few = f"force spans only {range_N:.1f} N: record holds at several levels from rest to strong"
    for key, unit, value, error in (
        ("noise_floor_N", "N", spread.floor_N, errors[0]), ("noise_share", "", spread.share, errors[1]),
    ):  # fmt: skip
        if range_N < LEAST_RANGE_N:
            made.append(_untold(key, unit, few))
        elif not _is_told(found):
            made.append(_untold(key, unit, NOT_PARTED))
        else:
            made.append(Parameter(key, float(value), unit, max(0.0, value - Z * error), value + Z * error))
    made.append(_tau(found, float(errors[2])))
    drift = spread.walk * PER_MIN
    if long_min < LEAST_DRIFT_MIN:
        note = f"{60 * long_min:.0f} s are too short for drift: record {LEAST_DRIFT_MIN:g} minutes in one placement"
        made.append(_untold("drift_N_per_sqrt_min", "N/sqrt(min)", note, 0.0, noise.walk_high))
    elif guess.jumps.first.size:
        note = f"jumps too small to be found pass for drift, so at most {noise.walk_high:.2f}: record in one placement"
        made.append(_untold("drift_N_per_sqrt_min", "N/sqrt(min)", note, 0.0, noise.walk_high))
    else:
        made.append(Parameter("drift_N_per_sqrt_min", drift, "N/sqrt(min)", noise.walk_low, noise.walk_high))
    return made


def _is_told(found: Found) -> bool:
    """Whether noise at rest and noise that grows with force could be parted: else their errors aren't real numbers."""
    return bool(np.all(np.diag(found.noise.covariance)[:2] > 0.0))


def _curve_better(found: Found) -> str:
    """What to record for a curve that is better told: what loosens it most comes first."""
    if found.guess.jumps.first.size:
        return "The curve is that before the first jump: record five minutes in one placement, without gripping anew"
    if found.noise.walk_low > 0.0:
        return "The curve is that before any drift: record holds at all levels in the first minute after placing"
    return "Record more holds about this force"


def _tau(found: Found, log_error: float) -> Parameter:
    tau_ms = 1e3 * found.guess.spread.tau_s
    low, high = tau_ms * math.exp(-Z * log_error), tau_ms * math.exp(Z * log_error)
    if tau_ms < 1e3 * SHORTEST_OF_GAP * found.data.gap_s:
        note = f"noise forgets itself between readings, below {high:.0f} ms: record estimates at a higher rate"
        return _untold("noise_tau_ms", "ms", note, 0.0, high)
    if not 0.0 < log_error < LOOSEST_LOG:
        return _untold("noise_tau_ms", "ms", "only loosely told: record longer holds", low, high)
    return Parameter("noise_tau_ms", tau_ms, "ms", low, high)


def others_told(jumps: JumpSizes, dropouts: Bursts, stucks: Bursts, clock: Clock) -> list[Parameter]:
    """Jumps, dropouts and stuck stretches."""
    made = []
    if jumps.found < FEWEST_BURSTS:
        note = _few("jumps", jumps.found, jumps.per_min[2])
        made.append(_untold("jumps_per_min", "1/min", note, 0.0, jumps.per_min[2]))
        sizes = "too few jumps to tell their size: record with the sensor taken off and put on again"
        made += [_untold("jump_offset_sd_N", "N", sizes), _untold("jump_gain_sd", "", sizes)]
    else:
        note = f"{jumps.found} found; about {100 * (1 - jumps.chance):.0f} % of such jumps are too small to be found"
        made.append(Parameter("jumps_per_min", jumps.per_min[0], "1/min", *jumps.per_min[1:], True, note))
        made.append(Parameter("jump_offset_sd_N", jumps.offset_sd_N[0], "N", *jumps.offset_sd_N[1:]))
        made.append(Parameter("jump_gain_sd", jumps.gain_sd[0], "", *jumps.gain_sd[1:]))
    scattered = not np.all(np.diff(clock.slot) > 0)
    for rate_key, length_key, words, bursts in (
        ("dropouts_per_min", "dropout_ms", "dropouts", dropouts),
        ("stucks_per_min", "stuck_ms", "stuck stretches", stucks),
    ):
        if (scattered or clock.gap_sd_s > 0.0) and rate_key == "dropouts_per_min":
            note = "a dropout can't be told from a late reading: " + (
                "arrivals overtake each other" if scattered else "readings keep no pace"
            )
            made += [_untold(rate_key, "1/min", note), _untold(length_key, "ms", note)]
        elif bursts.seen < FEWEST_BURSTS:
            made.append(_untold(rate_key, "1/min", _few(words, bursts.seen, bursts.per_min[2]), 0.0, bursts.per_min[2]))
            made.append(_untold(length_key, "ms", f"too few {words} to tell their length: record for longer"))
        else:
            made.append(Parameter(rate_key, bursts.per_min[0], "1/min", *bursts.per_min[1:]))
            made.append(Parameter(length_key, bursts.mean_ms[0], "ms", *bursts.mean_ms[1:]))
    return made


def outliers_told(outliers: Outliers) -> list[Parameter]:
    """Readings that lie far off, each for itself."""
    seen = int(np.count_nonzero(outliers.at))
    if math.isnan(outliers.share[0]):
        note = f"{seen or 'none'} seen, so at most {100 * outliers.share[2]:.2g} % of readings; simulated as none"
        return [
            _untold("outlier_share", "", note, 0.0, outliers.share[2]),
            _untold("outlier_sd_N", "N", "too few outliers to tell their size: record for longer"),
        ]
    note = f"{seen} readings stand out of their neighbours; curve and noise are those of the others"
    return [
        Parameter("outlier_share", *_with_unit(outliers.share, ""), True, note),
        Parameter("outlier_sd_N", *_with_unit(outliers.sd_N, "N")),
    ]


def _with_unit(three: tuple[float, float, float], unit: str) -> tuple[float, str, float, float]:
    return three[0], unit, three[1], three[2]


def _few(words: str, count: int, most: float) -> str:
    number = "none" if count == 0 else f"only {count}"
    return f"{number} of the {words} seen, so at most {most:.2f} a minute; simulated as none. Record for longer"


def stated_told(recording: Recording, found: Found) -> list[Parameter]:
    """What the sensor says of its own uncertainty over what it is, where it says so."""
    key = "stated_over_true_sd"
    if not recording.has("stated_sd_N"):
        return [_untold(key, "", "no stated_sd_N on record: record it if the sensor gives one")]
    both = np.isfinite(recording.columns["stated_sd_N"]) & np.isfinite(recording.columns["estimate_N"])
    if not both.any():
        return [_untold(key, "", "no stated_sd_N beside an estimate: record both in one row")]
    # What is cut at zero says nothing of its noise.
    both &= recording.columns["estimate_N"] > 0.0
    spread = found.guess.spread
    honest = EstimatorParams(spread.floor_N, spread.share, 1.0, DEFAULTS.range_N)
    read_N = recording.columns["estimate_N"][both]
    true_sd_N = np.maximum(1e-9, spread.floor_N + spread.share * read_N)
    ratios = recording.columns["stated_sd_N"][both] / true_sd_N
    if not ratios.size or not _is_told(found):
        return [_untold(key, "", NOT_PARTED)]
    ratio, mean_N = float(np.median(ratios)), float(np.mean(read_N))
    weigh = np.array([1.0, mean_N])
    error = math.sqrt(max(0.0, float(weigh @ found.noise.covariance[:2, :2] @ weigh))) / stated_sd_N(honest, mean_N)
    low, high = np.quantile(ratios, [0.25, 0.75])
    note = (
        f"it differs with force: {low:.2f} to {high:.2f} in half of the readings" if high - low > UNEVEN * ratio else ""
    )
    return [Parameter(key, ratio, "", ratio * (1.0 - Z * error), ratio * (1.0 + Z * error), True, note)]


def cuts_told(found: Found) -> list[Parameter]:
    """The range, where readings were cut at it."""
    top_N = found.cuts.range_N
    if not math.isfinite(top_N):
        seen = float(found.data.estimate_N.max())
        note = f"no reading was cut at the top, so at least {seen:.1f} N: press harder to see where the sensor ends"
        return [_untold("range_N", "N", note, seen)]
    return [Parameter("range_N", top_N, "N", top_N, top_N, True, "readings stop here again and again")]


def table_of(parameters: Iterable[Parameter], found: Found) -> dict[str, Any]:
    """What goes into a scenario: all that could be told, and the whole curve."""
    table: dict[str, Any] = {
        one.key: float(one.value) for one in parameters if one.identifiable and not one.key.startswith("reads_N[")
    }
    for key, most in (("rate_Hz", 1000.0), ("jitter_ms", 500.0), ("noise_tau_ms", 20_000.0), ("jumps_per_min", 60.0)):
        if key in table:
            table[key] = min(table[key], most)
    if "noise_tau_ms" in table:
        table["noise_tau_ms"] = max(1.0, table["noise_tau_ms"])
    table["true_N"] = [float(value) for value in found.guess.true_N]
    table["reads_N"] = [float(value) for value in found.guess.reads_N]
    table["known_N"] = [table["true_N"][0], table["true_N"][-1]]
    return table


def warnings_of(pairs: Pairs, clock: Clock, found: Found, long_min: float) -> tuple[str, ...]:
    """What a reader should know before using the fit."""
    told = list(pairs.told)
    if long_min < WELL_LONG_MIN:
        told.append(f"{long_min:.1f} minutes are short: 5 to 10 tell drift, jumps and dropouts far better.")
    if clock.gap_sd_s > 0.0:
        told.append(
            "Readings keep no pace, their gaps are each drawn anew: the simulated sensor keeps one, with jitter."
        )
    elif not np.all(np.diff(clock.slot) > 0):
        told.append("Readings overtake each other or come at no steady pace: the rate is their mean.")
    left = 1.0 - int(np.count_nonzero(found.counts)) / max(1, int(np.count_nonzero(found.data.usable)))
    if left > 0.01:
        told.append(
            f"{100 * left:.0f} % of readings lie where the sensor cuts them: neither curve nor noise was fitted there."
        )
    if found.guess.jumps.first.size:
        told.append(
            "Re-seating jumps were found: the curve is that before the first. One within the first seconds can go "
            "unseen: hold all levels in one placement to begin with."
        )
    if found.stride > 1:
        told.append(f"Curve and noise were fitted to every {found.stride}th reading: those between tell nothing more.")
    told.append(
        "An estimate's time is its arrival, so sampling and latency jitter look alike: only the force parts them."
    )
    return tuple(told)
