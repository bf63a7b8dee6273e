"""The invented recording of the gallery, as a formula. `python tests/scenarios/recorded_hand.py` writes it again."""

from __future__ import annotations

import math
from pathlib import Path

import thenar.scenarios.gallery

FILE = thenar.scenarios.gallery.GALLERY / "recorded-hand.csv"
RATE_HZ = 25
LENGTH_S = 30

HEAD = """\
# Invented data: no hand was measured. A press that rises, sags, sways and trembles, at 25 rows per second.
# force_N = 8.6 (1 - exp(-t / 0.5)) - 0.05 t + 0.5 sin(2 pi t / 7.3) + 0.2 sin(2 pi t / 1.9) + 0.08 sin(2 pi 8.5 t)
# and nothing below zero. Written by tests/scenarios/recorded_hand.py.
t_s,force_N
"""


def force_N(t_s: float) -> float:
    """The invented force at `t_s` (s), N."""
    press = 8.6 * (1.0 - math.exp(-t_s / 0.5)) - 0.05 * t_s
    sway = 0.5 * math.sin(2.0 * math.pi * t_s / 7.3) + 0.2 * math.sin(2.0 * math.pi * t_s / 1.9)
    tremble = 0.08 * math.sin(2.0 * math.pi * 8.5 * t_s)
    return max(0.0, press + sway + tremble)


def csv_text() -> str:
    """The whole file."""
    times = [row / RATE_HZ for row in range(LENGTH_S * RATE_HZ + 1)]
    return HEAD + "".join(f"{t_s:.2f},{force_N(t_s):.3f}\n" for t_s in times)


if __name__ == "__main__":
    Path(FILE).write_text(csv_text(), encoding="utf-8", newline="\n")
