"""From a recording to what the muscle fit looks at: pulses with their recruited shares, and force in short means."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.fit.recording import Recording, Series
from thenar.plant_models.recruitment import recruited_share, recruitment_params
from thenar.plant_models.settings import Recruitment
from thenar.shared.errors import InputError, Problem

MEAN_MS: Final = 10.0
"""Force is averaged over this long: 100 Hz. The slowest step of the muscle model is far longer (a test measures)."""
DENSE_MS: Final = 2.5
"""Samples at least this close together are averaged; others stand for themselves, since a mean of few is no mean."""
LEAST_OF_A_MEAN: Final = 0.6
SPARSEST_MS: Final = 25.0
LEAST_SECONDS: Final = 2.0
LEAST_PULSES: Final = 3
LEAST_GAP_MS: Final = 2.0
SAME_PULSE: Final = 0.01
"""Currents and widths that differ by less than this share of themselves are the same."""
LEAST_RISE: Final = 4.0
"""The evoked force must rise above rest by this many times the scatter from one mean to the next."""


class Observed(NamedTuple):
    """What the fit compares with.

    `pulses_ms`, `shares` (m,): pulses given, and the share 0..1 that each fires; `at_ms`, `force_N` (n,): middle and
    mean of each stretch of force; `mean_ms`: how long a stretch is, 0 for single samples; `joined` (n,): whether a
    stretch follows the one before without a gap; `rest_N`: force before the first pulse; `noise_N`: SD of the scatter
    from one mean to the next; `begins_s`: what 0 ms is on the recording's clock.
    """

    pulses_ms: NDArray[np.float64]
    shares: NDArray[np.float64]
    at_ms: NDArray[np.float64]
    force_N: NDArray[np.float64]
    mean_ms: float
    joined: NDArray[np.bool_]
    rest_N: float
    noise_N: float
    begins_s: float


def observed(recording: Recording, recruitment: Recruitment | None) -> Observed:
    """What is in `recording`. `recruitment`: the fitted curve that tells what unlike pulses fire, if there is one.

    Raises InputError that says why it can't be fitted.
    """
    for column in ("t_s", "force_N", "pulse_current_mA", "pulse_width_us"):
        if not recording.has(column):
            raise _refused(recording, column, "no numbers", f"a muscle recording has {column}")
    force = recording.series("force_N")
    given = _pulses(recording)
    _check_force(recording, force)
    _check_pulses(recording, given, force)
    begins_s = float(min(force.t_s[0], given.t_s[0]))
    shares = _shares(recording, given, recruitment)
    mean_ms, at_ms, means_N, joined = _means(1e3 * (force.t_s - begins_s), force.values)
    pulses_ms = 1e3 * (given.t_s - begins_s)
    noise_N = _scatter_N(means_N)
    before = means_N[at_ms < pulses_ms[0]]
    rest_N = float(np.median(before)) if before.size else float(np.quantile(means_N, 0.05))
    seen = Observed(pulses_ms, shares, at_ms, means_N, mean_ms, joined, rest_N, noise_N, begins_s)
    _check_evoked(recording, seen)
    return seen


class _Given(NamedTuple):
    """Pulses as recorded: s, mA, us, shapes (m,)."""

    t_s: NDArray[np.float64]
    current_mA: NDArray[np.float64]
    width_us: NDArray[np.float64]


def _refused(recording: Recording, key: str, found: str, allowed: str) -> InputError:
    return InputError([Problem(recording.file, key, found, allowed)])


def _pulses(recording: Recording) -> _Given:
    current, width = recording.columns["pulse_current_mA"], recording.columns["pulse_width_us"]
    halves = int(np.sum(np.isfinite(current) != np.isfinite(width)))
    if halves:
        raise _refused(
            recording, "pulse_width_us", f"{halves} rows with only one of current and width", "both or neither"
        )
    whole = np.isfinite(current) & np.isfinite(width) & (current > 0) & (width > 0)
    return _Given(recording.columns["t_s"][whole], current[whole], width[whole])


def _check_force(recording: Recording, force: Series) -> None:
    seconds = float(np.ptp(force.t_s))
    if seconds < LEAST_SECONDS or force.t_s.size < 3:
        raise _refused(recording, "force_N", f"{seconds:.3g} s of force", f"at least {LEAST_SECONDS:g} s")
    typical_ms = 1e3 * float(np.median(np.diff(force.t_s)))
    if typical_ms > SPARSEST_MS:
        allowed = f"at most {SPARSEST_MS:g} ms, so that the rise of a twitch can be seen"
        raise _refused(recording, "force_N", f"a sample every {typical_ms:.3g} ms", allowed)
    if float(np.ptp(force.values)) == 0.0:
        raise _refused(recording, "force_N", f"{force.values[0]:g} N throughout", "force that changes")


def _check_pulses(recording: Recording, given: _Given, force: Series) -> None:
    inside = (given.t_s >= force.t_s[0]) & (given.t_s <= force.t_s[-1])
    if int(inside.sum()) < LEAST_PULSES:
        found = f"{given.t_s.size} pulses, {int(inside.sum())} of them while force was recorded"
        raise _refused(recording, "pulse_current_mA", found, f"at least {LEAST_PULSES} while force was recorded")
    gaps_ms = 1e3 * np.diff(given.t_s)
    if gaps_ms.min() < LEAST_GAP_MS:
        at_s = float(given.t_s[int(np.argmin(gaps_ms)) + 1])
        found = f"two pulses {gaps_ms.min():.3g} ms apart at t_s = {at_s:.6g}"
        raise _refused(
            recording, "t_s", found, f"one row for each pulse, at least {LEAST_GAP_MS:g} ms apart; give each pulse once"
        )


def _shares(recording: Recording, given: _Given, recruitment: Recruitment | None) -> NDArray[np.float64]:
    if recruitment is not None:
        params = recruitment_params(recruitment)
        shares = [
            float(recruited_share(params, float(mA), float(us)))
            for mA, us in zip(given.current_mA, given.width_us, strict=True)
        ]
        if max(shares) < 1e-3:
            raise _refused(
                recording, "pulse_current_mA", "pulses that all lie below the threshold of the recruitment curve",
                "pulses that fire a part of the muscle by the curve that was given",
            )  # fmt: skip
        return np.array(shares)
    for key, values, unit in (
        ("pulse_current_mA", given.current_mA, "mA"),
        ("pulse_width_us", given.width_us, "us"),
    ):
        low, high = float(values.min()), float(values.max())
        if high - low > SAME_PULSE * high:
            raise _refused(
                recording, key, f"{low:.4g} to {high:.4g} {unit}",
                "one current and one width throughout, or a fitted recruitment curve that tells what each pulse fires "
                "(--recruitment FILE)",
            )  # fmt: skip
    return np.ones(given.t_s.size)


def _means(
    t_ms: NDArray[np.float64], force_N: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """How long a stretch is (ms), its middle (ms), its mean (N) and whether it follows on, for every stretch."""
    typical_ms = float(np.median(np.diff(t_ms)))
    if typical_ms > DENSE_MS:
        joined = np.r_[False, np.diff(t_ms) < 1.5 * typical_ms]
        return 0.0, t_ms, force_N, joined
    # Half a sample early, so that samples exactly on the edge don't fall to either side by rounding.
    place = np.floor((t_ms - t_ms[0] + 0.5 * typical_ms) / MEAN_MS).astype(np.int64)
    kinds, begins, counts = np.unique(place, return_index=True, return_counts=True)
    full = counts >= LEAST_OF_A_MEAN * MEAN_MS / typical_ms
    means_N = np.add.reduceat(force_N, begins)[full] / counts[full]
    at_ms = np.add.reduceat(t_ms, begins)[full] / counts[full]
    return MEAN_MS, at_ms, means_N, np.r_[False, np.diff(kinds[full]) == 1]


def _scatter_N(means_N: NDArray[np.float64]) -> float:
    """SD of what jumps from one mean to the next: second differences, by their median so that twitches don't count."""
    second = np.diff(means_N, 2)
    return float(np.median(np.abs(second))) / (0.6745 * math.sqrt(6.0))


def _check_evoked(recording: Recording, seen: Observed) -> None:
    after = seen.at_ms > seen.pulses_ms[0]
    highest_N = float(np.quantile(seen.force_N[after], 0.995)) - seen.rest_N
    fall_N = seen.rest_N - float(np.quantile(seen.force_N[after], 0.005))
    if not highest_N > max(LEAST_RISE * seen.noise_N, fall_N):
        raise _refused(
            recording, "force_N",
            f"force that rises by {highest_N:.3g} N over rest and falls by {fall_N:.3g} N, in scatter of "
            f"{seen.noise_N:.3g} N",
            "force that the pulses move (are force and pulses on one clock, is the sign of the force right?)",
        )  # fmt: skip
