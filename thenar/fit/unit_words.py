"""Units that recordings come in, and the repairs that turn them into ours."""

from __future__ import annotations

from typing import Final, NamedTuple

STANDARD_GRAVITY: Final = 9.80665  # m/s2, exact by definition (CGPM 1901)
POUND_KG: Final = 0.45359237  # kg, exact by definition (1959)


class UnitRepair(NamedTuple):
    """Multiplies columns in `unit_of` names by `factor`. `written`: how headers spell the unit it comes from."""

    name: str
    to: str
    factor: float
    written: tuple[str, ...]


UNIT_REPAIRS: Final = {
    one.name: one
    for one in (
        UnitRepair("kg-to-N", "N", STANDARD_GRAVITY, ("kg", "kgf", "kp")),
        UnitRepair("g-to-N", "N", STANDARD_GRAVITY / 1000.0, ("g", "gf", "gram", "grams")),
        UnitRepair("lb-to-N", "N", STANDARD_GRAVITY * POUND_KG, ("lb", "lbs", "lbf", "pounds")),
        UnitRepair("mN-to-N", "N", 0.001, ("mn",)),
        UnitRepair("ms-to-s", "s", 0.001, ("ms", "msec", "milliseconds")),
        UnitRepair("us-to-s", "s", 1.0e-6, ("us", "usec", "microseconds")),
        UnitRepair("A-to-mA", "mA", 1000.0, ("a", "amp", "amps")),
        UnitRepair("uA-to-mA", "mA", 0.001, ("ua",)),
        UnitRepair("ms-to-us", "us", 1000.0, ("ms", "msec")),
        UnitRepair("s-to-us", "us", 1.0e6, ("s", "sec")),
        UnitRepair("ns-to-us", "us", 0.001, ("ns",)),
        UnitRepair("s-to-ms", "ms", 1000.0, ("s", "sec")),
    )
}
TRUST_UNITS: Final = "trust-units"
