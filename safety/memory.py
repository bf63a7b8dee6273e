"""What the interlock remembers: one flat int64 array, read as tuples of integers.

Its size never grows, whatever the length of a run. `NEVER` stands for "has not happened yet".
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.safety.bounds import MOST_RUNS
from thenar.shared.compiled import fixed, flat_integers, step, store

NEVER: Final = -1_000_000_000_000_000
EMPTY: Final = 1_000_000_000_000_000
"""In a bucket of `Lowest`: nothing was seen."""
DISARMED: Final = 0
ARMED: Final = 1
STOPPING: Final = 2


class Latch(NamedTuple):
    """Armed or not, and the trip that holds the loop silent. `trip` is a requirement number, 0 when none."""

    state: int
    trip: int
    trip_us: int
    armed_us: int
    session_us: int
    """when the first arming of this session happened (R24)"""
    mark: int
    """of the limits frozen at arming (R35)"""
    busy: int
    """packed calls under way, this one included: above 1 when an earlier one broke off (R39)"""


class LoopMemory(NamedTuple):
    """What the control ticks leave behind."""

    tick_us: int
    heard_us: int
    """last usable answer of the law (R32)"""
    faults: int
    """unusable demands in a row (R01)"""
    ramp_since_us: int
    expires_us: int


class Lowest(NamedTuple):
    """Lowest values of eight stretches of time, the filling one first (see `thenar.safety.extremes`)."""

    since_us: int
    """when the filling stretch began"""
    b0: int
    b1: int
    b2: int
    b3: int
    b4: int
    b5: int
    b6: int
    b7: int


class EstimateMemory(NamedTuple):
    """The force estimate's recent past (R30, R31)."""

    arrived: int
    value_mN: int
    sampled_us: int
    same_since_us: int
    frozen: int
    jumped: int
    bad_since_us: int
    lows: Lowest
    """of the force, in mN (R31)"""


class CommandMemory(NamedTuple):
    """What was last admitted on one channel."""

    current_uA: int
    width_us: int
    period_us: int
    started_us: int
    """when the current last rose from zero (R26)"""
    risen_us: int
    """when the current or the width last rose (R20)"""
    ramp_from_uA: int
    contact_per_mille: int
    saturated: int
    """1 while the compliance bound R17 lowers the current"""
    ending_us: int
    """since when the on-time has been running out, NEVER otherwise (R23)"""
    ending_from_uA: int
    """the current that the ramp at the end of the on-time began at"""


class ContactMemory(NamedTuple):
    """Impedances of the jump window, in ohm (R28): the lowest, and the highest as the lowest of their negatives."""

    lows: Lowest
    minus_highs: Lowest


class BalanceMemory(NamedTuple):
    """Net charge as measured, in two buckets of a short window each (R18)."""

    total_pC: int
    """rectified charge of the train at the last tick"""
    net_now_pC: int
    net_before_pC: int
    since_us: int


class TrainMemory(NamedTuple):
    """The pulses that left one channel. Sums and runs are kept up by `thenar.safety.windows`."""

    pulse_us: int
    end_us: int
    run_since_us: int
    """first pulse since the last rest (R23)"""
    total_pC: int
    saturated_pulses: int
    hold_until_us: int
    hold_reasons: int
    short_bucket: int
    window_pC: int
    """rectified charge in the short window (R16)"""
    window_uA2_us: int
    """squared current times time in the short window (R12, R13, R15)"""
    on_us: int
    """on-time since power-on, with the gap after the last pulse (R23)"""
    gone_us: int
    """what of `on_us` lies before the long window that was looked at last by the gate, or is looked at by a tick"""
    run: int
    """number of the latest run, -1 before the first"""
    oldest_run: int
    """number of the oldest run that the long window may still need"""


class IntensityMemory(NamedTuple):
    """What a channel delivers per second (R40, see `thenar.safety.intensity`)."""

    top_pC_per_s: int
    """up to which no pulse counts as a rise"""


class ChannelMemory(NamedTuple):
    """All that is remembered of one channel."""

    command: CommandMemory
    contact: ContactMemory
    balance: BalanceMemory
    train: TrainMemory
    intensity: IntensityMemory


