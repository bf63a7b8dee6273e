"""The linear response of a law with memory, by injected sines; nothing of the law need be known.

First the law is brought to a working point, told errors at control ticks: one with an integral by short pushes until
what it asks with no error is enough, any other by a steady error that it answers with enough (`brought`). Enough is the
share of the muscle at which the recruitment curve makes the loop's gain greatest (`steepest_share`). From there its
reading swings by a small sine at one frequency after another, and the share that its pulses fire is held against it
(`answer_to_sines`): least squares on sine, cosine and a line, so that what an integral collects on the way is left out.
The response belongs to the tick: hold and waits are those of the rest of the loop.

What no small sine shows: a law that switches, or rests within a deadband, has no response there and counts as open; one
that changes its manner only in large or quick swings has the margins of the manner that small ones meet.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.controller.law import Law
from thenar.plant_models.muscle import LEAST_SHARE
from thenar.plant_models.settings import Channel, Wearer
from thenar.shared.signals import AGONIST, Stimulus
from thenar.shared.ticks import US_PER_S
from thenar.study.loop_point import Point, asked_of, hand_of, share_of

SWING_N: Final = 1e-3
FREQUENCIES: Final = 36
LOWEST_HZ: Final = 0.05
"""Slower sines aren't asked: below, the response goes on as between the two slowest."""
CYCLES: Final = 3
SETTLES_S: Final = 2.0
LEAST_TICKS: Final = 60
PUSH_SHARE: Final = 0.1
GROWS: Final = 1.005
"""Pushes begin with a tenth of the level and grow, so that a slow integral comes there too."""
LONGEST_PUSH_S: Final = 60.0
STEADY_S: Final = 6.0
HALVINGS: Final = 16
HOLDS: Final = 0.02
CURRENTS: Final = 200


class Workbench(NamedTuple):
    """A law at one channel's point: `reading_N` there, the sign of an error that it answers, us of a tick.

    `body`: the channel; `wanted`: the share that counts as enough; `file`: the scenario's, for errors.
    """

    law: Law
    channel: int
    body: Channel
    reading_N: float
    tick_us: int
    wanted: float
    file: str

    @property
    def sign(self) -> float:
        """Of the errors that this channel answers."""
        return 1.0 if self.channel == AGONIST else -1.0


class Response(NamedTuple):
    """Share per N of error at frequencies in rad/s, shape (n,) each; where the law stood meanwhile.

    `error_N`: the steady error; `stimulus`, `share`: asked there.
    """

    frequency_rad_s: NDArray[np.float64]
    response: NDArray[np.complex128]
    error_N: float
    stimulus: Stimulus
    share: float

    def at(self, frequency_rad_s: NDArray[np.float64]) -> NDArray[np.complex128]:
        """The response at other frequencies: straight between in the logarithms, and on as between the two slowest."""
        known, size = np.log(self.frequency_rad_s), np.log(np.maximum(np.abs(self.response), 1e-300))
        angle, wanted = np.unwrap(np.angle(self.response)), np.log(frequency_rad_s)
        sizes, angles = np.interp(wanted, known, size), np.interp(wanted, known, angle)
        below = wanted < known[0]
        sizes[below] += (wanted[below] - known[0]) * (size[1] - size[0]) / (known[1] - known[0])
        return np.asarray(np.exp(sizes + 1j * angles))


def steepest_share(
    wearer: Wearer,
    channel: int,
    level_N: float,
    width_us: float,
    rate_Hz: float,
    per_share_N: Callable[[Channel, float], float],
    admitted: Callable[[Stimulus], bool],
) -> tuple[float, float] | None:
    """The share, and the current in mA that fires it, at which one mA more adds most force; None where none can be."""
    body = wearer.agonist if channel == AGONIST else wearer.antagonist
    most_mA = 2.0 * body.recruitment.rheobase_mA * (1.0 + body.recruitment.chronaxie_us / width_us) * 3.0
    currents = np.linspace(0.0, most_mA, CURRENTS)
    shares = np.array([share_of(body, Stimulus(float(current), width_us, rate_Hz)) for current in currents])
    slopes = np.gradient(shares, currents)
    best: tuple[float, float, float] | None = None
    for current, share, slope in zip(currents.tolist(), shares.tolist(), slopes.tolist(), strict=True):
        held = hand_of(wearer, channel, level_N, share * per_share_N(body, rate_Hz))
        if share < LEAST_SHARE or held is None or not admitted(Stimulus(current, width_us, rate_Hz)):
            continue
        if best is None or slope * held[1] > best[0]:
            best = slope * held[1], share, current
    return None if best is None else best[1:]


