"""Is this tick itself in order: the clock (R03, R04), the demand (R01, R02) and the law behind it (R32)."""

from __future__ import annotations

from typing import Final

from thenar.safety.arming import Findings
from thenar.safety.inputs import (
    FAULT_NONE,
    FAULT_SHAPE,
    LAW_FINE,
    LAW_LATE,
    TIME_RANGE_US,
    Asked,
    Senses,
    in_type_range,
)
from thenar.safety.limits import LoopLimits
from thenar.safety.memory import DISARMED, NEVER, LoopMemory
from thenar.safety.reasons import R01, R02, R03, R04, R32
from thenar.shared.compiled import step

_MANY_FAULTS: Final = 1_000_000


@step
def judge_clock(limits: LoopLimits, past: LoopMemory, pulse_us: int, t_us: int) -> Findings:
    """R04 and R03: time must go on by about one control period, and never lie before the last pulse.

    `pulse_us`: when either channel last fired. The first tick has no history to judge.
    """
    if t_us < 0 or t_us > TIME_RANGE_US or t_us < pulse_us:
        return Findings(R04, 0, R04)
    if past.tick_us == NEVER:
        return Findings(0, 0, 0)
    elapsed = t_us - past.tick_us
    if elapsed < 0:
        return Findings(R04, 0, R04)
    withhold = 0
    if elapsed < limits.tick_min_us or elapsed > limits.tick_max_us:
        withhold = R04
    return Findings(withhold, 0, R03 if elapsed > limits.command_trip_us else 0)


@step
def usable(demand: Asked, senses: Senses) -> bool:
    """Whether the law has answered with a demand that can be read."""
    return (
        senses.law_fault == LAW_FINE
        and demand.fault == FAULT_NONE
        and in_type_range(demand.agonist)
        and in_type_range(demand.antagonist)
    )


@step
def judge_demand(
    limits: LoopLimits, past: LoopMemory, demand: Asked, senses: Senses, state: int, t_us: int
) -> tuple[int, int, Findings]:
    """R01, R02 and R32. Returns (last usable answer in us, unusable demands in a row, findings).

    A law that raised counts as a missing demand. A late law is first held to what was last admitted,
    then ramped down, then tripped; its silence is counted from its last usable answer, or from now
    while disarmed.
    """
    if usable(demand, senses):
        return t_us, 0, Findings(0, 0, 0)
    heard = t_us if state == DISARMED or past.heard_us == NEVER else past.heard_us
    silence = t_us - heard
    trip = R32 if silence >= limits.heartbeat_trip_us else 0
    if senses.law_fault == LAW_LATE:
        return heard, past.faults, Findings(0, R32 if silence >= limits.heartbeat_ramp_us else 0, trip)
    faults = min(past.faults + 1, _MANY_FAULTS)
    if faults >= limits.faults_in_a_row:
        trip |= R01
    if senses.law_fault == LAW_FINE and demand.fault == FAULT_SHAPE:
        return heard, faults, Findings(R02, 0, trip | R02)
    return heard, faults, Findings(R01, 0, trip)
