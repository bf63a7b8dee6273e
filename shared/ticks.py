"""Time in whole microseconds, and the fixed order of things that happen at one instant."""

from __future__ import annotations

from enum import IntEnum
from typing import Final

US_PER_MS: Final = 1_000
US_PER_S: Final = 1_000_000


class Phase(IntEnum):
    """What runs first when several events share one microsecond (lower runs first).

    The order is a promise: a target that changes at t is seen by the control tick at t, a pulse at
    t obeys the command admitted at t, and the trace row at t shows the state after all of them.
    """

    TARGET = 0
    WEARER = 1
    SAMPLE = 2
    ARRIVAL = 3
    STRIKE = 4
    CONTROL = 5
    PULSE = 6
    TRACE = 7


def us_from_s(seconds: float) -> int:
    """Nearest whole microsecond. `seconds`: finite scalar in s. Returns t in us."""
    return round(seconds * US_PER_S)


def us_from_ms(milliseconds: float) -> int:
    """Nearest whole microsecond. `milliseconds`: finite scalar in ms. Returns t in us."""
    return round(milliseconds * US_PER_MS)


def period_us(rate_Hz: float) -> int:
    """Period in whole us of a rate in Hz. Raises ValueError unless `rate_Hz` is positive."""
    if not rate_Hz > 0:
        raise ValueError(f"a rate must be above 0 Hz, found {rate_Hz!r}")
    return round(US_PER_S / rate_Hz)
