"""The smallest loop there is: a first-order lag with delay, and something that decides once per tick."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

from tests.loop.theory import DelayedLag


def outputs(
    plant: DelayedLag,
    tick_s: float,
    decide: Callable[[int, float], float],
    count: int,
    start: float = 0.0,
    per_tick: int = 40,
) -> list[float]:
    """The plant's output at every sub-step of `count` ticks, exact between sub-steps.

    `decide(tick, output)` gives the input until the next tick. The delay is rounded to whole sub-steps, `per_tick` of
    them to a tick. Shape of the result: (count * per_tick,).
    """
    sub_s = tick_s / per_tick
    lag = round(plant.delay_s / sub_s)
    keep = math.exp(-sub_s / plant.lag_s)
    inputs: list[float] = []
    found: list[float] = []
    output = start
    for index in range(count * per_tick):
        found.append(output)
        inputs.append(decide(index // per_tick, output) if index % per_tick == 0 else inputs[-1])
        seen = inputs[index - lag] if index >= lag else 0.0
        output = keep * output + plant.gain * (1.0 - keep) * seen
    return found


def period_s(samples: list[float], spacing_s: float, level: float = 0.0) -> float:
    """Mean time between upward crossings of `level`, each placed between samples by a straight line."""
    up = [
        i + (level - one) / (other - one)
        for i, (one, other) in enumerate(itertools.pairwise(samples))
        if one < level <= other
    ]
    return (up[-1] - up[0]) / (len(up) - 1) * spacing_s
