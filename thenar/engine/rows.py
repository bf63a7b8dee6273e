"""Instants around the interlock: what a law sees, a control tick, a fault, a pulse through the gate, a trace row."""

from __future__ import annotations

import math
from typing import Any, Final

from thenar.engine.desk import TRACE_FLOATS, TRACE_INTEGERS
from thenar.engine.happenings import LIFT, REARM, STALL, STOP, UNBALANCED, note_changes
from thenar.engine.instants import body_at, felt_and_recruited, forces_N
from thenar.plant_models.body import BodyParams, BodyState, unpack_body_params
from thenar.safety.decision_log import broken_off, log_halt, log_tick
from thenar.safety.doors import decide, halt_packed, is_armed, next_pulse, pass_gate, trip_cause
from thenar.safety.edge import estimate_mN
from thenar.safety.inputs import FAULT_NONE, LAW_FINE, Senses
from thenar.safety.interlock import unpack_admitted
from thenar.safety.limits import Limits, unpack_limits
from thenar.shared.compiled import entry, step, store
from thenar.shared.ticks import US_PER_S

CONTACT_UNKNOWN: Final = -1
"""A stimulator measures impedance, not how much of a pad touches (R29 then assumes a share)."""
OHM_UNKNOWN: Final = -1
OHM_KNOWN_FOR_US: Final = 1_000_000
"""Only pulses measure impedance: what the last one measured says nothing of the pad after this time (own choice)."""


@entry
def pulse_instant(
    channel: int,
    t_us: int,
    live: Any,
    limits: Any,
    memory: Any,
    admitted: Any,
    out: Any,
    counts: Any,
    channel_params: Any,
    pulses: Any,
) -> tuple[float, int]:
    """`pulse` for a caller in Python. `limits`: flat."""
    return pulse(channel, t_us, live[0], unpack_limits(limits), memory, admitted, out, counts, channel_params, pulses)


@step
def pulse(
    channel: int,
    t_us: int,
    now: Any,
    limits: Limits,
    memory: Any,
    admitted: Any,
    out: Any,
    counts: Any,
    channel_params: Any,
    pulses: Any,
) -> tuple[float, int]:
    """Ask the gate for a pulse on `channel`; log it, feel it.

    Returns the recruited share (0 for no pulse) and when the channel may fire next (us, -1 for nothing to do).
    """
    note_reasons(now, counts, pass_gate(limits, memory, admitted, channel, t_us, out))
    due_us = next_pulse(limits, memory, admitted, channel, t_us)
    if out[0] <= 0:
        return 0.0, due_us
    row = now.pulses
    pulses[row, 0] = t_us
    pulses[row, 1] = channel
    pulses[row, 2] = out[0]
    pulses[row, 3] = out[1]
    pulses[row, 4] = out[2]
    pulses[row, 5] = out[1] - unbalanced_us(now, channel, out[0], out[1])
    now.pulses = row + 1
    return felt_and_recruited(now, channel_params, channel, t_us, out[0] / 1e3, float(out[1])), due_us


@step
def unbalanced_us(live: Any, channel: int, current_uA: int, width_us: int) -> int:
    """How much of the second phase is missing, us; the stimulator's measure of it is noted for the next tick."""
    missing = live.agonist_missing if channel == 0 else live.antagonist_missing
    short_us = int(missing * width_us)
    cut = 1 if missing >= 1.0 else 0
    if channel == 0:
        live.agonist_net_pC += current_uA * short_us
        live.agonist_cut_short |= cut
    else:
        live.antagonist_net_pC += current_uA * short_us
        live.antagonist_cut_short |= cut
    return short_us


@step
def known_ohm(measured_ohm: float, age_us: int) -> int:
    """The impedance that a pulse measured `age_us` us ago, in ohm; OHM_UNKNOWN once that is too long ago."""
    return int(measured_ohm) if age_us <= OHM_KNOWN_FOR_US else OHM_UNKNOWN


