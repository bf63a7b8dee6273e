"""Margins of textbook loops: as the books print them, in closed form, through the library, and in simulation.

Printed values are from memory, not read again; beside each stands the closed form that they round, derived here.

- Astrom & Murray [@astrom-murray-2008], the third-order loop 3/(s+1)^3 of the section on stability
  margins (9.3): gain margin 2.67, phase margin 41.7 degrees. Its stability margin (least distance to -1) is remembered
  as 0.464, where a search finds 0.4546: remembered or printed 2 % too large, so the search decides.
- Franklin, Powell & Emami-Naeini [@franklin-powell], K/(s (s+1)^2): neutrally
  stable at K = 2, w = 1; at K = 1 a phase margin of 22 degrees.
- Ogata [@ogata], K/(s (s+1) (s+5)): at K = 10 margins of 8 dB and 21 degrees, at
  K = 100 -12 dB and -30 degrees, read off straight-line plots: the exact ones lie up to 2 dB and 7 degrees from them.
- Integrator with dead time, exp(-s)/s: ultimate gain pi/2 and period 4 (process control's standard case, no edition).
- First-order lag with dead time: ultimate frequency from w L + atan(w T) = pi, ultimate gain sqrt(1 + (w T)^2) / K.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import expm
from scipy.optimize import brentq, minimize_scalar

from thenar.controller.margins import Margins, direct_margins, loop_margins
from thenar.study.loop_check import followed

GRID = np.geomspace(1e-3, 60.0, 1500)
Method = Callable[[NDArray[np.float64], NDArray[np.complex128]], Margins]
METHODS = pytest.mark.parametrize("method", [loop_margins, direct_margins])


class Loop(NamedTuple):
    """k exp(-delay s) / product of (s + pole), all in s; `ultimate` is the k at which it oscillates at `at_rad_s`."""

    poles: tuple[float, ...]
    delay_s: float
    ultimate: float
    at_rad_s: float

    def response(self, gain: float) -> NDArray[np.complex128]:
        s = 1j * GRID
        whole = gain * np.exp(-self.delay_s * s)
        for pole in self.poles:
            whole = whole / (s + pole)
        return whole


def lag_with_dead_time(lag_s: float, delay_s: float) -> Loop:
    """1 / (T s + 1) is (1/T) / (s + 1/T)."""
    w = float(brentq(lambda w: w * delay_s + math.atan(w * lag_s) - math.pi, 1e-3, math.pi / delay_s))
    return Loop((1.0 / lag_s,), delay_s, math.hypot(1.0, w * lag_s) / lag_s, w)


# (s+a)(s+b)(s+c) + k = s^3 + (a+b+c) s^2 + (ab+bc+ca) s + abc + k lies on the border of Routh's criterion at
# k = (a+b+c)(ab+bc+ca) - abc, with the roots s^2 = -(ab+bc+ca).
CUBE = Loop((1.0, 1.0, 1.0), 0.0, 3.0 * 3.0 - 1.0, math.sqrt(3.0))
NEUTRAL = Loop((0.0, 1.0, 1.0), 0.0, 2.0 * 1.0, 1.0)
THIRD = Loop((0.0, 1.0, 5.0), 0.0, 6.0 * 5.0, math.sqrt(5.0))
DEAD_TIME = Loop((0.0,), 1.0, 0.5 * math.pi, 0.5 * math.pi)
LAG = lag_with_dead_time(0.5, 0.2)
SLOW_LAG = lag_with_dead_time(1.0, 1.0)
LOOPS = pytest.mark.parametrize("loop", [CUBE, NEUTRAL, THIRD, DEAD_TIME, LAG, SLOW_LAG])


@METHODS
@LOOPS
@pytest.mark.parametrize("share", [0.2, 0.7, 1.4])
def test_the_gain_margin_is_the_closed_form_s(loop: Loop, share: float, method: Method) -> None:
    found = method(GRID, loop.response(share * loop.ultimate))
    assert found.gain == pytest.approx(1.0 / share, rel=1e-4)
    assert found.phase_crossover_rad_s == pytest.approx(loop.at_rad_s, rel=1e-4)
    assert found.stable == (share < 1.0)


@METHODS
def test_the_third_order_loop_has_the_margins_that_astrom_and_murray_print(method: Method) -> None:
    found = method(GRID, CUBE.response(3.0))
    assert found.gain == pytest.approx(2.67, abs=0.005)
    assert found.phase_deg == pytest.approx(41.7, abs=0.05)
    least = minimize_scalar(lambda w: abs(1.0 + 3.0 / (1.0 + 1j * w) ** 3), bounds=(0.5, 3.0), method="bounded")
    assert found.distance == pytest.approx(float(least.fun), rel=1e-3)
    assert found.distance == pytest.approx(0.464, rel=0.025)
    # |3 / (1 + jw)^3| = 1 at 1 + w^2 = 3^(2/3), where the phase is -3 atan w.
    w = math.sqrt(3.0 ** (2.0 / 3.0) - 1.0)
    assert found.gain_crossover_rad_s == pytest.approx(w, rel=1e-4)
    assert found.phase_deg == pytest.approx(180.0 - 3.0 * math.degrees(math.atan(w)), abs=0.01)
    assert found.delay_s == pytest.approx(math.radians(found.phase_deg) / w, rel=1e-4)


@METHODS
def test_the_neutral_loop_has_the_margins_that_franklin_and_powell_print(method: Method) -> None:
    found = method(GRID, NEUTRAL.response(1.0))
    assert found.gain == pytest.approx(2.0, rel=1e-4)
    assert found.phase_deg == pytest.approx(22.0, abs=0.7)


@METHODS
@pytest.mark.parametrize(("gain", "gain_dB", "phase_deg"), [(10.0, 8.0, 21.0), (100.0, -12.0, -30.0)])
def test_the_loop_of_ogata_has_its_margins_as_near_as_straight_lines_come(
    gain: float, gain_dB: float, phase_deg: float, method: Method
) -> None:
    found = method(GRID, THIRD.response(gain))
    assert found.gain_dB == pytest.approx(gain_dB, abs=2.0)
    assert found.phase_deg == pytest.approx(phase_deg, abs=7.0)
    assert found.gain == pytest.approx(30.0 / gain, rel=1e-4)


@METHODS
def test_an_integrator_has_a_right_angle_of_phase_and_the_delay_that_goes_with_it(method: Method) -> None:
    k = 0.8
    alone = method(GRID, Loop((0.0,), 0.0, math.inf, math.nan).response(k))
    assert (alone.gain, alone.phase_deg) == (math.inf, pytest.approx(90.0, abs=1e-6))
    assert alone.delay_s == pytest.approx(0.5 * math.pi / k, rel=1e-4)
    # The margin, spent: exp(-0.5 s) leaves pi / (2 k) - 0.5.
    assert method(GRID, Loop((0.0,), 0.5, 0.0, 0.0).response(k)).delay_s == pytest.approx(alone.delay_s - 0.5, rel=1e-4)


@LOOPS
def test_simulated_the_loop_dies_away_at_nine_tenths_of_the_ultimate_gain_and_grows_at_eleven(loop: Loop) -> None:
    margins = loop_margins(GRID, loop.response(1.0))
    period_s = margins.ultimate_period_s
    growths = []
    for share in (0.9, 1.1):
        time_s, output = simulated(loop, share * margins.gain, 14.0 * period_s, period_s)
        growth, seen_s, _ = followed(time_s, output, period_s, (0.0, math.inf))
        assert seen_s == pytest.approx(period_s, rel=0.1)
        growths.append(growth)
    assert growths[0] < 0.97
    assert growths[1] > 1.03
    low, high = np.log(growths)
    assert 0.9 - low * 0.2 / (high - low) == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("loop", [CUBE, NEUTRAL, THIRD])
@pytest.mark.parametrize("share", [0.9, 1.1])
def test_the_growth_that_is_followed_is_that_of_the_closed_loop_s_slowest_pole(loop: Loop, share: float) -> None:
    period_s = 2.0 * math.pi / loop.at_rad_s
    polynomial = np.poly([-pole for pole in loop.poles])
    polynomial[-1] += share * loop.ultimate
    slowest = max(np.roots(polynomial), key=lambda root: root.real)
    time_s, output = simulated(loop, share * loop.ultimate, 14.0 * period_s, period_s)
    growth, seen_s, _ = followed(time_s, output, period_s, (0.0, math.inf))
    assert growth == pytest.approx(math.exp(slowest.real * period_s), rel=0.02)
    assert seen_s == pytest.approx(2.0 * math.pi / abs(slowest.imag), rel=0.02)


def simulated(loop: Loop, gain: float, seconds: float, period_s: float) -> tuple[NDArray[np.float64], ...]:
    """Time and output of u = -gain y around the loop's poles and dead time, from a knock of 1, exact between steps.

    Poles in a chain, the input held over a step of a 2000th of the period: the hold's own delay, half a step, is a
    4000th of a period. The dead time is whole steps.
    """
    count = len(loop.poles)
    h = period_s / 2000.0
    matrix = np.zeros((count + 1, count + 1))
    for place, pole in enumerate(loop.poles):
        matrix[place, place] = -pole
        matrix[place, place + 1] = 1.0
    stepped = expm(matrix * h)
    keep, take = stepped[:count, :count], stepped[:count, count]
    lag = round(loop.delay_s / h)
    state = np.zeros(count)
    state[-1] = 1.0
    steps = round(seconds / h)
    outputs = np.empty(steps)
    inputs = np.zeros(steps)
    for step in range(steps):
        outputs[step] = state[0]
        inputs[step] = -gain * state[0]
        state = keep @ state + take * (inputs[step - lag] if step >= lag else 0.0)
    return np.arange(steps) * h, outputs
