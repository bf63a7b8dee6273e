"""Recordings for the tests of reading: a jeweller's pinch on two sensors, a target, a staircase, pulses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROWS = 1500
_DRAW = np.random.default_rng(20261103)
T_S = np.arange(ROWS) * 0.01
FORCE_N = np.round(6.0 + 3.0 * np.sin(2.0 * np.pi * T_S / 5.0) + _DRAW.normal(0.0, 0.1, ROWS), 4)
ESTIMATE_N = np.round(0.9 * FORCE_N - 0.2 + _DRAW.normal(0.0, 0.3, ROWS), 4)
TARGET_N = 6.0 + 3.0 * np.round(np.sin(2.0 * np.pi * T_S / 5.0))
CURRENT_MA = np.repeat(np.arange(3.0, 23.0), 3)
WIDTH_US = np.tile([100.0, 200.0, 400.0], 20)
EVOKED_N = np.round(20.0 / (1.0 + np.exp(-(CURRENT_MA - 10.0) / 2.0)) + _DRAW.normal(0.0, 0.1, 60), 4)

ESTIMATOR: Mapping[str, NDArray[np.float64]] = {"t_s": T_S, "force_N": FORCE_N, "estimate_N": ESTIMATE_N}
WEARER: Mapping[str, NDArray[np.float64]] = {"t_s": T_S, "target_N": TARGET_N, "force_N": FORCE_N}
RECRUITMENT: Mapping[str, NDArray[np.float64]] = {
    "current_mA": CURRENT_MA,
    "width_us": WIDTH_US,
    "force_N": EVOKED_N,
}


def lines_of(columns: Mapping[str, NDArray[np.float64]]) -> list[str]:
    """Header and rows as lines of CSV, NaN as an empty cell."""
    rows = np.column_stack(list(columns.values()))
    cells = (",".join("" if np.isnan(value) else f"{value:.10g}" for value in row) for row in rows)
    return [",".join(columns), *cells]


def write(folder: Path, lines: Sequence[str], name: str = "bench.csv") -> Path:
    """A CSV file of these lines."""
    file = folder / name
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file
