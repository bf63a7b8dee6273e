"""A wearer's recorded force against the models' own steps: what is intended, what is pressed, how noise travels.

Nothing here is an equation of a wearer or a body: `effort`, `noise_sd_share` and `alone_after` are called. What a
number of noise does is what the step answers to one more of it (the steps are linear in them), so the force of a
recording is a linear chain with known loadings, and its likelihood is that of a Kalman filter ([@harvey-1989],
chapter 3; from memory).

The own force that a wearer saw is in the recording. So its correction is known, with or without feedback.
"""

from __future__ import annotations

import math
from typing import Any, Final

from thenar.plant_models.body import BodyState, Push, alone_after, body_after, unpack_body_params, unpack_body_state
from thenar.plant_models.voluntary import VoluntaryState
from thenar.plant_models.wearer import Sensed, WearerParams, WearerState, effort, noise_sd_share
from thenar.shared.compiled import entry, fixed, step, store

N_WEARER: Final = len(WearerParams._fields)
N_STATE: Final = len(WearerState._fields)
DRIVE: Final = 0
PER_Z: Final = 1
PER_WANDER: Final = 2
NOISE_SD: Final = 3
"""Columns of `intended`: drive at the expected scatter, its change per unit of scatter and of wander, SD of noise."""
STATES: Final = 6
SCATTER: Final = 0
WANDER: Final = 1
SLOW: Final = 2
FAST: Final = 3
ACTIVE: Final = 4
FORCE: Final = 5
ERROR: Final = 0
LOG_VARIANCE: Final = 1
EXPECTED: Final = 2
FATIGUED: Final = 3
TOLD_COLUMNS: Final = 4
"""Columns of `told`: standardised error of prediction, log of its variance (N^2), force expected before (N), and the
share of motor units that the voluntary model has fatigued by then."""


@step
def seen_at(values: Any, place: float, before: float) -> float:
    """`values` at a place between its ticks, `before` ahead of the first."""
    low = int(math.floor(place))
    if low < 0:
        return before
    if low + 1 >= values.size:
        return float(values[values.size - 1])
    share = place - low
    return float(values[low] * (1.0 - share) + values[low + 1] * share)


@entry
def intend(
    unseen: Any, shown: Any, target_N: Any, force_N: Any, is_shown: Any, expected_z: Any, delay_ticks: float,
    start: Any, intended: Any,
) -> None:  # fmt: skip
    """What the wearer intends at each tick, by the model's own step, from the recorded target and own force.

    `unseen`, `shown`: WearerParams, flat, in N_WEARER numbers; `target_N`, `force_N` (N), `is_shown` (0 or 1) and
    `expected_z` (scatter of the production that
    is on there): shape (ticks,); `delay_ticks`: from sight to command;
    `start`: NAIVE, flat; `intended`: shape (ticks, 4), written.
    """
    hidden, visible = WearerParams(*fixed(unseen, N_WEARER)), WearerParams(*fixed(shown, N_WEARER))
    state = WearerState(*fixed(start, N_STATE))
    more = state
    whole = int(math.floor(delay_ticks + 0.5))
    for tick in range(target_N.size):
        seen = tick - whole
        target = target_N[seen] if seen >= 0 else -1.0
        own = seen_at(force_N, tick - delay_ticks, 0.0)
        z = expected_z[seen] if seen >= 0 else 0.0
        params = hidden
        if is_shown[tick] > 0.0:
            params = visible
        sensed = Sensed(target, own, 0.0, 0.0, 0.0, z, 0.0, 0.0, 0.0)
        # At the tick of a new target the step forgets the wander, so for that one tick it counts for nothing.
        wandering = WearerState(
            state.target_N, state.factor, state.correction_N, state.drift_N, 1.0 / params.keep_wander, 0.0, 0.0
        )
        wandered, _ = effort(params, wandering, sensed)
        main, state = effort(params, state, sensed)
        raised, more = effort(params, more, Sensed(target, own, 0.0, 0.0, 0.0, z + 1.0, 0.0, 0.0, 0.0))
        intended[tick, DRIVE] = main.drive
        intended[tick, PER_Z] = raised.drive - main.drive
        intended[tick, PER_WANDER] = wandered.drive - main.drive
        intended[tick, NOISE_SD] = noise_sd_share(params, main.drive)


@entry
def produce(unseen: Any, start: Any, target_N: Any, z: float, produced_N: Any) -> None:
    """What is made at first of each target with a scatter of `z`, N; all arrays flat, the last two (productions,)."""
    params, naive = WearerParams(*fixed(unseen, N_WEARER)), WearerState(*fixed(start, N_STATE))
    for place in range(target_N.size):
        made, _ = effort(params, naive, Sensed(target_N[place], 0.0, 0.0, 0.0, 0.0, z, 0.0, 0.0, 0.0))
        produced_N[place] = made.drive * params.max_pinch_N


