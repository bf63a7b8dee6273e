"""The limit cycle of the bang-bang law around a first-order lag with delay, against the exact relay solution.

Outside reference: the closed form derived in theory.py (piecewise exponentials, no describing function). The loop looks
once per tick, so that each switch comes half a tick late on average; that half tick is part of the delay.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tests.loop.linear_loop import SENSOR_DELAY_MS, TICK_S, LinearPlant, linear_trial
from tests.loop.theory import DelayedLag, relay_cycle

TARGET_N = 30.0
DEADBAND_N = 2.0


@pytest.mark.parametrize(
    ("lag_s", "delay_s", "hysteresis_N", "level_mA"),
    [(0.6, 0.25, 4.0, 25.0), (3.0, 0.1, 2.0, 14.0), (0.4, 0.4, 4.0, 30.0)],
)
def test_the_limit_cycle_has_the_amplitude_and_period_of_the_exact_relay_solution(
    lag_s: float, delay_s: float, hysteresis_N: float, level_mA: float
) -> None:
    plant = DelayedLag(gain=1.0, lag_s=lag_s, delay_s=delay_s)
    law = f"""
[law]
name = "bang-bang"
[law.settings]
deadband_N = {DEADBAND_N}
hysteresis_N = {hysteresis_N}
minimum_dwell_ms = 0.0
agonist.current_mA = {level_mA}
antagonist.current_mA = {level_mA}
"""
    level_N = TARGET_N - 10.0
    running = linear_trial(law, TARGET_N, LinearPlant(plant, level_N), seconds=40.0)
    calibration = running.trial.calibration
    assert level_mA < min(calibration.agonist.ceiling_mA, calibration.antagonist.ceiling_mA)
    forces = running.forces_N()[1000:]
    theory = expected(plant, level_N, hysteresis_N, level_mA)
    cycle_low, cycle_high, period_s = measured(forces)
    assert 0.5 * (cycle_high - cycle_low) == pytest.approx(theory.amplitude, rel=0.03)
    assert period_s == pytest.approx(theory.period_s, rel=0.03)


def expected(plant: DelayedLag, level_N: float, hysteresis_N: float, level_mA: float):
    """The relay's cycle in y = force - level: two-way when the hysteresis spans both deadbands, else on and off."""
    delay_s = plant.delay_s + SENSOR_DELAY_MS * 1e-3 + 0.5 * TICK_S
    below = TARGET_N - DEADBAND_N - level_N
    above = below + hysteresis_N
    low_mA = -level_mA if hysteresis_N == 2 * DEADBAND_N else 0.0
    return relay_cycle(plant._replace(delay_s=delay_s), low_mA, level_mA, below, above)


def measured(forces_N: np.ndarray) -> tuple[float, float, float]:
    """Mean lower and upper extreme in N and mean period in s over whole cycles."""
    middle = 0.5 * (forces_N.min() + forces_N.max())
    ups = np.flatnonzero((forces_N[:-1] < middle) & (forces_N[1:] >= middle))
    cycles = [forces_N[a:b] for a, b in pairwise(ups)]
    low, high = np.mean([cycle.min() for cycle in cycles]), np.mean([cycle.max() for cycle in cycles])
    return float(low), float(high), float((ups[-1] - ups[0]) / (len(ups) - 1) * TICK_S)
