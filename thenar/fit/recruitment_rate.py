"""Whether a force at one pulse rate tells a muscle's `reachable_N`, which is the force at 100 Hz."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from thenar.plant_models.calibration import fused_N
from thenar.plant_models.settings import Muscle

TIME_SCALES: Final = (0.5, 0.72, 1.4)
CALCIUM_MS: Final = (11.0, 20.0, 30.0)
"""Muscles that people may have (assumption): time scale over the published quadriceps, calcium's time constant."""
WIDEST: Final = 0.06


class Share(NamedTuple):
    """Fused force at a rate over `reachable_N`: of the default muscle, and the least and most over muscles."""

    usual: float
    low: float
    high: float

    @property
    def comparable(self) -> bool:
        """Whether muscles differ so little that the force at this rate tells `reachable_N`."""
        return self.high - self.low <= WIDEST * self.usual


def share_of_reach(rate_Hz: float) -> Share:
    """The share at a rate in Hz, all NaN where it is NaN or 0: the model's closed form for a long train, rested."""
    if not rate_Hz > 0.0:
        return Share(math.nan, math.nan, math.nan)
    shares = [
        fused_N(Muscle(reachable_N=1.0, time_scale=scale, tau_c_ms=tau_c_ms), rate_Hz)
        for scale in TIME_SCALES
        for tau_c_ms in CALCIUM_MS
    ]
    return Share(fused_N(Muscle(reachable_N=1.0), rate_Hz), min(shares), max(shares))
