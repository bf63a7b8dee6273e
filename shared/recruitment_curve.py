"""The recruitment curve that a body follows and that a calibration hands to a law.

Share of the reachable muscle that a current recruits: the lognormal distribution function
Phi(ln(current / half) / spread), with `half` the current of half recruitment. Phi is the standard normal
distribution function.
"""

from __future__ import annotations

import math
from typing import Final

from thenar.shared.compiled import step

_SQRT_HALF: Final = 0.7071067811865476


@step
def normal_share(x: float) -> float:
    """Standard normal distribution function Phi(x), in [0, 1]. `x`: any float (NaN gives NaN)."""
    return 0.5 * math.erfc(-x * _SQRT_HALF)


@step
def recruited_share(current_mA: float, half_mA: float, spread: float) -> float:
    """Share of the reachable muscle (0 to 1) that `current_mA` recruits; 0 at or below 0 mA.

    `half_mA`: current of half recruitment, above 0. `spread`: spread of log current, above 0, no unit.
    """
    relative = current_mA / half_mA
    # Compared after the division, which may underflow to 0.
    if relative <= 0.0:
        return 0.0
    return normal_share(math.log(relative) / spread)
