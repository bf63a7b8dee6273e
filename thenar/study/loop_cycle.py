"""The limit cycle of the bang-bang law: a law that switches has no slope and no margins, but swings round for ever.

The law itself runs around a linear body: each pulse adds the muscle's response to one pulse in a steady train
(`loop_response.pulse_response`), behind electromechanical delay, overlap or lever, and contact lag; readings are taken
and arrive as a trial's plan of readings says; currents rise as R20 and R21 of the limit profile allow, nothing else is
limited. Dwell, hysteresis and rest between the channels are the law's own. What the linear body leaves out: a muscle
that was silent answers the first pulses of a new train differently. `simulated_cycle` runs the nonlinear loop instead.

The target is the level. The wearer holds as much less than it as half the agonist's full effect, so that stimulation is
on half the time (or nothing, where that effect is more than twice the level).
"""

from __future__ import annotations

import dataclasses
import math
from bisect import bisect_left
from collections.abc import Callable
from functools import partial
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.controller.law import Law
from thenar.engine.events import EventTrial
from thenar.engine.trial import Trial, law_of
from thenar.plant_models.estimator import plan_readings
from thenar.plant_models.settings import Channel
from thenar.safety.limits import ChannelLimits
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.signals import AGONIST, ANTAGONIST, REST, Observation, Stimulus
from thenar.shared.ticks import US_PER_MS, US_PER_S, us_from_s
from thenar.study.loop_check import SOFT_RISE, as_loose_as_allowed, bench_trial
from thenar.study.loop_point import Point, sensor_at, share_of
from thenar.study.loop_response import pulse_response, quiet_placement
from thenar.study.margins import check_level, level_of, pulses_us_of, steady_per_share_N, trials_of
from thenar.study.over_wearers import for_each

RUN_S: Final = 40.0
JUDGED_FROM_S: Final = 15.0
GRID_US: Final = 10_000
LEAST_SWING_N: Final = 0.05
"""A swing smaller than this, from lowest to highest, is no cycle: pulses alone ripple as much."""


class Cycle(NamedTuple):
    """A limit cycle: mean lowest and highest force in N over whole cycles, and mean period in s (NaN: none)."""

    low_N: float
    high_N: float
    period_s: float

    @property
    def amplitude_N(self) -> float:
        """Half the way from the lowest to the highest force, N."""
        return 0.5 * (self.high_N - self.low_N)


class WearerCycle(NamedTuple):
    """One wearer's cycle: number (from 0) and name, own force in N, the prediction, and its force every 10 ms."""

    wearer: int
    name: str
    own_N: float
    cycle: Cycle
    force_N: NDArray[np.float64]


