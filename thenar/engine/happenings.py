"""What happens to a trial, as rows of integers that compiled code writes, and the same in words."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.engine.trial import Trial
from thenar.safety.reasons import R05
from thenar.safety.requirements import rearming_needs, reason_ids
from thenar.scenarios.faults import ControllerStall, ElectrodeLift, EmergencyStop, ReArm, UnbalancedPulses, length_s
from thenar.shared.compiled import step
from thenar.shared.signals import CHANNELS
from thenar.shared.ticks import us_from_s

TARGET: Final = 0
FAULT: Final = 1
TRIP: Final = 2
CLEARED: Final = 3
ARMED: Final = 4
REFUSED: Final = 5
"""Kinds of a row of happenings: (t_us, kind, value). The value is a place in the trial's targets or fault rows, a
requirement's number, or a reasons mask."""

LIFT: Final = 1
UNBALANCED: Final = 2
STALL: Final = 3
STOP: Final = 4
REARM: Final = 5
SENSOR: Final = 0
"""Kinds of a fault. Those of the sensor are laid into its readings before the trial: they are only told of."""

NOTED_TARGETS: Final = 2_000
"""A target that changes more often than this (a ramp, a sine) is in the trace alone, not among the events."""
_CHANGES_AT_ONCE: Final = 2
"""A trip that clears and an arming may be noted at one tick."""


class FaultRow(NamedTuple):
    """A fault's beginning or end: when, which kind, which channel (or cause, by number), and 1 when it begins."""

    t_us: int
    kind: int
    which: int
    begins: int


@step
def note(now: Any, happenings: Any, t_us: int, kind: int, value: int) -> None:
    """Add a row."""
    row = now.happenings
    happenings[row, 0] = t_us
    happenings[row, 1] = kind
    happenings[row, 2] = value
    now.happenings = row + 1


@step
def note_changes(now: Any, happenings: Any, t_us: int, trip: int, armed: bool, reasons: int) -> None:
    """Note what has changed since the last look: a trip, its clearing, an arming, a refusal to arm and why."""
    if trip != now.trip:
        if trip != 0:
            note(now, happenings, t_us, TRIP, trip)
        else:
            note(now, happenings, t_us, CLEARED, now.trip)
    if armed and now.armed == 0:
        note(now, happenings, t_us, ARMED, 0)
    now.trip = trip
    now.armed = 1 if armed else 0
    # R05 withholds because nothing is armed: it is no reason why.
    refused = 0 if armed or trip != 0 or t_us < now.arm_us else reasons & ~R05
    if refused not in (0, now.refused):
        note(now, happenings, t_us, REFUSED, refused)
    now.refused = refused


def most_happenings(trial: Trial, decisions: int) -> int:
    """Rows that no trial with so many decisions can exceed."""
    return min(trial.target_us.size, NOTED_TARGETS) + 2 * len(trial.faults) + _CHANGES_AT_ONCE * decisions


def fault_times(trial: Trial) -> list[tuple[int, Any, bool]]:
    """Beginnings and ends of faults in order of time: (t_us, fault, begins). Ends come first at one instant."""
    times = []
    for fault in trial.faults:
        start_us, long_us = us_from_s(fault.at_s), us_from_s(length_s(fault))
        times.append((start_us, fault, True))
        if long_us and start_us + long_us <= trial.duration_us:
            times.append((start_us + long_us, fault, False))
    return sorted(times, key=lambda entry: (entry[0], entry[2]))


def fault_rows(trial: Trial) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """`fault_times` as integers, shape (n, 4), and the share that each sets, shape (n,)."""
    return rows_of(fault_times(trial))


def rows_of(times: list[tuple[int, Any, bool]]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Beginnings and ends of faults, as (t_us, fault, begins), as rows: shapes (n, 4) and (n,)."""
    rows = np.zeros((len(times), len(FaultRow._fields)), dtype=np.int64)
    shares = np.zeros(len(rows))
    for place, (t_us, fault, begins) in enumerate(times):
        kind, which = SENSOR, 0
        if isinstance(fault, ElectrodeLift):
            kind, which = LIFT, CHANNELS.index(fault.channel)
            shares[place] = fault.contact_share if begins else 1.0
        elif isinstance(fault, UnbalancedPulses):
            kind, which = UNBALANCED, CHANNELS.index(fault.channel)
            shares[place] = fault.missing_share if begins else 0.0
        elif isinstance(fault, ControllerStall):
            kind = STALL
        elif isinstance(fault, EmergencyStop):
            kind = STOP
        elif isinstance(fault, ReArm):
            kind, which = REARM, int(fault.cause[1:])
        rows[place] = FaultRow(t_us, kind, which, int(begins))
    return rows, shares


def told(trial: Trial, row: list[int]) -> dict[str, object]:
    """A row of happenings as an event of a result."""
    t_us, kind, value = row
    if kind == TARGET:
        return {"t_us": t_us, "kind": "target", "target_N": float(trial.target_N[value])}
    if kind == FAULT:
        _, fault, begins = fault_times(trial)[value]
        return fault_told(t_us, fault, begins)
    if kind == TRIP:
        return {"t_us": t_us, "kind": "trip", "cause": f"R{value:02d}", "needs": rearming_needs(value)}
    if kind == CLEARED:
        return {"t_us": t_us, "kind": "cleared", "cause": f"R{value:02d}"}
    if kind == ARMED:
        return {"t_us": t_us, "kind": "armed"}
    return {"t_us": t_us, "kind": "arming-refused", "reasons": list(reason_ids(value))}


def fault_told(t_us: int, fault: Any, begins: bool) -> dict[str, object]:
    """The beginning or the end of a fault as an event of a result."""
    what = {key: found for key, found in fault.model_dump().items() if key not in ("at_s", "conditions")}
    return {"t_us": t_us, "kind": "fault" if begins else "fault-ends", "fault": what.pop("kind"), **what}
