"""Least squares on the simulated force: many starts, noise that is correlated, intervals that allow for it.

1. Starts are drawn around the defaults (seeded); each is scored with its best force scale and offset, which are linear.
2. The best few are followed by least squares within bounds (scipy, trust region), the best of them to the end.
3. What is left over is taken as an autoregressive process ([@hamilton-1994], ch. 8: feasible
   generalised least squares); force and slopes are filtered by it and the search goes on, until nothing changes.
4. Intervals: the jackknife over stretches of two seconds, each left out in turn by its leverage (Bell & McCaffrey
   [@bell-mccaffrey-2002]), which also holds where noise grows with force or the filter missed some of it, with
   Student's t of as many degrees of freedom as stretches have a say (Satterthwaite's, as there). The loose hold of the
   defaults counts as information.
Both sources from memory.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares, nnls
from scipy.stats import t as student_t

from thenar.fit.muscle_model import CENTRE, COUNT, HIGHEST, LOOSE, LOWEST, REACH, Simulator, Vector
from thenar.fit.muscle_recording import Observed
from thenar.shared.noise import stream

STARTS: Final = 32
FOLLOWED: Final = 4
SHORT_SEARCH: Final = (25, 1e-3)
LONG_SEARCH: Final = (60, 1e-9)
"""At most how many simulations with slopes, and the share by which a step must still lessen the cost."""
LAGS: Final = 8
ROUNDS: Final = 3
STRETCH_S: Final = 2.0
"""What is left over in two stretches of this length is independent, but for the filter."""
LEAST_LEVEL: Final = 1e-3
AS_GOOD: Final = 1.05
"""A start agrees with the best when it leaves no more than this times as much over, squared."""
INWARD: Final = 1e-6
TIGHT: Final = 1e-4
"""SD in its coordinate of what is held at a default."""


class Whitener:
    """Brings what is left over to one scatter at every force, and makes its values independent of those before."""

    def __init__(self, seen: Observed, level_N: Vector, weights: Vector) -> None:
        """`level_N` (n,): SD of what is left over; `weights`: by how much each value follows those before it."""
        self.level_N, self.weights = level_N, weights
        self._whole = np.flatnonzero(_run_lengths(seen.joined) >= weights.size)

    def filtered(self, columns: NDArray[np.float64]) -> NDArray[np.float64]:
        """`columns`, shape (n,) or (n, k), over the level and filtered; fewer rows: each needs those before it."""
        scaled = (columns.T / self.level_N).T
        made = scaled[self._whole]
        for lag, weight in enumerate(self.weights.tolist(), 1):
            made = made - weight * scaled[self._whole - lag]
        return made


class Found(NamedTuple):
    """Where a search ended.

    `at` (COUNT,): coordinates; `halves` (COUNT,): half of their 95 % intervals; `model_N`, `left_N` (n,): force and
    what is left over; `white`: the filter that was used; `agreeing`, `followed`: how many of the followed starts ended
    as well.
    """

    at: Vector
    halves: Vector
    model_N: Vector
    left_N: Vector
    white: Whitener
    agreeing: int
    followed: int


def whitener(seen: Observed, model_N: Vector, offset_N: float) -> Whitener:
    """The filter that suits what `model_N` leaves over: a level that grows with force, then an autoregression."""
    left_N = seen.force_N - model_N
    evoked_N = model_N - offset_N
    columns = np.stack([np.ones_like(evoked_N), evoked_N * evoked_N], axis=1)
    square, _ = nnls(columns, left_N * left_N)
    least = LEAST_LEVEL * float(np.mean(left_N * left_N)) + 1e-18
    level_N = np.sqrt(np.maximum(columns @ square, least))
    scaled = left_N / level_N
    whole = np.flatnonzero(_run_lengths(seen.joined) >= LAGS)
    if whole.size < 10 * LAGS:
        return Whitener(seen, level_N, np.empty(0))
    lagged = np.stack([scaled[whole - lag] for lag in range(1, LAGS + 1)], axis=1)
    weights, *_ = np.linalg.lstsq(lagged, scaled[whole], rcond=None)
    spread = float(np.std(scaled[whole] - lagged @ weights))
    return Whitener(seen, level_N * max(spread, 1e-9), weights)


def _run_lengths(joined: NDArray[np.bool_]) -> NDArray[np.int64]:
    """How many stretches before each one follow on without a gap, shape (n,)."""
    places = np.arange(joined.size)
    return places - np.maximum.accumulate(np.where(joined, 0, places))


def settled(seen: Observed, simulator: Simulator, found: Found, held: Collection[int]) -> Vector:
    """Coordinates when those at the places `held` stay at the model's defaults, near `found`. Shape (COUNT,)."""
    start = found.at.copy()
    places = list(held)
    start[places] = CENTRE[places]
    loose = LOOSE.copy()
    loose[places] = TIGHT
    return _followed(seen, simulator, found.white, start, LONG_SEARCH, loose)[1]


