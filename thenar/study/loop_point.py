"""The operating point that a loop is linearised about: what the law asks there, and how steeply that changes.

The force is the level, held by the wearer and the stimulation together. How far the estimate lies from the target
then, and so how hard the law pushes, is open: every error up to the level itself is looked at, with the own force that
makes up the rest, and the point is where the loop's gain is greatest (the *steepest* point). Where a law has kinks
(the deadband's edge, the ceiling) no slope exists; such places are no operating points.

The slope is that of the law itself, asked twice: the share of the muscle that its pulses fire, over the estimate. That
works for any law without memory. A law with memory has no such slope: `loop_memory` finds what it has.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.controller.law import Law
from thenar.controller.law_process import AwayLaw
from thenar.controller.stepped import SteppedLaw
from thenar.engine.asking import answer_of
from thenar.plant_models.electrode import delivered_mA, electrode_params
from thenar.plant_models.estimator import bias_knots, biased_N
from thenar.plant_models.muscle import LEAST_SHARE
from thenar.plant_models.recruitment import recruited_share, recruitment_params
from thenar.plant_models.settings import Channel, Estimator, Wearer
from thenar.safety.inputs import LAW_FINE
from thenar.shared.errors import InputError, Problem
from thenar.shared.foreign import LONGEST_START_S
from thenar.shared.signals import AGONIST, REST, Observation, Stimulus
from thenar.shared.ticks import US_PER_MS

POINTS: Final = 121
SMOOTH_WITHIN: Final = 0.2
"""Slopes on both sides of an operating point may differ by this much of the larger; more is a kink."""
SENSOR_STEP_N: Final = 1e-3
FULL_CONTACT: Final = 1.0
_ASKED_AT_US: Final = (2_000_000, 7_340_000)


class Point(NamedTuple):
    """One operating point. `channel`: 0 agonist, 1 antagonist; `share`: recruited there.

    `error_N`: target less reading. `slope_per_N`: growth of the share per N of error. `own_N`: the wearer's own
    force. `hand`: N at the fingertip per N of the muscle. `sensor`: reading per N of force. `room_N`: how far the
    error can move either way before the law's slope breaks off.
    """

    channel: int
    level_N: float
    target_N: float
    reading_N: float
    error_N: float
    stimulus: Stimulus
    share: float
    slope_per_N: float
    own_N: float
    hand: float
    sensor: float
    room_N: float


class _Asked(NamedTuple):
    """The law along a row of errors: both of shape (n,), errors rising in size."""

    errors_N: NDArray[np.float64]
    shares: NDArray[np.float64]
    stimuli: list[Stimulus]


def sensor_at(estimator: Estimator, level_N: float) -> tuple[float, float]:
    """Reading in N at a force of `level_N` N, and its slope: the steeper one at a knot of the bias curve."""
    knots = bias_knots(estimator)

    def read(force_N: float) -> float:
        return min(estimator.range_N, float(biased_N(knots, force_N)))

    here = read(level_N)
    above = (read(level_N + SENSOR_STEP_N) - here) / SENSOR_STEP_N
    below = (here - read(level_N - SENSOR_STEP_N)) / SENSOR_STEP_N
    return here, max(above, below)


def asked_of(law: Law, target_N: float, reading_N: float, t_us: int, file: str) -> tuple[Stimulus, Stimulus]:
    """What `law` asks of both channels. Raises InputError (naming `file`) when it raises or overruns."""
    answer = answer_of(law, Observation(t_us, target_N, reading_N, 100 * US_PER_MS, 0.1, REST, REST), LONGEST_START_S)
    demand = answer.demand
    if answer.fault != LAW_FINE or not (hasattr(demand, "agonist") and hasattr(demand, "antagonist")):
        found = answer.what or f"an answer of type {type(demand).__name__}"
        raise InputError([Problem(file, "law", found, "a law that answers with a Demand")])
    return Stimulus(*demand.agonist), Stimulus(*demand.antagonist)


def share_of(channel: Channel, stimulus: Stimulus) -> float:
    """Share of the muscle that pulses of `stimulus` fire through pads in full contact."""
    if not (stimulus.current_mA > 0.0 and stimulus.width_us > 0.0 and stimulus.rate_Hz > 0.0):
        return 0.0
    pads = electrode_params(channel.electrode)
    flowing_mA = delivered_mA(pads, stimulus.current_mA, stimulus.width_us, FULL_CONTACT)
    return float(recruited_share(recruitment_params(channel.recruitment), flowing_mA, stimulus.width_us))


def remembers(law: Law, level_N: float, reading_N: float, file: str) -> bool:
    """Whether the law's answer to one error depends on when it is asked or on what was asked before.

    A stepped law says itself that it remembers: one that watches the estimate move shows nothing at a still one.
    """
    errors = np.linspace(-level_N, level_N, 9).tolist()
    there = [asked_of(law, reading_N + error, reading_N, _ASKED_AT_US[0], file) for error in errors]
    back = [asked_of(law, reading_N + error, reading_N, _ASKED_AT_US[1], file) for error in reversed(errors)]
    says_so = law.remembers if isinstance(law, AwayLaw) else isinstance(law, SteppedLaw) and law.memory.size > 0
    return there != back[::-1] or says_so


def steepest_point(
    law: Law,
    wearer: Wearer,
    channel: int,
    level_N: float,
    sensor: tuple[float, float],
    per_share_N: Callable[[Channel, float], float],
    admitted: Callable[[Stimulus], bool],
    file: str,
) -> Point | None:
    """The operating point at `level_N` N at which one channel's loop has the greatest gain; None when it has none.

    `sensor`: as `sensor_at` gives it. `per_share_N(channel, rate_Hz)`: mean force in N of a steady train for each unit
    of share. `admitted(stimulus)`: whether the limits let it stand. `file`: scenario file, for errors. None means that
    the law rests, or that nothing it asks for changes.
    """
    body = wearer.agonist if channel == AGONIST else wearer.antagonist
    asked = _asked_along(law, body, channel, level_N, sensor[0], file)
    best: tuple[float, Point] | None = None
    # Too much force is at most all of it: a target below zero is none.
    largest_N = level_N if channel == AGONIST else min(level_N, sensor[0])
    for place, (slope, room_N) in _smooth_places(asked).items():
        stimulus, share = asked.stimuli[place], float(asked.shares[place])
        evoked_N = share * per_share_N(body, stimulus.rate_Hz)
        held = hand_of(wearer, channel, level_N, evoked_N)
        if held is None or abs(asked.errors_N[place]) > largest_N or not admitted(stimulus):
            continue
        own_N, hand = held
        gain = slope * hand * per_share_N(body, stimulus.rate_Hz)
        if best is None or gain > best[0]:
            error_N = float(asked.errors_N[place])
            target_N = sensor[0] + error_N
            best = gain, Point(
                channel, level_N, target_N, sensor[0], error_N, stimulus, share, slope, own_N, hand, sensor[1], room_N
            )  # fmt: skip
    return None if best is None else best[1]


def hand_of(wearer: Wearer, channel: int, level_N: float, evoked_N: float) -> tuple[float, float] | None:
    """The own force that holds the level beside `evoked_N` N of the muscle, and the hand's gain; None if none does."""
    most_N = wearer.max_pinch_N
    if channel == AGONIST:
        evoked = evoked_N / most_N
        if evoked_N > level_N or evoked >= 1.0:
            return None
        own = (level_N / most_N - evoked) / (1.0 - evoked)
        return own * most_N, 1.0 - own
    own_N = level_N + wearer.lever_ratio * evoked_N
    return None if own_N > most_N else (own_N, wearer.lever_ratio)


