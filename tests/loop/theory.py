"""Reference solutions that loop tests compare the simulated loop with.

Both are derived here, beside the code, from the plant's equation alone. Of thenar only `controller.margins` is used,
for margins through the library, and a direct calculation stands beside it. Plant in both: a first-order lag with a
pure delay, tau y'(t) = -y(t) + K u(t - L).
"""

from __future__ import annotations

import cmath
import itertools
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from thenar.controller.margins import loop_margins


class DelayedLag(NamedTuple):
    """The plant K exp(-L s) / (tau s + 1)."""

    gain: float
    """K, output per input (for the loop: N per mA)."""
    lag_s: float
    delay_s: float


class UltimateGain(NamedTuple):
    """The proportional gain at which the loop oscillates for ever, and the period it does so with."""

    gain: float
    period_s: float


class Cycle(NamedTuple):
    """A relay's limit cycle: the output's extremes, the period, and the time from the lower to the upper extreme."""

    low: float
    high: float
    period_s: float
    rise_s: float

    @property
    def amplitude(self) -> float:
        """Half of the peak-to-peak excursion."""
        return 0.5 * (self.high - self.low)


def sampled_response(plant: DelayedLag, tick_s: float, frequency_rad_s: float) -> complex:
    """Frequency response of hold + plant as a controller sees it that samples and acts every `tick_s`. Exact.

    Between ticks the input is constant, so the plant's equation is solved exactly over one tick. Write the delay as
    L = d T + m with 0 <= m < T (T the tick, d a whole number). During the tick after sample k the delayed input is
    u[k-d-1] for the time m, then u[k-d] for the time T - m. With a = exp(-T/tau) and b = exp(-(T-m)/tau):

        y[k+1] = a y[k] + K (b - a) u[k-d-1] + K (1 - b) u[k-d]

    Its z-transform at z = exp(j w T) is the response, with delay, hold and aliasing all included (the "modified
    z-transform" of sampled-data textbooks, name from memory). `frequency_rad_s`: above 0, at most pi / T.
    """
    a, early, late, ticks = _difference_equation(plant, tick_s)
    z = cmath.exp(1j * frequency_rad_s * tick_s)
    response: complex = (late + early / z) * z**-ticks / (z - a)
    return response


def hold_response(plant: DelayedLag, tick_s: float, frequency_rad_s: float) -> complex:
    """The same as textbooks approximate it: plant times (1 - exp(-sT)) / (sT). Aliasing is left out."""
    s = 1j * frequency_rad_s
    hold = (1.0 - cmath.exp(-s * tick_s)) / (s * tick_s)
    response: complex = hold * plant.gain * cmath.exp(-s * plant.delay_s) / (plant.lag_s * s + 1.0)
    return response


def ultimate_by_margins(plant: DelayedLag, tick_s: float, points: int = 2_000) -> UltimateGain:
    """Gain margin and phase crossover from the `control` library, as data on our own grid (no Pade form of the delay).

    The grid spans `points` frequencies from far below the lag's corner up to the controller's own limit pi / T.
    """
    grid = np.geomspace(1e-3 / (plant.lag_s + plant.delay_s), math.pi / tick_s, points)
    data = np.array([sampled_response(plant, tick_s, float(w)) for w in grid])
    found = loop_margins(grid, data)
    return UltimateGain(found.gain, found.ultimate_period_s)


def ultimate_by_root(plant: DelayedLag, tick_s: float) -> UltimateGain:
    """The same by direct calculation: the first frequency with phase -180 degrees, then the gain from the magnitude.

    The phase is followed in steps far below half a turn, so that no turn is lost, and the crossing is then found
    by Brent's method. Raises ValueError when there is none below pi / T.
    """

    def phase_past_crossing(w: float) -> float:
        """Phase + pi, in (-pi, pi]; 0 at the crossing."""
        return cmath.phase(-sampled_response(plant, tick_s, w))

    top = math.pi / tick_s
    grid = np.linspace(top / 20_000, top, 20_000)
    before = phase_past_crossing(float(grid[0]))
    for left, right in itertools.pairwise(grid):
        after = phase_past_crossing(float(right))
        # Phase falls through the crossing from above; the other sign change, at a whole turn, jumps by 2 pi.
        if before > 0.0 >= after and before - after < math.pi:
            w = float(brentq(phase_past_crossing, float(left), float(right), xtol=1e-14))
            return UltimateGain(1.0 / abs(sampled_response(plant, tick_s, w)), 2.0 * math.pi / w)
        before = after
    raise ValueError("the phase never reaches -180 degrees below half the controller's rate")


