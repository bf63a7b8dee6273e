"""Margins of a scenario's loop for every wearer in it, and their spread.

What the loop is, and what is left out, so that nobody reads more into a margin than it says:
- The force is the level; how hard the law pushes is where the loop's gain is greatest (`loop_point`).
- Points are only where the bounds on one pulse (R06 to R10) let the command stand. Otherwise the interlock lets
  everything through (its slew and its ramps don't bind in a small oscillation), pads touch fully, nothing is tired,
  nothing fails. Noise moves no margin.
- The wearer holds the own force. Those who follow the felt cue (trust) do no more in the linear loop: above motor
  threshold a pulse is felt fully whatever its current, so the cue doesn't vary with the oscillation. Those who see
  their own force close a loop of their own; the stimulation's loop is then judged with that one closed.
- Left out by this: a wearer who follows the cue changes the own force for as long as a channel is on. That slow loop
  switches at the deadband's edges; a run shows it, no margin does.
- Each channel has its own loop, one at a time; the wearer's margins are those of the channel with the smaller one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.controller.margins import Margins, direct_margins, loop_margins
from thenar.controller.registry import is_built_in, law_class
from thenar.engine.trial import Trial, open_law, plan_trials
from thenar.plant_models.settings import Channel
from thenar.safety.edge import period_us as whole_period_us
from thenar.safety.limits import ChannelLimits
from thenar.scenarios.changes import with_values
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError, Problem
from thenar.shared.signals import AGONIST, ANTAGONIST, Stimulus
from thenar.shared.ticks import period_us
from thenar.study.loop_memory import Response, Workbench, answer_to_sines, brought, point_of, pulse_of, steepest_share
from thenar.study.loop_point import Point, hand_of, remembers, sensor_at, steepest_point
from thenar.study.loop_response import (
    age_response,
    frequency_grid,
    muscle_response,
    own_sight_response,
    pulse_response,
)
from thenar.study.over_wearers import for_each

RELAY: Final = "bang-bang"
OPEN: Final = Margins(math.inf, math.inf, math.inf, math.nan, math.nan, 1.0)
"""Margins of a loop that the law never closes."""
Method = Callable[[Any, Any], Margins]


class OpenLoop(NamedTuple):
    """A linearised loop: operating point, frequencies in rad/s and L at each, shape (n,).

    `law`: the response of a law with memory, None for one without.
    """

    point: Point
    frequency_rad_s: NDArray[np.float64]
    response: NDArray[np.complex128]
    law: Response | None = None


class WearerMargins(NamedTuple):
    """One wearer: number (from 0) and name, margins, and the loop they belong to (None: the law never closes it).

    `ultimate_gain`: the law's own gain, in its own unit, at which the loop oscillates for ever; NaN for a law
    that has no such setting. `disagreement`: largest relative difference between the library's margins and the direct
    ones; NaN when only one was asked for.
    """

    wearer: int
    name: str
    margins: Margins
    loop: OpenLoop | None
    ultimate_gain: float
    disagreement: float


class PopulationMargins(NamedTuple):
    """Margins of all wearers about one force level in N. `gain_key`: the setting that `ultimate_gain` is a value of."""

    level_N: float
    seed: int
    gain_key: str
    wearers: tuple[WearerMargins, ...]

    def gain_margin(self, percentile: float = 0.0) -> float:
        """The gain margin (a factor) that `percentile` % of wearers stay below; 0 gives the worst wearer's."""
        return self.at(percentile, lambda one: one.margins.gain)

    def at(self, percentile: float, value: Callable[[WearerMargins], float]) -> float:
        """A percentile over wearers of any value: always some wearer's own, never one between two (values may be inf).

        NaN when no wearer has such a value.
        """
        values = np.array([value(one) for one in self.wearers])
        values = values[~np.isnan(values)]
        return float(np.percentile(values, percentile, method="inverted_cdf")) if values.size else math.nan

    def ranked(self) -> list[WearerMargins]:
        """Wearers by gain margin, the worst first."""
        return sorted(self.wearers, key=lambda one: one.margins.gain)

    @property
    def median(self) -> WearerMargins:
        """The wearer whose gain margin is the median."""
        return self.ranked()[(len(self.wearers) - 1) // 2]


def margins_of(
    loaded: LoadedScenario,
    level_N: float | None = None,
    *,
    seed: int | None = None,
    wearers: int | None = None,
    method: Method | None = direct_margins,
    jobs: int = 1,
    on_wearer: Callable[[object], None] = lambda _: None,
) -> PopulationMargins:
    """Margins of every wearer of a scenario about `level_N` N (None: the median of its target).

    `seed` replaces the scenario's own, `wearers` the count of its population. `method`: `direct_margins` takes a
    millisecond for each wearer, which suits a constraint in a search; None goes through the `control` library (some 50
    ms) and holds the direct ones beside it. `jobs`: processes for a large population; `on_wearer` is called after each
    wearer. Raises InputError on a law that
    switches, on a level outside the estimator's or the hand's range, and as the loader does.
    """
    trials = trials_of(loaded, seed, wearers)
    level_N = level_of(trials) if level_N is None else level_N
    file = str(loaded.path)
    check_level(trials, level_N, file)
    key, gain = gain_setting(loaded)
    work = partial(wearer_margins, level_N=level_N, gain=gain, file=file, method=method)
    found = for_each(work, trials, jobs, on_wearer)
    return PopulationMargins(level_N, trials[0].seed, key, tuple(found))


def trials_of(loaded: LoadedScenario, seed: int | None = None, wearers: int | None = None) -> list[Trial]:
    """One stimulated trial of each wearer. Raises InputError when there is none, or no population to count anew."""
    if wearers is not None:
        if loaded.scenario.population is None:
            allowed = "a scenario with [population]; this one names its wearers"
            raise InputError([Problem(str(loaded.path), "population", f"none, but {wearers} wearers asked", allowed)])
        loaded = with_values(loaded, {"population.count": wearers})
    found: dict[int, Trial] = {}
    for trial in plan_trials(loaded, seed):
        if trial.stimulated:
            found.setdefault(trial.label.wearer, trial)
    if not found:
        allowed = "assisted or stimulation-only among them: without stimulation there is no loop"
        raise InputError([Problem(str(loaded.path), "conditions", "no stimulated condition", allowed)])
    return list(found.values())


def level_of(trials: Sequence[Trial]) -> float:
    """The force level in N that a scenario is about: the median of its first trial's targets."""
    return float(np.median(trials[0].target_N))


def check_level(trials: Sequence[Trial], level_N: float, file: str) -> None:
    """Raise InputError unless `level_N` is a force that a hand here can hold."""
    most_N = max(trial.wearer.max_pinch_N for trial in trials)
    if not 0.0 < level_N < most_N:
        allowed = f"a force above 0 and below the strongest wearer's {most_N:.1f} N"
        raise InputError([Problem(file, "--level", f"{level_N:g} N", allowed)])


def gain_setting(loaded: LoadedScenario) -> tuple[str, float]:
    """Key and value of the law's gain; ("", NaN) for a law that has none of the proportional one's."""
    from thenar.controller.proportional import ProportionalSettings

    name = loaded.scenario.law.name
    model = getattr(law_class(name), "Settings", None) if name is not None and is_built_in(name) else None
    if not (isinstance(model, type) and issubclass(model, ProportionalSettings)):
        return "", math.nan
    settings = model.model_validate(loaded.scenario.law.settings)
    by_share = settings.gain_fraction_per_N is not None
    key = "gain_fraction_per_N" if by_share else "gain_mA_per_N"
    return f"law.settings.{key}", float(getattr(settings, key))


def open_loops(trial: Trial, level_N: float, file: str) -> Iterator[OpenLoop]:
    """The linearised loop of each channel that the law closes. Raises InputError on a law that switches."""
    if trial.law.name == RELAY:
        allowed = "a law with a slope; of this one `thenar margins` gives the limit cycle"
        raise InputError([Problem(file, "law.name", f"{RELAY}: it switches, so it has no margins", allowed)])
    limits = trial.limits()
    sensor = sensor_at(trial.estimator, level_N)
    with open_law(trial, file) as law:
        with_memory = remembers(law, level_N, sensor[0], file)
        for channel, bounds in ((AGONIST, limits.agonist), (ANTAGONIST, limits.antagonist)):
            stands = partial(admitted, bounds)
            if with_memory:
                yield from _with_memory(trial, channel, level_N, stands, file)
                continue
            point = steepest_point(law, trial.wearer, channel, level_N, sensor, steady_per_share_N, stands, file)
            if point is not None and point.sensor > 0.0:
                yield linearised(trial, point)


def _with_memory(
    trial: Trial, channel: int, level_N: float, stands: Callable[[Stimulus], bool], file: str
) -> Iterator[OpenLoop]:
    """The loop of one channel that a law with memory closes, if it does. Every question begins with a fresh law."""
    reading_N, slope = sensor_at(trial.estimator, level_N)
    wearer, control_us = trial.wearer, trial.clock.control_us
    body = wearer.agonist if channel == AGONIST else wearer.antagonist
    with open_law(trial, file) as law:
        bench = Workbench(law, channel, body, reading_N, control_us, 0.0, file)
        pulse = pulse_of(bench, level_N)
    if pulse is None or slope <= 0.0:
        return
    found = steepest_share(wearer, channel, level_N, pulse.width_us, pulse.rate_Hz, steady_per_share_N, stands)
    if found is None:
        return
    highest = float(frequency_grid(control_us, period_us(trial.estimator.rate_Hz), pulses_us_of(pulse.rate_Hz))[-1])
    with open_law(trial, file) as law:
        bench = bench._replace(law=law, wanted=found[0])
        error_N = brought(bench, level_N)
        response = None if error_N is None else answer_to_sines(bench, error_N, highest)
    if response is None:
        return
    held = hand_of(wearer, channel, level_N, response.share * steady_per_share_N(body, response.stimulus.rate_Hz))
    if held is not None and stands(response.stimulus):
        yield linearised(trial, point_of(response, bench, level_N, held, slope), response)


def admitted(bounds: ChannelLimits, stimulus: Stimulus) -> bool:
    """Whether a steady command stands under the bounds on one pulse: current, own ceiling, width, charge (R06-R10)."""
    current_uA, charge_pC = 1e3 * stimulus.current_mA, 1e3 * stimulus.current_mA * stimulus.width_us
    within = current_uA <= min(bounds.peak_uA, bounds.ceiling_uA) and bounds.width_min_us <= stimulus.width_us
    within = within and stimulus.width_us <= bounds.width_max_us
    return within and charge_pC <= min(bounds.charge_pC, bounds.density_charge_pC)


def linearised(trial: Trial, point: Point, law: Response | None = None) -> OpenLoop:
    """The frequency response of one channel's loop about `point`. `law`: of one with memory, in place of its slope."""
    wearer, clock, estimator = trial.wearer, trial.clock, trial.estimator
    body = wearer.agonist if point.channel == AGONIST else wearer.antagonist
    pulses_us = pulses_us_of(point.stimulus.rate_Hz)
    grid = frequency_grid(clock.control_us, period_us(estimator.rate_Hz), pulses_us)
    contact = 1.0 / (1.0 + 1j * grid * wearer.contact_ms * 1e-3)
    ages = age_response(estimator, clock.control_us, pulses_us, trial.seed, grid.tobytes())
    muscle = muscle_response(body.muscle, pulses_us, grid)
    answers = point.slope_per_N if law is None else law.at(grid)
    response = answers * point.sensor * point.hand * ages * muscle * contact
    if wearer.sees_own_force and not trial.relaxed:
        share = _evoked_share(trial, point)
        response = response / (1.0 + own_sight_response(wearer, clock.wearer_us, grid) * (1.0 - share) * contact)
    return OpenLoop(point, grid, response, law)


def pulses_us_of(rate_Hz: float) -> int:
    """Time between pulses in us at a rate in Hz, as the interlock takes it."""
    return int(whole_period_us(rate_Hz))


def steady_per_share_N(channel: Channel, rate_Hz: float) -> float:
    """Mean force in N of a long train at `rate_Hz` Hz for each unit of recruited share."""
    pulses_us = pulses_us_of(rate_Hz)
    return channel.muscle.reachable_N * pulse_response(channel.muscle, pulses_us).per_share_N


def _evoked_share(trial: Trial, point: Point) -> float:
    """How much of the hand's force range the agonist's stimulation holds at the point, no unit."""
    if point.channel != AGONIST:
        return 0.0
    evoked_N = point.share * steady_per_share_N(trial.wearer.agonist, point.stimulus.rate_Hz)
    return min(1.0, evoked_N / trial.wearer.max_pinch_N)


def wearer_margins(trial: Trial, level_N: float, gain: float, file: str, method: Method | None) -> WearerMargins:
    """Margins of one trial's wearer. `gain`: the law's own (NaN when it has none); the rest as in `margins_of`."""
    found = [
        ((method or direct_margins)(loop.frequency_rad_s, loop.response), loop)
        for loop in open_loops(trial, level_N, file)
    ]
    label = trial.label
    if not found:
        return WearerMargins(label.wearer, label.wearer_name, OPEN, None, math.inf * gain, math.nan)
    margins, chosen = min(found, key=lambda one: one[0].gain)
    apart = math.nan
    if method is None:
        direct, margins = margins, loop_margins(chosen.frequency_rad_s, chosen.response)
        apart = disagreement(margins, direct)
    return WearerMargins(label.wearer, label.wearer_name, margins, chosen, margins.gain * gain, apart)


def disagreement(one: Margins, other: Margins) -> float:
    """Largest relative difference of two sets of margins; infinite where only one has a crossing."""
    pairs = [(one.gain, other.gain), (one.phase_crossover_rad_s, other.phase_crossover_rad_s)]
    pairs += [(one.gain_crossover_rad_s, other.gain_crossover_rad_s)]
    # A phase margin may lie near 0: held against a whole half turn.
    pairs += [(180.0 + one.phase_deg, 180.0 + other.phase_deg)]
    return max(_apart(a, b) for a, b in pairs)


def _apart(a: float, b: float) -> float:
    if math.isfinite(a) and math.isfinite(b):
        return abs(a - b) / max(abs(a), abs(b), 1e-12)
    return 0.0 if a == b or (math.isnan(a) and math.isnan(b)) else math.inf
