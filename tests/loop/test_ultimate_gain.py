"""The gain at which the simulated loop starts to oscillate, and its period, against linear theory.

Outside reference: the gain margin of the `control` library (exact delay on a frequency grid) and a direct root of the
phase equation, for a first-order lag with delay behind a zero-order hold (see theory.py).
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.loop.linear_loop import SENSOR_DELAY_MS, TICK_S, LinearPlant, linear_trial
from tests.loop.theory import DelayedLag, ultimate_by_margins, ultimate_by_root

SECONDS = 16.0
TARGET_N = 20.0


def response(plant: DelayedLag, gain_mA_per_N: float) -> np.ndarray:
    law = f"""
[law]
name = "proportional"
[law.settings]
deadband_N = 0.0
start = "zero"
gain_mA_per_N = {gain_mA_per_N!r}
"""
    return linear_trial(law, TARGET_N, LinearPlant(plant, TARGET_N - 0.2), SECONDS).forces_N()


def swing(forces_N: np.ndarray) -> tuple[float, float]:
    """Standard deviation in the third and in the last sixth of the run."""
    third, last = len(forces_N) // 3, 5 * len(forces_N) // 6
    return float(np.std(forces_N[third : len(forces_N) // 2])), float(np.std(forces_N[last:]))


def grows(early_N: float, late_N: float) -> bool:
    """Whether a swing grows. A wide one has grown until the law's ceiling held it; a tiny one is rounding."""
    return late_N > 2.0 or late_N > max(early_N, 0.005)


def simulated_ultimate(plant: DelayedLag, low: float, high: float) -> tuple[float, float]:
    """Gain (mA per N) at which the swing neither grows nor shrinks, by bisection, and the period there in s."""
    for _ in range(9):
        gain = 0.5 * (low + high)
        early, late = swing(response(plant, gain))
        low, high = (low, gain) if grows(early, late) else (gain, high)
    forces = response(plant, 0.5 * (low + high))
    centred = forces[len(forces) // 3 :] - np.mean(forces[len(forces) // 3 :])
    ups = np.flatnonzero((centred[:-1] < 0) & (centred[1:] >= 0))
    exact = ups + centred[ups] / (centred[ups] - centred[ups + 1])
    return 0.5 * (low + high), float(np.mean(np.diff(exact)) * TICK_S)


@pytest.mark.parametrize(("lag_s", "delay_s"), [(0.2, 0.03), (0.1, 0.15), (0.5, 0.1)])
def test_the_loop_starts_to_oscillate_at_the_gain_and_period_of_linear_theory(lag_s: float, delay_s: float) -> None:
    plant = DelayedLag(gain=0.8, lag_s=lag_s, delay_s=delay_s)
    whole = plant._replace(delay_s=delay_s + SENSOR_DELAY_MS * 1e-3)
    library, direct = ultimate_by_margins(whole, TICK_S), ultimate_by_root(whole, TICK_S)
    gain, period_s = simulated_ultimate(plant, 0.5 * library.gain, 1.6 * library.gain)
    for theory in (library, direct):
        assert gain == pytest.approx(theory.gain, rel=0.05)
        assert period_s == pytest.approx(theory.period_s, rel=0.05)


def test_the_loop_settles_below_and_swings_ever_more_above_the_ultimate_gain() -> None:
    plant = DelayedLag(gain=0.8, lag_s=0.2, delay_s=0.03)
    ultimate = ultimate_by_margins(plant._replace(delay_s=0.08), TICK_S).gain
    early, late = swing(response(plant, 0.9 * ultimate))
    assert late < 0.5 * early
    assert not grows(early, late)
    early, late = swing(response(plant, 1.1 * ultimate))
    assert grows(early, late)
    assert late > 10 * 0.2
