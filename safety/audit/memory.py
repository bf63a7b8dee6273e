"""What the auditor carries from row to row, in records of whole numbers: its size never grows with a log.

Only the pulses of the long window are kept one by one, and the readings that the sensed windows still need.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.safety.audit.bounds import Bounds, ChannelBounds, LoopBounds
from thenar.shared.compiled import step_for_all as step

LONG_AGO: Final = -1_000_000_000_000_000_000
"""A time before every log; the difference to any time still fits 64 bits."""

_LOOP: Final = (
    "trial", "trials", "decided", "seen_rows", "t_us", "ticked", "pulse_us", "first_pulse_us", "state", "trip",
    "trip_us", "armed_us", "session_us", "mark", "heard_us", "unusable", "expires_us", "count", "value_mN",
    "sampled_us", "sampled", "same_since_us", "frozen", "jumped", "bad_since_us", "pulses", "decisions",
)  # fmt: skip
_CHANNEL: Final = (
    "pulse_us", "end_us", "current_uA", "width_us", "admitted_uA", "admitted_us", "admitted_period_us", "asked_uA",
    "asked_us", "asked_period_us", "ohm", "per_mille", "lowered", "lowered_pulses", "run_us", "total_pC",
    "top_uA_us", "top_width", "line_pC_s", "phase_pC", "measured_pC", "measured_cut", "square_high", "square_low",
    "charge_pC", "on_us", "short_at", "long_at", "end_at", "net_pC", "ramp22_us", "ramp22_uA", "ramp30_us",
    "ramp30_uA", "ramp32_us", "ramp32_uA", "hold_us", "started_us", "bucket_at", "bucket_pC", "bucket_square",
    "excused", "ran_out",
)  # fmt: skip
LOOP_RECORD: Final = np.dtype((np.record, [(name, np.int64) for name in _LOOP]))
CHANNEL_RECORD: Final = np.dtype((np.record, [(name, np.int64) for name in _CHANNEL]))
PAST_RECORD: Final = np.dtype((np.record, [(name, np.int64) for name in ("t_us", "charge_pC", "square", "on_us")]))
READING_RECORD: Final = np.dtype((np.record, [("t_us", np.int64), ("value", np.int64)]))

CHANNEL_BOUNDS_RECORD: Final = np.dtype((np.record, [(name, np.int64) for name in ChannelBounds._fields]))
LOOP_BOUNDS_RECORD: Final = np.dtype((np.record, [(name, np.int64) for name in LoopBounds._fields]))

LOW_OHM: Final = 0
HIGH_OHM: Final = 2
LOW_FORCE: Final = 4
NET: Final = 5
ADMITTED: Final = 7
LINES: Final = 9
READINGS: Final = 8_192
"""Lines of readings: lowest and highest impedance by channel, lowest force, net charge and highest current by channel.
One line holds the readings of a second down to 0.12 ms apart; more would push the oldest out."""
PAST_AT_LEAST: Final = 16_384


class Lines(NamedTuple):
    """Lines of readings: `readings` (LINES, READINGS), and in `ends` (LINES, 2) the running numbers of their ends."""

    readings: NDArray[Any]
    ends: NDArray[Any]


class Memory(NamedTuple):
    """Arrays: `loop` (1,), `channels` (2,), `past` (2, capacity); and the lines of readings."""

    loop: NDArray[Any]
    channels: NDArray[Any]
    past: NDArray[Any]
    lines: Lines


class BoundArrays(NamedTuple):
    """The bounds as arrays of records, `channels` (2,) and `loop` (1,), fields as in ChannelBounds and LoopBounds."""

    channels: NDArray[Any]
    loop: NDArray[Any]


def bound_arrays(bounds: Bounds) -> BoundArrays:
    """The bounds as arrays that a compiled walk reads."""
    channels = [tuple(getattr(own, name) for name in ChannelBounds._fields) for own in bounds[:2]]
    loop = [tuple(getattr(bounds.loop, name) for name in LoopBounds._fields)]
    return BoundArrays(np.array(channels, dtype=CHANNEL_BOUNDS_RECORD), np.array(loop, dtype=LOOP_BOUNDS_RECORD))


def new_memory() -> Memory:
    """Memory before the first row of a log."""
    memory = Memory(
        np.zeros(1, LOOP_RECORD),
        np.zeros(2, CHANNEL_RECORD),
        np.empty((2, PAST_AT_LEAST), PAST_RECORD),
        Lines(np.empty((LINES, READINGS), READING_RECORD), np.zeros((LINES, 2), np.int64)),
    )
    memory.loop["trial"] = LONG_AGO
    return memory


@step
def begin_trial(memory: Memory, trial: int) -> None:
    """Power-on: nothing delivered, nothing known, disarmed."""
    loop = memory.loop[0]
    loop.trial = trial
    loop.trials += 1
    loop.seen_rows = loop.state = loop.trip = loop.mark = loop.unusable = loop.ticked = 0
    loop.decided = loop.count = loop.value_mN = loop.sampled = loop.frozen = loop.jumped = 0
    loop.t_us = loop.pulse_us = loop.first_pulse_us = loop.trip_us = loop.armed_us = LONG_AGO
    loop.session_us = loop.heard_us = loop.expires_us = loop.sampled_us = LONG_AGO
    loop.same_since_us = loop.bad_since_us = LONG_AGO
    memory.lines.ends[:] = 0
    for index in range(2):
        own = memory.channels[index]
        own.pulse_us = own.end_us = own.ramp22_us = own.ramp30_us = own.ramp32_us = LONG_AGO
        own.current_uA = own.width_us = own.lowered = own.lowered_pulses = own.run_us = own.total_pC = 0
        own.admitted_uA = own.admitted_us = own.admitted_period_us = 0
        own.asked_uA = own.asked_us = own.asked_period_us = 0
        own.ohm = own.per_mille = -1
        own.top_uA_us = own.top_width = own.line_pC_s = 0
        own.phase_pC = own.measured_pC = own.measured_cut = own.net_pC = 0
        own.square_high = own.square_low = own.charge_pC = own.on_us = 0
        own.short_at = own.long_at = own.end_at = 0
        own.ramp22_uA = own.ramp30_uA = own.ramp32_uA = own.ran_out = 0
        own.hold_us = own.started_us = LONG_AGO
        own.bucket_at = own.bucket_pC = own.bucket_square = own.excused = 0


@step
def full(memory: Memory) -> bool:
    """Whether a channel has no place left for the next pulse's amounts."""
    return bool(max(memory.channels[0].end_at, memory.channels[1].end_at) >= memory.past.shape[1])


