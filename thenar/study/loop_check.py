"""The proof by simulation: just below the ultimate gain the nonlinear loop settles, just above it swings ever more.

The event engine runs the wearer's whole loop, interlock and all, about the operating point of the margins. For that,
what hides a small oscillation is taken out of its way, and only that:
- The wearer holds the own force of the operating point: no noise, scatter, wander, drift, fatigue, handling, trust. One
  who sees the own force goes on correcting it.
- The estimator keeps its rate, jitter and latency. Its bias curve is straight, with the slope it has at the point; its
  noise is 2 mN (a reading that never changes would be taken for a stuck one, R30). No dropouts, jumps, drift or faults.
- Limits are as loose as the hard ceilings allow, the calibrated ceiling stays, screening answers are invented.
- The law is the scenario's own, asked about the deviation from the operating point times a factor: that is the
  loop with the law's gain times this factor, at the same operating point.

First the loop is open for some seconds, so that everything settles; then it is closed and the reading is knocked once.
The swing at the ultimate period is followed from one period to the next: it grows or it dies away.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.controller.law import AT_REST, Law
from thenar.engine.events import EventTrial
from thenar.engine.trial import Trial, open_law
from thenar.plant_models.settings import Handling, Noise, Production, Wearer
from thenar.safety.bounds import CHANNEL
from thenar.safety.invented import CLEAR
from thenar.safety.profile import LimitProfile
from thenar.safety.requirements import reason_ids
from thenar.scenarios.person import ScreeningOnFile
from thenar.shared.signals import AGONIST, Demand, Observation
from thenar.shared.ticks import US_PER_S, us_from_s
from thenar.study.loop_memory import Workbench, brought
from thenar.study.loop_point import Point
from thenar.study.loop_response import quiet_placement
from thenar.study.margins import OpenLoop, WearerMargins

FACTORS: Final = (0.9, 1.1)
"""Of the ultimate gain: one below, one above."""
OPEN_S: Final = 4.0
OPEN_WHEN_SEEING_S: Final = 12.0
MEAN_OVER_S: Final = 1.0
PERIODS: Final = 16
KNOCK_BELOW: Final = 0.3
KNOCK_ABOVE: Final = 0.06
"""Size of the knock below and above the ultimate gain, as a share of how far the error can move before the law's
slope ends: a swing that is to die away starts large, one that is to grow starts small."""
JUDGED: Final = (0.03, 0.5)
"""Growth is judged while the swing lies between these shares of that room: a smaller one drowns in the current's
steps (0.01 mA), a larger one meets the end of the slope."""
NOISE_N: Final = 0.002
LEAST_WINDOWS: Final = 3
SOFT_RISE: Final = tuple(key for key, row in CHANNEL.items() if row.rule in ("R20", "R21"))
"""Bounds of R20 and R21."""


class Simulated(NamedTuple):
    """One run: the factor on the ultimate gain, growth of the swing per period, its period in s, and its force.

    `growth` above 1: the loop oscillates ever more. `time_s` from the closing of the loop, `force_N` the true force,
    shape (n,) each. `acted`: requirements of the interlock that acted once the loop was closed.
    """

    factor: float
    growth: float
    period_s: float
    time_s: NDArray[np.float64]
    force_N: NDArray[np.float64]
    acted: tuple[str, ...]

    @property
    def oscillates(self) -> bool:
        """Whether the swing grows."""
        return self.growth > 1.0


class Check(NamedTuple):
    """The runs of one wearer, below and above the ultimate gain. `wearer`: what was checked."""

    wearer: WearerMargins
    below: Simulated
    above: Simulated

    @property
    def agrees(self) -> bool:
        """Whether the loop settles below and oscillates above, as the margins say."""
        return self.below.growth < 1.0 < self.above.growth

    @property
    def simulated_factor(self) -> float:
        """Where the growth is 1, as a share of the linear ultimate gain, on a straight line in its logarithm."""
        low, high = math.log(self.below.growth), math.log(self.above.growth)
        return self.below.factor - low * (self.above.factor - self.below.factor) / (high - low)


class AboutPoint:
    """A law whose gain about an operating point is multiplied by `factor` from `close_us` on; open before.

    `law`: the one asked; `knock`: added to the reading (N) for so long (us) once closed. The law is told the point's
    target, and the point's reading plus `factor` times the deviation.
    """

    def __init__(self, law: Law, point: Point, factor: float, close_us: int, knock: tuple[float, int]) -> None:
        self._law, self._point, self._factor = law, point, factor
        self._close_us = close_us
        self._knock_N, self._knock_us = knock
        self._before: list[float] = []
        self._settled_N = math.nan

    def decide(self, observation: Observation) -> Demand:
        """The law's demand; rest before the first estimate."""
        t_us, estimate_N = observation.t_us, observation.estimate_N
        if math.isnan(estimate_N):
            return AT_REST
        told_N = self._point.reading_N
        if t_us < self._close_us:
            if t_us >= self._close_us - MEAN_OVER_S * US_PER_S:
                self._before.append(estimate_N)
        else:
            if math.isnan(self._settled_N):
                self._settled_N = float(np.mean(self._before))
            told_N += self._factor * (estimate_N - self._settled_N)
            if t_us < self._close_us + self._knock_us:
                told_N += self._knock_N
        return self._law.decide(observation._replace(target_N=self._point.target_N, estimate_N=told_N))


