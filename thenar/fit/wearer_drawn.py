"""The arrays that the picture of a fitted wearer needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from thenar.fit.wearer_again import Held
from thenar.fit.wearer_known import wearer_with
from thenar.fit.wearer_search import Found
from thenar.fit.wearer_search import Held as HeldAgainst
from thenar.fit.wearer_steps import ERROR, EXPECTED, NOISE_SD
from thenar.fit.wearer_ticks import TICK_RATE_HZ, TICK_US, Ticks
from thenar.plant_models.wearer import noise_sd_share, wearer_params

PRODUCED_S: Final = 2.0
"""A production's error is that of its first so many seconds."""
CURVE_POINTS: Final = 60


def drawn(
    ticks: Ticks, against: HeldAgainst, settled: Found, written: Mapping[str, float], before: Held,
    again: Sequence[Held],
) -> dict[str, Any]:  # fmt: skip
    """Arrays by name, with units: time courses (ticks,), one number a hold (holds,), curves, spectra (n,)."""
    told, max_pinch_N = settled.told, against.max_pinch_N
    holds = ticks.holds()
    first = [places[: round(PRODUCED_S * TICK_RATE_HZ)] for places in holds]
    targets_N = np.array([float(np.mean(ticks.target_N[places])) for places in first])
    made_N = np.array([float(np.mean(ticks.force_N[places])) for places in first])
    level_N = np.array([float(np.mean(ticks.force_N[places])) for places in holds])
    # What a hold's noise must be for its prediction errors to be as large as expected.
    size = [np.sqrt(np.mean(told.told[places[ticks.used[places] > 0.0], ERROR] ** 2)) for places in holds]
    noise_N = max_pinch_N * np.array([told.intended[places, NOISE_SD].mean() for places in holds]) * np.array(size)
    used = ticks.used > 0.0
    wearer = wearer_with(written, max_pinch_N)
    params = wearer_params(wearer, TICK_US, False)
    shares = np.linspace(0.0, 1.1 * float(level_N.max()) / max_pinch_N, CURVE_POINTS)
    return {
        "t_s": ticks.begins_s + np.arange(ticks.target_N.size) / TICK_RATE_HZ,
        "target_N": ticks.target_N,
        "force_N": ticks.force_N,
        "expected_N": told.told[:, EXPECTED],
        "compared": ticks.steady,
        "hold_target_N": targets_N,
        "hold_error_N": made_N - targets_N,
        "hold_shown": np.array([ticks.shown[places].mean() > 0.5 for places in holds]),
        "hold_force_N": level_N,
        "hold_noise_N": noise_N,
        "curve_force_N": shares * max_pinch_N,
        "curve_noise_N": np.array([noise_sd_share(params, float(share)) for share in shares]) * max_pinch_N,
        "bias": np.array([wearer.production.gain, wearer.production.offset_N]),
        "frequency_Hz": before.frequency_Hz,
        "power": before.power,
        "power_again": np.array([one.power for one in again]),
        "error_t_s": ticks.begins_s + np.flatnonzero(used) / TICK_RATE_HZ,
        "error_sd": told.told[used, ERROR],
    }
