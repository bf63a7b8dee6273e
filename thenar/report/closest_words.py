"""How near an output came to its bound, in units that a person reads."""

from __future__ import annotations

from typing import Final

from thenar.safety.audit.checks import SQUARED

WINDOW_US: Final = 1_000_000
SCALES: Final = {
    "uA": (1_000, "mA"), "us": (1_000, "ms"), "pC": (1_000_000, "uC"), "fJ": (1_000_000_000_000, "mJ"),
    "uV": (1_000_000, "V"), "mN": (1_000, "N"), "1/1000": (1_000, ""), "1/100": (100, "times"),
}  # fmt: skip
"""How whole numbers are told to a person: what to divide by, and the unit then."""


def offence_in_words(found: int, allowed: int, unit: str) -> str:
    """What was found and what is allowed; squared currents over a second as r.m.s. currents."""
    if unit != SQUARED:
        return f"found {found} {unit}".rstrip() + f", allowed {allowed}"
    return f"found {(found / WINDOW_US) ** 0.5:.10g} uA r.m.s., allowed {(allowed / WINDOW_US) ** 0.5:.10g}"


def in_words(value: float, bound: float, unit: str, closeness: float) -> str:
    """A value and its bound, both in `unit`, as a person reads them: "14.4 of 15 mA (0.96)"."""
    if unit == SQUARED:
        value, bound, unit = (value / WINDOW_US) ** 0.5, (bound / WINDOW_US) ** 0.5, "uA"
        scale, told = SCALES[unit][0], "mA r.m.s."
    else:
        scale, told = SCALES.get(unit, (1, "" if unit == "1" else unit))
    return f"{value / scale:.6g} of {bound / scale:.6g} {told}".rstrip() + f" ({closeness:.3g})"
