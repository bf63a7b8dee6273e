"""The two logs that are judged, as columns of whole numbers and as records that compiled steps walk through."""

from __future__ import annotations

from typing import Final, NamedTuple

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


_TIMES: Final = (-2_000_000_000_000_000, 2_000_000_000_000_000)
_OHM: Final = (-1, 1_000_000_000)
_SHARE: Final = (-1, 1_000)
_NET: Final = (-1_000_000_000_000, 1_000_000_000_000)
SENSED_RANGES: Final = {
    "t_us": _TIMES, "estimate_mN": (-1_000_000_000, 1_000_000_000), "estimate_age_us": _TIMES,
    "agonist_contact_ohm": _OHM, "agonist_contact_per_mille": _SHARE, "antagonist_contact_ohm": _OHM,
    "antagonist_contact_per_mille": _SHARE, "agonist_net_pC": _NET, "antagonist_net_pC": _NET,
}  # fmt: skip
"""What may be anything in a decision log is brought into these ranges, so that no product overflows."""
PULSE_RANGES: Final = {
    "trial": (0, 2**53), "t_us": (0, 1_000_000_000_000_000), "channel": (0, 1), "current_uA": (0, 1_000_000),
    "width_us": (0, 10_000), "gap_us": (0, 1_000_000), "second_current_uA": (0, 1_000_000),
    "second_width_us": (0, 10_000), "decisions_before": (0, 2**53),
}  # fmt: skip
"""What a pulse log may hold: far beyond every limit, and small enough that sums stay exact."""

PIECE: Final = 4_096
"""Rows that are turned into records at a time: so a long log needs little more memory than its columns."""


class Pieces:
    """A log handed out piece by piece as `records`; `more` says whether another piece will come."""

    def __init__(self, log: PulseLog | DecisionLog | None) -> None:
        """`log`: None for no decision log. Raises ValueError when a column isn't int64 of the common length."""
        self._columns = {} if log is None else log._asdict()
        self._rows = 0 if log is None else len(log.t_us)
        for name, column in self._columns.items():
            if column is not None and (column.dtype != np.int64 or column.shape != (self._rows,)):
                raise ValueError(f"column {name} must be int64 of shape ({self._rows},), not {_told(column)}")
        self._next = 0
        self.records = np.empty(0, PULSE_RECORD if isinstance(log, PulseLog) else DECISION_RECORD)

    @property
    def more(self) -> bool:
        """Whether rows are left that `records` doesn't hold yet."""
        return self._next < self._rows

    def refilled(self, at: int) -> int:
        """The place to go on from: `at` in the same records, or 0 in the next ones once these are used up."""
        if at < len(self.records) or not self.more:
            return at
        part = slice(self._next, min(self._next + PIECE, self._rows))
        self.records = np.empty(part.stop - part.start, self.records.dtype)
        for name, column in self._columns.items():
            self.records[name] = UNKNOWN if column is None else column[part]
            if name in SENSED_RANGES and self.records.dtype == DECISION_RECORD:
                np.clip(self.records[name], *SENSED_RANGES[name], out=self.records[name])
        self._next = part.stop
        return 0


def _told(column: Column) -> str:
    return f"{column.dtype} of {column.shape}"
