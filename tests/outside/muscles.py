"""Stimulated muscles made from the documents alone (docs/models.md): nothing of thenar is imported.

Right ones: calcium kinetics and force as the documents write them, behind a delay and a fingertip contact, with white
and slow noise. Wrong ones, of other model classes: a linear twitch that adds up, a linear twitch behind a saturation,
two kinds of fibre of which the slow one needs a burst, and a muscle that potentiates with every train.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Columns = dict[str, Floats]
WRONG: Final = ("adds up", "saturates", "two fibres", "potentiates")
STEP_MS: Final = 1.0
CONTACT_MS: Final = 15.0
TIME_SCALE: Final = 0.72


def session_ms() -> Floats:
    """Eight twitches, one-second trains at six rates in two rounds, and a half-minute of short trains; times in ms."""
    parts, at_ms = [], 1_000.0
    for _ in range(8):
        parts.append(np.array([at_ms]))
        at_ms += 1_500.0
    for _ in range(2):
        for rate_Hz in (8.0, 12.5, 20.0, 33.3, 50.0, 80.0):
            parts.append(at_ms + np.arange(round(rate_Hz)) * 1e3 / rate_Hz)
            at_ms += 3_000.0
    for _ in range(60):
        parts.append(at_ms + np.arange(13) * 25.0)
        at_ms += 1_000.0
    return np.round(np.concatenate(parts), 3)


def muscle_session(rng: np.random.Generator, wrong: str = "") -> Columns:
    """A session of one drawn muscle at 200 Hz. `wrong`: one of WRONG, or "" for the documents' own equations."""
    pulses_ms, delay_ms = session_ms(), float(rng.uniform(8.0, 30.0))
    ends_ms = float(pulses_ms[-1]) + 2_000.0
    at_ms = np.arange(0.0, ends_ms, STEP_MS)
    hits = np.round((pulses_ms + delay_ms) / STEP_MS).astype(int)
    reach_N = float(rng.uniform(12.0, 50.0))
    force_N = (
        _by_documents(rng, hits, at_ms.size, reach_N) if not wrong else _other(rng, wrong, hits, at_ms.size, reach_N)
    )
    felt_N, held = np.empty_like(force_N), 0.0
    share = 1.0 - math.exp(-STEP_MS / CONTACT_MS)
    for place, value in enumerate(force_N.tolist()):
        held += share * (value - held)
        felt_N[place] = held
    every = round(5.0 / STEP_MS)
    shown_N = felt_N[::every]
    slow_s = float(np.exp(rng.uniform(math.log(0.05), 0.0)))
    keep = math.exp(-0.005 / slow_s)
    kicks, slow, now = rng.standard_normal(shown_N.size).tolist(), np.empty(shown_N.size), 0.0
    for place, kick in enumerate(kicks):
        now = keep * now + math.sqrt(1.0 - keep * keep) * kick
        slow[place] = now
    size_N = float(rng.uniform(0.001, 0.005)) * reach_N + float(rng.uniform(0.005, 0.03)) * shown_N
    shown_N = shown_N + size_N * slow + float(rng.uniform(0.01, 0.1)) * rng.standard_normal(shown_N.size)
    shown_N = shown_N + float(rng.uniform(-1.0, 1.0))
    return _together(at_ms[::every] / 1e3, shown_N, pulses_ms / 1e3)


def _together(at_s: Floats, force_N: Floats, pulses_s: Floats) -> Columns:
    """One table in order of time, empty cells as nan."""
    t_s = np.concatenate([at_s, pulses_s])
    none = np.full(at_s.size, np.nan)
    columns = {
        "t_s": t_s,
        "force_N": np.concatenate([force_N, np.full(pulses_s.size, np.nan)]),
        "pulse_current_mA": np.concatenate([none, np.full(pulses_s.size, 9.0)]),
        "pulse_width_us": np.concatenate([none, np.full(pulses_s.size, 250.0)]),
    }
    order = np.argsort(t_s, kind="stable")
    return {name: values[order] for name, values in columns.items()}