class PopulationCycles(NamedTuple):
    """Cycles of all wearers about one force level in N."""

    level_N: float
    seed: int
    wearers: tuple[WearerCycle, ...]

    def ranked(self) -> list[WearerCycle]:
        """Wearers by amplitude, the largest first."""
        return sorted(self.wearers, key=lambda one: -one.cycle.amplitude_N)

    @property
    def median(self) -> WearerCycle:
        """The wearer whose amplitude is the median."""
        return self.ranked()[len(self.wearers) // 2]


def cycles_of(
    loaded: LoadedScenario,
    level_N: float | None = None,
    *,
    seed: int | None = None,
    wearers: int | None = None,
    jobs: int = 1,
    on_wearer: Callable[[object], None] = lambda _: None,
) -> PopulationCycles:
    """The limit cycle of every wearer of a scenario with the bang-bang law. Arguments and errors as `margins_of`."""
    trials = trials_of(loaded, seed, wearers)
    level_N = level_of(trials) if level_N is None else level_N
    file = str(loaded.path)
    check_level(trials, level_N, file)
    found = for_each(partial(predicted, level_N=level_N, file=file), trials, jobs, on_wearer)
    return PopulationCycles(level_N, trials[0].seed, tuple(found))


def predicted(trial: Trial, level_N: float, file: str) -> WearerCycle:
    """The cycle of one wearer's law around the linear body."""
    law = law_of(trial, file)
    own_N = own_force_N(trial, law_of(trial, file), level_N)
    body = _LinearBody(trial, own_N)
    plan = plan_readings(quiet_placement(trial.estimator), us_from_s(RUN_S), trial.seed, 0, 0)
    arrivals = sorted(zip(plan.arrives_us.tolist(), plan.sampled_us.tolist(), strict=True), reverse=True)
    newest_us, estimate_N = -1, math.nan
    for t_us in range(0, us_from_s(RUN_S), trial.clock.control_us):
        while arrivals and arrivals[-1][0] <= t_us:
            _, sampled_us = arrivals.pop()
            if sampled_us > newest_us:
                newest_us, estimate_N = sampled_us, sensor_at(trial.estimator, body.force_N(sampled_us))[0]
        demand = law.decide(Observation(t_us, level_N, estimate_N, t_us - newest_us, 0.0, REST, REST))
        body.command(t_us, (demand.agonist, demand.antagonist))
    times_us = np.arange(0, us_from_s(RUN_S), GRID_US)
    force_N = np.array([body.force_N(int(t_us)) for t_us in times_us])
    label = trial.label
    return WearerCycle(label.wearer, label.wearer_name, own_N, measured_cycle(force_N, GRID_US), force_N)


def simulated_cycle(trial: Trial, level_N: float, own_N: float) -> tuple[Cycle, NDArray[np.float64]]:
    """The same in the nonlinear engine: the cycle, and the true force every 10 ms.

    Limits are as loose as the hard ceilings allow, but for R20 and R21, which are the trial's own.
    """
    reading_N, slope = sensor_at(trial.estimator, level_N)
    point = Point(AGONIST, level_N, level_N, reading_N, 0.0, REST, 0.0, 0.0, own_N, 1.0, slope, 0.0)
    bench = bench_trial(trial, point, us_from_s(RUN_S))
    bench = dataclasses.replace(
        bench,
        clock=bench.clock.model_copy(update={"trace_rate_Hz": US_PER_S / GRID_US}),
        profile=as_loose_as_allowed(trial.profile, keep=SOFT_RISE),
        estimator=bench.estimator.model_copy(
            update={name: getattr(trial.estimator, name) for name in ("true_N", "reads_N", "range_N")}
        ),
        wearer=bench.wearer.model_copy(update={"unseen_level_N": own_N, "sees_own_force": False}),
    )
    force_N = EventTrial(bench).run().trace["force_N"]
    return measured_cycle(force_N, GRID_US), force_N


def own_force_N(trial: Trial, law: Law, level_N: float) -> float:
    """The own force in N that lies half the agonist's full effect below the level; at least 0. Switches `law` on."""
    wearer = trial.wearer
    asked = law.decide(Observation(0, 10.0 * wearer.max_pinch_N, 0.0, 0, 0.0, REST, REST)).agonist
    full_N = share_of(wearer.agonist, asked) * steady_per_share_N(wearer.agonist, asked.rate_Hz or 1.0)
    return max(0.0, level_N - 0.5 * full_N)


def measured_cycle(force_N: NDArray[np.float64], spacing_us: int) -> Cycle:
    """Mean extremes and period over whole cycles, from JUDGED_FROM_S on. `force_N`: shape (n,), `spacing_us` apart."""
    late = force_N[round(JUDGED_FROM_S * US_PER_S / spacing_us) :]
    low_N, high_N = float(late.min()), float(late.max())
    if high_N - low_N < LEAST_SWING_N:
        return Cycle(float(late.mean()), float(late.mean()), math.nan)
    # A fifth of the swing apart, so that the ripple of single pulses isn't counted as cycles.
    up, down = low_N + 0.6 * (high_N - low_N), low_N + 0.4 * (high_N - low_N)
    ups, below = [], False
    for place, value in enumerate(late.tolist()):
        if value < down:
            below = True
        elif value > up and below:
            ups.append(place)
            below = False
    if len(ups) < 3:
        return Cycle(low_N, high_N, math.nan)
    cycles = [late[one:other] for one, other in pairwise(ups)]
    return Cycle(
        float(np.mean([cycle.min() for cycle in cycles])),
        float(np.mean([cycle.max() for cycle in cycles])),
        (ups[-1] - ups[0]) / (len(ups) - 1) * spacing_us / US_PER_S,
    )


class _Train:
    """One channel's pulses: what has been admitted, what has fired, and what each pulse does."""

    def __init__(self, channel: Channel, limits: ChannelLimits, contact_ms: float, hand: float, rest_us: int) -> None:
        self.channel, self.limits, self.hand, self.rest_us = channel, limits, hand, rest_us
        self.contact_ms = contact_ms
        self.times_us: list[int] = []
        self.shares: list[float] = []
        self.current_uA = 0.0
        self.stimulus = REST
        self.time_us = np.zeros(1)
        self.response_N = np.zeros(1)

    def command(self, t_us: int, asked: Stimulus, tick_us: int) -> None:
        """Take over what is asked at a tick, its rise limited, and fire what is due before the next."""
        asked_uA = 1e3 * asked.current_mA
        silent = not self.times_us or t_us - self.times_us[-1] >= self.rest_us
        step_uA = self.limits.slew_uA_per_s * tick_us / US_PER_S
        first_uA = float(self.limits.first_step_uA)
        top_uA = first_uA if silent else max(first_uA, self.current_uA + step_uA)
        self.current_uA = min(asked_uA, top_uA)
        if self.current_uA <= 0.0:
            return
        if self.time_us.size == 1 or asked.rate_Hz != self.stimulus.rate_Hz:
            self._know(asked.rate_Hz)
        self.stimulus = asked
        share = share_of(self.channel, asked._replace(current_mA=1e-3 * self.current_uA))
        period_us = pulses_us_of(asked.rate_Hz)
        due_us = max(t_us, self.times_us[-1] + period_us) if self.times_us else t_us
        while due_us < t_us + tick_us:
            self.times_us.append(due_us)
            self.shares.append(share)
            due_us += period_us

    def force_N(self, t_us: int) -> float:
        """What the pulses so far do at the fingertip at `t_us`."""
        if not self.times_us:
            return 0.0
        some = slice(bisect_left(self.times_us, t_us - int(self.time_us[-1])), bisect_left(self.times_us, t_us))
        ages = t_us - np.array(self.times_us[some], dtype=np.float64)
        found = np.interp(ages, self.time_us, self.response_N, left=0.0, right=0.0)
        return self.hand * float(found @ np.array(self.shares[some]))

    def _know(self, rate_Hz: float) -> None:
        """The response to one pulse, behind the delay and the contact lag."""
        muscle = self.channel.muscle
        found = pulse_response(muscle, pulses_us_of(rate_Hz))
        step_s = float(found.time_s[1])
        kept = math.exp(-step_s / (self.contact_ms * 1e-3))
        pressed = np.zeros(found.force_N.size)
        for place in range(1, pressed.size):
            mean_N = 0.5 * (found.force_N[place - 1] + found.force_N[place])
            pressed[place] = kept * pressed[place - 1] + (1.0 - kept) * mean_N
        self.time_us = found.time_s * US_PER_S + round(muscle.delay_ms * US_PER_MS)
        self.response_N = muscle.reachable_N * pressed


class _LinearBody:
    """Own force held, and two muscles that answer each pulse linearly."""

    def __init__(self, trial: Trial, own_N: float) -> None:
        wearer, limits = trial.wearer, trial.limits()
        overlap = 1.0 - own_N / wearer.max_pinch_N
        rest_us = int(limits.loop.rest_us)
        self.own_N, self._tick_us = own_N, trial.clock.control_us
        self.trains = (
            _Train(wearer.agonist, limits.agonist, wearer.contact_ms, overlap, rest_us),
            _Train(wearer.antagonist, limits.antagonist, wearer.contact_ms, -wearer.lever_ratio, rest_us),
        )

    def command(self, t_us: int, asked: tuple[Stimulus, Stimulus]) -> None:
        """Hand both channels what the law asks at a tick."""
        for channel in (AGONIST, ANTAGONIST):
            self.trains[channel].command(t_us, asked[channel], self._tick_us)

    def force_N(self, t_us: int) -> float:
        """Force at the fingertip, N; never below 0."""
        return max(0.0, self.own_N + self.trains[0].force_N(t_us) + self.trains[1].force_N(t_us))
