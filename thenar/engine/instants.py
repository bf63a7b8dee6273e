"""What happens at each kind of event, compiled once for every engine.

Each function reads and writes the arrays of a desk in place and advances the body to its own instant
first. `safety.doors` is called from here and from the control tick, never around it.
"""

from __future__ import annotations

import math
from typing import Any, Final

from thenar.plant_models.body import (
    BodyParams,
    BodyState,
    Push,
    body_after,
    body_struck,
    pressed_N,
    store_body_state,
    unpack_body_params,
    unpack_body_state,
)
from thenar.plant_models.electrode import READ_WIDTH_US, ElectrodeParams, delivered_mA, load_ohm
from thenar.plant_models.estimator import (
    STUCK,
    EstimatorParams,
    reading_N,
    stated_sd_N,
)
from thenar.plant_models.recruitment import RecruitmentParams, felt_share, recruited_share
from thenar.plant_models.wearer import Sensed, WearerParams, WearerState, effort
from thenar.shared.compiled import entry, fixed, step, store
from thenar.shared.signals import AGONIST

N_RECRUITMENT: Final = len(RecruitmentParams._fields)
N_ELECTRODE: Final = len(ElectrodeParams._fields)
N_WEARER: Final = len(WearerParams._fields)
N_WEARER_STATE: Final = len(WearerState._fields)
N_ESTIMATOR: Final = len(EstimatorParams._fields)
NO_TARGET_N: Final = -1.0
HIGHEST_OHM: Final = 1e9


@step
def body_to(now: Any, params: BodyParams, state: BodyState, t_us: int) -> BodyState:
    """The body at `t_us`, integrated from where it stands."""
    gap_us = t_us - now.body_us
    if gap_us > 0:
        state = body_after(params, state, Push(now.drive, now.noise, now.handling_N), gap_us)
        now.body_us = t_us
    return state


@step
def body_at(now: Any, params: BodyParams, body_state: Any, t_us: int) -> BodyState:
    """As `body_to`, from and to its flat memory."""
    state = body_to(now, params, unpack_body_state(body_state), t_us)
    store_body_state(body_state, state)
    return state


@entry
def advance(live: Any, body_params: Any, body_state: Any, t_us: int) -> float:
    """Bring the body to `t_us` us. Returns the true force in N."""
    state = body_at(live[0], unpack_body_params(body_params), body_state, t_us)
    return float(state.force_N)


@step
def history_at(history: Any, tick: int, column: int, before: float) -> float:
    """A past value of the wearer's history, `before` when the tick lies before the trial."""
    if tick < 0:
        return before
    return float(history[tick, column])


@entry
def wearer_tick(
    tick: int,
    t_us: int,
    live: Any,
    body_params: Any,
    body_state: Any,
    wearer_params: Any,
    wearer_state: Any,
    delays: Any,
    history: Any,
    wearer_noise: Any,
    handling_N: Any,
    recorded_N: Any,
) -> None:
    """The wearer sees, feels, remembers and sets drive, noise and handling until the next tick.

    `tick`: index of the tick; arrays as on the desk (see `desk.Desk`).
    """
    now = live[0]
    body = body_at(now, unpack_body_params(body_params), body_state, t_us)
    wearer_acts(
        tick, t_us, now, body.force_N, unpack_wearer(wearer_params), wearer_state, delays, history, wearer_noise,
        handling_N, recorded_N,
    )  # fmt: skip


@step
def unpack_wearer(memory: Any) -> WearerParams:
    """WearerParams from flat float64 memory."""
    return WearerParams(*fixed(memory, N_WEARER))


@step
def wearer_acts(
    tick: int,
    t_us: int,
    now: Any,
    force_N: float,
    params: WearerParams,
    wearer_state: Any,
    delays: Any,
    history: Any,
    wearer_noise: Any,
    handling_N: Any,
    recorded_N: Any,
) -> None:
    """A wearer's tick at a force of `force_N` N; arrays as in `wearer_tick`."""
    history[tick, 0] = now.target_N
    history[tick, 1] = force_N
    history[tick, 2] = now.agonist_felt if t_us - now.agonist_felt_us <= delays[3] else 0.0
    history[tick, 3] = now.antagonist_felt if t_us - now.antagonist_felt_us <= delays[3] else 0.0
    sensed = Sensed(
        history_at(history, tick - delays[0], 0, NO_TARGET_N),
        history_at(history, tick - delays[0], 1, 0.0),
        history_at(history, tick - delays[1], 2, 0.0),
        history_at(history, tick - delays[1], 3, 0.0),
        recorded_N[tick] if recorded_N.size > 0 else 0.0,
        wearer_noise[tick, 0],
        wearer_noise[tick, 1],
        wearer_noise[tick, 2],
        wearer_noise[tick, 3],
    )
    intended, memory = effort(params, WearerState(*fixed(wearer_state, N_WEARER_STATE)), sensed)
    store(wearer_state, memory)
    history[tick, 4] = intended.drive
    now.drive = history_at(history, tick - delays[2], 4, 0.0)
    if params.played_back > 0.0:
        now.drive = intended.drive
    now.noise = intended.noise
    now.handling_N = handling_N[tick]


