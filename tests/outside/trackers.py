"""Hands at a target made without thenar: a tracker of another kind than the tool's own.

Force is corrected in bouts: at drawn moments, a refractory time apart, the tracker compares a delayed view of its force
with the target and sends a smooth correction of a drawn share of the error; noise is of first order and grows with
force. `wrong` makes it one that no such wearer is: a beat of 2 to 3 Hz, or a hand that lets go and grips anew.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Columns = dict[str, NDArray[np.float64]]
WRONG: Final = ("beats", "lets go")
RATE_HZ: Final = 100
MAX_PINCH_N: Final = 80.0


def tracker(rng: np.random.Generator, wrong: str = "", hold_s: float = 12.0) -> Columns:
    """Some four minutes of steps between levels, the own force shown in two of three holds."""
    levels_N = MAX_PINCH_N * np.array([0.06, 0.12, 0.2])
    count = round(240.0 / hold_s)
    target_N = np.repeat([0.0, *rng.choice(levels_N, count)], round(hold_s * RATE_HZ))
    shown = np.repeat([1.0, *(np.arange(count) % 3 != 2).astype(float)], round(hold_s * RATE_HZ))
    delay, rise = round(rng.uniform(0.15, 0.28) * RATE_HZ), round(rng.uniform(0.25, 0.4) * RATE_HZ)
    share, floor_N, growth = rng.uniform(0.6, 0.95), rng.uniform(0.02, 0.08), rng.uniform(0.008, 0.025)
    keep, wanted = math.exp(-1.0 / (RATE_HZ * rng.uniform(0.1, 0.4))), np.zeros(target_N.size)
    bow = np.concatenate([0.5 - 0.5 * np.cos(np.linspace(0.0, math.pi, rise)), np.ones(target_N.size)])
    gain = rng.uniform(0.85, 1.15)
    force_N, noise, ready, seen_target = np.zeros(target_N.size), 0.0, 0, 0.0
    for tick in range(target_N.size):
        noise = keep * noise + math.sqrt(1.0 - keep * keep) * float(rng.standard_normal())
        level_N = max(0.0, float(wanted[tick]))
        force_N[tick] = max(0.0, level_N + (floor_N + growth * level_N) * noise)
        past = max(0, tick - delay)
        if tick >= ready and tick > delay:
            fresh = target_N[past] != seen_target
            error_N = 0.0
            if fresh:
                seen_target = float(target_N[past])
                error_N = (gain if seen_target > 0.0 else 1.0) * seen_target - level_N
            elif shown[past]:
                error_N = share * (target_N[past] - force_N[past])
            if abs(error_N) > 0.03 * max(1.0, seen_target):
                wanted[tick:] += error_N * bow[: target_N.size - tick]
                ready = tick + rise + round(rng.uniform(0.05, 0.3) * RATE_HZ) + delay
    t_s = np.arange(target_N.size) / RATE_HZ
    if wrong == "beats":
        force_N = force_N * (1.0 + 0.25 * np.sin(2.0 * math.pi * rng.uniform(2.0, 3.0) * t_s))
    elif wrong == "lets go":
        away = ((t_s + rng.uniform(0.0, 6.0)) % 6.0) < 0.5
        force_N = np.where(away, 0.3 * force_N, force_N)
    return {"t_s": t_s, "target_N": target_N, "force_N": np.round(force_N, 3), "own_force_shown": shown}
