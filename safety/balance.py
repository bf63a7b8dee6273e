"""Are the pulses balanced: net charge per pulse and over a second (R18), a pulse broken off half-way (R19).

The gate gives both phases one current and one width. What the stimulator made of it is measured, and judged here.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from thenar.safety.limits import ChannelLimits
from thenar.safety.memory import BalanceMemory
from thenar.safety.reasons import R18, R19
from thenar.shared.compiled import step

_MOST_PC: Final = 1_000_000_000_000_000


class BalanceVerdict(NamedTuple):
    """What the balance calls for, as masks of rules."""

    withhold: int
    trip: int


@step
def judge_balance(
    limits: ChannelLimits,
    past: BalanceMemory,
    total_pC: int,
    net_pC: int,
    cut_short: int,
    window_us: int,
    t_us: int,
) -> tuple[BalanceMemory, BalanceVerdict]:
    """R18 and R19 on one channel.

    `total_pC`: rectified charge (both phases) of the session so far; `net_pC`: measured since the last tick. Sizes
    are added up, not signs: a drift to and fro counts as much as one to a side. Two buckets of a window each are
    kept, so their sum is at least that of any window.
    """
    size_pC = abs(net_pC)
    elapsed = t_us - past.since_us
    now_pC, before_pC, since_us = size_pC, 0, t_us
    if elapsed < window_us:
        now_pC, before_pC, since_us = min(past.net_now_pC + size_pC, _MOST_PC), past.net_before_pC, past.since_us
    elif elapsed < 2 * window_us:
        now_pC, before_pC, since_us = size_pC, past.net_now_pC, past.since_us + window_us
    running_pC = now_pC + before_pC
    rectified_pC = max(total_pC - past.total_pC, 0)
    withhold = 0
    if 2_000 * size_pC > limits.net_per_mille * rectified_pC or running_pC > limits.net_pC:
        withhold = R18
    trip = R18 if running_pC > limits.net_trip_pC else 0
    if cut_short != 0:
        trip |= R19
    return BalanceMemory(total_pC, now_pC, before_pC, since_us), BalanceVerdict(withhold, trip)
