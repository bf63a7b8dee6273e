"""The body as one step: two stimulated muscles, voluntary force, hand and fingertip contact.

Voluntary and evoked shares of the agonist overlap (a_v + a_s (1 - a_v)); the antagonist subtracts
through a lever ratio; pinch can't be negative; the contact is a first-order lag. The step goes from
event to event in equal sub-steps (`longest_sub_step_ms`); a muscle at rest is not integrated.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

from thenar.plant_models.decay import decayed
from thenar.plant_models.muscle import (
    LONGEST_STEP_MS,
    MuscleParams,
    MuscleState,
    advanced,
    is_quiet,
    longest_step_ms,
    muscle_params,
    recovered,
    rested,
    struck,
)
from thenar.plant_models.settings import Wearer
from thenar.plant_models.voluntary import VoluntaryParams, VoluntaryState, shares_after
from thenar.shared.compiled import fixed, over, step, store
from thenar.shared.signals import AGONIST

LONGEST_ALONE_MS: Final = 10.0
NEAR_SHARE: Final = 0.05
"""Own force alone goes in long sub-steps once no more than this is left to go. Where the pinch then leaves zero within
a sub-step it bends, and the error grows with what is left to go and with the square of the sub-step."""
LONGEST_BENT_MS: Final = 2.0
"""Sub-step while own force, with its noise, leaves zero or falls to it."""


class HandParams(NamedTuple):
    """Maximum pinch in N, lever ratio without unit, one over the maximum (1/N) and over the contact's time (1/ms)."""

    max_pinch_N: float
    lever_ratio: float
    per_max_pinch: float
    per_contact: float


class BodyParams(NamedTuple):
    """All constants of one body."""

    agonist: MuscleParams
    antagonist: MuscleParams
    voluntary: VoluntaryParams
    hand: HandParams


class BodyState(NamedTuple):
    """All memory of one body; `force_N` is the true force at the fingertip, behind the contact lag."""

    agonist: MuscleState
    antagonist: MuscleState
    voluntary: VoluntaryState
    force_N: float


class Push(NamedTuple):
    """What acts on the body until the next event: drive and its noise (shares), handling in N."""

    drive: float
    noise: float
    handling_N: float


N_MUSCLE: Final = len(MuscleParams._fields)
N_MUSCLE_STATE: Final = len(MuscleState._fields)
N_VOLUNTARY: Final = len(VoluntaryParams._fields)
N_VOLUNTARY_STATE: Final = len(VoluntaryState._fields)
N_HAND: Final = len(HandParams._fields)
BODY_PARAMS_SIZE: Final = 2 * N_MUSCLE + N_VOLUNTARY + N_HAND
BODY_STATE_SIZE: Final = 2 * N_MUSCLE_STATE + N_VOLUNTARY_STATE + 1


def body_params(wearer: Wearer, played_back: bool = False) -> BodyParams:
    """Step parameters of a wearer's body."""
    return BodyParams(
        agonist=muscle_params(wearer.agonist.muscle),
        antagonist=muscle_params(wearer.antagonist.muscle),
        voluntary=VoluntaryParams(
            wearer.fatigue_per_s, wearer.recovery_per_s, wearer.rest_multiplier, 1.0 if played_back else 0.0
        ),
        hand=HandParams(wearer.max_pinch_N, wearer.lever_ratio, 1.0 / wearer.max_pinch_N, 1.0 / wearer.contact_ms),
    )


def rested_body(params: BodyParams) -> BodyState:
    """A body that has rested for long, fingertip unloaded."""
    return BodyState(rested(params.agonist), rested(params.antagonist), VoluntaryState(0.0, 1.0, 0.0), 0.0)


@step
def unpack_body_params(memory: Any) -> BodyParams:
    """BodyParams from flat float64 memory of BODY_PARAMS_SIZE."""
    return BodyParams(
        MuscleParams(*fixed(memory, N_MUSCLE)),
        MuscleParams(*fixed(memory, N_MUSCLE, N_MUSCLE)),
        VoluntaryParams(*fixed(memory, N_VOLUNTARY, 2 * N_MUSCLE)),
        HandParams(*fixed(memory, N_HAND, 2 * N_MUSCLE + N_VOLUNTARY)),
    )