class Memory(NamedTuple):
    """The interlock's memory, but for the slots of the sliding windows."""

    latch: Latch
    loop: LoopMemory
    estimate: EstimateMemory
    agonist: ChannelMemory
    antagonist: ChannelMemory


LATCH_AT: Final = 0
LOOP_AT: Final = 7
ESTIMATE_AT: Final = 12
CHANNEL_AT: Final = 28
COMMAND_SIZE: Final = 10
LOWEST_SIZE: Final = 9
CONTACT_SIZE: Final = 2 * LOWEST_SIZE
BALANCE_SIZE: Final = 4
_LOWS_AT: Final = 7
TRAIN_SIZE: Final = 14
INTENSITY_SIZE: Final = 1
CHANNEL_SIZE: Final = COMMAND_SIZE + CONTACT_SIZE + BALANCE_SIZE + TRAIN_SIZE + INTENSITY_SIZE
BALANCE_AT: Final = COMMAND_SIZE + CONTACT_SIZE
TRAIN_AT: Final = BALANCE_AT + BALANCE_SIZE
INTENSITY_AT: Final = TRAIN_AT + TRAIN_SIZE
"""Places of a channel's balance, train and intensity inside its block of CHANNEL_SIZE."""

SHORT_SLOTS: Final = 51
"""A window of n buckets needs n + 1 slots: n whole ones and the one that is filling."""
SLOTS_AT: Final = CHANNEL_AT + 2 * CHANNEL_SIZE
RUNS_AT: Final = 2 * SHORT_SLOTS
SLOTS_SIZE: Final = RUNS_AT + 2 * MOST_RUNS
"""After the buckets, for each run kept: its first pulse, and the on-time before it."""
MEMORY_SIZE: Final = SLOTS_AT + 2 * SLOTS_SIZE


NOTHING_SEEN: Final = Lowest(NEVER, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY)


def start_memory() -> NDArray[np.int64]:
    """Memory at power-on, shape (MEMORY_SIZE,): disarmed, nothing latched, nothing delivered."""
    channel = ChannelMemory(
        CommandMemory(0, 0, 0, NEVER, NEVER, 0, -1, 0, NEVER, 0),
        ContactMemory(NOTHING_SEEN, NOTHING_SEEN),
        BalanceMemory(0, 0, 0, NEVER),
        TrainMemory(NEVER, NEVER, NEVER, 0, 0, NEVER, 0, 0, 0, 0, 0, 0, -1, 0),
        IntensityMemory(0),
    )
    numbers = flat_integers(
        Memory(
            Latch(DISARMED, 0, NEVER, NEVER, NEVER, 0, 0),
            LoopMemory(NEVER, NEVER, 0, NEVER, NEVER),
            EstimateMemory(-1, 0, NEVER, NEVER, 0, 0, NEVER, NOTHING_SEEN),
            channel,
            channel,
        )
    )
    return np.concatenate([numbers, np.zeros(MEMORY_SIZE - len(numbers), dtype=np.int64)])


@step
def _unpack_channel(array: NDArray[Any], at: int) -> ChannelMemory:
    return ChannelMemory(
        CommandMemory(*fixed(array, COMMAND_SIZE, at)),
        ContactMemory(
            Lowest(*fixed(array, LOWEST_SIZE, at + COMMAND_SIZE)),
            Lowest(*fixed(array, LOWEST_SIZE, at + COMMAND_SIZE + LOWEST_SIZE)),
        ),
        BalanceMemory(*fixed(array, BALANCE_SIZE, at + BALANCE_AT)),
        TrainMemory(*fixed(array, TRAIN_SIZE, at + TRAIN_AT)),
        IntensityMemory(*fixed(array, INTENSITY_SIZE, at + INTENSITY_AT)),
    )


@step
def _unpack_estimate(array: NDArray[Any]) -> EstimateMemory:
    arrived, value_mN, sampled_us, same_since_us, frozen, jumped, bad_since_us = fixed(array, _LOWS_AT, ESTIMATE_AT)
    return EstimateMemory(
        arrived,
        value_mN,
        sampled_us,
        same_since_us,
        frozen,
        jumped,
        bad_since_us,
        Lowest(*fixed(array, LOWEST_SIZE, ESTIMATE_AT + _LOWS_AT)),
    )