def _asked_along(law: Law, body: Channel, channel: int, level_N: float, reading_N: float, file: str) -> _Asked:
    """The law along errors of one sign: coarsely, then finely where its answer changes."""
    sign = 1.0 if channel == AGONIST else -1.0

    def along(low_N: float, high_N: float) -> _Asked:
        sizes = np.linspace(low_N, high_N, POINTS)
        stimuli = [
            asked_of(law, reading_N + sign * float(size), reading_N, _ASKED_AT_US[0], file)[channel] for size in sizes
        ]
        return _Asked(sign * sizes, np.array([share_of(body, stimulus) for stimulus in stimuli]), stimuli)

    # Beyond the level too, to see where the slope ends.
    coarse = along(0.0, 2.0 * level_N)
    changes = np.flatnonzero(np.diff(coarse.shares) != 0.0)
    if not changes.size:
        return coarse
    sizes = np.abs(coarse.errors_N)
    return along(float(sizes[changes[0]]), float(sizes[changes[-1] + 1]))


def _smooth_places(asked: _Asked) -> dict[int, tuple[float, float]]:
    """Places with one slope on both sides: the slope per N, and the distance in N to the end of their smooth run."""
    sizes = np.abs(asked.errors_N)
    slopes = np.diff(asked.shares) / np.diff(sizes)
    left, right = slopes[:-1], slopes[1:]
    larger = np.maximum(np.abs(left), np.abs(right))
    smooth = (left > 0.0) & (right > 0.0) & (np.abs(left - right) <= SMOOTH_WITHIN * larger)
    smooth &= asked.shares[1:-1] >= LEAST_SHARE
    found: dict[int, tuple[float, float]] = {}
    edges = np.flatnonzero(np.diff(np.concatenate([[False], smooth, [False]])))
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        for place in range(first + 1, last + 1):
            room_N = min(sizes[place] - sizes[first], sizes[last + 1] - sizes[place])
            found[place] = float(0.5 * (slopes[place - 1] + slopes[place])), float(room_N)
    return found
