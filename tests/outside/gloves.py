"""Force estimators made from the documents alone (docs/sensor-and-people.md): nothing of thenar is imported.

A pinch force of smooth moves, holds and a little unrest, read by an estimator with a knee, a delay, noise that grows
with force and forgets itself, outliers, dropouts and re-seatings; sampled evenly with lateness, or with gaps that each
are drawn anew.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Columns = dict[str, Floats]
WRONG: Final = ("has play", "lags", "creeps")
FORCE_HZ: Final = 200
SECONDS: Final = 300.0


class Glove(NamedTuple):
    """What is true of one estimator: in Hz, ms, N and shares; `even`: whether its samples keep a pace."""

    rate_Hz: float
    even: bool
    latency_ms: float
    knee_N: float
    slopes: tuple[float, float]
    floor_N: float
    share: float
    tau_ms: float
    outlier_share: float
    outlier_sd_N: float
    dropouts_per_min: float
    seatings: int
    strongest_N: float = 18.0


def drawn_glove(rng: np.random.Generator) -> Glove:
    """One of many: half even, a third each without outliers, with a few and with up to a tenth."""
    return Glove(
        rate_Hz=float(rng.uniform(25.0, 60.0)),
        even=bool(rng.random() < 0.5),
        latency_ms=float(rng.uniform(60.0, 250.0)),
        knee_N=float(rng.uniform(5.0, 11.0)),
        slopes=(float(rng.uniform(0.8, 1.2)), float(rng.uniform(0.4, 1.0))),
        floor_N=float(rng.uniform(0.1, 0.4)),
        share=float(rng.uniform(0.01, 0.06)),
        tau_ms=float(rng.uniform(60.0, 200.0)),
        outlier_share=float(rng.choice([0.0, rng.uniform(0.003, 0.02), rng.uniform(0.02, 0.1)])),
        outlier_sd_N=float(rng.uniform(5.0, 12.0)),
        dropouts_per_min=float(rng.choice([0.0, rng.uniform(2.0, 8.0)])),
        seatings=int(rng.choice([0, 0, 2])),
    )


def pinch(rng: np.random.Generator, strongest_N: float) -> Floats:
    """Force at FORCE_HZ: levels held for 1 to 4 s with smooth moves of 0.2 to 0.8 s between them, and unrest."""
    size = round(SECONDS * FORCE_HZ)
    parts, now_N, filled = [], 0.0, 0
    while filled < size:
        next_N = float(rng.choice([0.0, rng.uniform(0.0, strongest_N), rng.uniform(0.0, strongest_N)]))
        move = np.linspace(0.0, 1.0, round(rng.uniform(0.2, 0.8) * FORCE_HZ))
        parts.append(now_N + (next_N - now_N) * (3.0 * move**2 - 2.0 * move**3))
        parts.append(np.full(round(rng.uniform(1.0, 4.0) * FORCE_HZ), next_N))
        now_N, filled = next_N, filled + parts[-1].size + parts[-2].size
    force_N = np.concatenate(parts)[:size]
    return np.maximum(0.0, force_N * (1.0 + 0.015 * _forgetting(rng, np.full(size, 1.0 / FORCE_HZ), 0.15)))


def _forgetting(rng: np.random.Generator, gaps_s: Floats, tau_s: float) -> Floats:
    keeps, kicks = np.exp(-gaps_s / tau_s), rng.standard_normal(gaps_s.size)
    value, made = float(kicks[0]), np.empty(gaps_s.size)
    for place, (keep, kick) in enumerate(zip(keeps.tolist(), kicks.tolist(), strict=True)):
        value = keep * value + math.sqrt(1.0 - keep * keep) * kick
        made[place] = value
    return made


def felt(force_s: Floats, force_N: Floats, taken_s: Floats, wrong: str) -> Floats:
    """What a sensor of another kind feels at `taken_s`. `wrong`: one of WRONG."""
    made, held = np.empty(force_N.size), 0.0
    if wrong == "has play":
        for place, value in enumerate(force_N.tolist()):
            held = min(max(held, value - 0.8), value + 0.8)
            made[place] = held
    else:
        keep = math.exp(-1.0 / (FORCE_HZ * (0.35 if wrong == "lags" else 4.0)))
        for place, value in enumerate(force_N.tolist()):
            held = keep * held + (1.0 - keep) * value
            made[place] = held if wrong == "lags" else 0.75 * value + 0.25 * held
    return np.interp(taken_s, force_s, made)


def glove_recording(rng: np.random.Generator, glove: Glove, wrong: str = "") -> Columns:
    """Force and estimate in one table in order of time, empty cells as nan; times to 10 us.

    `wrong`: one of WRONG, sensors that the documents' estimator can't be, or "".
    """
    force_N = pinch(rng, glove.strongest_N)
    force_s = np.arange(force_N.size) / FORCE_HZ
    if glove.even:
        due_s = np.arange(0.0, SECONDS, 1.0 / glove.rate_Hz)
        taken_s = due_s + rng.uniform(0.0, 0.002, due_s.size)
    else:
        gaps_s = rng.gamma(6.0, 1.0 / (6.0 * glove.rate_Hz), round(1.1 * SECONDS * glove.rate_Hz))
        taken_s = np.cumsum(gaps_s)
        taken_s = taken_s[taken_s < SECONDS]
    true_N = np.interp(taken_s, force_s, force_N)
    low, high = glove.slopes
    if wrong:
        true_N = felt(force_s, force_N, taken_s, wrong)
    reads_N = low * np.minimum(true_N, glove.knee_N) + high * np.maximum(0.0, true_N - glove.knee_N) + 1.0
    for _ in range(glove.seatings):
        after = taken_s >= rng.uniform(60.0, SECONDS - 30.0)
        reads_N = np.where(after, (1.0 + 0.1 * rng.standard_normal()) * reads_N + 1.5 * rng.standard_normal(), reads_N)
    noise = _forgetting(rng, np.diff(taken_s, prepend=0.0), glove.tau_ms / 1e3)
    reads_N = reads_N + (glove.floor_N + glove.share * true_N) * noise
    away = rng.random(taken_s.size) < glove.outlier_share
    reads_N = np.maximum(0.0, reads_N + away * glove.outlier_sd_N * rng.standard_normal(taken_s.size))
    arrives_s = taken_s + glove.latency_ms / 1e3
    kept = np.ones(taken_s.size, dtype=bool)
    for _ in range(rng.poisson(glove.dropouts_per_min * SECONDS / 60.0)):
        start_s = rng.uniform(0.0, SECONDS)
        kept &= (taken_s < start_s) | (taken_s >= start_s + rng.exponential(0.2))
    return together(force_s, force_N, arrives_s[kept], reads_N[kept])


def together(force_s: Floats, force_N: Floats, read_s: Floats, read_N: Floats) -> Columns:
    """One table of two series."""
    t_s = np.round(np.concatenate([force_s, read_s]), 5)
    columns = {
        "t_s": t_s,
        "force_N": np.concatenate([np.round(force_N, 4), np.full(read_s.size, np.nan)]),
        "estimate_N": np.concatenate([np.full(force_s.size, np.nan), np.round(read_N, 4)]),
    }
    order = np.argsort(t_s, kind="stable")
    return {name: values[order] for name, values in columns.items()}


BAD: Final = (
    "inverted", "flat", "swapped", "in kg", "in lb", "in mN", "in g", "in V", "raw counts", "both in kg", "ms",
    "clipped",
)  # fmt: skip


def spoilt(columns: Columns, how: str) -> Columns:
    """The recording as somebody may hand it in by mistake. `how`: one of BAD."""
    made = dict(columns)
    read_N, force_N = columns["estimate_N"], columns["force_N"]
    factors = {
        "in kg": 1 / 9.80665,
        "in lb": 0.224809,
        "in mN": 1000.0,
        "in g": 101.97,
        "in V": 0.11,
        "raw counts": 57.0,
    }
    if how == "inverted":
        made["estimate_N"] = 40.0 - read_N
    elif how == "flat":
        made["estimate_N"] = 0.0 * read_N + 6.0 + 0.3 * np.sin(7.3 * np.arange(read_N.size))
    elif how == "swapped":
        made["estimate_N"], made["force_N"] = force_N, read_N
    elif how == "both in kg":
        made["estimate_N"], made["force_N"] = read_N / 9.80665, force_N / 9.80665
    elif how == "ms":
        made["t_s"] = 1000.0 * columns["t_s"]
    elif how == "clipped":
        made["force_N"] = np.minimum(force_N, 8.0)
    else:
        made["estimate_N"] = factors[how] * read_N + (0.4 if how == "in V" else 0.0)
    return made