def pulse_of(bench: Workbench, level_N: float) -> Stimulus | None:
    """The first pulse that the law asks of the channel under a large error; None when it never asks for one."""
    for tick in range(round(LONGEST_PUSH_S * US_PER_S / bench.tick_us)):
        asked = _told(bench, bench.sign * level_N, tick)
        if asked.current_mA > 0.0 and asked.width_us > 0.0 and asked.rate_Hz > 0.0:
            return asked
    return None


def brought(bench: Workbench, level_N: float) -> float | None:
    """The steady error in N at which the law now stands with the wanted share; None where it comes to none.

    The law is told pushes and rests in turn. One that keeps what it collected is then at error 0.
    """
    tick = 0
    for push in range(round(0.5 * LONGEST_PUSH_S * US_PER_S / bench.tick_us)):
        _told(bench, bench.sign * level_N * min(1.0, PUSH_SHARE * GROWS**push), tick)
        if share_of(bench.body, _told(bench, 0.0, tick + 1)) >= bench.wanted:
            break
        tick += 2
    kept = [share_of(bench.body, _told(bench, 0.0, tick + 2 + step)) for step in range(_ticks(bench, 1.0))]
    tick += 2 + len(kept)
    if kept[-1] > 0.5 * bench.wanted and abs(kept[-1] - kept[0]) <= HOLDS * kept[0]:
        return 0.0
    low_N, high_N = 0.0, level_N
    for _ in range(HALVINGS):
        middle_N = 0.5 * (low_N + high_N)
        share, tick = _steady(bench, bench.sign * middle_N, tick)
        low_N, high_N = (middle_N, high_N) if share < bench.wanted else (low_N, middle_N)
    share, _ = _steady(bench, bench.sign * high_N, tick)
    return bench.sign * high_N if share >= LEAST_SHARE else None


def _steady(bench: Workbench, error_N: float, tick: int) -> tuple[float, int]:
    """The share at the end of some seconds of one error, and the tick after."""
    share = 0.0
    for _ in range(_ticks(bench, STEADY_S)):
        share = share_of(bench.body, _told(bench, error_N, tick))
        tick += 1
    return share, tick


def answer_to_sines(bench: Workbench, error_N: float, highest_rad_s: float) -> Response | None:
    """The response about `error_N`, where the law stands; None where it doesn't answer a small swing."""
    start = 10_000_000
    here = _told(bench, error_N, start)
    found, asked = [], np.geomspace(2.0 * math.pi * LOWEST_HZ, highest_rad_s, FREQUENCIES)
    tick, tick_s = start, bench.tick_us / US_PER_S
    for frequency in asked.tolist():
        period = max(4, math.ceil(2.0 * math.pi / (frequency * tick_s)))
        settles, counted = max(period, _ticks(bench, SETTLES_S)), max(CYCLES * period, LEAST_TICKS)
        shares = np.empty(counted)
        for step in range(settles + counted):
            swing_N = SWING_N * math.cos(frequency * step * tick_s)
            share = share_of(bench.body, _told(bench, error_N + swing_N, tick))
            tick += 1
            if step >= settles:
                shares[step - settles] = share
        turned = frequency * tick_s * (settles + np.arange(counted))
        columns = np.stack([np.cos(turned), np.sin(turned), np.ones(counted), turned - turned.mean()], axis=1)
        cosine, sine, _, _ = np.linalg.lstsq(columns, shares, rcond=None)[0]
        found.append(bench.sign * complex(cosine, -sine) / SWING_N)
    response = np.array(found)
    if not (np.abs(response) > 0.0).all():
        return None
    return Response(asked, response, error_N, here, share_of(bench.body, here))


def _ticks(bench: Workbench, seconds: float) -> int:
    return max(2, round(seconds * US_PER_S / bench.tick_us))


def _told(bench: Workbench, error_N: float, tick: int) -> Stimulus:
    """What the law asks of the channel when told that the reading lies `error_N` below the target."""
    t_us = tick * bench.tick_us
    return asked_of(bench.law, bench.reading_N + error_N, bench.reading_N, t_us, bench.file)[bench.channel]


def point_of(response: Response, bench: Workbench, level_N: float, held: tuple[float, float], sensor: float) -> Point:
    """The operating point of a response; its slope is left to the response. `held`: own force in N, the hand's gain."""
    gain = float(np.abs(response.at(np.array([2.0 * math.pi])))[0])
    room_N = 0.5 * min(response.share, max(0.0, 1.0 - response.share)) / gain
    target_N = bench.reading_N + response.error_N
    return Point(
        bench.channel, level_N, target_N, bench.reading_N, response.error_N, response.stimulus, response.share, 1.0,
        held[0], held[1], sensor, room_N,
    )  # fmt: skip