@step
def pushed(memory: Any, body_params: Any, active: float, force_N: float, push: Push, tick_ms: float) -> Any:
    """A body at rest but for `active` and `force_N`, one tick after `push`; `memory`: a rested body, flat."""
    rest = unpack_body_state(memory)
    state = BodyState(rest.agonist, rest.antagonist, VoluntaryState(active, 1.0 - active, 0.0), force_N)
    return alone_after(unpack_body_params(body_params), state, push, tick_ms)


@entry
def linearise(body_params: Any, memory: Any, tick_ms: float, answers: Any) -> None:
    """What a tick of the body makes of a little more of each of four, written to `answers`, shape (2, 4).

    Rows: active share, force in N; columns: active share, force in N, drive, noise. `memory`: a rested body, flat.
    """
    little, level = 0.01, 0.3
    max_pinch_N = unpack_body_params(body_params).hand.max_pinch_N
    force_N = level * max_pinch_N
    base = pushed(memory, body_params, level, force_N, Push(level, 0.0, 0.0), tick_ms)
    more_active = pushed(memory, body_params, level + little, force_N, Push(level, 0.0, 0.0), tick_ms)
    more_force = pushed(memory, body_params, level, force_N + little, Push(level, 0.0, 0.0), tick_ms)
    more_drive = pushed(memory, body_params, level, force_N, Push(level + little, 0.0, 0.0), tick_ms)
    more_noise = pushed(memory, body_params, level, force_N, Push(level, little, 0.0), tick_ms)
    answers[0, 0] = (more_active.voluntary.active - base.voluntary.active) / little
    answers[0, 1] = (more_force.voluntary.active - base.voluntary.active) / little
    answers[0, 2] = (more_drive.voluntary.active - base.voluntary.active) / little
    answers[0, 3] = (more_noise.voluntary.active - base.voluntary.active) / little
    answers[1, 0] = (more_active.force_N - base.force_N) / little
    answers[1, 1] = (more_force.force_N - base.force_N) / little
    answers[1, 2] = (more_drive.force_N - base.force_N) / little
    answers[1, 3] = (more_noise.force_N - base.force_N) / little


@entry
def expect(body_params: Any, memory: Any, intended: Any, motor_ticks: int, tick_ms: float, told: Any) -> None:
    """The force (N) and the fatigued share of the intended drive alone, into `told`; `memory` as in `linearise`."""
    params, body = unpack_body_params(body_params), unpack_body_state(memory)
    for tick in range(intended.shape[0]):
        told[tick, EXPECTED] = body.force_N
        told[tick, FATIGUED] = body.voluntary.fatigued
        drive = intended[tick - motor_ticks, DRIVE] if tick >= motor_ticks else 0.0
        body = alone_after(params, body, Push(drive, 0.0, 0.0), tick_ms)


@step
def forget(covariance: Any, state: Any, which: int, mean: float, variance: float) -> None:
    """State `which` begins anew, independent of all others."""
    for other in range(STATES):
        covariance[which, other] = 0.0
        covariance[other, which] = 0.0
    covariance[which, which] = variance
    state[which] = mean


@step
def faded(covariance: Any, state: Any, which: int, keep: float, kick: float) -> None:
    """First-order noise `which` a tick later."""
    for other in range(STATES):
        covariance[which, other] *= keep
        covariance[other, which] *= keep
    covariance[which, which] += kick * kick
    state[which] *= keep


@step
def moved(covariance: Any, state: Any, ways: Any) -> None:
    """Active share and force a tick later; `ways` (2, STATES): how much of each state either takes up."""
    active, force = 0.0, 0.0
    for one in range(STATES):
        active += ways[0, one] * state[one]
        force += ways[1, one] * state[one]
        ways[2, one] = 0.0
        ways[3, one] = 0.0
        for other in range(STATES):
            ways[2, one] += ways[0, other] * covariance[other, one]
            ways[3, one] += ways[1, other] * covariance[other, one]
    aa, af, ff = 0.0, 0.0, 0.0
    for one in range(STATES):
        aa += ways[0, one] * ways[2, one]
        af += ways[1, one] * ways[2, one]
        ff += ways[1, one] * ways[3, one]
    for one in range(ACTIVE):
        covariance[ACTIVE, one] = ways[2, one]
        covariance[one, ACTIVE] = ways[2, one]
        covariance[FORCE, one] = ways[3, one]
        covariance[one, FORCE] = ways[3, one]
    covariance[ACTIVE, ACTIVE] = aa
    covariance[ACTIVE, FORCE] = af
    covariance[FORCE, ACTIVE] = af
    covariance[FORCE, FORCE] = ff
    state[ACTIVE], state[FORCE] = active, force


@step
def corrected(covariance: Any, state: Any, error_N: float, sensor_var: float) -> float:
    """Take up an error of prediction in N. Returns the variance it was expected to have, N^2."""
    variance = covariance[FORCE, FORCE] + sensor_var
    per = 1.0 / variance
    for one in range(STATES):
        state[one] += covariance[one, FORCE] * per * error_N
    for one in range(STATES):
        for other in range(one, STATES):
            if one != FORCE and other != FORCE:
                less = covariance[one, FORCE] * covariance[other, FORCE] * per
                covariance[one, other] -= less
                covariance[other, one] = covariance[one, other]
    left = sensor_var * per
    for one in range(STATES):
        covariance[one, FORCE] *= left
        if one != FORCE:
            covariance[FORCE, one] = covariance[one, FORCE]
    return float(variance)


