"""From a `[target]` table to the moments at which the target changes in one trial."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from thenar.scenarios.recording import Recording, resample
from thenar.scenarios.targets import (
    ConstantTarget,
    RampAndHoldTarget,
    RecordingTarget,
    SineTarget,
    StepsTarget,
    Target,
)
from thenar.shared import noise
from thenar.shared.ticks import us_from_s

MOVING_STEP_US: Final = 10_000
"""A moving target is given anew every 10 ms: finer than a control tick or a wearer can follow."""

Changes = tuple[NDArray[np.int64], NDArray[np.float64]]


def target_changes(
    program: Target, duration_us: int, seed: int, wearer: int, repeat: int, recording: Recording | None = None
) -> Changes:
    """When the target changes, us (shape (n,), int64, rising, first 0), and to what, N (shape (n,), float64).

    `duration_us`: length of the trial, us, positive; all times lie before it. `seed`, `wearer`, `repeat`: whole
    numbers that fix a random order (the condition is left out on purpose: every condition meets the same targets).
    `recording`: the file's trace, for a recording only. Raises ValueError when it is missing.
    """
    match program:
        case ConstantTarget():
            return _changes([0], [program.level_N])
        case StepsTarget():
            every_us = us_from_s(program.every_s)
            count = -(-duration_us // every_us)
            levels = _ordered(program, count, seed, wearer, repeat)
            return _changes([k * every_us for k in range(count)], levels)
        case RampAndHoldTarget():
            return _ramps(program, duration_us)
        case SineTarget():
            times = _grid(duration_us)
            turn = 2.0 * math.pi / us_from_s(program.period_s)
            levels = [max(0.0, program.mean_N + program.amplitude_N * math.sin(turn * t)) for t in times]
            return _changes(times, levels)
        case RecordingTarget():
            if recording is None:
                raise ValueError("a recorded target needs its recording")
            times = _grid(duration_us)
            return _changes(times, resample(recording, MOVING_STEP_US, len(times), program.repeat).tolist())


def _grid(duration_us: int) -> list[int]:
    return list(range(0, duration_us, MOVING_STEP_US))


def _changes(times_us: list[int], levels_N: list[float]) -> Changes:
    """The moments at which the level differs from the one before."""
    t_us = np.array(times_us, dtype=np.int64)
    target_N = np.array(levels_N, dtype=np.float64)
    kept = np.concatenate(([True], target_N[1:] != target_N[:-1]))
    return t_us[kept], target_N[kept]


def _ordered(program: StepsTarget, count: int, seed: int, wearer: int, repeat: int) -> list[float]:
    """`count` levels, N: as listed and over again, or in shuffled blocks that hold each level once."""
    levels = program.levels_N
    if program.order == "listed" or len(levels) == 1:
        return [levels[k % len(levels)] for k in range(count)]
    random = noise.stream(seed, wearer, repeat, "target")
    order: list[int] = []
    while len(order) < count:
        order.extend(_block(len(levels), order[-1] if order else -1, random))
    return [levels[index] for index in order[:count]]


def _block(size: int, last: int, random: np.random.Generator) -> list[int]:
    """A permutation of 0..size-1 that doesn't begin with `last`, all such equally likely."""
    if last < 0:
        return [int(index) for index in random.permutation(size)]
    others = [index for index in range(size) if index != last]
    first = others[int(random.integers(len(others)))]
    rest = [index for index in range(size) if index != first]
    return [first, *(rest[int(place)] for place in random.permutation(len(rest)))]


def _ramps(program: RampAndHoldTarget, duration_us: int) -> Changes:
    """Ramp and hold, over and over. Within a ramp a point every 10 ms, and its end exactly if a hold follows."""
    ramp_us = us_from_s(program.ramp_s)
    cycle_us = ramp_us + us_from_s(program.hold_s)
    rise_N = program.to_N - program.from_N
    times: list[int] = []
    levels: list[float] = []
    for begin in range(0, duration_us, cycle_us):
        for into in range(0, ramp_us, MOVING_STEP_US):
            times.append(begin + into)
            levels.append(program.from_N + rise_N * into / ramp_us)
        if cycle_us > ramp_us:
            times.append(begin + ramp_us)
            levels.append(program.to_N)
    kept = next((index for index, t in enumerate(times) if t >= duration_us), len(times))
    return _changes(times[:kept], levels[:kept])
