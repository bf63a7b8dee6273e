"""From a finished desk to the tables and events of a result."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from thenar.engine.desk import TRACE_FLOATS, TRACE_INTEGERS, Desk
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial
from thenar.safety.decision_log import FIELDS
from thenar.shared.columns import TRACE


def as_result(trial: Trial, desk: Desk, occurrences: list[dict[str, object]]) -> TrialResult:
    """The result of a trial that has run to its end."""
    columns: dict[str, NDArray[Any]] = {
        name: desk.trace_floats[:, place].copy() for place, name in enumerate(TRACE_FLOATS)
    }
    columns |= {name: desk.trace_integers[:, place].copy() for place, name in enumerate(TRACE_INTEGERS)}
    left = desk.pulses[: int(desk.live["pulses"][0])]
    decided = desk.decisions[: int(desk.live["decisions"][0])]
    return TrialResult(
        label=trial.label,
        duration_us=trial.duration_us,
        max_pinch_N=trial.wearer.max_pinch_N,
        trace={column.name: columns[column.name] for column in TRACE if column.name != "trial"},
        pulses={
            "t_us": left[:, 0].copy(),
            "channel": left[:, 1].copy(),
            "current_mA": left[:, 2] / 1e3,
            "width_us": left[:, 3].copy(),
            "gap_us": left[:, 4].copy(),
            "second_width_us": left[:, 5].copy(),
        },
        decisions={name: decided[:, place].copy() for place, name in enumerate(FIELDS)},
        events=tuple(occurrences),
        reason_ticks={f"R{number:02d}": int(ticks) for number, ticks in enumerate(desk.counts) if ticks},
        known_N=trial.known_N,
        steady_us=trial.steady_us,
    )
