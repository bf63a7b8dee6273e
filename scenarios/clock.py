"""How often the parts of a trial run: the `[clock]` table. Every period is a whole number of microseconds."""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import AfterValidator, Field

from thenar.shared.errors import Strict
from thenar.shared.ticks import US_PER_S, period_us

_NEAR: Final = 1e-9


def _whole_period(rate_Hz: float) -> float:
    """The rate itself. Raises ValueError that names the nearest plain rates when its period isn't whole."""
    if abs(US_PER_S / rate_Hz - period_us(rate_Hz)) <= _NEAR * period_us(rate_Hz):
        return rate_Hz
    near = period_us(rate_Hz)
    slower = next(whole for whole in range(near, 10 * near) if _plain(whole) and US_PER_S / whole < rate_Hz)
    faster = next(whole for whole in range(near, 0, -1) if _plain(whole) and US_PER_S / whole > rate_Hz)
    raise ValueError(
        "a rate whose period is a whole number of microseconds, "
        f"the nearest plain ones are {US_PER_S / slower!r} and {US_PER_S / faster!r} Hz"
    )


def _plain(period: int) -> bool:
    """True when the rate of a period in us has at most three decimals in Hz."""
    return US_PER_S * 1000 % period == 0


class Clock(Strict):
    """Rates of the control tick, of the wearer's own control, and of the trace."""

    control_rate_Hz: Annotated[
        float,
        Field(ge=10, le=500, description="how often the law is asked and the interlock decides, Hz"),
        AfterValidator(_whole_period),
    ] = 50.0
    wearer_rate_Hz: Annotated[
        float,
        Field(ge=20, le=1000, description="how often the wearer's own control steps, Hz"),
        AfterValidator(_whole_period),
    ] = 100.0
    trace_rate_Hz: Annotated[
        float,
        Field(ge=1, le=1000, description="rows of the trace per second, Hz"),
        AfterValidator(_whole_period),
    ] = 100.0

    @property
    def control_us(self) -> int:
        """Time between control ticks, whole us."""
        return period_us(self.control_rate_Hz)

    @property
    def wearer_us(self) -> int:
        """Time between steps of the wearer, whole us."""
        return period_us(self.wearer_rate_Hz)

    @property
    def trace_us(self) -> int:
        """Time between rows of the trace, whole us."""
        return period_us(self.trace_rate_Hz)
