"""exp(-x) for the short ways that a body goes between two events, without a call of the library."""

from __future__ import annotations

import math
from typing import Final

from thenar.shared.compiled import step

SHORT: Final = 0.7
"""Up to here the series is used: its error is below 1e-12 (the first term left out, eight times over)."""


@step
def decayed(x: float) -> float:
    """exp(-x) for x >= 0, no unit. Near 0 to rounding; up to SHORT within 1e-12; beyond it the library's."""
    if x > SHORT:
        return math.exp(-x)
    # The power series of exp(-x / 8) up to the seventh power, in pairs; then squared three times.
    t = 0.125 * x
    square = t * t
    low = (1.0 - t) + square * (1.0 / 2.0 - t * (1.0 / 6.0))
    high = (1.0 / 24.0 - t * (1.0 / 120.0)) + square * (1.0 / 720.0 - t * (1.0 / 5040.0))
    eighth = low + (square * square) * high
    quarter = eighth * eighth
    half = quarter * quarter
    return half * half