def search(seen: Observed, simulator: Simulator, seed: int) -> Found:
    """The muscle whose force comes closest to the recording. `seed`: of the starts."""
    level_N = max(3.0 * seen.noise_N, 1e-3 * float(np.ptp(seen.force_N)))
    plain = Whitener(seen, np.full(seen.at_ms.size, level_N), np.empty(0))
    ends = [_followed(seen, simulator, plain, start, SHORT_SEARCH) for start in _starts(seen, simulator, seed)]
    ends.sort(key=lambda end: end[0])
    at = _followed(seen, simulator, plain, ends[0][1], LONG_SEARCH)[1]
    white = plain
    for _ in range(ROUNDS):
        white = whitener(seen, simulator.force_N(at), float(at[-1]))
        before, at = at, _followed(seen, simulator, white, at, LONG_SEARCH)[1]
        if np.abs(at - before).max() < 1e-4:
            break
    model_N, slopes = simulator.with_slopes(at)
    left_N = seen.force_N - model_N
    stretch = max(1, round(1e3 * STRETCH_S / float(np.median(np.diff(seen.at_ms)))))
    halves = _half_widths(white.filtered(slopes), white.filtered(left_N), stretch)
    agreeing = len([end for end in ends if end[0] <= AS_GOOD * ends[0][0]])
    return Found(at, halves, model_N, left_N, white, agreeing, len(ends))


def _starts(seen: Observed, simulator: Simulator, seed: int) -> list[Vector]:
    """The best few of the drawn places, each with the force scale and offset that suit it best."""
    draws = stream(seed, 0, 0, "muscle fit starts")
    spread = np.where(np.isfinite(LOOSE), LOOSE, 0.0)
    tried = [CENTRE, *(CENTRE + 0.8 * spread * draws.standard_normal(COUNT) for _ in range(STARTS - 1))]
    tried = [np.clip(at, LOWEST + INWARD, HIGHEST - INWARD) for at in tried]
    for at in tried:
        at[REACH], at[-1] = CENTRE[REACH], 0.0
    scored = []
    for at, force_N in zip(tried, simulator.many(tried), strict=True):
        columns = np.stack([force_N, np.ones_like(force_N)], axis=1)
        (scale, offset_N), *_ = np.linalg.lstsq(columns, seen.force_N, rcond=None)
        at[REACH] = np.clip(at[REACH] + np.log(max(scale, 1e-3)), LOWEST[REACH] + INWARD, HIGHEST[REACH] - INWARD)
        at[-1] = np.clip(offset_N, LOWEST[-1] + INWARD, HIGHEST[-1] - INWARD)
        left = seen.force_N - columns @ np.array([scale, offset_N])
        scored.append((float(left @ left), at))
    scored.sort(key=lambda one: one[0])
    return [at for _, at in scored[:FOLLOWED]]


def _followed(
    seen: Observed,
    simulator: Simulator,
    white: Whitener,
    start: Vector,
    effort: tuple[int, float],
    loose: Vector = LOOSE,
) -> tuple[float, Vector]:
    """The cost and place where least squares ends from `start` with so much effort.

    `loose`: SD by which each coordinate is held at its default.
    """
    hold = 1.0 / loose
    remembered: dict[bytes, tuple[Vector, NDArray[np.float64]]] = {}

    def asked(at: Vector) -> tuple[Vector, NDArray[np.float64]]:
        key = at.tobytes()
        if key not in remembered:
            remembered.clear()
            model_N, slopes = simulator.with_slopes(at)
            left = white.filtered(model_N - seen.force_N)
            rows = white.filtered(slopes)
            compact = _compact(np.column_stack([rows, left]))
            remembered[key] = (
                np.concatenate([compact[:, -1], hold * (at - CENTRE)]),
                np.concatenate([compact[:, :-1], np.diag(hold)]),
            )
        return remembered[key]

    inside = np.clip(start, LOWEST + INWARD, HIGHEST - INWARD)
    ended = least_squares(
        lambda at: asked(at)[0], inside, jac=lambda at: asked(at)[1], bounds=(LOWEST, HIGHEST), method="trf",
        x_scale="jac", max_nfev=effort[0], xtol=1e-7, ftol=effort[1], gtol=1e-9,
    )  # fmt: skip
    return float(ended.cost), ended.x


def _compact(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """As many rows as columns, with the squares and products of the many `rows`: all that least squares needs."""
    sizes = np.maximum(np.sqrt(np.einsum("ij,ij->j", rows, rows)), 1e-150)
    products = (rows.T @ rows) / np.outer(sizes, sizes)
    squares, turned = np.linalg.eigh(products)
    made: NDArray[np.float64] = np.sqrt(np.maximum(squares, 0.0))[:, None] * turned.T * sizes
    return made


def _half_widths(rows: NDArray[np.float64], left: Vector, stretch: int) -> Vector:
    """Half of each coordinate's 95 % interval, shape (COUNT,).

    `rows` (n, COUNT), `left` (n,): filtered, over the SD of the noise; `stretch`: rows that may depend on each other.
    """
    hold = np.diag(1.0 / (LOOSE * LOOSE))
    told = np.linalg.pinv(rows.T @ rows + hold, hermitian=True)
    middle = np.zeros((COUNT, COUNT))
    shares = []
    for first in range(0, left.size, stretch):
        part = rows[first : first + stretch]
        weight = part.T @ part
        # The pull of a stretch on a fit that was made without it.
        pull = np.linalg.solve(np.eye(COUNT) - weight @ told, part.T @ left[first : first + stretch])
        middle += np.outer(pull, pull)
        shares.append(np.diag(told @ weight @ told))
    covariance = told @ (middle + hold) @ told
    total, squares = np.sum(shares, axis=0), np.sum(np.square(shares), axis=0)
    freedom = np.maximum(1.0, total * total / np.maximum(squares, 1e-300))
    widths: Vector = student_t.ppf(0.975, freedom) * np.sqrt(np.diag(covariance))
    return widths
