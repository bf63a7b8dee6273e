"""What the interlock reads at a control tick, as integers: what is asked for, and what is sensed."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

from numpy.typing import NDArray

from thenar.shared.compiled import fixed, step

FAULT_NONE: Final = 0
FAULT_VALUE: Final = 1
FAULT_SHAPE: Final = 2
"""Demand faults: nothing wrong; a value missing, not a number or out of range (R01); wrong shape (R02)."""

LAW_FINE: Final = 0
LAW_RAISED: Final = 1
LAW_LATE: Final = 2
"""Law faults: answered; raised an error (treated as a missing demand, R01); stalled or late (R32)."""

CURRENT_RANGE_UA: Final = 1_000_000
WIDTH_RANGE_US: Final = 10_000
PERIOD_RANGE_US: Final = (1_000, 10_000_000)
"""Type ranges of R01 (own choice): far above every hard ceiling, small enough that no product overflows.
Periods are those of 1000 Hz down to 0.1 Hz."""

TIME_RANGE_US: Final = 1_000_000_000_000_000
"""Times beyond 31 years are taken for a broken clock (R04)."""


class ChannelAsked(NamedTuple):
    """What is asked of one channel. A zero in any field asks for no pulses."""

    current_uA: int
    width_us: int
    period_us: int


class Asked(NamedTuple):
    """A demand in integers; `fault` is one of the FAULT constants."""

    fault: int
    agonist: ChannelAsked
    antagonist: ChannelAsked


ASKED_SIZE: Final = 7


class Senses(NamedTuple):
    """All that the interlock senses at a control tick.

    `estimate_age_us` is the time since the estimate was sampled; `estimate_count` counts the estimates
    that have arrived (R30 needs it to tell a stuck estimator from a slow one). `law_fault` is one of the
    LAW constants, `stop` and `arm` are 0 or 1, `rearm_cause` is the requirement number that the operator
    names to clear a latched trip (0 none). Impedance and contact share are -1 when unknown. `*_net_pC` is the
    signed net charge of the channel's pulses since the last tick as the stimulator measures it (R18), and
    `*_cut_short` is 0 unless one of them broke off between its phases (R19).
    """

    estimate_mN: int
    estimate_known: int
    estimate_age_us: int
    estimate_count: int
    law_fault: int
    stop: int
    arm: int
    rearm_cause: int
    agonist_contact_ohm: int
    agonist_contact_per_mille: int
    antagonist_contact_ohm: int
    antagonist_contact_per_mille: int
    agonist_net_pC: int
    agonist_cut_short: int
    antagonist_net_pC: int
    antagonist_cut_short: int


SENSES_SIZE: Final = 16
_ESTIMATE_RANGE_MN: Final = 1_000_000_000
_OHM_RANGE: Final = 1_000_000_000
_NET_RANGE_PC: Final = 1_000_000_000_000


@step
def unpack_asked(array: NDArray[Any]) -> Asked:
    """A demand from its flat int64 form (length ASKED_SIZE)."""
    return Asked(int(array[0]), ChannelAsked(*fixed(array, 3, 1)), ChannelAsked(*fixed(array, 3, 4)))


@step
def unpack_senses(array: NDArray[Any]) -> Senses:
    """Senses from their flat int64 form (length SENSES_SIZE)."""
    return Senses(*fixed(array, SENSES_SIZE))


@step
def between(value: int, low: int, high: int) -> int:
    """`value` brought into [low, high]."""
    return min(max(value, low), high)


@step
def bounded(senses: Senses) -> Senses:
    """The same senses with every number brought into a range where no later product can overflow."""
    return Senses(
        between(senses.estimate_mN, -_ESTIMATE_RANGE_MN, _ESTIMATE_RANGE_MN),
        senses.estimate_known,
        between(senses.estimate_age_us, -1, TIME_RANGE_US),
        senses.estimate_count,
        senses.law_fault,
        senses.stop,
        senses.arm,
        senses.rearm_cause,
        between(senses.agonist_contact_ohm, -1, _OHM_RANGE),
        between(senses.agonist_contact_per_mille, -1, 1_000),
        between(senses.antagonist_contact_ohm, -1, _OHM_RANGE),
        between(senses.antagonist_contact_per_mille, -1, 1_000),
        between(senses.agonist_net_pC, -_NET_RANGE_PC, _NET_RANGE_PC),
        senses.agonist_cut_short,
        between(senses.antagonist_net_pC, -_NET_RANGE_PC, _NET_RANGE_PC),
        senses.antagonist_cut_short,
    )


@step
def in_type_range(asked: ChannelAsked) -> bool:
    """Whether every field lies in the type range of R01."""
    return (
        0 <= asked.current_uA <= CURRENT_RANGE_UA
        and 0 <= asked.width_us <= WIDTH_RANGE_US
        and (asked.period_us == 0 or PERIOD_RANGE_US[0] <= asked.period_us <= PERIOD_RANGE_US[1])
    )


@step
def asks_nothing(asked: ChannelAsked) -> bool:
    """Whether no pulse is asked for."""
    return asked.current_uA == 0 or asked.width_us == 0 or asked.period_us == 0
