"""Armed, stopping, disarmed, latched: who may change which, and what a re-arming needs (R05, R22, R24, R33 to R35)."""

from __future__ import annotations

from typing import NamedTuple

from thenar.safety.inputs import Senses
from thenar.safety.limits import Limits
from thenar.safety.memory import ARMED, DISARMED, NEVER, STOPPING, Latch, tripped
from thenar.safety.reasons import R07, R27, R33, R34, R39, RULES
from thenar.shared.compiled import step


class Findings(NamedTuple):
    """Rules that call for something at this tick, as masks: zero for now, a ramp to zero, a latched trip."""

    withhold: int
    ramp: int
    trip: int


@step
def lowest_rule(mask: int) -> int:
    """Number of the lowest requirement in a mask, 0 when it is empty."""
    for number in range(1, RULES + 1):
        if (mask >> (number - 1)) & 1:
            return number
    return 0


@step
def next_latch(
    limits: Limits,
    latch: Latch,
    senses: Senses,
    findings: Findings,
    at_rest: bool,
    silent: bool,
    mark: int,
    t_us: int,
) -> tuple[Latch, int]:
    """The latch after this tick, and the rules that acted.

    `at_rest`: a usable demand asks for nothing on either channel. `silent`: nothing was admitted at the
    last tick. `mark`: of the limits handed in at this tick. A stop (R33) and an interlock that broke off
    (R39) latch in every state, the other trips only while armed or stopping.
    """
    now = Latch(
        latch.state, latch.trip, latch.trip_us, latch.armed_us, latch.session_us, latch.mark, min(latch.busy, 1)
    )
    found = findings.withhold | findings.ramp | findings.trip
    if senses.stop != 0:
        return tripped(now, 33, t_us), R33 | (found if now.state != DISARMED else 0)
    if now.trip != 0:
        if not _may_clear(limits, now, senses, findings, at_rest, t_us):
            return now, R34 | (found if senses.rearm_cause != 0 else 0)
        now = Latch(DISARMED, 0, NEVER, now.armed_us, now.session_us, now.mark, now.busy)
    if findings.trip & R39 or (findings.trip != 0 and now.state != DISARMED):
        return tripped(now, lowest_rule(findings.trip), t_us), found
    if now.state == DISARMED:
        return _try_to_arm(limits, now, senses, findings, mark, t_us)
    if senses.arm != 0:
        state = ARMED
    else:
        state = DISARMED if silent else STOPPING
    return Latch(state, 0, NEVER, now.armed_us, now.session_us, now.mark, now.busy), 0


@step
def _may_clear(limits: Limits, latch: Latch, senses: Senses, findings: Findings, at_rest: bool, t_us: int) -> bool:
    """R34: the operator names the cause, the law asks for nothing, and no cause of any kind is left.

    An ended session (R24) never clears. A trip that came from a sliding window (R13, R15) clears once
    a whole window has passed in silence.
    """
    if senses.rearm_cause != latch.trip or not at_rest or latch.trip == 24:
        return False
    if (findings.withhold | findings.ramp | findings.trip) != 0:
        return False
    waited = t_us - latch.trip_us >= limits.loop.short_window_us
    return waited or (latch.trip != 13 and latch.trip != 15)


@step
def _try_to_arm(
    limits: Limits, latch: Latch, senses: Senses, findings: Findings, mark: int, t_us: int
) -> tuple[Latch, int]:
    """Arm when asked to and nothing forbids it; else stay disarmed and say why."""
    if senses.arm == 0:
        return latch, 0
    refused = findings.trip
    if limits.agonist.ceiling_uA <= 0 and limits.antagonist.ceiling_uA <= 0:
        refused |= R07
    if limits.loop.screening_clear != 1:
        refused |= R27
    if refused != 0:
        return latch, refused
    session_us = t_us if latch.session_us == NEVER else latch.session_us
    return Latch(ARMED, 0, NEVER, t_us, session_us, mark, latch.busy), 0
