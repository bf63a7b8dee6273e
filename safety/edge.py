"""The edge: the only place where floats become the interlock's integers. Nothing here ever raises.

Currents are rounded to the nearest uA (floor(x * 1000 + 0.5)), widths toward zero to whole us, rates to the
longer period. What is not a finite number in range becomes a fault, never a number.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from thenar.safety.inputs import (
    ASKED_SIZE,
    CURRENT_RANGE_UA,
    FAULT_NONE,
    FAULT_SHAPE,
    FAULT_VALUE,
    PERIOD_RANGE_US,
    WIDTH_RANGE_US,
)
from thenar.shared.compiled import entry, step
from thenar.shared.demand_values import float_of, numbers_of

_LARGEST: Final = 1_000_000_000_000_000.0
_LOWEST_RATE_HZ: Final = 1_000_000.0 / PERIOD_RANGE_US[1]
_HIGHEST_RATE_HZ: Final = 1_000_000.0 / PERIOD_RANGE_US[0]
_ESTIMATE_RANGE_N: Final = 1_000_000.0
_NOT_A_NUMBER: Final = float("nan")


@step
def current_uA(current_mA: float) -> int:
    """A current in mA to the nearest uA; -1 when it is not a finite number from 0 to the type range."""
    scaled = current_mA * 1000.0 + 0.5
    if not 0.0 <= scaled < CURRENT_RANGE_UA + 1.0:
        return -1
    return math.floor(scaled)


@step
def whole_width_us(width_us: float) -> int:
    """A width in us to whole us toward zero; -1 when it is not a finite number from 0 to the type range."""
    if not -1.0 < width_us < WIDTH_RANGE_US + 1.0:
        return -1
    return int(width_us)


@step
def period_us(rate_Hz: float) -> int:
    """A rate in Hz to the period in us, rounded to the longer one; 0 for no pulses, -1 when out of range."""
    if rate_Hz == 0.0:
        return 0
    if not _LOWEST_RATE_HZ <= rate_Hz <= _HIGHEST_RATE_HZ:
        return -1
    return math.ceil(1_000_000.0 / rate_Hz)


@step
def _wrote_channel(demand: NDArray[Any], channel: int, current_mA: float, width: float, rate_Hz: float) -> bool:
    """Write one channel of a demand; False when one of its numbers can't be used."""
    asked_uA, asked_us, asked_period = current_uA(current_mA), whole_width_us(width), period_us(rate_Hz)
    demand[3 * channel + 1] = asked_uA
    demand[3 * channel + 2] = asked_us
    demand[3 * channel + 3] = asked_period
    return asked_uA >= 0 and asked_us >= 0 and asked_period >= 0


@step
def demand_from_numbers(
    demand: NDArray[Any],
    agonist_mA: float,
    agonist_us: float,
    agonist_Hz: float,
    antagonist_mA: float,
    antagonist_us: float,
    antagonist_Hz: float,
) -> None:
    """Six floats (current, width and rate of agonist, then antagonist) to a demand, in place.

    `demand`: int64, shape (ASKED_SIZE,). One unusable number makes the whole demand a fault (R01) with
    all else zero.
    """
    demand[0] = FAULT_NONE
    agonist = _wrote_channel(demand, 0, agonist_mA, agonist_us, agonist_Hz)
    antagonist = _wrote_channel(demand, 1, antagonist_mA, antagonist_us, antagonist_Hz)
    if not (agonist and antagonist):
        demand[:] = 0
        demand[0] = FAULT_VALUE


@entry
def demand_from_numbers_packed(
    demand: NDArray[Any],
    agonist_mA: float,
    agonist_us: float,
    agonist_Hz: float,
    antagonist_mA: float,
    antagonist_us: float,
    antagonist_Hz: float,
) -> None:
    """`demand_from_numbers` for callers in Python."""
    demand_from_numbers(demand, agonist_mA, agonist_us, agonist_Hz, antagonist_mA, antagonist_us, antagonist_Hz)


