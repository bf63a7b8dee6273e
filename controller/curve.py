"""The inverse of the recruitment curve (`thenar.shared.recruitment_curve`), for use inside compiled steps."""

from __future__ import annotations

import math
from typing import Final

from thenar.shared.compiled import step
from thenar.shared.recruitment_curve import normal_share

_SQRT_TWO_PI: Final = 2.5066282746310002
_SMALLEST_SHARE: Final = 1e-300


@step
def _lower_quantile(share: float) -> float:
    """The x <= 0 with Phi(x) = `share`, for 0 < share <= 0.5.

    Starts from the rational form 26.2.23 of Abramowitz and Stegun (1964), error below 4.5e-4 (coefficients
    from memory, held by the test). Newton on Phi(x) = share squares the error times |x|/2, so that two rounds
    leave 2e-11 even near x = -38, and three leave rounding only.
    """
    t = math.sqrt(-2.0 * math.log(share))
    above = 2.515517 + t * (0.802853 + t * 0.010328)
    below = 1.0 + t * (1.432788 + t * (0.189269 + t * 0.001308))
    x = above / below - t
    for _ in range(3):
        density = math.exp(-0.5 * x * x) / _SQRT_TWO_PI
        x -= (normal_share(x) - share) / density
    return x


@step
def normal_quantile(share: float) -> float:
    """The x with Phi(x) = `share`: the inverse of `normal_share`.

    -inf at or below 0, +inf at or above 1, NaN for NaN. Between 1e-300 and 1 - 1e-16 the error is below 1e-9;
    a positive share below 1e-300 is taken as 1e-300, because the density nearly underflows there.
    """
    if math.isnan(share):
        return math.nan
    if share <= 0.0:
        return -math.inf
    if share >= 1.0:
        return math.inf
    if share <= 0.5:
        return _lower_quantile(max(share, _SMALLEST_SHARE))
    return -_lower_quantile(1.0 - share)


@step
def current_for_share(share: float, half_mA: float, spread: float) -> float:
    """Current in mA that recruits `share`: 0 at or below share 0, +inf at or above share 1.

    `half_mA` and `spread` as in `recruited_share`.
    """
    if share <= 0.0:
        return 0.0
    if share >= 1.0:
        return math.inf
    return half_mA * math.exp(spread * normal_quantile(share))
