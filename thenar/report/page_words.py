"""Names of columns and keys as a reader wants them: words, and the unit behind a comma."""

from __future__ import annotations

from typing import Final

UNITS: Final = {
    **{unit: unit for unit in ("N", "mA", "us", "ms", "s", "Hz", "uC", "dB", "deg")},
    "percent": "%",
}
_WHOLE: Final = {"sha256": "SHA-256", "cv": "CV", "rms": "RMS", "sd": "SD"}


def told(name: str, value: object) -> str:
    """A name and its value: "for 0.4 s" of `for_s`."""
    shown = f"{value:g}" if isinstance(value, float) else str(value)
    words, _, unit = words_of(name).partition(", ")
    return f"{words} {shown} {unit}".rstrip()


def words_of(name: str) -> str:
    """What `mean_abs_error_N` says: "mean abs error, N". A scenario's key path (with a point) stays as it is."""
    if "." in name:
        return name
    *parts, last = name.split("_")
    words = " ".join(_WHOLE.get(part, part) for part in parts)
    if last in UNITS and parts and parts[-1] != "per":
        return f"{words}, {UNITS[last]}"
    return " ".join(filter(None, (words, _WHOLE.get(last, last))))
