"""Which flags a vector bears: read off what was asked and which rules fired."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

_RULES: Final = {
    "stale": (3, 4), "both_channels": (25, 26), "quantise": (36,), "stop": (33,), "contact": (28,),
    "estimate": (30, 31), "windows": (12, 13, 15, 16, 23), "balance": (18, 19), "rise": (20, 21, 22, 40),
    "law": (1, 2, 32), "session": (5, 7, 24, 27, 35), "broken_off": (39,),
}  # fmt: skip
_CAUSE: Final = 7
_SHARES: Final = (9, 11)
"""Places in the senses."""


def flags_of(calls: Iterable[dict[str, Any]], base: str, latched: int, busy: int) -> tuple[str, ...]:
    """Flags of a vector. `base`: where it comes from; `latched`, `busy`: trip and broken calls it starts with."""
    found = set(base.split())
    for call in calls:
        mask = call.get("reasons", 0)
        found |= {flag for flag, rules in _RULES.items() if any(mask >> (rule - 1) & 1 for rule in rules)}
        if mask & (mask - 1):
            found.add("order")
        if "halt_us" in call:
            found.add("stop")
        if "tick_us" in call:
            found |= _of_tick(call, latched)
    return tuple(sorted(found | ({"broken_off"} if busy > 0 else set())))


def _of_tick(call: dict[str, Any], latched: int) -> set[str]:
    found = set()
    if call["asked"][1] > 0 and call["asked"][4] > 0:
        found.add("both_channels")
    if latched and call["senses"][_CAUSE] == latched:
        found.add("recovery")
    if any(call["senses"][place] >= 0 for place in _SHARES):
        found.add("contact")
    if any(abs(value) >= 2**31 for value in [*call["asked"], *call["senses"]]):
        found.add("overflow")
    return found
