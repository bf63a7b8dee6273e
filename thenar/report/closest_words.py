"""How near an output came to its bound, in units that a person reads."""

from __future__ import annotations

from typing import Final

from thenar.safety.audit.verdicts import Closest

WINDOW_US: Final = 1_000_000
SCALES: Final = {
    "uA": (1_000, "mA"), "us": (1_000, "ms"), "pC": (1_000_000, "uC"), "fJ": (1_000_000_000_000, "mJ"),
    "uV": (1_000_000, "V"), "mN": (1_000, "N"), "1/1000": (1_000, ""), "1/100": (100, "times"),
}  # fmt: skip
"""How whole numbers are told to a person: what to divide by, and the unit then."""


def in_words(closest: Closest) -> str:
    """A value and its bound in units that a person reads: "14.4 of 15 mA (0.96)"."""
    value, bound, unit = float(closest.value), float(closest.bound), closest.unit
    if unit == "uA2 us":
        value, bound, unit = (value / WINDOW_US) ** 0.5, (bound / WINDOW_US) ** 0.5, "uA"
        scale, told = SCALES[unit][0], "mA r.m.s."
    else:
        scale, told = SCALES.get(unit, (1, "" if unit == "1" else unit))
    return f"{value / scale:.6g} of {bound / scale:.6g} {told}".rstrip() + f" ({closest.closeness:.3g})"
