"""What one finished trial hands over: its label, its two tables of columns and its list of events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

from numpy.typing import NDArray


class TrialLabel(NamedTuple):
    """Which trial of a run this is. `index`, `wearer` and `repeat` count from 0 and have no unit."""

    index: int  # type: ignore[assignment]  # hides tuple.index, which nobody calls on a label
    wearer: int
    wearer_name: str
    condition: str
    repeat: int


@dataclass(frozen=True)
class TrialResult:
    """Everything that a trial left behind.

    `duration_us`: length of the trial in us. `max_pinch_N`: the wearer's maximum in N.
    `trace`: every TRACE column of thenar.shared.columns but "trial", arrays of one shape (rows,).
    `pulses`: every PULSES column but "trial", arrays of one shape (pulses,), in order of time.
    `decisions`: every DECISIONS column but "trial", arrays of one shape (decisions,), in the order of calls.
    `events`: mappings with "t_us" (us), "kind" and plain values, in order of time.
    `known_N`: forces, N, that the recordings behind the fitted sensor and wearer support; None when nothing is stated.
    `steady_us`: how much of the end of each hold is measured as its steady part, us, at most its half.
    `reason_ticks`: requirement identifier ("R06") to the number of control ticks or pulses at which it acted.
    """

    label: TrialLabel
    duration_us: int
    max_pinch_N: float
    trace: dict[str, NDArray[Any]]
    pulses: dict[str, NDArray[Any]]
    decisions: dict[str, NDArray[Any]]
    events: tuple[dict[str, object], ...]
    reason_ticks: dict[str, int]
    known_N: tuple[float, float] | None = None
    steady_us: int = 3_000_000
