"""Published strength norms that drawn populations follow."""

from __future__ import annotations

from typing import Final, NamedTuple


class PinchNorm(NamedTuple):
    """Key (lateral) pinch of the right hand: mean and SD in N."""

    mean_N: float
    sd_N: float


SD_SHARE: Final = 0.18
"""SD over mean of key pinch: about 18 % ([@mathiowetz-1985], from memory)."""

MEN: Final = PinchNorm(103.0, SD_SHARE * 103.0)
WOMEN: Final = PinchNorm(71.3, SD_SHARE * 71.3)
"""Means: 23.16 lb and 16.03 lb, neutral forearm (read second-hand [@stegink-jansen-2003])."""