@step
def unpack_body_state(memory: Any) -> BodyState:
    """BodyState from flat float64 memory of BODY_STATE_SIZE."""
    voluntary = 2 * N_MUSCLE_STATE
    return BodyState(
        MuscleState(*fixed(memory, N_MUSCLE_STATE)),
        MuscleState(*fixed(memory, N_MUSCLE_STATE, N_MUSCLE_STATE)),
        VoluntaryState(*fixed(memory, N_VOLUNTARY_STATE, voluntary)),
        float(memory[voluntary + N_VOLUNTARY_STATE]),
    )


@step
def store_body_state(memory: Any, state: BodyState) -> None:
    """Write a BodyState into flat float64 memory."""
    voluntary = 2 * N_MUSCLE_STATE
    store(memory, state.agonist)
    store(memory, state.antagonist, N_MUSCLE_STATE)
    store(memory, state.voluntary, voluntary)
    memory[voluntary + N_VOLUNTARY_STATE] = state.force_N


@step
def pressed_N(hand: HandParams, active: float, push: Push, agonist_N: float, antagonist_N: float) -> float:
    """Raw pinch force in N of an active voluntary share, evoked forces in N and what acts from outside."""
    own = min(1.0, max(0.0, active + push.noise))
    evoked = min(1.0, agonist_N * hand.per_max_pinch)
    together = own + evoked * (1.0 - own)
    return max(0.0, hand.max_pinch_N * together - hand.lever_ratio * antagonist_N + push.handling_N)


@step
def body_struck(params: BodyParams, state: BodyState, channel: int, share: float) -> BodyState:
    """The body just after a pulse on `channel` (0 agonist, 1 antagonist) that fires `share` of its muscle."""
    if channel == AGONIST:
        agonist = struck(params.agonist, state.agonist, share)
        return BodyState(agonist, state.antagonist, state.voluntary, state.force_N)
    antagonist = struck(params.antagonist, state.antagonist, share)
    return BodyState(state.agonist, antagonist, state.voluntary, state.force_N)


@step
def longest_sub_step_ms(
    params: BodyParams, state: BodyState, push: Push, agonist_quiet: bool, antagonist_quiet: bool
) -> float:
    """The longest sub-step in ms that keeps the error bar of the tests, from here on and under `push`."""
    longest_ms = LONGEST_STEP_MS
    if not agonist_quiet:
        longest_ms = min(longest_ms, longest_step_ms(params.agonist, state.agonist))
    if not antagonist_quiet:
        longest_ms = min(longest_ms, longest_step_ms(params.antagonist, state.antagonist))
    active = state.voluntary.active
    if agonist_quiet and antagonist_quiet and abs(push.drive - active) <= NEAR_SHARE:
        longest_ms = LONGEST_ALONE_MS
    if (active + push.noise > 0.0) != (push.drive + push.noise > 0.0):
        return min(longest_ms, LONGEST_BENT_MS)
    return longest_ms


class Lag(NamedTuple):
    """How the contact answers over a sub-step: shares of the force before, and of what presses (see `followed`)."""

    kept: float
    on_start: float
    on_linear: float
    on_square: float


@step
def contact_lag(hand: HandParams, h_ms: float) -> Lag:
    """The contact's answer over `h_ms` ms: exact for a force that is quadratic over the sub-step."""
    lags = h_ms * hand.per_contact
    per_lag = over(lags)
    kept = decayed(lags)
    on_start = 1.0 - kept
    on_linear = 1.0 - on_start * per_lag
    return Lag(kept, on_start, on_linear, 1.0 - 2.0 * on_linear * per_lag)


@step
def followed(lag: Lag, force_N: float, start: float, middle: float, end: float) -> float:
    """The force behind the contact after a sub-step in which these N press at its start, middle and end."""
    linear = 4.0 * middle - 3.0 * start - end
    square = 2.0 * (start - 2.0 * middle + end)
    return force_N * lag.kept + start * lag.on_start + linear * lag.on_linear + square * lag.on_square


