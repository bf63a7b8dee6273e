"""The measured force of one stimulated muscle at given times: a compiled loop over the muscle's own steps.

The hand rests: no own force, so that the fingertip shows the evoked force behind its contact lag, as `body.py` has it
for a body without drive. The muscle has rested for long before the first pulse. Sub-steps are half as long as a body
takes them: the force then changes so smoothly with the parameters that differences give its derivatives.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from thenar.plant_models.body import HandParams, contact_lag, followed, sub_steps
from thenar.plant_models.decay import decayed
from thenar.plant_models.muscle import (
    MuscleParams,
    MuscleState,
    advanced,
    is_quiet,
    longest_step_ms,
    recovered,
    rested,
    struck,
)
from thenar.shared.compiled import entry, fixed, flat_floats, step

N_MUSCLE: Final = len(MuscleParams._fields)
N_STATE: Final = len(MuscleState._fields)
FINER: Final = 0.5


@step
def pressed_after(
    params: MuscleParams, hand: HandParams, state: MuscleState, force_N: float, gap_ms: float
) -> tuple[MuscleState, float]:
    """Muscle and force at the fingertip (N) after `gap_ms` ms without a pulse."""
    if is_quiet(state):
        return recovered(params, state, gap_ms), force_N * contact_lag(hand, gap_ms).kept
    count, h_ms = sub_steps(gap_ms, FINER * longest_step_ms(params, state))
    half_decay = decayed(0.5 * h_ms * params.per_tau_c)
    lag = contact_lag(hand, h_ms)
    for _ in range(count):
        before_N = state.force_N
        state, middle_N = advanced(params, state, h_ms, half_decay)
        force_N = followed(lag, force_N, before_N, middle_N, state.force_N)
    return state, max(0.0, force_N)


@entry
def run_muscle(
    numbers: Any, start: Any, contact_ms: float, pulses_ms: Any, shares: Any, looks_ms: Any, seen_N: Any
) -> None:
    """Fill `seen_N` with the force in N at `looks_ms` (ms, never falling), both of shape (n,).

    `numbers`: MuscleParams, flat; `start`: MuscleState, flat; `pulses_ms`: when pulses reach the muscle, ms, rising,
    `shares`: what each fires, 0..1, both of shape (m,).
    """
    params = MuscleParams(*fixed(numbers, N_MUSCLE))
    state = MuscleState(*fixed(start, N_STATE))
    hand = HandParams(1.0, 0.0, 1.0, 1.0 / contact_ms)
    force_N = 0.0
    pulse, look = 0, 0
    now_ms = looks_ms[0]
    if pulses_ms.size > 0:
        now_ms = min(now_ms, pulses_ms[0])
    while look < looks_ms.size:
        strikes = pulse < pulses_ms.size and pulses_ms[pulse] <= looks_ms[look]
        next_ms = pulses_ms[pulse] if strikes else looks_ms[look]
        if next_ms > now_ms:
            state, force_N = pressed_after(params, hand, state, force_N, next_ms - now_ms)
            now_ms = next_ms
        if strikes:
            state = struck(params, state, shares[pulse])
            pulse += 1
        else:
            seen_N[look] = force_N
            look += 1


def muscle_force_N(
    params: MuscleParams,
    delay_ms: float,
    contact_ms: float,
    pulses_ms: NDArray[np.float64],
    shares: NDArray[np.float64],
    looks_ms: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Force at the fingertip in N at `looks_ms`, shape (n,). Times in ms; `pulses_ms`: as given, before the delay."""
    seen_N = np.empty(looks_ms.size)
    numbers, start = flat_floats(params), flat_floats(rested(params))
    # Looking earlier is the same as striking later, and leaves the pulses where they are.
    run_muscle(numbers, start, float(contact_ms), pulses_ms, shares, looks_ms - delay_ms, seen_N)
    return seen_N
