"""Sums over windows the slow way: for every pulse a look at every earlier one. Imports nothing but names of limits."""

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


def _run_us(shots: list[Shot], loop: LoopLimits) -> int:
    """Time from the first pulse since the last rest to the last pulse."""
    return run_us([shot.t_us for shot in shots], loop)


def _on_us(shots: list[Shot], loop: LoopLimits) -> int:
    """On-time inside the long window that ends with the gap after the last pulse."""
    return on_us([shot.t_us for shot in shots], shots[-1].t_us + loop.on_gap_us, loop)


def run_us(times: list[int], loop: LoopLimits) -> int:
    """Time from the first pulse since the last rest to the last pulse. `times`: of the pulses of one channel, us."""
    began = times[0]
    for before, after in pairwise(times):
        if after - before >= loop.rest_us:
            began = after
    return times[-1] - began


def on_us(times: list[int], closes_us: int, loop: LoopLimits) -> int:
    """On-time in the long window that closes at `closes_us`: on from a pulse to the next, for the gap before a rest."""
    stretches = [
        (before, after if after - before < loop.rest_us else before + loop.on_gap_us)
        for before, after in pairwise(times)
    ]
    stretches += [(last, last + loop.on_gap_us) for last in times[-1:]]
    opens_us = closes_us - loop.long_window_us
    return sum(max(0, min(end, closes_us) - max(begin, opens_us)) for begin, end in stretches)


def bounds_at(found: dict[str, int], limits: ChannelLimits) -> ChannelLimits:
    """Limits whose windowed bounds are exactly what was found (R16, R23, R24)."""
    return limits._replace(
        rectified_pC=found["charge"], run_us=found["run"], on_us=found["window"], total_pC=found["total"]
    )