@step
def sense(live: Any, senses: Any, t_us: int, law_fault: int) -> None:
    """Fill the interlock's senses from what a controller can know: the estimate, not the true force."""
    estimate, known = estimate_mN(live.estimate_N)
    age_us = t_us - live.sampled_us if live.estimates > 0 else -1
    # Positional, in the order of `Senses`: numba takes no call with this many keywords.
    sensed = Senses(
        estimate,
        known,
        age_us,
        live.estimates,
        law_fault,
        0,
        1 if t_us >= live.arm_us else 0,
        live.rearm_cause,
        known_ohm(live.agonist_ohm, t_us - live.agonist_felt_us),
        CONTACT_UNKNOWN,
        known_ohm(live.antagonist_ohm, t_us - live.antagonist_felt_us),
        CONTACT_UNKNOWN,
        live.agonist_net_pC,
        live.agonist_cut_short,
        live.antagonist_net_pC,
        live.antagonist_cut_short,
    )
    store(senses, sensed)
    live.rearm_cause = 0
    live.agonist_net_pC = live.antagonist_net_pC = 0
    live.agonist_cut_short = live.antagonist_cut_short = 0


@step
def note_demand(live: Any, asked: Any, answered: bool) -> None:
    """Leave the demand for the trace, as the interlock read it: NaN where it could not be read."""
    live.agonist_demand_mA = asked[1] / 1e3 if answered else math.nan
    live.agonist_demand_width_us = float(asked[2]) if answered else math.nan
    live.antagonist_demand_mA = asked[4] / 1e3 if answered else math.nan
    live.antagonist_demand_width_us = float(asked[5]) if answered else math.nan


@entry
def tick_instant(
    t_us: int,
    live: Any,
    limits: Any,
    memory: Any,
    admitted: Any,
    asked: Any,
    senses: Any,
    counts: Any,
    decisions: Any,
    happenings: Any,
    law_fault: int,
) -> tuple[int, int, int]:
    """`tick` for a caller in Python, which also wants to know how many happenings there are now. `limits`: flat."""
    now = live[0]
    agonist_us, antagonist_us = tick(
        t_us, now, unpack_limits(limits), memory, admitted, asked, senses, counts, decisions, happenings, law_fault
    )
    return agonist_us, antagonist_us, now.happenings


@step
def tick(
    t_us: int,
    now: Any,
    limits: Limits,
    memory: Any,
    admitted: Any,
    asked: Any,
    senses: Any,
    counts: Any,
    decisions: Any,
    happenings: Any,
    law_fault: int,
) -> tuple[int, int]:
    """A control tick behind the law: senses and demand to the interlock, its answer written to `admitted`.

    Returns when each channel may fire next (us, -1 for nothing to do).
    """
    sense(now, senses, t_us, law_fault)
    note_demand(now, asked, law_fault == LAW_FINE and asked[0] == FAULT_NONE)
    broken = broken_off(memory)
    reasons, mark = decide(limits, memory, admitted, asked, senses, t_us)
    log_tick(decisions[now.decisions], t_us, memory, admitted, asked, senses, reasons, mark, broken)
    now.decisions += 1
    note_reasons(now, counts, reasons)
    note_changes(now, happenings, t_us, trip_cause(memory), is_armed(memory), reasons)
    return next_pulse(limits, memory, admitted, 0, t_us), next_pulse(limits, memory, admitted, 1, t_us)


@step
def stop_now(now: Any, limits: Any, memory: Any, admitted: Any, decisions: Any, happenings: Any, t_us: int) -> None:
    """The emergency stop: silent from this instant on, whatever the next tick would do."""
    halt_packed(memory, admitted, t_us)
    log_halt(decisions[now.decisions], t_us, limits, memory)
    now.decisions += 1
    note_changes(now, happenings, t_us, trip_cause(memory), is_armed(memory), 0)


@entry
def fault_instant(
    place: int,
    t_us: int,
    live: Any,
    faults: Any,
    fault_shares: Any,
    limits: Any,
    memory: Any,
    admitted: Any,
    decisions: Any,
    happenings: Any,
) -> None:
    """A fault begins or ends: row `place` of `faults`."""
    now = live[0]
    kind, which, begins = faults[place, 1], faults[place, 2], faults[place, 3]
    if kind == LIFT and which == 0:
        now.agonist_contact = fault_shares[place]
    elif kind == LIFT:
        now.antagonist_contact = fault_shares[place]
    elif kind == UNBALANCED and which == 0:
        now.agonist_missing = fault_shares[place]
    elif kind == UNBALANCED:
        now.antagonist_missing = fault_shares[place]
    elif kind == STALL:
        now.stalled = begins
    elif kind == STOP:
        stop_now(now, limits, memory, admitted, decisions, happenings, t_us)
    elif kind == REARM:
        now.rearm_cause = which


