"""Sliding sums in bounded memory: rings of buckets whose sum bounds every sliding window.

A window of W us is cut into n buckets of b = ceil(W / n) us, counted from time 0. The ring keeps the
bucket that is filling and the n before it. At time t the oldest of them begins no later than t - W,
so the ring's sum is at least the sum over [t - W, t], and at most that over [t - W - b, t]: the bound
errs on the side of less stimulation, by one bucket in n.

The slots live in the tail of the interlock's memory array and are written in place by the packed doors.
"""

from __future__ import annotations

from typing import Any, Final

from numpy.typing import NDArray

from thenar.safety.limits import LoopLimits
from thenar.safety.memory import CHANNEL_AT, CHANNEL_SIZE, LONG_SLOTS, SHORT_SLOTS, SLOTS_AT, SLOTS_SIZE, TRAIN_AT
from thenar.shared.compiled import step

_SHORT_BUCKET: Final = 7
_LONG_BUCKET: Final = 8
_CHARGE: Final = 9
_SQUARE: Final = 10
_ON: Final = 11
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
def filling_since_us(loop: LoopLimits, short_bucket: int, long_bucket: int) -> int:
    """The earliest instant, in us, that the sums still cover: where the younger of the two filling buckets begins."""
    return max(
        short_bucket * bucket_us(loop.short_window_us, SHORT_SLOTS),
        long_bucket * bucket_us(loop.long_window_us, LONG_SLOTS),
    )


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
    """Bring the three sums of one channel up to `t_us` (in place). An earlier time changes nothing."""
    train = _train_at(channel)
    slots = SLOTS_AT + channel * SLOTS_SIZE
    old = int(array[train + _SHORT_BUCKET])
    new = t_us // bucket_us(loop.short_window_us, SHORT_SLOTS)
    if new > old:
        _drop_old(array, train + _CHARGE, slots, SHORT_SLOTS, old, new)
        _drop_old(array, train + _SQUARE, slots + SHORT_SLOTS, SHORT_SLOTS, old, new)
        array[train + _SHORT_BUCKET] = new
    old = int(array[train + _LONG_BUCKET])
    new = t_us // bucket_us(loop.long_window_us, LONG_SLOTS)
    if new > old:
        _drop_old(array, train + _ON, slots + 2 * SHORT_SLOTS, LONG_SLOTS, old, new)
        array[train + _LONG_BUCKET] = new


@step
def note_amounts(array: NDArray[Any], channel: int, charge_pC: int, square_uA2_us: int, on_us: int) -> None:
    """Put one pulse's amounts into the slots that are filling (in place). The sums hold them already."""
    train = _train_at(channel)
    slots = SLOTS_AT + channel * SLOTS_SIZE
    short = int(array[train + _SHORT_BUCKET]) % SHORT_SLOTS
    array[slots + short] += charge_pC
    array[slots + SHORT_SLOTS + short] += square_uA2_us
    array[slots + 2 * SHORT_SLOTS + int(array[train + _LONG_BUCKET]) % LONG_SLOTS] += on_us
