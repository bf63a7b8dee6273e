"""The two logs that are judged, as columns of whole numbers and as records that compiled steps walk through."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Column = NDArray[np.int64]


class PulseLog(NamedTuple):
    """What left the loop: int64 arrays of shape (n,), by trial, then in the order of delivery.

    `channel`: 0 agonist, 1 antagonist. `second_*`: what was measured of the second phase; `decisions_before`: how many
    rows of that trial's decision log came before the pulse (without it: every decision at or before its time).
    """

    trial: Column
    t_us: Column
    channel: Column
    current_uA: Column
    width_us: Column
    gap_us: Column
    second_current_uA: Column | None = None
    second_width_us: Column | None = None
    decisions_before: Column | None = None


class DecisionLog(NamedTuple):
    """One row per control tick in the order of calls: int64 arrays of shape (m,). `kind` 1: a stop between ticks.

    `asked_*`: the demand as the interlock read it. Then what was sensed, the mark of the limits handed in, what was
    admitted (`expires_us` and two commands), and after the call: reasons mask, state (0 disarmed, 1 armed, 2 stopping),
    number of the latched requirement (0 none) and when it latched.
    """

    trial: Column
    kind: Column
    t_us: Column
    asked_fault: Column
    agonist_asked_uA: Column
    agonist_asked_width_us: Column
    agonist_asked_period_us: Column
    antagonist_asked_uA: Column
    antagonist_asked_width_us: Column
    antagonist_asked_period_us: Column
    estimate_mN: Column
    estimate_known: Column
    estimate_age_us: Column
    estimate_count: Column
    law_fault: Column
    stop: Column
    arm: Column
    rearm_cause: Column
    agonist_contact_ohm: Column
    agonist_contact_per_mille: Column
    antagonist_contact_ohm: Column
    antagonist_contact_per_mille: Column
    agonist_net_pC: Column
    agonist_cut_short: Column
    antagonist_net_pC: Column
    antagonist_cut_short: Column
    limits_mark: Column
    broken_off: Column
    expires_us: Column
    agonist_uA: Column
    agonist_width_us: Column
    agonist_period_us: Column
    antagonist_uA: Column
    antagonist_width_us: Column
    antagonist_period_us: Column
    reasons: Column
    state: Column
    trip: Column
    trip_us: Column


UNKNOWN: Final = -1
"""In a pulse record: nothing was measured of the second phase, or no place in the decision log was given."""
PULSE_RECORD: Final = np.dtype((np.record, [(name, np.int64) for name in PulseLog._fields]))
DECISION_RECORD: Final = np.dtype((np.record, [(name, np.int64) for name in DecisionLog._fields]))


def pulse_records(log: PulseLog) -> NDArray[Any]:
    """The log as records, shape (n,), dtype PULSE_RECORD; UNKNOWN where a column was not given.

    Raises ValueError when a column is not one-dimensional int64 of the common length.
    """
    records = np.full(len(log.t_us), UNKNOWN, dtype=np.int64)
    filled = np.empty(len(log.t_us), dtype=PULSE_RECORD)
    for name, column in log._asdict().items():
        filled[name] = records if column is None else _checked(name, column, len(log.t_us))
    return filled


def decision_records(log: DecisionLog) -> NDArray[Any]:
    """The log as records, shape (m,), dtype DECISION_RECORD. Raises ValueError as `pulse_records` does."""
    filled = np.empty(len(log.t_us), dtype=DECISION_RECORD)
    for name, column in log._asdict().items():
        filled[name] = _checked(name, column, len(log.t_us))
    return filled


def no_decisions() -> NDArray[Any]:
    """An empty decision log as records."""
    return np.empty(0, dtype=DECISION_RECORD)


def _checked(name: str, column: Column, length: int) -> Column:
    if column.dtype != np.int64 or column.shape != (length,):
        raise ValueError(f"column {name} must be int64 of shape ({length},), not {column.dtype} of {column.shape}")
    return column