@entry
def take_sample(
    index: int,
    t_us: int,
    live: Any,
    body_params: Any,
    body_state: Any,
    estimator_params: Any,
    knots: Any,
    offset_N: Any,
    gain: Any,
    unit_noise: Any,
    mode: Any,
    readings: Any,
) -> None:
    """The estimator reads the force now; the reading arrives later. `index`: number of the sample."""
    now = live[0]
    body = body_at(now, unpack_body_params(body_params), body_state, t_us)
    sensor_reads(
        index, now, body.force_N, unpack_estimator(estimator_params), knots, offset_N, gain, unit_noise, mode, readings
    )


@step
def unpack_estimator(memory: Any) -> EstimatorParams:
    """EstimatorParams from flat float64 memory."""
    return EstimatorParams(*fixed(memory, N_ESTIMATOR))


@step
def sensor_reads(
    index: int,
    now: Any,
    force_N: float,
    params: EstimatorParams,
    knots: Any,
    offset_N: Any,
    gain: Any,
    unit_noise: Any,
    mode: Any,
    readings: Any,
) -> None:
    """A sample at a force of `force_N` N; arrays as in `take_sample`."""
    if mode[index] != STUCK:
        now.reading_N = reading_N(params, knots, force_N, offset_N[index], gain[index], unit_noise[index])
    readings[index, 0] = now.reading_N
    readings[index, 1] = stated_sd_N(params, now.reading_N)


@entry
def take_arrival(index: int, live: Any, readings: Any, sampled_us: Any) -> None:
    """`reading_arrives` for a caller in Python."""
    reading_arrives(index, live[0], readings, sampled_us)


@step
def reading_arrives(index: int, now: Any, readings: Any, sampled_us: Any) -> None:
    """A reading reaches the controller; one that was overtaken by a newer sample is dropped."""
    if sampled_us[index] <= now.sampled_us:
        return
    now.sampled_us = sampled_us[index]
    now.estimate_N = readings[index, 0]
    now.stated_sd_N = readings[index, 1]
    now.estimates += 1


@step
def felt_and_recruited(
    live: Any, channel_params: Any, channel: int, t_us: int, current_mA: float, width_us: float
) -> float:
    """A pulse meets pad and axons: what is felt and measured is noted; the recruited share is returned."""
    axons = RecruitmentParams(*fixed(channel_params, N_RECRUITMENT))
    pad = ElectrodeParams(*fixed(channel_params, N_ELECTRODE, N_RECRUITMENT))
    contact = live.agonist_contact if channel == AGONIST else live.antagonist_contact
    flowing_mA = delivered_mA(pad, current_mA, width_us, contact)
    felt = felt_share(axons, flowing_mA, width_us)
    ohm = min(HIGHEST_OHM, load_ohm(pad, READ_WIDTH_US, contact))
    if channel == AGONIST:
        live.agonist_felt, live.agonist_felt_us, live.agonist_ohm = felt, t_us, ohm
    else:
        live.antagonist_felt, live.antagonist_felt_us, live.antagonist_ohm = felt, t_us, ohm
    return recruited_share(axons, flowing_mA, width_us)


@entry
def strike(t_us: int, channel: int, share: float, live: Any, body_params: Any, body_state: Any) -> None:
    """A pulse reaches its muscle, after the electromechanical delay. `share`: recruited, no unit."""
    params = unpack_body_params(body_params)
    state = body_at(live[0], params, body_state, t_us)
    store_body_state(body_state, body_struck(params, state, channel, share))


@step
def forces_N(params: BodyParams, state: BodyState) -> tuple[float, float, float]:
    """What own drive, agonist pulses and antagonist pulses would each do alone, N."""
    rest = Push(0.0, 0.0, 0.0)
    return (
        pressed_N(params.hand, state.voluntary.active, rest, 0.0, 0.0),
        min(params.hand.max_pinch_N, state.agonist.force_N),
        params.hand.lever_ratio * state.antagonist.force_N,
    )


@step
def unknown_before(value: float, known: bool) -> float:
    """`value`, or NaN while nothing is known."""
    return value if known else math.nan
