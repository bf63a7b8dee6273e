"""Ranges of values to try, as a person types them: KEY=LOW:HIGH, with :log for a key that spans decades."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

from thenar.shared.errors import InputError, Problem, shown

WRITTEN: Final = "KEY=LOW:HIGH with LOW below HIGH, or KEY=LOW:HIGH:log with LOW above 0"


class Range(NamedTuple):
    """Values from `low` to `high` of one key path, in the key's own unit.

    `log`: spread evenly over the logarithm. `whole`: whole numbers only.
    """

    key: str
    low: float
    high: float
    log: bool = False
    whole: bool = False

    def at(self, share: float) -> float:
        """The value at `share` of the way from low (0) to high (1); `share` in [0, 1), no unit."""
        if self.whole:
            return float(min(int(self.high), int(self.low) + math.floor(share * (self.high - self.low + 1))))
        if self.log:
            return min(
                self.high, max(self.low, math.exp(self._between(math.log(self.low), math.log(self.high), share)))
            )
        return self._between(self.low, self.high, share)

    def holds(self, value: object) -> bool:
        """Whether `value` is a number inside the range."""
        return isinstance(value, (int, float)) and not isinstance(value, bool) and self.low <= value <= self.high

    def plain(self, value: float) -> float | int:
        """`value` as the scenario file takes it: an integer for a key of whole numbers, else six digits of it."""
        if self.whole:
            return int(value)
        return min(self.high, max(self.low, float(f"{value:.6g}")))

    def __str__(self) -> str:
        return f"{self.key}={self.low:g}:{self.high:g}{':log' if self.log else ''}"

    @staticmethod
    def _between(low: float, high: float, share: float) -> float:
        return low + share * (high - low)


def read_ranges(typed: Sequence[str], option: str = "--over") -> tuple[Range, ...]:
    """Ranges as typed after `option`, in that order. Raises InputError with every one that can't be read."""
    found: list[Range] = []
    problems: list[Problem] = []
    for text in typed:
        key, _, rest = text.partition("=")
        parts = rest.split(":")
        try:
            one = _read(key.strip(), parts)
        except ValueError as error:
            problems.append(Problem(option, key.strip(), f"{shown(text)}{error}", WRITTEN))
            continue
        if one.key in {other.key for other in found}:
            problems.append(Problem(option, one.key, "the same key twice", "each key once"))
        found.append(one)
    if problems:
        raise InputError(problems)
    return tuple(found)


def _read(key: str, parts: Sequence[str]) -> Range:
    log = len(parts) == 3 and parts[2] == "log"
    if not key or len(parts) not in {2, 3} or (len(parts) == 3 and not log):
        raise ValueError("")
    try:
        low, high = float(parts[0]), float(parts[1])
    except ValueError:
        raise ValueError(", not two numbers") from None
    if not (math.isfinite(low) and math.isfinite(high) and low < high) or (log and low <= 0):
        raise ValueError("")
    whole = not log and all(part.strip().lstrip("+-").isdigit() for part in parts[:2])
    return Range(key, low, high, log, whole)
