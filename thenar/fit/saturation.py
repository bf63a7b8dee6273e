"""Measured columns that are cut off: too many values at the largest or smallest one of them."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from thenar.fit.raw import Floats, Raw

SHARE: Final = 0.01
LEAST: Final = 20
SHARE_OF_STEPS: Final = 0.25
LEAST_STEPS: Final = 4
TIMES_THE_NEXT: Final = 3  # a coarse sensor fills the level next to its largest too, a cut-off one doesn't


class CutOff(NamedTuple):
    """`times` values of `column` sit at `extreme`, `share` of all; `which`: largest or smallest."""

    column: str
    extreme: float
    which: str
    times: int
    share: float


def flat(values: Floats) -> bool:
    """Are these values, shape (n,), all the same."""
    return values.size > 1 and bool(np.ptp(values) <= 1e-9 * max(1.0, abs(float(values[0]))))


def cut_offs(raw: Raw) -> list[CutOff]:
    """Where the measured columns are cut off. A smallest value of 0 is none: nothing is below zero."""
    found = []
    for one in raw.kind.columns:
        values = raw.judged(one.name)
        if not one.measured or values.size < 2 or flat(values):
            continue
        ends = [(float(values.max()), "largest")]
        ends += [(float(values.min()), "smallest")] if values.min() != 0.0 else []
        for extreme, which in ends:
            count = int((values == extreme).sum())
            if _many(raw, values, extreme, which, count):
                found.append(CutOff(one.name, extreme, which, count, count / values.size))
    return found


def _many(raw: Raw, values: Floats, extreme: float, which: str, count: int) -> bool:
    share, least = (SHARE, LEAST) if raw.kind.timed else (SHARE_OF_STEPS, LEAST_STEPS)
    if count < max(least, share * values.size):
        return False
    others = values[values != extreme]
    following = others.max() if which == "largest" else others.min()
    return count >= TIMES_THE_NEXT * int((values == following).sum())