def with_room(memory: Memory) -> Memory:
    """The same memory with what no window needs any more dropped, and at least half of `past` free."""
    kept = [
        slice(min(int(own.short_at), int(own.long_at), int(own.bucket_at)), int(own.end_at)) for own in memory.channels
    ]
    capacity = memory.past.shape[1]
    while 2 * max(part.stop - part.start for part in kept) > capacity:
        capacity *= 2
    past = memory.past if capacity == memory.past.shape[1] else np.empty((2, capacity), PAST_RECORD)
    for index, part in enumerate(kept):
        past[index, : part.stop - part.start] = memory.past[index, part].copy()
        for place in ("short_at", "long_at", "bucket_at", "end_at"):
            memory.channels[place][index] -= part.start
    return memory._replace(past=past)


@step
def keep_lowest(lines: Lines, line: int, t_us: int, value: int, window_us: int) -> int:
    """Put a reading into a line and return the lowest of those less than the window apart from it (itself included).

    Highest instead of lowest when the values are handed in negated. A clock that steps back empties the line.
    """
    readings, ends = lines.readings[line], lines.ends[line]
    begin, end = ends[0], ends[1]
    if end > begin and readings[(end - 1) % READINGS].t_us > t_us:
        begin = end
    while end > begin and readings[(end - 1) % READINGS].value >= value:
        end -= 1
    while end > begin and readings[begin % READINGS].t_us <= t_us - window_us:
        begin += 1
    if end - begin == READINGS:
        begin += 1
    readings[end % READINGS].t_us = t_us
    readings[end % READINGS].value = value
    ends[0], ends[1] = begin, end + 1
    return int(readings[begin % READINGS].value)


@step
def window_net(lines: Lines, own: Any, channel: int, t_us: int, net_pC: int, window_us: int) -> int:
    """Put a tick's net charge into its line and return the net charge of the closed window that ends with it."""
    readings, ends = lines.readings[NET + channel], lines.ends[NET + channel]
    begin, end = ends[0], ends[1]
    if end > begin and readings[(end - 1) % READINGS].t_us > t_us:
        begin = end
        own.net_pC = 0
    while end > begin and (readings[begin % READINGS].t_us < t_us - window_us or end - begin == READINGS):
        own.net_pC -= readings[begin % READINGS].value
        begin += 1
    if net_pC != 0:
        readings[end % READINGS].t_us = t_us
        readings[end % READINGS].value = net_pC
        end += 1
        own.net_pC += net_pC
    ends[0], ends[1] = begin, end
    return int(own.net_pC)
