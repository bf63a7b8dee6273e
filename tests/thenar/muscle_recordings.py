"""Recordings of stimulated muscles, simulated through the body itself with noise, for the tests of the muscle fit."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.plant_models.body_runs import AGONIST_PULSE, LOOK, body_of, events, in_order, ran
from thenar.fit.recording import Recording
from thenar.plant_models.muscle import muscle_params
from thenar.plant_models.settings import Muscle

CURRENT_mA: Final = 9.0
WIDTH_us: Final = 250.0
RANGES: Final = {
    "reachable_N": (10.0, 60.0),
    "tau_c_ms": (14.0, 34.0),
    "km_rest": (0.05, 0.25),
    "tau1_rest_ms": (25.0, 80.0),
    "tau2_ms": (60.0, 220.0),
    "delay_ms": (8.0, 30.0),
    "fatigue_share": (0.05, 1.2),
    "alpha_Km_per_ms_N": (0.95e-8, 3.8e-8),
    "alpha_tau1_per_N": (1.05e-5, 4.2e-5),
    "tau_fat_s": (60.0, 250.0),
}


class Noise(NamedTuple):
    """SD of white noise in N, SD of slow noise in N and over force, its correlation time in s, and the offset in N."""

    white_N: float
    slow_N: float
    slow_share: float
    slow_tau_s: float
    offset_N: float


def train_ms(start_ms: float, rate_Hz: float, count: int) -> NDArray[np.float64]:
    """Times in ms of `count` pulses."""
    return start_ms + np.arange(count) * 1e3 / rate_Hz


def protocol_ms(twitches: int = 8, trains: int = 150, probes: bool = True) -> NDArray[np.float64]:
    """Twitches, one-second trains at six rates, a fatigue run (13 pulses at 40 Hz each second), rest and probes, ms."""
    parts, at_ms = [], 1_000.0
    for _ in range(twitches):
        parts.append(train_ms(at_ms, 1.0, 1))
        at_ms += 1_500.0
    for rate_Hz in (8.0, 12.5, 20.0, 33.3, 50.0, 80.0):
        parts.append(train_ms(at_ms, rate_Hz, round(rate_Hz)))
        at_ms += 4_000.0
    for _ in range(trains):
        parts.append(train_ms(at_ms, 40.0, 13))
        at_ms += 1_000.0
    if probes:
        for rest_ms in (15_000.0, 40_000.0, 80_000.0):
            at_ms += rest_ms
            for offset_ms, rate_Hz in ((0.0, 20.0), (3_000.0, 50.0)):
                parts.append(train_ms(at_ms + offset_ms, rate_Hz, round(0.6 * rate_Hz)))
            at_ms += 5_000.0
    return np.round(np.concatenate(parts), 3)


def drawn_muscle(rng: np.random.Generator) -> Muscle:
    """A muscle of RANGES, uniform in the logarithm."""
    return Muscle(**{key: float(np.exp(rng.uniform(*np.log(span)))) for key, span in RANGES.items()})  # type: ignore[arg-type]


def drawn_noise(rng: np.random.Generator, reachable_N: float) -> Noise:
    """White 0.01-0.1 N; slow 0.1-0.5 % of the reachable force and 0.5-3 % of force, over 0.05-1 s; offset to 1 N."""
    return Noise(
        float(rng.uniform(0.01, 0.1)),
        float(rng.uniform(0.001, 0.005)) * reachable_N,
        float(rng.uniform(0.005, 0.03)),
        float(np.exp(rng.uniform(np.log(0.05), 0.0))),
        float(rng.uniform(-1.0, 1.0)),
    )


def force_of(muscle: Muscle, pulses_ms: NDArray[np.float64], looks_us: NDArray[np.int64]) -> NDArray[np.float64]:
    """Force at the fingertip in N at `looks_us`, by the body as the engine moves it."""
    strikes_us = np.round(1e3 * (pulses_ms + muscle.delay_ms)).astype(np.int64)
    schedule = in_order(events(AGONIST_PULSE, strikes_us, 1.0), events(LOOK, looks_us))
    return np.asarray(ran(body_of(muscle_params(muscle)), schedule).force_N[schedule.what == LOOK])


def recording_of(
    force_N: NDArray[np.float64],
    looks_us: NDArray[np.int64],
    pulses_ms: NDArray[np.float64],
    current_mA: float | NDArray[np.float64] = CURRENT_mA,
) -> Recording:
    """A muscle recording: rows of force, and rows of pulses between them."""
    t_s = np.concatenate([looks_us * 1e-6, pulses_ms * 1e-3])
    order = np.argsort(t_s, kind="stable")
    empty, none = np.full(looks_us.size, np.nan), np.full(pulses_ms.size, np.nan)
    columns = {
        "t_s": t_s,
        "force_N": np.r_[force_N, none],
        "pulse_current_mA": np.r_[empty, np.broadcast_to(current_mA, pulses_ms.shape)],
        "pulse_width_us": np.r_[empty, np.full(pulses_ms.size, WIDTH_us)],
    }
    named = {name: values[order] for name, values in columns.items()}
    return Recording("muscle", "flexor.csv", "0" * 64, t_s.size, "", "", named)


def noisy(rng: np.random.Generator, force_N: NDArray[np.float64], step_s: float, noise: Noise) -> NDArray[np.float64]:
    """`force_N` as a sensor shows it: offset, white noise, and slow noise that grows with force."""
    kept = float(np.exp(-step_s / noise.slow_tau_s))
    start = rng.standard_normal()
    slow, _ = lfilter([np.sqrt(1 - kept * kept)], [1, -kept], rng.standard_normal(force_N.size), zi=[kept * start])
    white = noise.white_N * rng.standard_normal(force_N.size)
    return noise.offset_N + force_N + white + slow * (noise.slow_N + noise.slow_share * force_N)


def simulated(
    muscle: Muscle, noise: Noise, rng: np.random.Generator, pulses_ms: NDArray[np.float64], rate_Hz: float = 200.0
) -> Recording:
    """The recording of `muscle` under pulses, with noise, until two seconds after the last pulse."""
    looks_us = np.arange(0, round(1e3 * (pulses_ms[-1] + 2_000.0)), round(1e6 / rate_Hz), dtype=np.int64)
    force_N = noisy(rng, force_of(muscle, pulses_ms, looks_us), 1.0 / rate_Hz, noise)
    return recording_of(force_N, looks_us, pulses_ms)
