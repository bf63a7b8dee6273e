"""Bodies and wearers run in compiled code, for the tests of the models and for the checks against papers.

`ran` takes a body through pulses and pushes and keeps its state at every event. `Hold` lets a wearer hold
targets, tick by tick, with the delays that the engine also applies.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.plant_models.body import (
    BODY_STATE_SIZE,
    N_MUSCLE_STATE,
    BodyParams,
    BodyState,
    Push,
    body_after,
    body_params,
    body_struck,
    rested_body,
    store_body_state,
    unpack_body_params,
    unpack_body_state,
)
from thenar.plant_models.muscle import A_QUADRICEPS_N_PER_MS, MuscleParams, MuscleState, muscle_params
from thenar.plant_models.settings import Muscle, Wearer
from thenar.plant_models.voluntary import VoluntaryState
from thenar.plant_models.wearer import NAIVE, Sensed, WearerParams, WearerState, effort, wearer_params
from thenar.shared.compiled import fixed, flat_floats, step, store
from thenar.shared.ticks import US_PER_MS, US_PER_S

AGONIST_PULSE: Final = 0
ANTAGONIST_PULSE: Final = 1
PUSH: Final = 2
LOOK: Final = 3
N_WEARER: Final = len(WearerParams._fields)
N_WEARER_STATE: Final = len(WearerState._fields)
TICK_US: Final = 10_000


class Events(NamedTuple):
    """What happens to a body, in order of time: when (us, shape (n,)), what, and up to three numbers (n, 3).

    A pulse has its recruited share, a push its drive, noise (shares of maximum) and handling (N).
    """

    t_us: NDArray[np.int64]
    what: NDArray[np.int64]
    values: NDArray[np.float64]


def in_order(*parts: Events) -> Events:
    """Several lists of events as one; at one instant in the order of `parts`."""
    t_us, what, values = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    order = np.argsort(t_us, kind="stable")
    return Events(t_us[order], what[order], values[order])


def events(what: int, t_us: Any, *values: Any) -> Events:
    """Events of one kind; `values` are numbers for all of them or one per event."""
    times = np.atleast_1d(np.asarray(t_us, dtype=np.int64))
    table = np.zeros((times.size, 3))
    for column, value in enumerate(values):
        table[:, column] = value
    return Events(times, np.full(times.size, what, dtype=np.int64), table)


def train_us(rate_Hz: float, seconds: float, start_us: int = 0) -> NDArray[np.int64]:
    """Pulse times in us of an even train that begins at `start_us` and ends before `seconds` are over."""
    count = int(np.ceil(seconds * rate_Hz - 1e-9))
    return start_us + np.round(np.arange(count) * US_PER_S / rate_Hz).astype(np.int64)


@step
def run_events(params, state, t_us, what, values, seen):
    """Take flat memory `state` through the events; row i of `seen` is the state just after event i."""
    constants = unpack_body_params(params)
    body = unpack_body_state(state)
    push = Push(0.0, 0.0, 0.0)
    now_us = 0
    for index in range(t_us.size):
        body = body_after(constants, body, push, t_us[index] - now_us)
        now_us = t_us[index]
        if what[index] <= ANTAGONIST_PULSE:
            body = body_struck(constants, body, what[index], values[index, 0])
        elif what[index] == PUSH:
            push = Push(values[index, 0], values[index, 1], values[index, 2])
        store_body_state(seen[index], body)
    store_body_state(state, body)


def states_of(seen: NDArray[np.float64]) -> BodyState:
    """Rows of flat states as one BodyState whose fields are columns, shape (n,)."""
    columns = seen.T
    rest = 2 * N_MUSCLE_STATE
    return BodyState(
        MuscleState(*columns[:N_MUSCLE_STATE]),
        MuscleState(*columns[N_MUSCLE_STATE:rest]),
        VoluntaryState(*columns[rest:-1]),
        columns[-1],
    )


def ran(params: BodyParams, schedule: Events, start: BodyState | None = None) -> BodyState:
    """The states of a body (rested unless `start` is given) just after each event, as columns."""
    seen = np.empty((schedule.t_us.size, BODY_STATE_SIZE))
    state = flat_floats(rested_body(params) if start is None else start)
    run_events(flat_floats(params), state, *schedule, seen)
    return states_of(seen)


def last_of(states: BodyState) -> BodyState:
    """The last of many states, as plain numbers."""
    agonist, antagonist, voluntary, force = states
    return BodyState(
        MuscleState(*(float(column[-1]) for column in agonist)),
        MuscleState(*(float(column[-1]) for column in antagonist)),
        VoluntaryState(*(float(column[-1]) for column in voluntary)),
        float(force[-1]),
    )


def body_of(muscle: MuscleParams) -> BodyParams:
    """A default body whose agonist is `muscle`."""
    return body_params(Wearer())._replace(agonist=muscle)


def muscle_at(muscle: MuscleParams, pulses_us: Any, look_us: Any, share: Any = 1.0) -> MuscleState:
    """A rested muscle's states at `look_us` (us), as columns, under pulses that each fire `share`."""
    schedule = in_order(events(AGONIST_PULSE, pulses_us, share), events(LOOK, look_us))
    states = ran(body_of(muscle), schedule).agonist
    return MuscleState(*(column[schedule.what == LOOK] for column in states))


