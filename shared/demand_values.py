"""Reading a demand that a user's code hands over, without ever calling a method of it."""

from __future__ import annotations

import math
from typing import Final, cast

import numpy as np

_NUMBERS: Final[tuple[type, ...]] = (
    *(float, int, np.float16, np.float32, np.float64),
    *(np.int8, np.int16, np.int32, np.int64, np.uint8, np.uint16, np.uint32, np.uint64),
)


def float_of(value: object) -> float:
    """A plain or numpy number as a float; NaN for everything else, bools and subclasses included.

    Only exact types are looked at, by identity, so that no method of a foreign object or metaclass is ever called.
    """
    kind = type(value)
    if not any(kind is number for number in _NUMBERS):
        return math.nan
    try:
        return float(value)  # type: ignore[arg-type]
    except OverflowError:
        return math.inf


def entries_of(value: object, wanted: int) -> tuple[tuple[object, ...], int]:
    """The entries of a tuple of `wanted` entries, and 0; -1 when some are missing, 1 when there are more."""
    if not issubclass(type(value), tuple):
        return (), -1
    entries: tuple[object, ...] = tuple.__getitem__(cast("tuple[object, ...]", value), slice(None))
    if len(entries) == wanted:
        return entries, 0
    return (), 1 if len(entries) > wanted else -1


def numbers_of(demand: object) -> tuple[list[float], int]:
    """Current, width and rate of both channels as six floats, and 0; -1 for what is no demand, 1 for too much in it."""
    channels, wrong = entries_of(demand, 2)
    stimuli = [entries_of(stimulus, 3) for stimulus in channels]
    faults = [wrong, *(wrong for _, wrong in stimuli)]
    if any(faults):
        return [], 1 if 1 in faults else -1
    return [entry if type(entry) is float else float_of(entry) for entries, _ in stimuli for entry in entries], 0
