"""Published strength norms that drawn populations follow."""

from __future__ import annotations

from typing import Final, NamedTuple


class PinchNorm(NamedTuple):
    """Key (lateral) pinch of the right hand: mean and SD in N."""

    mean_N: float
    sd_N: float


SD_SHARE: Final = 0.18
"""SD over mean of key pinch: about 18 % (Mathiowetz et al. 1985, from memory)."""

MEN: Final = PinchNorm(103.0, SD_SHARE * 103.0)
WOMEN: Final = PinchNorm(71.3, SD_SHARE * 71.3)
"""Means: Stegink Jansen et al. (2003) J Hand Ther 16:326-336, 23.16 lb and 16.03 lb, neutral forearm (read)."""
