"""Looks into a study before its end: boundaries of tests whose false alarms add up to alpha over all looks.

A study is looked into at shares of its people. The sum of standardised differences up to share t behaves as Brownian
motion at time t, so the chance to leave between the boundaries is followed from look to look by numerical integration
([@armitage-1969]; [@jennison-turnbull-2000], ch. 19). How much of alpha each look may spend is the O'Brien-Fleming
type function of Lan & DeMets [@lan-demets-1983], two-sided: twice the one-sided function at alpha/2.

With few people the test is a t test: each boundary becomes its two-sided probability, which the t test must fall below
(the significance level approach, Jennison & Turnbull, section 3.8; from memory). That is nearly, not exactly, right,
so `thenar plan` counts the false alarms too.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

MOST_LOOKS: Final = 10
FEWEST_AT_A_LOOK: Final = 3
NEVER_Z: Final = 8.0
"""A boundary beyond which nobody gets by chance (two-sided probability 1.2e-15): the look stops nothing."""
_NODES: Final = 201

Floats = NDArray[np.float64]


def spent(alpha: float, shares: Sequence[float]) -> Floats:
    """How much of a two-sided `alpha` may be spent up to each share (0 to 1] of the people, shape (looks,)."""
    z = -special.ndtri(alpha / 4.0)
    return np.asarray(4.0 * special.ndtr(-z / np.sqrt(np.asarray(shares, dtype=np.float64))))


def crossed(bounds_z: Sequence[float], shares: Sequence[float], drift: float = 0.0) -> Floats:
    """The chance to cross a boundary for the first time at each look, on either side, shape (looks,).

    `bounds_z`: boundaries of the standardised mean, positive, no unit; `shares`: rising shares of the people, the last
    is 1; `drift`: what the standardised mean would be at the end, no unit (0: no effect).
    """
    way = _Way(drift)
    return np.array([way.past(bound, share) for bound, share in zip(bounds_z, shares, strict=True)])


@lru_cache(maxsize=512)
def boundaries(alpha: float, shares: tuple[float, ...]) -> tuple[float, ...]:
    """Boundaries in z, one per look, that spend a two-sided `alpha` as `spent` says; NEVER_Z where it spends nothing.

    `shares`: rising shares of the people, the last is 1.
    """
    way = _Way(0.0)
    found = []
    for share, budget in zip(shares, np.diff(spent(alpha, shares), prepend=0.0), strict=True):
        bound = NEVER_Z
        if way.chance(NEVER_Z, share) < budget:
            bound = float(optimize.brentq(lambda z: way.chance(z, share) - budget, 0.0, NEVER_Z, xtol=1e-10))  # noqa: B023
        way.past(bound, share)
        found.append(bound)
    return tuple(found)


def nominal(bounds_z: Sequence[float]) -> Floats:
    """The two-sided probability that a test at each look must fall below, shape (looks,)."""
    return np.asarray(2.0 * special.ndtr(-np.asarray(bounds_z, dtype=np.float64)))


def look_people(people: int, looks: int) -> tuple[int, ...]:
    """After how many of `people` each of `looks` looks comes: evenly spread, none before 3 people, the last at all."""
    at = {max(FEWEST_AT_A_LOOK, round(people * look / looks)) for look in range(1, looks + 1)}
    return tuple(sorted(n for n in at if n <= people))


class _Way:
    """Brownian motion among those studies that go on: its density on a grid between the last look's boundaries."""

    def __init__(self, drift: float) -> None:
        self._drift = drift
        self._share = 0.0
        self._at = np.zeros(1)
        self._weight = np.ones(1)

    def chance(self, bound_z: float, share: float) -> float:
        """The chance to lie beyond `bound_z` at `share`, having crossed nothing before."""
        step, middle, edge = share - self._share, self._middle(share), bound_z * np.sqrt(share)
        beyond = special.ndtr((-edge - middle) / np.sqrt(step)) + special.ndtr((middle - edge) / np.sqrt(step))
        return float(self._weight @ beyond)

    def past(self, bound_z: float, share: float) -> float:
        """As `chance`; then go on from the studies that haven't crossed."""
        found, edge, step = self.chance(bound_z, share), bound_z * np.sqrt(share), share - self._share
        nodes, weights = _legendre()
        at = edge * nodes
        # Gaussian steps from every old point to every new one.
        density = np.exp(-0.5 * np.square(at[:, None] - self._middle(share)) / step) / np.sqrt(2.0 * np.pi * step)
        self._weight = (density @ self._weight) * weights * edge
        self._at, self._share = at, share
        return found

    def _middle(self, share: float) -> Floats:
        return np.asarray(self._at + self._drift * (share - self._share))


@lru_cache(maxsize=1)
def _legendre() -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return nodes, weights
