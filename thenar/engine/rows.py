"""Instants that touch both body and interlock: a pulse through the gate, and a row of the trace."""

from __future__ import annotations

from typing import Any

from thenar.engine.desk import TRACE_FLOATS, TRACE_INTEGERS
from thenar.engine.instants import body_at, felt_and_recruited, forces_N
from thenar.plant_models.body import unpack_body_params
from thenar.safety.doors import gate_packed, trip_cause
from thenar.safety.interlock import unpack_admitted
from thenar.shared.compiled import entry

PULSE_COLUMNS = ("t_us", "channel", "current_uA", "width_us", "gap_us")


@entry
def pulse_instant(
    channel: int, t_us: int, live: Any, limits: Any, memory: Any, admitted: Any, out: Any, counts: Any,
    channel_params: Any, pulses: Any,
) -> float:
    """Ask the gate for a pulse on `channel`; log it, feel it. Returns the recruited share, 0 for none."""
    now = live[0]
    note_reasons(live, counts, gate_packed(limits, memory, admitted, channel, t_us, out))
    if out[0] <= 0:
        return 0.0
    row = now.pulses
    pulses[row, 0] = t_us
    pulses[row, 1] = channel
    pulses[row, 2] = out[0]
    pulses[row, 3] = out[1]
    pulses[row, 4] = out[2]
    now.pulses = row + 1
    return felt_and_recruited(now, channel_params, channel, t_us, out[0] / 1e3, float(out[1]))


@entry
def note_reasons(live: Any, counts: Any, mask: int) -> None:
    """Remember which requirements acted: in the running trace row and in `counts` (shape (40,), by number)."""
    live[0].reasons |= mask
    number = 1
    while mask > 0:
        counts[number] += mask & 1
        mask >>= 1
        number += 1


@entry
def trace_row(
    row: int, t_us: int, live: Any, body_params: Any, body_state: Any, memory: Any, admitted: Any,
    floats: Any, integers: Any,
) -> None:
    """Write row `row` of the trace: the state after everything that happened at `t_us`."""
    now = live[0]
    params = unpack_body_params(body_params)
    state = body_at(now, params, body_state, t_us)
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
