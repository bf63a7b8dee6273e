"""The event engine against bare SimPy, side by side in one run.

Bare SimPy fires the same number of events at the same times and calls the same compiled plant advances (and the
same pulses reaching the same muscles), and does nothing else: no wearer, sensor, law, interlock or trace.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import NamedTuple

import simpy

from thenar.engine import events
from thenar.engine.desk import Desk, lay_desk
from thenar.engine.events import EventTrial
from thenar.engine.instants import advance, strike
from thenar.engine.trial import Trial, plan_trials
from thenar.scenarios.gallery import gallery_file
from thenar.scenarios.loader import load_scenario
from thenar.shared.ticks import Phase

ROUNDS = 7
ADVANCING = (Phase.WEARER, Phase.SAMPLE, Phase.TRACE)


class Schedule(NamedTuple):
    """Times in us per phase, and the strikes as (t_us, channel, recruited share)."""

    times_us: dict[Phase, list[int]]
    strikes: list[tuple[int, int, float]]
    fired: int


def fired_events(env: simpy.Environment) -> int:
    """How many events an environment that has run dry has fired (its next event number)."""
    return next(env._eid)  # noqa: SLF001 - SimPy counts its events nowhere else


def recorded_schedule(trial: Trial) -> Schedule:
    """Run `trial` once and note when the engine scheduled what."""
    times: dict[Phase, list[int]] = {phase: [] for phase in Phase}
    strikes: list[tuple[int, int, float]] = []
    plain_due, plain_strike = events.Due, events.strike

    def noting_due(env, delay_us, phase, order=0):  # type: ignore[no-untyped-def]
        times[phase].append(env.now + delay_us)
        return plain_due(env, delay_us, phase, order)

    def noting_strike(t_us, channel, share, *rest):  # type: ignore[no-untyped-def]
        strikes.append((t_us, channel, share))
        return plain_strike(t_us, channel, share, *rest)

    events.Due, events.strike = noting_due, noting_strike
    try:
        running = EventTrial(trial)
        running.run()
    finally:
        events.Due, events.strike = plain_due, plain_strike
    return Schedule({phase: sorted(t) for phase, t in times.items()}, strikes, fired_events(running.env))


def run_bare(schedule: Schedule, desk: Desk) -> int:
    """Bare SimPy over `schedule`. Returns the number of events fired."""
    env = simpy.Environment()

    def idle(times_us: list[int]) -> Iterator[simpy.Event]:
        for t_us in times_us:
            yield env.timeout(t_us - env.now)

    def advancing(times_us: list[int]) -> Iterator[simpy.Event]:
        live, params, state = desk.live, desk.body_params, desk.body_state
        for t_us in times_us:
            yield env.timeout(t_us - env.now)
            advance(live, params, state, t_us)

    def striking() -> Iterator[simpy.Event]:
        live, params, state = desk.live, desk.body_params, desk.body_state
        for t_us, channel, share in schedule.strikes:
            yield env.timeout(t_us - env.now)
            strike(t_us, channel, share, live, params, state)

    for phase, times_us in schedule.times_us.items():
        if phase == Phase.STRIKE:
            env.process(striking())
        else:
            env.process((advancing if phase in ADVANCING else idle)(times_us))
    env.run()
    return fired_events(env)


def demo_trial() -> Trial:
    """An assisted trial of the shipped key-pinch training, 120 s."""
    loaded = load_scenario(gallery_file("key-pinch-ladder"))
    trial = next(trial for trial in plan_trials(loaded) if trial.label.condition == "assisted")
    if trial.duration_us != 120_000_000:
        raise AssertionError("the benchmark is stated for 120 s")
    return trial


def measure() -> str:
    """One line: best processor time of ROUNDS of each, alternating, and their ratio."""
    trial = demo_trial()
    schedule = recorded_schedule(trial)
    ours: list[float] = []
    bare: list[float] = []
    for _ in range(ROUNDS):
        running = EventTrial(trial)
        begun = time.process_time()
        running.run()
        ours.append(time.process_time() - begun)
        desk = lay_desk(trial)
        begun = time.process_time()
        fired = run_bare(schedule, desk)
        bare.append(time.process_time() - begun)
        if abs(fired - schedule.fired) > len(Phase):
            raise AssertionError(f"bare SimPy fired {fired} events, the engine {schedule.fired}")
    return (
        f"event engine, one assisted 120 s trial: {min(ours):.3f} s; bare SimPy with the same {schedule.fired} events "
        f"and plant advances: {min(bare):.3f} s; ratio {min(ours) / min(bare):.2f} (bar: at most 3)"
    )