def checked(trial: Trial, found: WearerMargins, file: str) -> Check | None:
    """Run one wearer's loop at 0.9 and 1.1 of its ultimate gain. None when it has no ultimate gain."""
    if found.loop is None or not math.isfinite(found.margins.gain):
        return None
    below, above = (simulated(trial, found, factor, file) for factor in FACTORS)
    return Check(found, below, above)


def simulated(trial: Trial, found: WearerMargins, factor: float, file: str) -> Simulated:
    """Run the nonlinear loop at `factor` times the ultimate gain of `found`, which must have one."""
    if found.loop is None:
        raise ValueError("a loop that the law never closes can't be run at its ultimate gain")
    point, period_s = found.loop.point, found.margins.ultimate_period_s
    open_s = OPEN_WHEN_SEEING_S if _sees(trial) else OPEN_S
    close_us = us_from_s(open_s)
    bench = bench_trial(trial, point, us_from_s(open_s + PERIODS * period_s))
    whole = factor * found.margins.gain
    knock_N = (KNOCK_BELOW if factor < 1.0 else KNOCK_ABOVE) * point.room_N
    with open_law(trial, file) as law:
        if found.loop.law is not None:
            _bring(law, trial, found.loop, file)
        about = AboutPoint(law, point, whole, close_us, (knock_N, us_from_s(0.5 * period_s)))
        running = EventTrial(bench, law=about)
        result = running.run()
    sampled_s = (running.desk.plan.sampled_us - close_us) / US_PER_S
    readings_N = running.desk.readings[:, 0]
    band_N = (JUDGED[0] * point.room_N / whole, JUDGED[1] * point.room_N / whole)
    growth, seen_s, judged_s = followed(sampled_s, readings_N, period_s, band_N)
    after = result.trace["t_us"] >= close_us - us_from_s(period_s)
    acted = _acted(result.decisions, close_us, close_us + us_from_s(judged_s))
    time_s = (result.trace["t_us"][after] - close_us) / US_PER_S
    return Simulated(factor, growth, seen_s, time_s, result.trace["force_N"][after], acted)


def _bring(law: Law, trial: Trial, loop: OpenLoop, file: str) -> None:
    """Bring a fresh law with memory to where its response was taken."""
    body = trial.wearer.agonist if loop.point.channel == AGONIST else trial.wearer.antagonist
    bench = Workbench(
        law, loop.point.channel, body, loop.point.reading_N, trial.clock.control_us, loop.point.share, file
    )
    brought(bench, loop.point.level_N)


def followed(
    time_s: NDArray[np.float64], values: NDArray[np.float64], period_s: float, band: tuple[float, float]
) -> tuple[float, float, float]:
    """Growth per period of the swing near `period_s` s, its own period in s, and the end in s of what was judged.

    `time_s`, `values`: shape (n,), from the closing of the loop (time 0); two periods are looked at at a time. What
    counts is the time until a swing leaves `band` (same unit as `values`). Growth and period are NaN when too few do.
    """
    swings: list[complex] = []
    window = 1
    while (window + 2) * period_s <= time_s[-1]:
        inside = (time_s >= window * period_s) & (time_s < (window + 2) * period_s)
        at = 2.0 * math.pi * time_s[inside] / period_s
        columns = np.stack([np.cos(at), np.sin(at), np.ones(at.size), at], axis=1)
        cosine, sine, _, _ = np.linalg.lstsq(columns, values[inside], rcond=None)[0]
        swings.append(complex(cosine, -sine))
        window += 1
    sizes = np.abs(np.array(swings))
    outside = np.flatnonzero((sizes < band[0]) | (sizes > band[1]))
    outside = outside[outside >= LEAST_WINDOWS]
    count = int(outside[0]) if outside.size else sizes.size
    if count < LEAST_WINDOWS:
        return math.nan, math.nan, 0.0
    steps = np.arange(count)
    growth = math.exp(float(np.polyfit(steps, np.log(np.maximum(sizes[:count], 1e-12)), 1)[0]))
    turns = np.unwrap(np.angle(np.array(swings[:count]))) / (2.0 * math.pi)
    return growth, period_s / (1.0 + float(np.polyfit(steps, turns, 1)[0])), (count + 2) * period_s


