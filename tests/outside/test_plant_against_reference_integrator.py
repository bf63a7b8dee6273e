"""The whole body against SciPy's DOP853 at tight tolerance, between pulses, on drawn schedules.

Outside reference: scipy.integrate.solve_ivp (Hairer, Norsett & Wanner, DOP853), which integrates the
published right-hand sides written out again here, with calcium as its own two differential equations.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from thenar.plant_models.body import (
    BODY_STATE_SIZE,
    BodyParams,
    Push,
    body_after,
    body_params,
    body_struck,
    rested_body,
    store_body_state,
    unpack_body_params,
    unpack_body_state,
)
from thenar.plant_models.muscle import R0_OVER_KM, MuscleParams
from thenar.plant_models.settings import Channel, Muscle, Wearer
from thenar.shared.compiled import entry, flat_floats

SCHEDULES = 100
SECONDS = 2.0
ALLOWED = 2e-4


@entry
def advance(params, state, drive, noise, handling_N, gap_us):
    body = body_after(unpack_body_params(params), unpack_body_state(state), Push(drive, noise, handling_N), gap_us)
    store_body_state(state, body)


@entry
def strike(params, state, channel, share):
    store_body_state(state, body_struck(unpack_body_params(params), unpack_body_state(state), channel, share))


def muscle_slope(p: MuscleParams, y: np.ndarray) -> list[float]:
    surge, calcium, surge_r, calcium_r, force, full, A, km, tau1 = y
    bound = calcium / (km + calcium)
    decline = tau1 + p.tau2_ms * bound
    return [
        -surge / p.tau_c_ms,
        (surge - calcium) / p.tau_c_ms,
        -surge_r / p.tau_c_ms,
        (surge_r - calcium_r) / p.tau_c_ms,
        A * calcium_r / (km + calcium) - force / decline,
        A * bound - full / decline,
        (p.A_rest - A) / p.tau_fat_ms + p.alpha_A * full,
        (p.km_rest - km) / p.tau_fat_ms + p.alpha_Km * full,
        (p.tau1_rest_ms - tau1) / p.tau_fat_ms + p.alpha_tau1 * full,
    ]


def body_slope(_t: float, y: np.ndarray, p: BodyParams, push: Push) -> list[float]:
    agonist, antagonist = muscle_slope(p.agonist, y[:9]), muscle_slope(p.antagonist, y[9:18])
    active, resting, force = y[18], y[19], y[20]
    wanted, v = push.drive, p.voluntary
    flow = 10.0 * (wanted - active) if active >= wanted else 10.0 * min(wanted - active, resting)
    recovery = v.recovery_per_s * (v.rest_multiplier if wanted <= 0 else 1.0)
    own = min(1.0, max(0.0, active + push.noise))
    evoked = min(1.0, y[4] / p.hand.max_pinch_N)
    raw = p.hand.max_pinch_N * (own + evoked * (1 - own)) - p.hand.lever_ratio * y[13] + push.handling_N
    return [
        *agonist,
        *antagonist,
        1e-3 * (flow - v.fatigue_per_s * active),
        1e-3 * (-flow + recovery * (1 - active - resting)),
        (max(0.0, raw) - force) / p.hand.contact_ms,
    ]


def drawn_schedule(rng: np.random.Generator) -> list[tuple[int, int, float, Push]]:
    """(t_us, channel or -1, recruited share, push from here on), in time order."""
    events = []
    push = Push(0.0, 0.0, 0.0)
    for channel in (0, 1):
        t = float(rng.uniform(0, 0.2e6))
        while t < SECONDS * 1e6:
            if rng.random() < 0.85:
                events.append((round(t), channel, float(rng.uniform(0.05, 1.0)), None))
            t += 1e6 / rng.uniform(15, 60)
    pushes = []
    for t_us in range(0, round(SECONDS * 1e6), 10_000):
        if t_us % 500_000 == 0:
            drive = float(rng.uniform(0, 0.3))
        push = Push(drive, float(rng.normal(0, 0.003)), float(rng.normal(0, 0.3)))
        pushes.append((t_us, -1, 0.0, push))
    return sorted(events + pushes, key=lambda event: event[:2])


def forces_by_reference(p: BodyParams, schedule, ends_us: np.ndarray) -> np.ndarray:
    start = rested_body(p)
    y = np.array([*start.agonist[:9], *start.antagonist[:9], 0.0, 1.0, 0.0])
    last_pulse = {0: -1e12, 1: -1e12}
    push, forces = Push(0.0, 0.0, 0.0), []
    for (t_us, channel, share, new_push), end_us in zip(schedule, ends_us, strict=True):
        if channel < 0:
            push = new_push
        else:
            base = 9 * channel
            tau_c = (p.agonist, p.antagonist)[channel].tau_c_ms
            gap_ms = (t_us - last_pulse[channel]) * 1e-3
            weight = 1.0 + (y[base + 7] + R0_OVER_KM - 1.0) * np.exp(-gap_ms / tau_c)
            y[base] += weight
            y[base + 2] += weight * share
            last_pulse[channel] = t_us
        if end_us > t_us:
            span = ((end_us - t_us) * 1e-3,)
            y = solve_ivp(
                body_slope, (0.0, span[0]), y, method="DOP853", rtol=1e-9, atol=1e-12, args=(p, push)
            ).y[:, -1]
        forces.append(y[20])
    return np.array(forces)


def forces_by_steps(p: BodyParams, schedule, ends_us: np.ndarray) -> np.ndarray:
    params, state = flat_floats(p), flat_floats(rested_body(p))
    assert state.size == BODY_STATE_SIZE
    push, forces = Push(0.0, 0.0, 0.0), []
    for (t_us, channel, share, new_push), end_us in zip(schedule, ends_us, strict=True):
        if channel < 0:
            push = new_push
        else:
            strike(params, state, channel, share)
        advance(params, state, push.drive, push.noise, push.handling_N, int(end_us - t_us))
        forces.append(state[BODY_STATE_SIZE - 1])
    return np.array(forces)


def test_the_plant_stays_within_2e_4_of_peak_force_of_the_reference_integrator(record_property, capsys) -> None:
    seed = 20_250
    rng = np.random.default_rng(seed)
    worst, cost_s, reference_s, simulated_s = 0.0, 0.0, 0.0, 0.0
    for _ in range(SCHEDULES):
        wearer = Wearer(
            max_pinch_N=float(rng.uniform(40, 140)),
            agonist=Channel(muscle=Muscle(reachable_N=float(rng.uniform(10, 60)), fatigue_share=1.0)),
            antagonist=Channel(muscle=Muscle(reachable_N=float(rng.uniform(5, 15)), fatigue_share=1.0)),
        )
        params, schedule = body_params(wearer), drawn_schedule(rng)
        ends_us = np.array([event[0] for event in schedule[1:]] + [round(SECONDS * 1e6)])
        begin = time.perf_counter()
        ours = forces_by_steps(params, schedule, ends_us)
        middle = time.perf_counter()
        theirs = forces_by_reference(params, schedule, ends_us)
        reference_s += time.perf_counter() - middle
        cost_s += middle - begin
        simulated_s += SECONDS
        worst = max(worst, float(np.max(np.abs(ours - theirs)) / np.max(theirs)))
    report = (
        f"seed {seed}: worst error {worst:.2e} of peak force over {SCHEDULES} schedules; "
        f"{1e3 * cost_s / simulated_s * 120:.1f} ms per 120 s called from Python (first compile included), "
        f"reference {1e3 * reference_s / simulated_s * 120:.0f} ms"
    )
    record_property("plant_error", report)
    with capsys.disabled():
        print("\n" + report)
    assert worst < ALLOWED, report


@pytest.mark.parametrize("share", [0.3, 1.0])
def test_a_muscle_pulsed_evenly_keeps_force_and_full_force_in_proportion(share: float) -> None:
    params = body_params(Wearer())
    memory, state = flat_floats(params), flat_floats(rested_body(params))
    for _ in range(40):
        strike(memory, state, 0, share)
        advance(memory, state, 0.0, 0.0, 0.0, 25_000)
    body = unpack_body_state(state)
    assert body.agonist.force_N == pytest.approx(share * body.agonist.full_N, rel=1e-12)