def largest_pole(plant: DelayedLag, tick_s: float, proportional_gain: float) -> float:
    """Largest modulus of the closed loop's poles per tick: below 1 decays, above 1 grows. No frequency response used.

    Loop u[k] = kp (r - y[k]) around the difference equation of `sampled_response`.
    State: y[k], then the inputs u[k-1] ... u[k-d-1].
    """
    a, early, late, ticks = _difference_equation(plant, tick_s)
    size = ticks + 2
    step: NDArray[np.float64] = np.zeros((size, size))
    step[0, 0] = a
    step[0, ticks + 1] += early
    if ticks == 0:
        step[0, 0] -= late * proportional_gain
    else:
        step[0, ticks] += late
    step[1, 0] = -proportional_gain
    for row in range(2, size):
        step[row, row - 1] = 1.0
    return float(np.max(np.abs(np.linalg.eigvals(step))))


def _difference_equation(plant: DelayedLag, tick_s: float) -> tuple[float, float, float, int]:
    """(a, K (b - a), K (1 - b), d) of `sampled_response`."""
    # A delay of whole ticks must not lose one to rounding.
    ticks = math.floor(plant.delay_s / tick_s + 1e-9)
    rest_s = max(plant.delay_s - ticks * tick_s, 0.0)
    a = math.exp(-tick_s / plant.lag_s)
    b = math.exp(-(tick_s - rest_s) / plant.lag_s)
    return a, plant.gain * (b - a), plant.gain * (1.0 - b), ticks


def relay_cycle(plant: DelayedLag, input_low: float, input_high: float, below: float, above: float) -> Cycle:
    """Exact limit cycle of a relay around the plant: input high once y < `below`, low once y > `above`.

    The bang-bang law is such a relay, with y the force and r the target: `below` = r - deadband and
    `above` = r - deadband + hysteresis while only the agonist works; with hysteresis = 2 deadband it is the two-way
    relay from r - deadband to r + deadband.

    Derivation. Let Y0 = K input_low and Y1 = K input_high be where the output would settle. The relay switches down
    as y reaches `above`; the plant sees that only L later and goes on rising toward Y1 meanwhile:

        high = Y1 + (above - Y1) exp(-L / tau)

    Then it falls toward Y0, reaches `below` after tau ln((high - Y0) / (below - Y0)), and goes on falling for L:

        low = Y0 + (below - Y0) exp(-L / tau)

    and back up, to `above` after tau ln((Y1 - low) / (Y1 - above)). At each switch the state is a fixed number, so
    the cycle is entered at the first switch and is unique; nothing here is a describing-function approximation.
    Period = the two times and 2 L. The levels may lie at unequal distances. With a relay that looks only every T, each
    switch comes up to T late: the delay lies between L and L + T.

    Needs Y0 < `below` <= `above` < Y1, and L > 0 or `below` < `above`; raises ValueError otherwise.
    """
    settle_low, settle_high = plant.gain * input_low, plant.gain * input_high
    if not (settle_low < below <= above < settle_high and (plant.delay_s > 0.0 or below < above)):
        raise ValueError(f"no cycle: levels {settle_low}, {settle_high}, thresholds {below}, {above}")
    decay = math.exp(-plant.delay_s / plant.lag_s)
    high = settle_high + (above - settle_high) * decay
    low = settle_low + (below - settle_low) * decay
    rise_s = plant.lag_s * math.log((settle_high - low) / (settle_high - above)) + plant.delay_s
    fall_s = plant.lag_s * math.log((high - settle_low) / (below - settle_low)) + plant.delay_s
    return Cycle(low, high, rise_s + fall_s, rise_s)