def demand_units(demand: object) -> NDArray[np.int64]:
    """Any object whatsoever as a demand, int64, shape (ASKED_SIZE,); never raises.

    A `Demand` or a plain tuple of two tuples of three numbers is read; entry 0 is the fault: FAULT_VALUE for
    anything missing or not a usable number (R01), FAULT_SHAPE for more channels or fields than there
    are (R02). A fault leaves every other entry zero.
    """
    units = np.zeros(ASKED_SIZE, dtype=np.int64)
    numbers, wrong = numbers_of(demand)
    if wrong != 0:
        units[0] = FAULT_SHAPE if wrong > 0 else FAULT_VALUE
        return units
    demand_from_numbers_packed(units, *numbers)
    return units


@step
def estimate_mN(estimate_N: float) -> tuple[int, int]:
    """An estimate in N as (mN, known): unknown for NaN, brought to +/- 1e6 N otherwise (R30 judges range)."""
    if math.isnan(estimate_N):
        return 0, 0
    inside = min(max(estimate_N, -_ESTIMATE_RANGE_N), _ESTIMATE_RANGE_N)
    return math.floor(inside * 1000.0 + 0.5), 1


def _as_int(value: object, unknown: int) -> int:
    """A finite number as a whole one toward zero; `unknown` for everything else."""
    if type(value) is bool or type(value) is np.bool_:
        return int(bool(value))
    number = float_of(value)
    return int(number) if -_LARGEST <= number <= _LARGEST else unknown


def senses_units(
    estimate_N: object,
    estimate_age_us: object,
    estimate_count: object,
    law_fault: object,
    stop: object,
    arm: object,
    rearm_cause: object = 0,
    agonist_contact_ohm: object = -1,
    agonist_contact_share: object = _NOT_A_NUMBER,
    antagonist_contact_ohm: object = -1,
    antagonist_contact_share: object = _NOT_A_NUMBER,
    agonist_net_pC: object = 0,
    agonist_cut_short: object = 0,
    antagonist_net_pC: object = 0,
    antagonist_cut_short: object = 0,
) -> NDArray[np.int64]:
    """What is sensed, as int64, shape (inputs.SENSES_SIZE,); never raises.

    `estimate_N`: last estimate in N (NaN: none yet). `estimate_age_us`: time since it was sampled.
    `estimate_count`: estimates that have arrived so far. `law_fault`: 0 answered, 1 raised, 2 late.
    `stop`, `arm`: 0 or 1; a stop that can't be read counts as pressed, an arm as released.
    `rearm_cause`: requirement number the operator names, 0 none. `*_contact_ohm`: impedance, -1 unknown.
    `*_contact_share`: share of the pad in contact, 0 to 1, NaN unknown. `*_net_pC`: signed net charge since
    the last tick; one that can't be read counts as a pulse cut short. `*_cut_short`: 0 or 1.
    """
    force, known = estimate_mN(float_of(estimate_N))
    age = _as_int(estimate_age_us, -1)
    return np.array(
        [
            force,
            known,
            age,
            _as_int(estimate_count, 0),
            _as_int(law_fault, 1),
            _as_int(stop, 1),
            _as_int(arm, 0),
            _as_int(rearm_cause, 0),
            _as_int(agonist_contact_ohm, -1),
            _per_mille(agonist_contact_share),
            _as_int(antagonist_contact_ohm, -1),
            _per_mille(antagonist_contact_share),
            _as_int(agonist_net_pC, 0),
            _cut_short(agonist_net_pC, agonist_cut_short),
            _as_int(antagonist_net_pC, 0),
            _cut_short(antagonist_net_pC, antagonist_cut_short),
        ],
        dtype=np.int64,
    )


def _cut_short(net_pC: object, cut_short: object) -> int:
    return 1 if _as_int(net_pC, -1) != _as_int(net_pC, 0) else _as_int(cut_short, 1)


def _per_mille(share: object) -> int:
    number = float_of(share)
    return int(number * 1000.0) if 0.0 <= number <= 1.0 else -1