def bench_trial(trial: Trial, point: Point, duration_us: int) -> Trial:
    """`trial` about its operating point, with nothing in the way of a small oscillation (see the head of the file)."""
    quiet: dict[str, Any] = {"noise_floor_N": NOISE_N, "noise_share": 0.0}
    estimator = quiet_placement(trial.estimator).model_copy(update=quiet | _straight(point))
    clock = trial.clock.model_copy(update={"trace_rate_Hz": max(100.0, trial.clock.trace_rate_Hz)})
    return dataclasses.replace(
        trial,
        label=trial.label._replace(condition="assisted"),
        duration_us=duration_us,
        clock=clock,
        wearer=_steady(trial.wearer, point),
        estimator=estimator,
        handling=Handling(),
        profile=as_loose_as_allowed(trial.profile),
        screening=ScreeningOnFile.model_validate({**CLEAR.model_dump(), "invented": True}),
        arm_us=0,
        target_us=np.zeros(1, dtype=np.int64),
        target_N=np.array([point.target_N]),
        recorded_N=np.empty(0),
        faults=(),
    )


def _straight(point: Point) -> dict[str, Any]:
    """A bias curve through the point with its slope, flat below a reading of 0."""
    zero_N = point.level_N - point.reading_N / point.sensor
    low_N = max(0.0, zero_N)
    high_N = 2.0 * point.level_N + low_N
    reads = [point.reading_N + point.sensor * (force_N - point.level_N) for force_N in (low_N, high_N)]
    return {"true_N": (low_N, high_N), "reads_N": (max(0.0, reads[0]), reads[1]), "range_N": 10.0 * reads[1]}


def _sees(trial: Trial) -> bool:
    return trial.wearer.sees_own_force and not trial.relaxed


def _steady(wearer: Wearer, point: Point) -> Wearer:
    """The wearer who holds the point's own force, or corrects towards its level when the own force is seen."""
    muscle = {"fatigue_share": 0.0}
    channels = {
        name: channel.model_copy(update={"muscle": channel.muscle.model_copy(update=muscle)})
        for name, channel in (("agonist", wearer.agonist), ("antagonist", wearer.antagonist))
    }
    return wearer.model_copy(
        update={
            **channels,
            "sees_target": False,
            "unseen_level_N": point.level_N if wearer.sees_own_force else point.own_N,
            "fatigue_per_s": 0.0,
            "recording": "",
            "production": Production(scatter_share=0.0, wander_share=0.0, drift_depth=0.0),
            "noise": Noise(floor=0.0, linear=0.0, quadratic=0.0),
            "cue": wearer.cue.model_copy(update={"trust": 0.0}),
        }
    )


def as_loose_as_allowed(profile: LimitProfile, keep: tuple[str, ...] = ()) -> LimitProfile:
    """`profile` with every bound moved to its hard ceiling, where looser lies one way; the others and `keep` stay."""
    tables: dict[str, dict[str, Any]] = {"agonist": {}, "antagonist": {}, "loop": {}}
    for key, bound, row in profile.bounds():
        table, name = key.split(".")
        if row.looser == "either" or name in keep:
            continue
        value = row.high if row.looser == "higher" else row.low
        tables[table][name] = bound.model_copy(update={"value": value})
    return profile.model_copy(
        update={
            "agonist": profile.agonist.model_copy(update=tables["agonist"]),
            "antagonist": profile.antagonist.model_copy(update=tables["antagonist"]),
            "loop": profile.loop.model_copy(
                update={
                    **tables["loop"],
                    "device_step_mA": profile.loop.device_step_mA.model_copy(update={"value": 0.01}),
                }
            ),
        }
    )


def _acted(decisions: dict[str, NDArray[Any]], from_us: int, to_us: int) -> tuple[str, ...]:
    """Requirements that acted at control ticks between two times."""
    during = (decisions["t_us"] >= from_us) & (decisions["t_us"] < to_us)
    return reason_ids(int(np.bitwise_or.reduce(decisions["reasons"][during], initial=0)))
