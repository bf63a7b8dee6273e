"""The most probable wearer for a recording, and how sure that is.

Errors of prediction of a Kalman filter have a normal likelihood; its maximum, with what was known before, is sought by
Fisher scoring with damping ([@harvey-1989], section 3.4, from memory), which also gives the covariance of what is
found.
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
    LOG_VARIANCE,
    STATES,
    TOLD_COLUMNS,
    expect,
    filter_force,
    intend,
    linearise,
    produce,
)
from thenar.fit.wearer_ticks import TICK_RATE_HZ, TICK_US, Ticks
from thenar.plant_models.body import body_params, rested_body
from thenar.plant_models.wearer import NAIVE, wearer_params
from thenar.shared.compiled import flat_floats
from thenar.shared.ticks import US_PER_MS

SENSOR_SHARE: Final = 2e-5
"""SD of what a force sensor adds, as a share of maximum: it only keeps the arithmetic well behaved."""
SHOWN_OFF: Final = 0.5
"""SD of the share by which a production is off that is shown from the start: it is corrected while it rises, and how,
is no part of what is fitted. So memory (gain, offset and scatter) is told by hidden productions alone."""
LEAST_PER_Z: Final = 1e-6
PROBE: Final = 0.01
"""Step of a difference quotient, as a share of what was known before."""
ROUNDS: Final = 25
CLOSE_ENOUGH: Final = 0.02
"""The search ends when half the squared step, in SDs, is below this."""
STIFFEST: Final = 1e6

Values = dict[str, float]


class Told(NamedTuple):
    """What one set of values says of a recording: columns as in `wearer_steps`, and what each production made at first.

    `made_N`: shape (productions,), N.
    """

    told: NDArray[np.float64]
    intended: NDArray[np.float64]
    made_N: NDArray[np.float64]


class Found(NamedTuple):
    """The end of a search: values, scaled values and their covariance (chosen, chosen), and what they say."""

    values: Values
    scaled: NDArray[np.float64]
    covariance: NDArray[np.float64]
    told: Told
    made_N: NDArray[np.float64]


class Held:
    """A recording on ticks, held against wearers of one strength."""

    def __init__(self, ticks: Ticks, max_pinch_N: float) -> None:
        """`max_pinch_N`: what shares of maximum are shares of, N."""
        self.ticks, self.max_pinch_N = ticks, max_pinch_N
        body = body_params(wearer_with({}, max_pinch_N))
        self.body, self.rested = flat_floats(body), flat_floats(rested_body(body))
        first = np.flatnonzero(ticks.begins >= 0)
        self.targets_N = np.array([np.median(ticks.target_N[ticks.production == one]) for one in range(first.size)])
        self.answers = np.zeros((2, 4))
        linearise(self.body, self.rested, TICK_US / US_PER_MS, self.answers)

    def made_at_first(self) -> NDArray[np.float64]:
        """What each production made, as far as its first compared second tells, N, shape (productions,)."""
        ticks = self.ticks
        made_N = self.targets_N.copy()
        for places in reversed(ticks.holds()):
            made_N[ticks.production[places[0]]] = ticks.force_N[places[: round(TICK_RATE_HZ)]].mean()
        return made_N

    def told_by(self, values: Values, made_N: NDArray[np.float64]) -> Told:
        """What a wearer of these values says; `made_N`: what each production made, around which all is linear.

        Made, not scatter: else what the noise was made at would seem to hang on gain, offset and scatter.
        """
        ticks, tick_ms = self.ticks, TICK_US / US_PER_MS
        wearer = wearer_with(values, self.max_pinch_N)
        sights = [wearer.model_copy(update={"sees_own_force": sees}) for sees in (False, True)]
        unseen, shown = (flat_floats(wearer_params(one, TICK_US, False)) for one in sights)
        delay = wearer.visual_delay_ms / tick_ms
        motor = round(wearer.motor_delay_ms / tick_ms)
        count = ticks.target_N.size
        intended, told = np.zeros((count, 4)), np.zeros((count, TOLD_COLUMNS))
        habit_N, more_N = np.zeros(made_N.size), np.zeros(made_N.size)
        produce(unseen, flat_floats(NAIVE), self.targets_N, 0.0, habit_N)
        produce(unseen, flat_floats(NAIVE), self.targets_N, 1.0, more_N)
        per_z_N = np.maximum(more_N - habit_N, LEAST_PER_Z * self.max_pinch_N)
        expected_z = np.where(self.targets_N > 0.0, (made_N - habit_N) / per_z_N, 0.0)
        found_z = expected_z.copy()
        intend(
            unseen, shown, ticks.target_N, ticks.force_N, ticks.shown, expected_z[ticks.production], delay,
            flat_floats(NAIVE), intended,
        )  # fmt: skip
        expect(self.body, self.rested, intended, motor, tick_ms, told)
        waits = np.array([int(np.floor(delay + 0.5)) + motor, motor])
        sensor_var = (SENSOR_SHARE * self.max_pinch_N) ** 2
        variance_z = np.where(ticks.from_memory, 1.0, (SHOWN_OFF / wearer.production.scatter_share) ** 2)
        filter_force(
            unseen, self.answers, intended, ticks.force_N, ticks.used, ticks.begins, ticks.unseen_again, expected_z,
            variance_z, waits, sensor_var, np.zeros((STATES, STATES)), np.zeros(STATES), np.zeros((4, STATES)), told,
            found_z,
        )  # fmt: skip
        return Told(told, intended, habit_N + per_z_N * found_z)


def search(
    held: Held, chosen: tuple[Known, ...], fixed: Values, start: NDArray[np.float64], made_N: NDArray[np.float64],
    on_round: Callable[[object], None] | None = None,
) -> Found:  # fmt: skip
    """Seek the most probable `chosen` values (scaled `start`, shape (chosen,)), with `fixed` ones beside them.

    `made_N`: what each production made, to begin with, N, shape (productions,); renewed as the search goes on.
    """
    before, width = centres(chosen), spans(chosen)
    scaled, stiff = start.copy(), 1e-3
    now = held.told_by(_values(chosen, scaled, fixed), made_N)
    worth = _worth(held, now, scaled, before, width)
    information = np.diag(1.0 / width**2)
    tried, next_told, next_worth = scaled, now, worth
    for _ in range(ROUNDS):
        slope, information = _slopes(held, chosen, fixed, scaled, made_N, now)
        slope += (scaled - before) / width**2
        information += np.diag(1.0 / width**2)
        if on_round is not None:
            on_round(None)
        while stiff < STIFFEST:
            step = -np.linalg.solve(information + stiff * np.diag(np.diag(information)), slope)
            step = np.clip(step, -2.0 * width, 2.0 * width)
            tried = np.array([one.scaled(one.value(at)) for one, at in zip(chosen, scaled + step, strict=True)])
            next_told = held.told_by(_values(chosen, tried, fixed), made_N)
            next_worth = _worth(held, next_told, tried, before, width)
            if next_worth < worth:
                break
            stiff *= 8.0
        if stiff >= STIFFEST:
            break
        gained, stiff = worth - next_worth, max(stiff / 8.0, 1e-6)
        scaled = tried
        made_N = next_told.made_N
        now = held.told_by(_values(chosen, scaled, fixed), made_N)
        worth = _worth(held, now, scaled, before, width)
        if gained < CLOSE_ENOUGH:
            break
    return Found(
        _values(chosen, scaled, fixed), scaled, np.asarray(np.linalg.inv(information), dtype=np.float64), now, made_N
    )


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
    made_N: NDArray[np.float64], now: Told,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """Slope of minus the log likelihood and Fisher's information, from differences of the filter's errors."""
    used = held.ticks.used > 0.0
    errors, sd = now.told[used, ERROR], np.exp(0.5 * now.told[used, LOG_VARIANCE])

    def at(scale: float, place: int) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
        known, aside = chosen[place], scaled.copy()
        aside[place] = known.scaled(known.value(float(scaled[place] + scale * PROBE * known.span)))
        told = held.told_by(_values(chosen, aside, fixed), made_N).told[used]
        return told[:, ERROR] * np.exp(0.5 * told[:, LOG_VARIANCE]), told[:, LOG_VARIANCE], float(aside[place])

    def differences(place: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        # A delay is rounded to ticks here and there: its difference quotient spans more than one, evenly.
        wide = chosen[place].key == "visual_delay_ms"
        high = at(10.0 if wide else 1.0, place)
        if high[2] == scaled[place]:
            high = at(-1.0, place)
        low = at(-10.0, place) if wide else (errors * sd, now.told[used, LOG_VARIANCE], float(scaled[place]))
        gap = high[2] - low[2]
        return (high[0] - low[0]) / gap / sd, (high[1] - low[1]) / gap

    with ThreadPoolExecutor(2) as pool:
        columns = list(pool.map(differences, range(len(chosen))))
    by_error = np.stack([one for one, _ in columns], axis=1)
    by_variance = np.stack([one for _, one in columns], axis=1)
    slope = by_error.T @ errors + 0.5 * by_variance.T @ (1.0 - errors * errors)
    return slope, by_error.T @ by_error + 0.5 * by_variance.T @ by_variance
