"""The most probable wearer for a recording, and how sure that is.

Errors of prediction of a Kalman filter have a normal likelihood; its maximum, with what was known before, is sought by
Fisher scoring with damping (Harvey 1989, section 3.4, from memory), which also gives the covariance of what is found.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.fit.wearer_known import Known, centres, spans, wearer_with
from thenar.fit.wearer_steps import (
    ERROR,
    EXPECTED,
    LOG_VARIANCE,
    STATES,
    expect,
    filter_force,
    intend,
    linearise,
)
from thenar.fit.wearer_ticks import TICK_US, Ticks
from thenar.plant_models.body import body_params, rested_body
from thenar.plant_models.wearer import NAIVE, wearer_params
from thenar.shared.compiled import flat_floats
from thenar.shared.ticks import US_PER_MS

SENSOR_SHARE: Final = 2e-5
"""SD of what a force sensor adds, as a share of maximum: it only keeps the arithmetic well behaved."""
SHOWN_OFF: Final = 0.5
"""SD of the share by which a production is off that is shown from the start: it is corrected while it rises, and how,
is no part of what is fitted. So memory (gain, offset and scatter) is told by hidden productions alone."""
PROBE: Final = 0.02
"""Step of a difference quotient, as a share of what was known before."""
ROUNDS: Final = 25
CLOSE_ENOUGH: Final = 0.02
"""The search ends when half the squared step, in SDs, is below this."""
STIFFEST: Final = 1e6

Values = dict[str, float]


class Told(NamedTuple):
    """What one set of values says of a recording: columns as in `wearer_steps`, and how far each production is off.

    `off`: share by which a production differs from the wearer's own habit, shape (productions,).
    """

    told: NDArray[np.float64]
    intended: NDArray[np.float64]
    off: NDArray[np.float64]


class Found(NamedTuple):
    """The end of a search: values, scaled values and their covariance (chosen, chosen), and what they say."""

    values: Values
    scaled: NDArray[np.float64]
    covariance: NDArray[np.float64]
    told: Told
    off: NDArray[np.float64]


class Held:
    """A recording on ticks, held against wearers of one strength."""

    def __init__(self, ticks: Ticks, max_pinch_N: float) -> None:
        """`max_pinch_N`: what shares of maximum are shares of, N."""
        self.ticks, self.max_pinch_N = ticks, max_pinch_N
        body = body_params(wearer_with({}, max_pinch_N))
        self.body, self.rested = flat_floats(body), flat_floats(rested_body(body))
        self.answers = np.zeros((2, 4))
        linearise(self.body, self.rested, TICK_US / US_PER_MS, self.answers)

    def told_by(self, values: Values, off: NDArray[np.float64]) -> Told:
        """What a wearer of these values says; `off`: share by which each production is off, around which it is linear.

        A share, not a number of SDs: else the scatter would seem to be told by every production's mean.
        """
        ticks, tick_ms = self.ticks, TICK_US / US_PER_MS
        wearer = wearer_with(values, self.max_pinch_N)
        sights = [wearer.model_copy(update={"sees_own_force": sees}) for sees in (False, True)]
        unseen, shown = (flat_floats(wearer_params(one, TICK_US, False)) for one in sights)
        delay = wearer.visual_delay_ms / tick_ms
        motor = round(wearer.motor_delay_ms / tick_ms)
        count = ticks.target_N.size
        intended, told = np.zeros((count, 4)), np.zeros((count, 3))
        scatter = wearer.production.scatter_share
        expected_z = off / scatter
        found_z = expected_z.copy()
        intend(
            unseen, shown, ticks.target_N, ticks.force_N, ticks.shown, expected_z[ticks.production], delay,
            flat_floats(NAIVE), intended,
        )  # fmt: skip
        expect(self.body, self.rested, intended, motor, tick_ms, told)
        waits = np.array([int(np.floor(delay + 0.5)) + motor, motor])
        sensor_var = (SENSOR_SHARE * self.max_pinch_N) ** 2
        variance_z = np.where(ticks.from_memory, 1.0, (SHOWN_OFF / scatter) ** 2)
        filter_force(
            unseen, self.answers, intended, ticks.force_N, ticks.used, ticks.begins, ticks.unseen_again, expected_z,
            variance_z, waits, sensor_var, np.zeros((STATES, STATES)), np.zeros(STATES), np.zeros((4, STATES)), told,
            found_z,
        )  # fmt: skip
        return Told(told, intended, scatter * found_z)


def search(
    held: Held, chosen: tuple[Known, ...], fixed: Values, start: NDArray[np.float64], off: NDArray[np.float64],
    on_round: Callable[[], None] | None = None,
) -> Found:  # fmt: skip
    """Seek the most probable `chosen` values (scaled `start`, shape (chosen,)), with `fixed` ones beside them.

    `off`: share by which each production is off, to begin with, shape (productions,); renewed as the search goes on.
    """
    before, width = centres(chosen), spans(chosen)
    scaled, stiff = start.copy(), 1e-3
    now = held.told_by(_values(chosen, scaled, fixed), off)
    worth = _worth(held, now, scaled, before, width)
    information = np.diag(1.0 / width**2)
    for _ in range(ROUNDS):
        slope, information = _slopes(held, chosen, fixed, scaled, off, now)
        slope += (scaled - before) / width**2
        information += np.diag(1.0 / width**2)
        if on_round is not None:
            on_round()
        while stiff < STIFFEST:
            step = -np.linalg.solve(information + stiff * np.diag(np.diag(information)), slope)
            step = np.clip(step, -2.0 * width, 2.0 * width)
            tried = np.array([one.scaled(one.value(at)) for one, at in zip(chosen, scaled + step, strict=True)])
            next_told = held.told_by(_values(chosen, tried, fixed), off)
            next_worth = _worth(held, next_told, tried, before, width)
            if next_worth < worth:
                break
            stiff *= 8.0
        if stiff >= STIFFEST:
            break
        gained, stiff = worth - next_worth, max(stiff / 8.0, 1e-6)
        scaled = tried
        off = next_told.off
        now = held.told_by(_values(chosen, scaled, fixed), off)
        worth = _worth(held, now, scaled, before, width)
        if gained < CLOSE_ENOUGH:
            break
    return Found(_values(chosen, scaled, fixed), scaled, np.linalg.inv(information), now, off)


def _values(chosen: tuple[Known, ...], scaled: NDArray[np.float64], fixed: Values) -> Values:
    return fixed | {known.key: known.value(float(at)) for known, at in zip(chosen, scaled, strict=True)}


def _worth(
    held: Held, now: Told, scaled: NDArray[np.float64], before: NDArray[np.float64], width: NDArray[np.float64]
) -> float:
    """Minus the log of the posterior density, but for a constant."""
    used = held.ticks.used > 0.0
    errors, log_variance = now.told[used, ERROR], now.told[used, LOG_VARIANCE]
    return float(0.5 * (errors @ errors + log_variance.sum()) + 0.5 * (((scaled - before) / width) ** 2).sum())


def _slopes(
    held: Held, chosen: tuple[Known, ...], fixed: Values, scaled: NDArray[np.float64],
    off: NDArray[np.float64], now: Told,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """Slope of minus the log likelihood and Fisher's information, from central differences of the filter's errors."""
    used = held.ticks.used > 0.0
    errors, sd = now.told[used, ERROR], np.exp(0.5 * now.told[used, LOG_VARIANCE])

    def differences(place: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        known, sides = chosen[place], []
        for sign in (-1.0, 1.0):
            aside = scaled.copy()
            aside[place] = known.scaled(known.value(float(scaled[place] + sign * _probe(known))))
            told = held.told_by(_values(chosen, aside, fixed), off).told[used]
            sides.append((told[:, ERROR] * np.exp(0.5 * told[:, LOG_VARIANCE]), told[:, LOG_VARIANCE], aside[place]))
        gap = sides[1][2] - sides[0][2]
        return (sides[1][0] - sides[0][0]) / gap / sd, (sides[1][1] - sides[0][1]) / gap

    with ThreadPoolExecutor(2) as pool:
        columns = list(pool.map(differences, range(len(chosen))))
    by_error = np.stack([one for one, _ in columns], axis=1)
    by_variance = np.stack([one for _, one in columns], axis=1)
    slope = by_error.T @ errors + 0.5 * by_variance.T @ (1.0 - errors * errors)
    return slope, by_error.T @ by_error + 0.5 * by_variance.T @ by_variance


def _probe(known: Known) -> float:
    """A delay is rounded to ticks here and there: its difference quotient spans more than one."""
    return PROBE * known.span * (5.0 if known.key == "visual_delay_ms" else 1.0)


def expected_force_N(told: Told) -> NDArray[np.float64]:
    """The force at each tick from target, sight and each production's scatter alone, N, shape (ticks,)."""
    return np.asarray(told.told[:, EXPECTED])
