"""Where one more re-seating jump would explain most of what a fit leaves.

The state is (unit noise, offset, gain error). Offset and gain error begin unknown and are unknown anew after each jump
that was found before, so a jump is judged by what the placements on both sides say, however the others were fitted.
Shocks to the state: [@de-jong-penzer-1998] (from memory).
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from thenar.fit.estimator_filter import LEAST_VARIANCE_N2, Course, Spread
from thenar.shared.compiled import entry

# A jump of 6 N or of 30 % is large: one that data hardly tell stays small (assumption; 1 / variance).
OFFSET_TOLD: Final = 1.0 / 36.0
GAIN_TOLD: Final = 1.0 / 0.09
STATES: Final = 3


@entry
def _forward_into(
    gap_s: Any,
    force_N: Any,
    extra_N2: Any,
    counts: Any,
    spread: Any,
    reads_N: Any,
    anew: Any,
    residual_N: Any,
    kept: Any,
    work: Any,
    across: Any,
) -> None:
    """The filter. `anew` (n,): a found jump's first readings; `kept` (n, 6): gains, error, variance, decay.

    `work`: (3, STATES) zeros, the state, the reading's row and its gain; `across`: (STATES, STATES) zeros.
    """
    across[0, 0], across[1, 1], across[2, 2] = 1.0, 1.0 / OFFSET_TOLD, 1.0 / GAIN_TOLD
    for index in range(gap_s.shape[0]):
        keep = math.exp(-gap_s[index] / spread[2])
        work[0, 0] *= keep
        for one in range(STATES):
            across[0, one] *= keep
        for one in range(STATES):
            across[one, 0] *= keep
        across[0, 0] += 1.0 - keep * keep
        across[1, 1] += spread[3] * spread[3] * gap_s[index]
        if anew[index]:
            across[1, 1] += 1.0 / OFFSET_TOLD
            across[2, 2] += 1.0 / GAIN_TOLD
        kept[index, 5] = keep
        if not counts[index]:
            continue
        work[1, 0], work[1, 1], work[1, 2] = spread[0] + spread[1] * max(0.0, force_N[index]), 1.0, reads_N[index]
        variance, error = extra_N2[index] + LEAST_VARIANCE_N2, residual_N[index]
        for one in range(STATES):
            work[2, one] = 0.0
            for two in range(STATES):
                work[2, one] += across[one, two] * work[1, two]
            variance += work[1, one] * work[2, one]
            error -= work[1, one] * work[0, one]
        for one in range(STATES):
            work[0, one] += work[2, one] / variance * error
            kept[index, one] = work[2, one] / variance
        for one in range(STATES):
            for two in range(STATES):
                across[one, two] -= work[2, one] * work[2, two] / variance
        kept[index, 3], kept[index, 4] = error, variance


@entry
def _backward_into(force_N: Any, spread: Any, reads_N: Any, kept: Any, out: Any, work: Any, square: Any) -> None:
    """What a shock just before each reading would explain, from what `_forward_into` kept; `out` as in `shocks`.

    `work`: (3, STATES) zeros; `square`: (STATES, STATES) zeros.
    """
    for index in range(force_N.shape[0] - 1, -1, -1):
        if kept[index, 4] > 0.0:
            work[1, 0], work[1, 1], work[1, 2] = spread[0] + spread[1] * max(0.0, force_N[index]), 1.0, reads_N[index]
            # r := H' e / S + (I - K H)' r, and N alike.
            error, size = kept[index, 3] / kept[index, 4], 1.0 / kept[index, 4]
            for one in range(STATES):
                error -= kept[index, one] * work[0, one]
                work[2, one] = 0.0
                for two in range(STATES):
                    work[2, one] += square[one, two] * kept[index, two]
                size += kept[index, one] * work[2, one]
            for one in range(STATES):
                work[0, one] += work[1, one] * error
                for two in range(STATES):
                    square[one, two] += (
                        work[1, one] * work[1, two] * size - work[1, one] * work[2, two] - work[2, one] * work[1, two]
                    )
        first, second, cross = square[1, 1] + OFFSET_TOLD, square[2, 2] + GAIN_TOLD, square[1, 2]
        both = first * second - cross * cross
        offset, gain = (
            (second * work[0, 1] - cross * work[0, 2]) / both,
            (first * work[0, 2] - cross * work[0, 1]) / both,
        )
        out[index, 0], out[index, 1], out[index, 2] = offset * work[0, 1] + gain * work[0, 2], offset, gain
        work[0, 0] *= kept[index, 5]
        for one in range(STATES):
            square[0, one] *= kept[index, 5]
        for one in range(STATES):
            square[one, 0] *= kept[index, 5]


def shocks(
    course: Course,
    spread: Spread,
    reads_N: NDArray[np.float64],
    residual_N: NDArray[np.float64],
    firsts: NDArray[np.int64],
) -> NDArray[np.float64]:
    """(n, 3): what a jump before each reading would explain (chi-square of 2), its offset (N) and gain error.

    `reads_N`, `residual_N` (n,): curve times gain, and what is left; `firsts` (k,): first readings after found jumps.
    """
    kept, out = np.zeros((residual_N.size, 6)), np.empty((residual_N.size, 3))
    anew = np.zeros(residual_N.size, dtype=bool)
    anew[firsts] = True
    _forward_into(*course, np.array(spread), reads_N, anew, residual_N, kept, *_room())
    _backward_into(course.force_N, np.array(spread), reads_N, kept, out, *_room())
    return out


def _room() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return np.zeros((3, STATES)), np.zeros((STATES, STATES))