@step
def _store_estimate(array: NDArray[Any], estimate: EstimateMemory) -> None:
    array[ESTIMATE_AT] = estimate.arrived
    array[ESTIMATE_AT + 1] = estimate.value_mN
    array[ESTIMATE_AT + 2] = estimate.sampled_us
    array[ESTIMATE_AT + 3] = estimate.same_since_us
    array[ESTIMATE_AT + 4] = estimate.frozen
    array[ESTIMATE_AT + 5] = estimate.jumped
    array[ESTIMATE_AT + 6] = estimate.bad_since_us
    store(array, estimate.lows, ESTIMATE_AT + _LOWS_AT)


@step
def _store_decided(array: NDArray[Any], own: ChannelMemory, at: int) -> None:
    store(array, own.command, at)
    store(array, own.contact.lows, at + COMMAND_SIZE)
    store(array, own.contact.minus_highs, at + COMMAND_SIZE + LOWEST_SIZE)
    store(array, own.balance, at + BALANCE_AT)


@step
def unpack_memory(array: NDArray[Any]) -> Memory:
    """Memory from its flat int64 form (shape (MEMORY_SIZE,))."""
    return Memory(
        Latch(*fixed(array, 7, LATCH_AT)),
        LoopMemory(*fixed(array, 5, LOOP_AT)),
        _unpack_estimate(array),
        _unpack_channel(array, CHANNEL_AT),
        _unpack_channel(array, CHANNEL_AT + CHANNEL_SIZE),
    )


@step
def with_gone(memory: Memory, channel: int, gone_us: int) -> Memory:
    """Memory in which so much of a channel's on-time lies before the long window that is looked at (R23)."""
    own = memory.agonist if channel == 0 else memory.antagonist
    train = own.train
    train = TrainMemory(
        train.pulse_us,
        train.end_us,
        train.run_since_us,
        train.total_pC,
        train.saturated_pulses,
        train.hold_until_us,
        train.hold_reasons,
        train.short_bucket,
        train.window_pC,
        train.window_uA2_us,
        train.on_us,
        gone_us,
        train.run,
        train.oldest_run,
    )
    own = ChannelMemory(own.command, own.contact, own.balance, train, own.intensity)
    if channel == 0:
        return Memory(memory.latch, memory.loop, memory.estimate, own, memory.antagonist)
    return Memory(memory.latch, memory.loop, memory.estimate, memory.agonist, own)


@step
def store_decision(array: NDArray[Any], memory: Memory) -> None:
    """Write back what a control tick changes: everything but the two trains and their intensities."""
    store(array, memory.latch, LATCH_AT)
    store(array, memory.loop, LOOP_AT)
    _store_estimate(array, memory.estimate)
    _store_decided(array, memory.agonist, CHANNEL_AT)
    _store_decided(array, memory.antagonist, CHANNEL_AT + CHANNEL_SIZE)


@step
def store_pulse(array: NDArray[Any], memory: Memory, channel: int) -> None:
    """Write back what a pulse changes: the latch, one train and its intensity."""
    store(array, memory.latch, LATCH_AT)
    if channel == 0:
        store(array, memory.agonist.train, CHANNEL_AT + TRAIN_AT)
        store(array, memory.agonist.intensity, CHANNEL_AT + INTENSITY_AT)
    else:
        store(array, memory.antagonist.train, CHANNEL_AT + CHANNEL_SIZE + TRAIN_AT)
        store(array, memory.antagonist.intensity, CHANNEL_AT + CHANNEL_SIZE + INTENSITY_AT)


@step
def tripped(latch: Latch, trip: int, t_us: int) -> Latch:
    """Disarmed and latched by requirement number `trip` at `t_us`. An earlier cause stays, but R33 replaces it."""
    if latch.trip != 0 and (trip != 33 or latch.trip == 33):
        return latch
    return Latch(DISARMED, trip, t_us, latch.armed_us, latch.session_us, latch.mark, latch.busy)


@step
def halt(memory: Memory, t_us: int) -> Memory:
    """Emergency stop from outside a control tick (R33): silent from this very instant, latched."""
    return Memory(tripped(memory.latch, 33, t_us), memory.loop, memory.estimate, memory.agonist, memory.antagonist)
