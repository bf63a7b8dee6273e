"""One bit for each requirement: a reasons mask is a 64-bit integer with bit n-1 set for Rn."""

from __future__ import annotations

from typing import Final

R01: Final = 1 << 0
R02: Final = 1 << 1
R03: Final = 1 << 2
R04: Final = 1 << 3
R05: Final = 1 << 4
R06: Final = 1 << 5
R07: Final = 1 << 6
R08: Final = 1 << 7
R09: Final = 1 << 8
R10: Final = 1 << 9
R11: Final = 1 << 10
R12: Final = 1 << 11
R13: Final = 1 << 12
R14: Final = 1 << 13
R15: Final = 1 << 14
R16: Final = 1 << 15
R17: Final = 1 << 16
R18: Final = 1 << 17
R19: Final = 1 << 18
R20: Final = 1 << 19
R21: Final = 1 << 20
R22: Final = 1 << 21
R23: Final = 1 << 22
R24: Final = 1 << 23
R25: Final = 1 << 24
R26: Final = 1 << 25
R27: Final = 1 << 26
R28: Final = 1 << 27
R30: Final = 1 << 29
R31: Final = 1 << 30
R32: Final = 1 << 31
R33: Final = 1 << 32
R34: Final = 1 << 33
R35: Final = 1 << 34
R36: Final = 1 << 35
R37: Final = 1 << 36
R39: Final = 1 << 38
R40: Final = 1 << 39
"""R29 and R38 have no bit that fires: an unknown contact share is a value inside R13, and R38 is the mask itself."""

RULES: Final = max(bit for name, bit in tuple(globals().items()) if name[:1] == "R").bit_length()
"""How many requirements there are: the number of the last one, which a test compares with the table."""
