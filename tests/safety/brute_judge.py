"""Sums over windows the slow way: for every pulse a look at every earlier one. An independent check of the auditor."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

from thenar.safety.limits import ChannelLimits, LoopLimits


class Shot(NamedTuple):
    """One pulse of one channel."""

    t_us: int
    current_uA: int
    width_us: int


def worst(shots: list[Shot], loop: LoopLimits) -> dict[str, int]:
    """The largest value of each windowed quantity over all pulses of one channel."""
    found = {"square": 0, "charge": 0, "run": 0, "window": 0, "total": 0}
    for place, shot in enumerate(shots):
        inside = [one for one in shots[: place + 1] if shot.t_us - loop.short_window_us <= one.t_us <= shot.t_us]
        found["square"] = max(found["square"], sum(2 * one.current_uA**2 * one.width_us for one in inside))
        found["charge"] = max(found["charge"], sum(2 * one.current_uA * one.width_us for one in inside))
        found["run"] = max(found["run"], _run_us(shots[: place + 1], loop))
        found["window"] = max(found["window"], _on_us(shots[: place + 1], loop))
    found["total"] = sum(2 * one.current_uA * one.width_us for one in shots)
    return found


def _gaps(shots: list[Shot]) -> list[tuple[int, int]]:
    return [(before.t_us, after.t_us) for before, after in pairwise(shots)]


def _run_us(shots: list[Shot], loop: LoopLimits) -> int:
    """On-time since the last rest."""
    run = 0
    for begin, end in _gaps(shots):
        if end - begin >= loop.rest_us:
            run = 0
        elif end - begin <= loop.on_gap_us:
            run += end - begin
    return run


def _on_us(shots: list[Shot], loop: LoopLimits) -> int:
    """On-time inside the long window that ends with the last pulse."""
    opens = shots[-1].t_us - loop.long_window_us
    return sum(max(0, end - max(begin, opens)) for begin, end in _gaps(shots) if end - begin <= loop.on_gap_us)


def bounds_at(found: dict[str, int], limits: ChannelLimits) -> ChannelLimits:
    """Limits whose windowed bounds are exactly what was found (R16, R23, R24)."""
    return limits._replace(
        rectified_pC=found["charge"], run_us=found["run"], on_us=found["window"], total_pC=found["total"]
    )
