"""Where a help that fades becomes harm: the first crossing of zero by a mean over wearers, with its interval.

At each tried x there is one difference per wearer. Their mean and its 95 % t interval over wearers are three curves of
x: lower end, mean, upper end. The crossing is where the mean first falls to zero; its interval is every x at which the
interval of the mean holds zero: from where the lower end falls to zero to where the upper end does (Fieller's way of
inverting a test). So below `low` help is shown, above `high` it is shown that there is none.

The same noise at every x (common random numbers) makes the curves smooth, so that bisection may be used: x rises until
the upper end is down at zero, then each bracket is halved until it is narrow, and a straight line goes through it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from thenar.study.resampled import LEVEL, Interval

FEWEST: Final = 3
"""Wearers without whom there is no interval worth the name."""
NARROW: Final = 0.08
"""A bracket is narrow when its width is at most this share of its upper end; a line goes through what is left."""
SHARP: Final = 0.005
"""The same where what is tried suddenly does nothing at all (every difference zero): no line goes through a jump."""
LOWER, MEAN, UPPER = range(3)

Floats = NDArray[np.float64]
Differences = Callable[[float], Floats]
Ends = tuple[float, float, float]
"""Lower end, mean and upper end."""
NOTHING: Final[Ends] = (0.0, 0.0, 0.0)


class Crossing(NamedTuple):
    """The first crossing from help to none. All in the unit of x.

    `value`: where the mean crosses; -inf: the mean shows no help at `first`, the first x; inf: it still helps at
    `last`, the largest x tried. `low`, `high`: ends of the 95 % interval, -inf and inf likewise. `harmful`: an upper
    end fell below zero somewhere, not only to zero because nothing is done there any more. `wearers`: how many.
    """

    value: float
    low: float
    high: float
    first: float
    last: float
    harmful: bool
    wearers: int

    @property
    def finite(self) -> bool:
        """Whether the mean crosses zero within what was tried."""
        return math.isfinite(self.value)


def mean_interval(differences: Floats) -> Interval:
    """Mean of one number per wearer, shape (wearers,), and its 95 % t interval. Raises ValueError below FEWEST."""
    count = differences.size
    if count < FEWEST:
        raise ValueError(f"{count} wearers, at least {FEWEST} are needed for an interval over wearers")
    mean = float(np.mean(differences))
    half = _t_factor(count) * float(np.std(differences, ddof=1)) / math.sqrt(count)
    return Interval(mean, mean - half, mean + half)


def _t_factor(count: int) -> float:
    return float(stats.t.ppf(0.5 + LEVEL / 2.0, count - 1))


def crossing(differences: Differences, grid: Sequence[float], narrow: float = NARROW) -> Crossing:
    """The first crossing along x. `differences(x)`: one number per wearer in one order, shape (wearers,).

    `grid`: where to look first, strictly rising; what lies beyond an upper end at zero is not looked at. `narrow`: as
    NARROW. Raises ValueError on an empty or falling grid, and as `mean_interval` does.
    """
    if not len(grid) or any(later <= earlier for earlier, later in pairwise(grid)):
        raise ValueError("a grid of at least one x, strictly rising")
    tried: dict[float, Ends] = {}
    wearers = 0

    def look(x: float) -> Ends:
        nonlocal wearers
        found = differences(x)
        wearers = found.size
        value, low, high = mean_interval(found)
        tried[x] = low, value, high
        return tried[x]

    for x in grid:
        if look(x)[UPPER] <= 0.0:
            break
    for curve in (MEAN, LOWER, UPPER):
        while (bracket := _bracket(tried, curve)) is not None and _wide(bracket, tried, narrow):
            look(0.5 * (bracket[0] + bracket[1]))
    low, value, high = (_place(tried, curve) for curve in (LOWER, MEAN, UPPER))
    harmful = any(ends[UPPER] < 0.0 for ends in tried.values())
    return Crossing(value, low, high, min(tried), max(tried), harmful, wearers)


def _bracket(tried: dict[float, Ends], curve: int) -> tuple[float, float] | None:
    """The last x above zero before the first at or below it, and that one; None where there are not both."""
    before = math.nan
    for x in sorted(tried):
        if tried[x][curve] <= 0.0:
            return None if math.isnan(before) else (before, x)
        before = x
    return None


def _wide(bracket: tuple[float, float], tried: dict[float, Ends], narrow: float) -> bool:
    low, high = bracket
    middle = 0.5 * (low + high)
    share = SHARP if tried[high] == NOTHING else narrow
    return high - low > share * abs(high) and low < middle < high


def _place(tried: dict[float, Ends], curve: int) -> float:
    """Where a straight line through the bracket is zero (before a jump to nothing: the last x that does something).

    -inf without help at the first x, inf without an end.
    """
    if tried[min(tried)][curve] <= 0.0:
        return -math.inf
    bracket = _bracket(tried, curve)
    if bracket is None:
        return math.inf
    if tried[bracket[1]] == NOTHING:
        return bracket[0]
    (low, high), (above, below) = bracket, (tried[bracket[0]][curve], tried[bracket[1]][curve])
    return low + (high - low) * above / (above - below)