@step
def look(now: Any, admitted: Any, t_us: int, seen: Any) -> None:
    """Fill `seen` (floats, shape (SEEN_SIZE,)) with what a law may see, in the order of `Observation`, flat."""
    seen[0] = t_us
    seen[1] = now.target_N
    seen[2] = now.estimate_N
    seen[3] = t_us - now.sampled_us if now.estimates > 0 else -1
    seen[4] = now.stated_sd_N
    for channel in range(2):
        current_uA, period_us = admitted[2 + 3 * channel], admitted[4 + 3 * channel]
        at = 5 + 3 * channel
        seen[at] = current_uA / 1e3
        seen[at + 1] = float(admitted[3 + 3 * channel]) if current_uA != 0 else 0.0
        seen[at + 2] = US_PER_S / period_us if current_uA != 0 else 0.0


@entry
def look_packed(live: Any, admitted: Any, t_us: int, seen: Any) -> None:
    """`look` for a caller in Python."""
    look(live[0], admitted, t_us, seen)


@step
def note_reasons(now: Any, counts: Any, mask: int) -> None:
    """Remember which requirements acted: in the running trace row and in `counts` (shape (40,), by number)."""
    now.reasons |= mask
    while mask > 0:
        lowest = mask & -mask
        counts[math.frexp(lowest)[1]] += 1  # a power of two: the exponent tells which, from 1 on
        mask ^= lowest


@entry
def trace_row(
    row: int,
    t_us: int,
    live: Any,
    body_params: Any,
    body_state: Any,
    memory: Any,
    admitted: Any,
    floats: Any,
    integers: Any,
) -> None:
    """Write row `row` of the trace: the state after everything that happened at `t_us`."""
    params = unpack_body_params(body_params)
    state = body_at(live[0], params, body_state, t_us)
    write_row(row, t_us, live[0], params, state, memory, admitted, floats, integers)


@step
def write_row(
    row: int,
    t_us: int,
    now: Any,
    params: BodyParams,
    state: BodyState,
    memory: Any,
    admitted: Any,
    floats: Any,
    integers: Any,
) -> None:
    """Row `row` of the trace from a body that stands at `t_us`."""
    own_N, agonist_N, antagonist_N = forces_N(params, state)
    known = now.estimates > 0
    command = unpack_admitted(admitted)
    valid = command.admitted_us <= t_us < command.expires_us
    floats[row, 0] = now.target_N
    floats[row, 1] = state.force_N
    floats[row, 2] = now.estimate_N
    floats[row, 3] = own_N
    floats[row, 4] = agonist_N
    floats[row, 5] = antagonist_N
    floats[row, 6] = now.agonist_demand_mA
    floats[row, 7] = now.agonist_demand_width_us
    floats[row, 8] = now.antagonist_demand_mA
    floats[row, 9] = now.antagonist_demand_width_us
    floats[row, 10] = command.agonist_current_uA / 1e3 if valid else 0.0
    floats[row, 11] = float(command.agonist_width_us) if valid else 0.0
    floats[row, 12] = command.antagonist_current_uA / 1e3 if valid else 0.0
    floats[row, 13] = float(command.antagonist_width_us) if valid else 0.0
    floats[row, 14] = state.agonist.A / params.agonist.A_rest
    floats[row, 15] = state.antagonist.A / params.antagonist.A_rest
    integers[row, 0] = t_us
    integers[row, 1] = t_us - now.sampled_us if known else -1
    integers[row, 2] = now.reasons
    integers[row, 3] = trip_cause(memory)
    now.reasons = 0


_FLOATS_WRITTEN = (
    "target_N", "force_N", "estimate_N", "voluntary_N", "agonist_evoked_N", "antagonist_evoked_N",
    "agonist_demand_mA", "agonist_demand_width_us", "antagonist_demand_mA", "antagonist_demand_width_us",
    "agonist_admitted_mA", "agonist_admitted_width_us", "antagonist_admitted_mA", "antagonist_admitted_width_us",
    "agonist_fresh", "antagonist_fresh",
)  # fmt: skip
_INTEGERS_WRITTEN = ("t_us", "estimate_age_us", "reasons", "trip")
if (_FLOATS_WRITTEN, _INTEGERS_WRITTEN) != (TRACE_FLOATS, TRACE_INTEGERS):
    raise ImportError("trace_row writes other columns than shared.columns.TRACE lists")
