"""Sliding sums in bounded memory: rings of buckets for charge, and the runs of pulses one by one for on-time.

Charge and squared current (R12, R13, R15, R16): a window of W us is cut into n buckets of b = ceil(W / n) us, counted
from time 0. The ring keeps the bucket that is filling and the n before it. At time t the oldest of them begins no later
than t - W, so the ring's sum is at least the sum over [t - W, t], and at most that over [t - W - b, t]: the bound errs
on the side of less stimulation, by one bucket in n.

On-time (R23): the time from a pulse to the next one, or `on_gap_us` where that is a rest away or never comes. Pulses
without a rest between them are a run, on from its first pulse until the gap after its last. The ring keeps for each
run when it began and the on-time before it. So the on-time before any instant t - W is known to the microsecond from
the one run that t - W falls into or comes before, and the window's sum is the on-time so far less that. Runs begin a
rest apart, and those that a window touches fit the ring while W is at most MOST_RUNS rests (and at least the gap).

The slots live in the tail of the interlock's memory array and are written in place by the packed doors.
"""

from __future__ import annotations

from typing import Any, Final

from numpy.typing import NDArray

from thenar.safety.bounds import MOST_RUNS
from thenar.safety.limits import ChannelLimits, LoopLimits
from thenar.safety.memory import CHANNEL_AT, CHANNEL_SIZE, RUNS_AT, SHORT_SLOTS, SLOTS_AT, SLOTS_SIZE, TRAIN_AT
from thenar.shared.compiled import step

_PULSE: Final = 0
_SHORT_BUCKET: Final = 7
_CHARGE: Final = 8
_SQUARE: Final = 9
_ON: Final = 10
_RUN: Final = 12
_OLDEST: Final = 13
"""Places of these fields in a TrainMemory."""


@step
def bucket_us(window_us: int, slots: int) -> int:
    """Length of one bucket, at least 1 us."""
    return max(1, -(-window_us // (slots - 1)))


@step
def next_bucket_us(window_us: int, slots: int, t_us: int) -> int:
    """The instant at which the bucket that holds `t_us` ends and the ring's sum may fall."""
    length = bucket_us(window_us, slots)
    return (t_us // length + 1) * length


@step
def filling_since_us(loop: LoopLimits, short_bucket: int) -> int:
    """The earliest instant, in us, that the sums of charge still cover: where the filling bucket begins."""
    return short_bucket * bucket_us(loop.short_window_us, SHORT_SLOTS)


@step
def _train_at(channel: int) -> int:
    return CHANNEL_AT + channel * CHANNEL_SIZE + TRAIN_AT


@step
def _drop_old(array: NDArray[Any], sum_at: int, slots_at: int, slots: int, old: int, new: int) -> None:
    """Empty the slots of buckets old+1 to new and take what they held off the sum."""
    for bucket in range(max(old + 1, new - slots + 1), new + 1):
        slot = slots_at + bucket % slots
        array[sum_at] -= array[slot]
        array[slot] = 0


@step
def advance_windows(array: NDArray[Any], loop: LoopLimits, channel: int, t_us: int) -> None:
    """Bring both sums of charge of one channel up to `t_us` (in place). An earlier time changes nothing."""
    train = _train_at(channel)
    slots = SLOTS_AT + channel * SLOTS_SIZE
    old = int(array[train + _SHORT_BUCKET])
    new = t_us // bucket_us(loop.short_window_us, SHORT_SLOTS)
    if new > old:
        _drop_old(array, train + _CHARGE, slots, SHORT_SLOTS, old, new)
        _drop_old(array, train + _SQUARE, slots + SHORT_SLOTS, SHORT_SLOTS, old, new)
        array[train + _SHORT_BUCKET] = new


@step
def note_amounts(array: NDArray[Any], channel: int, charge_pC: int, square_uA2_us: int) -> None:
    """Put one pulse's amounts into the slots that are filling (in place). The sums hold them already."""
    slots = SLOTS_AT + channel * SLOTS_SIZE
    short = int(array[_train_at(channel) + _SHORT_BUCKET]) % SHORT_SLOTS
    array[slots + short] += charge_pC
    array[slots + SHORT_SLOTS + short] += square_uA2_us


@step
def note_run(array: NDArray[Any], channel: int, run: int, since_us: int, before_us: int) -> None:
    """Keep when a run began and the on-time before it (in place)."""
    at = _run_at(channel, run)
    array[at] = since_us
    array[at + 1] = before_us


@step
def note_oldest(array: NDArray[Any], channel: int, run: int) -> None:
    """Remember that no window over a later pulse needs a run before `run` (in place)."""
    array[_train_at(channel) + _OLDEST] = run


@step
def _run_at(channel: int, run: int) -> int:
    return SLOTS_AT + channel * SLOTS_SIZE + RUNS_AT + 2 * (run % MOST_RUNS)


@step
def look_back(array: NDArray[Any], loop: LoopLimits, channel: int, from_us: int, t_us: int) -> tuple[int, int]:
    """The on-time of one channel before `from_us`, as known at `t_us`, and the number of the run that told it.

    That is the oldest run that ends after `from_us`; who has fired a pulse may note it as such.
    """
    train = _train_at(channel)
    oldest, latest = int(array[train + _OLDEST]), int(array[train + _RUN])
    at = _run_at(channel, oldest)
    for run in range(oldest + 1, latest + 1):
        after = _run_at(channel, run)
        if array[at] + array[after + 1] - array[at + 1] > from_us:
            break
        oldest, at = run, after
    gone_us = int(array[at + 1]) + max(0, from_us - int(array[at]))
    if oldest >= latest and t_us - array[train + _PULSE] >= loop.rest_us:
        gone_us = min(gone_us, int(array[train + _ON]))
    return gone_us, oldest


@step
def look_back_from_pulse(array: NDArray[Any], loop: LoopLimits, channel: int, t_us: int) -> tuple[int, int]:
    """`look_back` from the window that ends with the gap after a pulse at `t_us`."""
    return look_back(array, loop, channel, t_us + loop.on_gap_us - loop.long_window_us, t_us)


@step
def look_back_from_ramp(array: NDArray[Any], limits: ChannelLimits, loop: LoopLimits, channel: int, t_us: int) -> int:
    """The on-time before the window that ends with the gap after a ramp that begins now, at a control tick."""
    current_uA = int(array[CHANNEL_AT + channel * CHANNEL_SIZE])
    until_us = t_us + ramp_room_us(limits, loop, current_uA)
    gone_us, _ = look_back(array, loop, channel, until_us + loop.on_gap_us - loop.long_window_us, t_us)
    return gone_us


@step
def ramp_room_us(limits: ChannelLimits, loop: LoopLimits, current_uA: int) -> int:
    """Time that a channel at `current_uA` must still be allowed on: a ramp to zero and three control periods.

    Ticks may lie two periods apart, and a ramp counts from no more than one before its first: so it may begin a period
    late, and its last command may live for two. From zero there must be room for a ramp up as well, of the same length.
    """
    ramps = 2 if current_uA == 0 else 1
    return ramps * limits.ramp_us + 3 * loop.control_period_us
