"""The band around a target in which a force counts as held."""

from __future__ import annotations

from typing import Final

from thenar.shared.compiled import step

BAND_SHARE: Final = 0.10
BAND_LEAST_N: Final = 0.5


@step
def half_band_N(target_N: float) -> float:
    """Half-width of the band around a target, N."""
    return max(BAND_SHARE * abs(target_N), BAND_LEAST_N)