@step
def sub_steps(gap_ms: float, longest_ms: float) -> tuple[int, float]:
    """How many equal sub-steps make `gap_ms`, and how long they are, ms."""
    if gap_ms <= longest_ms:
        return 1, gap_ms
    count = int(math.ceil(gap_ms / longest_ms))
    return count, gap_ms / count


@step
def starting_share(params: VoluntaryParams, state: VoluntaryState, push: Push) -> float:
    """The active share as the push begins to act: one that is played back steps with it."""
    return push.drive if params.played_back > 0.0 else state.active


@step
def alone_after(params: BodyParams, state: BodyState, push: Push, gap_ms: float) -> BodyState:
    """As `body_after`, with no muscle at work."""
    hand, voluntary, force_N = params.hand, state.voluntary, state.force_N
    count, h_ms = sub_steps(gap_ms, longest_sub_step_ms(params, state, push, True, True))
    lag = contact_lag(hand, h_ms)
    pressed = pressed_N(hand, starting_share(params.voluntary, voluntary, push), push, 0.0, 0.0)
    for _ in range(count):
        voluntary, active_mid = shares_after(params.voluntary, voluntary, push.drive, 1e-3 * h_ms)
        middle = pressed_N(hand, active_mid, push, 0.0, 0.0)
        end = pressed_N(hand, voluntary.active, push, 0.0, 0.0)
        force_N = followed(lag, force_N, pressed, middle, end)
        pressed = end
    return BodyState(
        recovered(params.agonist, state.agonist, gap_ms),
        recovered(params.antagonist, state.antagonist, gap_ms),
        voluntary,
        max(0.0, force_N),
    )


@step
def body_after(params: BodyParams, state: BodyState, push: Push, gap_us: int) -> BodyState:
    """The body `gap_us` us later, with no pulse in between and `push` held."""
    if gap_us <= 0:
        return state
    gap_ms = gap_us * 1e-3
    agonist, antagonist, voluntary = state.agonist, state.antagonist, state.voluntary
    agonist_quiet, antagonist_quiet = is_quiet(agonist), is_quiet(antagonist)
    if agonist_quiet and antagonist_quiet:
        return alone_after(params, state, push, gap_ms)
    count, h_ms = sub_steps(gap_ms, longest_sub_step_ms(params, state, push, agonist_quiet, antagonist_quiet))
    agonist_decay, antagonist_decay = 0.0, 0.0
    if agonist_quiet:
        agonist = recovered(params.agonist, agonist, gap_ms)
    else:
        agonist_decay = decayed(0.5 * h_ms * params.agonist.per_tau_c)
    if antagonist_quiet:
        antagonist = recovered(params.antagonist, antagonist, gap_ms)
    else:
        antagonist_decay = decayed(0.5 * h_ms * params.antagonist.per_tau_c)
    hand, force_N = params.hand, state.force_N
    lag = contact_lag(hand, h_ms)
    # The push may just have changed: the raw force jumps with it.
    active = starting_share(params.voluntary, voluntary, push)
    pressed = pressed_N(hand, active, push, agonist.force_N, antagonist.force_N)
    for _ in range(count):
        agonist_mid, antagonist_mid = 0.0, 0.0
        if not agonist_quiet:
            agonist, agonist_mid = advanced(params.agonist, agonist, h_ms, agonist_decay)
        if not antagonist_quiet:
            antagonist, antagonist_mid = advanced(params.antagonist, antagonist, h_ms, antagonist_decay)
        voluntary, active_mid = shares_after(params.voluntary, voluntary, push.drive, 1e-3 * h_ms)
        middle = pressed_N(hand, active_mid, push, agonist_mid, antagonist_mid)
        end = pressed_N(hand, voluntary.active, push, agonist.force_N, antagonist.force_N)
        force_N = followed(lag, force_N, pressed, middle, end)
        pressed = end
    return BodyState(agonist, antagonist, voluntary, max(0.0, force_N))