@entry
def filter_force(
    wearer: Any, answers: Any, intended: Any, force_N: Any, used: Any, begins: Any, unseen_again: Any, expected_z: Any,
    variance_z: Any, waits: Any, sensor_var: float, covariance: Any, state: Any, ways: Any, told: Any, found_z: Any,
) -> None:  # fmt: skip
    """Errors of prediction of the recorded force, one tick ahead, and their variances.

    `wearer`: WearerParams, flat; `answers` from `linearise`; `intended` from `intend`; `force_N` (N) is compared where
    `used` is 1; `begins`: number of the production that begins at a tick's target, -1 for none; `unseen_again`: 1
    where the own force is hidden from here on; `expected_z`, `variance_z`: of each production; `waits`: ticks from
    target to drive, and of the motor delay; `covariance` (6, 6), `state` (6,), `ways` (4, 6): to work in, zeros;
    `told` (ticks, TOLD_COLUMNS): written; `found_z`: scatter of each production, written.
    """
    params = WearerParams(*fixed(wearer, N_WEARER))
    covariance[SLOW, SLOW], covariance[FAST, FAST] = 1.0, 1.0
    current = -1
    for tick in range(force_N.size):
        told[tick, ERROR] = 0.0
        told[tick, LOG_VARIANCE] = 0.0
        if used[tick] > 0.0:
            error_N = force_N[tick] - told[tick, EXPECTED] - state[FORCE]
            variance = corrected(covariance, state, error_N, sensor_var)
            told[tick, ERROR] = error_N / math.sqrt(variance)
            told[tick, LOG_VARIANCE] = math.log(variance)
        target_tick, drive_tick = tick - waits[0], tick - waits[1]
        if target_tick >= 0 and begins[target_tick] >= 0:
            if current >= 0:
                found_z[current] = state[SCATTER] + expected_z[current]
            current = begins[target_tick]
            forget(covariance, state, SCATTER, -expected_z[current], variance_z[current])
            forget(covariance, state, WANDER, 0.0, 0.0)
        if drive_tick >= 0 and unseen_again[drive_tick] > 0.0:
            forget(covariance, state, WANDER, 0.0, 0.0)
        faded(covariance, state, WANDER, params.keep_wander, params.kick_wander)
        faded(covariance, state, SLOW, params.keep_slow, params.kick_slow)
        faded(covariance, state, FAST, params.keep_fast, params.kick_fast)
        sd = intended[tick, NOISE_SD]
        for row in range(2):
            drive = answers[row, 2]
            ways[row, SCATTER] = drive * (intended[drive_tick, PER_Z] if drive_tick >= 0 else 0.0)
            ways[row, WANDER] = drive * (intended[drive_tick, PER_WANDER] if drive_tick >= 0 else 0.0)
            ways[row, SLOW] = answers[row, 3] * sd * params.slow_weight
            ways[row, FAST] = answers[row, 3] * sd * params.fast_weight
            ways[row, ACTIVE] = answers[row, 0]
            ways[row, FORCE] = answers[row, 1]
        moved(covariance, state, ways)
    if current >= 0:
        found_z[current] = state[SCATTER] + expected_z[current]


@entry
def press(
    unseen: Any, shown: Any, body_params: Any, target_N: Any, is_shown: Any, random: Any, waits: Any, tick_us: int,
    wearer_state: Any, body_state: Any, drive: Any, force_N: Any,
) -> None:  # fmt: skip
    """The same wearer at the same targets with other noise: the force at each tick, N, written to `force_N`.

    As `intend`; `random`: standard normal numbers, shape (ticks, 4), in the order of `Sensed`; `waits`: ticks of sight
    and of the motor delay; `wearer_state` (NAIVE) and `body_state` (rested): flat; `drive`: to work in.
    """
    hidden, visible = WearerParams(*fixed(unseen, N_WEARER)), WearerParams(*fixed(shown, N_WEARER))
    params, body = unpack_body_params(body_params), unpack_body_state(body_state)
    for tick in range(target_N.size):
        force_N[tick] = body.force_N
        seen, driven = tick - waits[0], tick - waits[1]
        sensed = Sensed(
            target_N[seen] if seen >= 0 else -1.0, force_N[seen] if seen >= 0 else 0.0, 0.0, 0.0, 0.0,
            random[tick, 0], random[tick, 1], random[tick, 2], random[tick, 3],
        )  # fmt: skip
        now = hidden
        if is_shown[tick] > 0.0:
            now = visible
        intent, memory = effort(now, WearerState(*fixed(wearer_state, N_STATE)), sensed)
        store(wearer_state, memory)
        drive[tick] = intent.drive
        acting = drive[driven] if driven >= 0 else 0.0
        body = body_after(params, body, Push(acting, intent.noise, 0.0), tick_us)