def _by_documents(rng: np.random.Generator, hits: NDArray[np.int_], size: int, reach_N: float) -> Floats:
    """The documents' calcium, force and fatigue, with ten sub-steps of Heun's rule a millisecond."""
    tau_c = TIME_SCALE * float(np.exp(rng.uniform(math.log(14.0), math.log(34.0))))
    tau1 = TIME_SCALE * float(np.exp(rng.uniform(math.log(25.0), math.log(80.0))))
    tau2 = TIME_SCALE * float(np.exp(rng.uniform(math.log(60.0), math.log(200.0))))
    km = float(np.exp(rng.uniform(math.log(0.05), math.log(0.25))))
    fatigue = float(rng.uniform(0.0, 0.3))
    strike = np.zeros(size, dtype=bool)
    strike[hits] = True
    c, s, force, weakness, last = 0.0, 0.0, 0.0, 0.0, -1e9
    # At a steady bound share b the force is A b (tau1 + tau2 b): A brings 100 Hz to reach_N.
    level = (1.0 + (km + 1.04 - 1.0) * math.exp(-10.0 / tau_c)) * (10.0 / tau_c) * math.exp(-10.0 / tau_c)
    level /= (1.0 - math.exp(-10.0 / tau_c)) ** 2
    bound = level / (km + level)
    rested = reach_N / (bound * (tau1 + tau2 * bound))
    made, sub = np.empty(size), STEP_MS / 4.0
    decay = math.exp(-sub / tau_c)
    for place, struck in enumerate(strike.tolist()):
        if struck:
            s += 1.0 + (km + 1.04 - 1.0) * math.exp(-(place * STEP_MS - last) / tau_c)
            last = place * STEP_MS
        for _ in range(4):
            scale = rested * (1.0 - weakness)
            b = c / (km + c)
            slope = scale * b - force / (tau1 + tau2 * b)
            c = (c + s * sub / tau_c) * decay
            s *= decay
            b = c / (km + c)
            ahead = scale * b - (force + sub * slope) / (tau1 + tau2 * b)
            force += 0.5 * sub * (slope + ahead)
        weakness += STEP_MS * (fatigue * force / reach_N * (1.0 - weakness) / 20_000.0 - weakness / 90_000.0)
        made[place] = force
    return made


def _other(rng: np.random.Generator, wrong: str, hits: NDArray[np.int_], size: int, reach_N: float) -> Floats:
    rise_ms = float(rng.uniform(25.0, 60.0))
    if wrong == "adds up":
        return reach_N * _twitches(hits, size, rise_ms) / (100.0 * rise_ms / 1e3 * math.e)
    if wrong == "saturates":
        drive = _twitches(hits, size, rise_ms) / float(rng.uniform(1.5, 4.0))
        power = float(rng.uniform(2.5, 4.0))
        return reach_N * drive**power / (1.0 + drive**power)
    if wrong == "two fibres":
        fast, slow = _twitches(hits, size, rise_ms / 2.5), _twitches(hits, size, 3.0 * rise_ms)
        return reach_N * (0.45 * np.tanh(fast / 1.5) + 0.55 * np.tanh(slow / 9.0) ** 3)
    fast, count = _twitches(hits, size, rise_ms), np.zeros(size)
    np.add.at(count, hits, 1.0)
    grown = 1.0 + 1.2 * (1.0 - np.exp(-np.cumsum(count) / 150.0))
    return 0.4 * reach_N * grown * np.tanh(fast / 2.0)


def _twitches(hits: NDArray[np.int_], size: int, rise_ms: float) -> Floats:
    """Sum of twitches (t / rise) exp(1 - t / rise), each of height 1."""
    count = np.zeros(size)
    np.add.at(count, hits, 1.0)
    t_ms = np.arange(0.0, 20.0 * rise_ms, STEP_MS)
    return np.convolve(count, t_ms / rise_ms * np.exp(1.0 - t_ms / rise_ms))[:size]
