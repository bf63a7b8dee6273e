"""Fewer points than a long trial has, without losing what a reader must see: extremes and tallest pulses."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

MOST_POINTS: Final = 6000
"""More than a page is wide at the resolution of print."""


def extremes_kept(
    time_s: NDArray[np.float64], values: NDArray[np.float64], most: int = MOST_POINTS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """At most about `most` points of a line (arrays of shape (rows,)), each stretch's lowest and highest kept."""
    if len(values) <= most:
        return time_s, values
    width = math.ceil(2 * len(values) / most)
    starts = np.arange(0, len(values), width)
    low = np.minimum.reduceat(np.where(np.isnan(values), np.inf, values), starts)
    high = np.maximum.reduceat(np.where(np.isnan(values), -np.inf, values), starts)
    kept = np.column_stack([low, high]).ravel()
    return np.repeat(time_s[starts], 2), np.where(np.isfinite(kept), kept, np.nan)


def tallest(
    time_s: NDArray[np.float64], charge_uC: NDArray[np.float64], end_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The pulses themselves (shape (pulses,)), or when they are too many to see the tallest of each small stretch."""
    if len(time_s) <= MOST_POINTS:
        return time_s, charge_uC
    bins = np.minimum((time_s / end_s * MOST_POINTS).astype(np.int64), MOST_POINTS - 1)
    height = np.zeros(MOST_POINTS)
    np.maximum.at(height, bins, charge_uC)
    filled = np.flatnonzero(height)
    return (filled + 0.5) * end_s / MOST_POINTS, height[filled]
