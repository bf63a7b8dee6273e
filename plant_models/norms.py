"""Published strength that drawn populations may follow."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, Literal, NamedTuple

NormName = Literal["healthy-adults", "after-stroke", "after-spinal-cord-injury"]


class PinchNorm(NamedTuple):
    """Key (lateral) pinch of one hand: mean and SD in N."""

    mean_N: float
    sd_N: float


class Norm(NamedTuple):
    """Strength of a group: women and men apart, and what is left of it (mean and SD, 1) where an illness takes some."""

    women: PinchNorm
    men: PinchNorm
    left: PinchNorm | None = None


SD_SHARE: Final = 0.18
"""SD over mean of key pinch: about 18 % ([@mathiowetz-1985], from memory)."""

MEN: Final = PinchNorm(103.0, SD_SHARE * 103.0)
WOMEN: Final = PinchNorm(71.3, SD_SHARE * 71.3)
"""Means: 23.16 lb and 16.03 lb, neutral forearm (read second-hand [@stegink-jansen-2003])."""

AFTER_INJURY: Final = PinchNorm(14.6, 5.6)
"""Paralysed thenar muscles after cervical spinal cord injury, evoked force ([@thomas-grumbles-2014], from memory)."""

AFTER_STROKE: Final = PinchNorm(0.486, 0.256)
"""Strength of the paretic hand over the other one's: power grip, 20 people, chronic ([@stroke-grip-tracking], read)."""

NORMS: Final[Mapping[NormName, Norm]] = MappingProxyType(
    {
        "healthy-adults": Norm(WOMEN, MEN),
        "after-stroke": Norm(WOMEN, MEN, AFTER_STROKE),
        "after-spinal-cord-injury": Norm(AFTER_INJURY, AFTER_INJURY),
    }
)
