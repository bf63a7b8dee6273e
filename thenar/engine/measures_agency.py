"""Agency measures: how much of the force is the wearer's own, and how the stimulation meets what the wearer wants.

They stand side by side and make no score: none of them is the sense of agency, which only a person can report. All are
taken on the rows of the trace, each weighted by the time until the next. Own force is `voluntary_N`, what the own drive
would make alone (without its noise); evoked forces are what the pulses of each channel would make or take away alone.

own_impulse_percent: time integral of the own force over that of own + agonist + antagonist force, all counted as sizes:
    the antagonist's work against the grip is stimulation, not less of it. NaN when there is no force at all. Limits:
    own and agonist force of one muscle overlap, so the three add up to somewhat more than the fingertip's force (by own
    times agonist over the maximum); what handling adds is nobody's.
against_own_percent: share of the time in which the net evoked force (agonist less antagonist, at least 0.05 N in size)
    points the other way than the own force has changed over the last 300 ms (by at least 0.2 N). Limits: the own
    force's change stands for the intended one, and is later than it by the motor delay and the muscle; slower changes
    (the drift of a force that isn't seen) are taken for no intention; a steady push counts like a growing one.
evoked_lead_ms: by how much the evoked force set out before the own one after a step of the target, the median over the
    holds of a level. Both set out once they have changed by 0.2 N towards the new level from what they were at the
    step, within 1 s. Positive: the stimulation was first. NaN when no hold has both; a hold that begins the trial isn't
    preceded by a step; a moving target has none. Limits: a channel that lets go counts as setting out downwards; both
    are read off the trace, so to the step of its clock.
over_window_percent: share of those holds in which the evoked force led by more than 100 ms, the far end of the
    published window of 80 to 100 ms. That window is from reaction tasks (a tap or a press after a light
    [@kasahara-2019]), not from a sustained pinch: it is an anchor, not a bound for this task.
refusals_per_min: how often the wearer would have had to refuse a wrong nudge: episodes in which the interlock admits
    the agonist while the true force lies above the band, or the antagonist while it lies below, per minute. Pauses of
    up to 200 ms (about one reaction) don't end an episode; it counts to the hold in which it began. Limits: every
    admitted current counts, felt or not; a wearer may have refused right nudges too.

The bounds in this text (0.05 N, 300 ms, 0.2 N, 1 s, 200 ms) are our own choice, no source.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

from thenar.engine.band import half_band_N
from thenar.shared.compiled import entry, step

CHANGE_OVER_US: Final = 300_000
CHANGE_LEAST_N: Final = 0.2
PUSH_LEAST_N: Final = 0.05
ONSET_N: Final = 0.2
ONSET_WITHIN_US: Final = 1_000_000
WINDOW_US: Final = (80_000, 100_000)
"""Ends of the published window of pre-emption that keeps agency (source at the head)."""
APART_US: Final = 200_000
NEVER_US: Final = -(2**62)

OWN, EVOKED, AGAINST = 0, 1, 2
SUMS: Final = 3
"""Columns of the sums: own and evoked impulse in N us, time pushed against in us."""
REFUSALS, LEADS, OVER = 0, 1, 2
COUNTS: Final = 3
"""Columns of the counts: episodes of a wrong nudge, holds with both onsets, those led by more than the window."""


class Forces(NamedTuple):
    """Columns of the trace, shape (rows,) each: true, own and evoked forces in N, admitted currents in mA."""

    force_N: Any
    own_N: Any
    agonist_N: Any
    antagonist_N: Any
    agonist_mA: Any
    antagonist_mA: Any


class Carried(NamedTuple):
    """What goes on from hold to hold: the row a window back, and until when a nudge was last wrong (us)."""

    back: int
    wrong_us: int


@step
def wrong_nudge(error_N: float, half_band_N: float, agonist_mA: float, antagonist_mA: float) -> bool:
    """Whether an admitted channel pushes away from the band. `error_N`: true force less target."""
    return (agonist_mA > 0.0 and error_N > half_band_N) or (antagonist_mA > 0.0 and error_N < -half_band_N)


@step
def pushes_against(own_change_N: float, evoked_N: float) -> bool:
    """Whether the net evoked force points the other way than the own force has moved over the window."""
    if abs(own_change_N) < CHANGE_LEAST_N or abs(evoked_N) < PUSH_LEAST_N:
        return False
    return (own_change_N > 0.0) != (evoked_N > 0.0)


@step
def lead_us(t_us: Any, target_N: Any, forces: Forces, start: int, stop: int) -> float:
    """By how much the evoked force set out before the own one after the step at row `start`, us; NaN without both."""
    sign = 1.0 if target_N[start] > target_N[start - 1] else -1.0
    own_N, evoked_N = forces.own_N[start], forces.agonist_N[start] - forces.antagonist_N[start]
    own_us, evoked_us = NEVER_US, NEVER_US
    for row in range(start, stop):
        if t_us[row] - t_us[start] > ONSET_WITHIN_US:
            break
        if own_us == NEVER_US and sign * (forces.own_N[row] - own_N) >= ONSET_N:
            own_us = t_us[row]
        if evoked_us == NEVER_US and sign * (forces.agonist_N[row] - forces.antagonist_N[row] - evoked_N) >= ONSET_N:
            evoked_us = t_us[row]
        if own_us != NEVER_US and evoked_us != NEVER_US:
            return float(own_us - evoked_us)
    return math.nan


@step
def agency_of_rows(
    t_us: Any, span_us: Any, target_N: Any, forces: Forces, hold: Any, carried: Carried, sums: Any, counts: Any
) -> Carried:
    """Add up over the rows of a hold what needs no hold. Gives what goes on into the next."""
    back, wrong_us = carried.back, carried.wrong_us
    own, evoked, against, refusals = 0.0, 0.0, 0.0, 0
    for row in range(hold[0], hold[1]):
        span = float(span_us[row])
        agonist_N, antagonist_N = forces.agonist_N[row], forces.antagonist_N[row]
        own += forces.own_N[row] * span
        evoked += (agonist_N + antagonist_N) * span
        while back < row and t_us[row] - t_us[back + 1] >= CHANGE_OVER_US:
            back += 1
        known = t_us[row] - t_us[back] >= CHANGE_OVER_US
        if known and pushes_against(forces.own_N[row] - forces.own_N[back], agonist_N - antagonist_N):
            against += span
        error_N = forces.force_N[row] - target_N[row]
        if wrong_nudge(error_N, half_band_N(target_N[row]), forces.agonist_mA[row], forces.antagonist_mA[row]):
            if t_us[row] - wrong_us > APART_US:
                refusals += 1
            wrong_us = t_us[row] + span_us[row]
    sums[OWN] += own
    sums[EVOKED] += evoked
    sums[AGAINST] += against
    counts[REFUSALS] += refusals
    return Carried(back, wrong_us)


@entry
def measure_agency(
    t_us: Any, span_us: Any, target_N: Any, forces: Any, holds: Any, still: bool, sums: Any, counts: Any, leads_us: Any
) -> None:
    """Add up the agency measures of a trial, level by level.

    As `thenar.engine.measures.measure`: trace columns of shape (rows,), `forces` a `Forces` of them, `holds` (n, 3),
    `still`. `sums` (levels, SUMS) and `counts` (levels, COUNTS) begin at zero; `leads_us` (n,) takes each hold's lead,
    NaN for none.
    """
    carried = Carried(0, NEVER_US)
    for place in range(len(holds)):
        hold = holds[place]
        level = hold[2]
        carried = agency_of_rows(t_us, span_us, target_N, forces, hold, carried, sums[level], counts[level])
        leads_us[place] = math.nan
        if still and place > 0:
            leads_us[place] = lead_us(t_us, target_N, forces, hold[0], hold[1])
            if not math.isnan(leads_us[place]):
                counts[level, LEADS] += 1
                counts[level, OVER] += 1 if leads_us[place] > WINDOW_US[1] else 0