def quadriceps(tau2_ms: float = 124.4, fatigue_share: float = 0.0) -> MuscleParams:
    """The published quadriceps constants, unscaled: A_rest = 3.009 N/ms, newtons at the ankle.

    `Muscle.reachable_N` is bounded to thumbs, so the force scale is set on the step parameters.
    """
    settings = Muscle(time_scale=1.0, tau2_ms=tau2_ms, fatigue_share=fatigue_share)
    return muscle_params(settings)._replace(
        A_rest=A_QUADRICEPS_N_PER_MS,
        alpha_Km=fatigue_share * settings.alpha_Km_per_ms_N,
        alpha_tau1=fatigue_share * settings.alpha_tau1_per_N,
    )


class Twitch(NamedTuple):
    """Peak in N, time to peak in ms, and time from the peak to half of it in ms."""

    peak_N: float
    contraction_ms: float
    half_relaxation_ms: float


def twitch_of(muscle: MuscleParams, resolution_us: int = 100) -> Twitch:
    """The single twitch of a rested muscle, read every `resolution_us` us for 0.8 s."""
    look_us = np.arange(0, 800_000, resolution_us)
    force = muscle_at(muscle, 0, look_us).force_N
    top = int(np.argmax(force))
    below = top + int(np.argmax(force[top:] < 0.5 * force[top]))
    share = (force[below - 1] - 0.5 * force[top]) / (force[below - 1] - force[below])
    half_us = look_us[below - 1] + share * resolution_us
    return Twitch(float(force[top]), look_us[top] / US_PER_MS, float(half_us - look_us[top]) / US_PER_MS)


@step
def run_ticks(
    first,
    last,
    tick_us,
    body_constants,
    body_memory,
    wearer_constants,
    wearer_memory,
    delays,
    target_N,
    felt,
    recorded_N,
    z,
    history,
    noise,
):
    """Ticks `first` to `last` of a wearer; row i of `history` takes the true force (N) and the drive intended there.

    `delays`: visual, tactile and motor delay in ticks. Before tick 0 nothing is seen, felt or driven.
    """
    constants = unpack_body_params(body_constants)
    body = unpack_body_state(body_memory)
    wearer = WearerParams(*fixed(wearer_constants, N_WEARER))
    for tick in range(first, last):
        seen, touched, driven = tick - delays[0], tick - delays[1], tick - delays[2]
        history[tick, 0] = body.force_N
        sensed = Sensed(
            target_N[seen] if seen >= 0 else -1.0,
            history[seen, 0] if seen >= 0 else 0.0,
            felt[touched, 0] if touched >= 0 else 0.0,
            felt[touched, 1] if touched >= 0 else 0.0,
            recorded_N[tick],
            z[tick, 0],
            z[tick, 1],
            z[tick, 2],
            z[tick, 3],
        )
        intended, memory = effort(wearer, WearerState(*fixed(wearer_memory, N_WEARER_STATE)), sensed)
        store(wearer_memory, memory)
        history[tick, 1] = intended.drive
        noise[tick] = intended.noise
        drive = history[driven, 1] if driven >= 0 else 0.0
        if wearer.played_back > 0.0:
            drive = intended.drive
        body = body_after(constants, body, Push(drive, intended.noise, 0.0), tick_us)
    store_body_state(body_memory, body)


class Hold:
    """A wearer at work for `seconds`: targets in N per tick, felt shares, a recording, noise from `seed`."""

    def __init__(self, wearer: Wearer, seconds: float, seed: int, tick_us: int = TICK_US) -> None:
        self.wearer, self.tick_us = wearer, tick_us
        self.ticks = round(seconds * US_PER_S / tick_us)
        played_back = bool(wearer.recording)
        self.body = body_params(wearer, played_back)
        self.body_memory = flat_floats(rested_body(self.body))
        self.wearer_memory = flat_floats(NAIVE)
        self.target_N = np.zeros(self.ticks)
        self.felt = np.zeros((self.ticks, 2))
        self.recorded_N = np.zeros(self.ticks)
        self.z = np.random.default_rng(seed).standard_normal((self.ticks, 4))
        self.history = np.zeros((self.ticks, 2))
        self.noise = np.zeros(self.ticks)
        self.done = 0

    def run(self, until_s: float | None = None, *, relaxed: bool = False, **changes: Any) -> NDArray[np.float64]:
        """Go on to `until_s` (s) or to the end, as the wearer with `changes`. Returns the true force so far, N."""
        wearer = self.wearer.model_copy(update=changes)
        last = self.ticks if until_s is None else round(until_s * US_PER_S / self.tick_us)
        delays = [
            round(delay_ms * US_PER_MS / self.tick_us)
            for delay_ms in (wearer.visual_delay_ms, wearer.cue.delay_ms, wearer.motor_delay_ms)
        ]
        run_ticks(
            self.done,
            last,
            self.tick_us,
            flat_floats(self.body),
            self.body_memory,
            flat_floats(wearer_params(wearer, self.tick_us, relaxed)),
            self.wearer_memory,
            np.array(delays),
            self.target_N,
            self.felt,
            self.recorded_N,
            self.z,
            self.history,
            self.noise,
        )
        self.done = last
        return self.history[:last, 0]
