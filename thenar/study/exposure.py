"""What a study would give each wearer: every stimulated trial of the running sheet rehearsed, its pulses added up.

Nothing is guessed: practice is rehearsed too, with noise of its own. On-time is what R23 counts: the time from a pulse
of a channel to the next one, or `on_gap_ms` where that is a rest away or never comes. Each trial starts with a rested
body and an interlock that has just been switched on, so what one trial leaves for the next is reckoned from the ends of
trials (`tired`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from contextlib import closing
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.controller.stepped import NotCompiledError
from thenar.engine.batch import run_trial_compiled
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial, trials_of_wearer, wearers_in
from thenar.plant_models.settings import Wearer
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.ticks import US_PER_S
from thenar.study.sheet import Visit
from thenar.workers import finished_in_order

CHANNELS: Final = ("agonist", "antagonist")
PHASES: Final = 2
Integers = NDArray[np.int64]
Place = tuple[int, int]
"""A wearer's number and the position of a trial in the visit."""


class ChannelExposure(NamedTuple):
    """What one channel gives. Charge in pC (both phases together, and of the largest single phase), times in us.

    `run_us`: the longest time from a pulse to a later one without a rest; `window_on_us`: the most on-time in R23's
    window; `tired`: share of the muscle's force scale that is lost at the end (0 to 1).
    """

    pulses: int
    charge_pC: int
    phase_pC: int
    on_us: int
    run_us: int
    window_on_us: int
    tired: float

    @property
    def mean_phase_pC(self) -> float:
        """Mean charge of a phase, pC; 0 without pulses."""
        return self.charge_pC / (PHASES * self.pulses) if self.pulses else 0.0


NOTHING: Final = ChannelExposure(0, 0, 0, 0, 0, 0, 0.0)


class TrialExposure(NamedTuple):
    """One rehearsed trial: both channels, ticks and pulses at which each rule acted, trips, and was it ever armed."""

    agonist: ChannelExposure
    antagonist: ChannelExposure
    reason_ticks: dict[str, int]
    trips: int
    armed: bool

    def side(self, number: int) -> ChannelExposure:
        """Channel 0, the agonist, or 1, the antagonist."""
        return self.antagonist if number else self.agonist


class AtMost(NamedTuple):
    """The most that the limits let a channel give in a trial: charge of a phase and of all pulses, pC; on-time, us."""

    phase_pC: int
    charge_pC: int
    on_us: int


def rehearsed(
    loaded: LoadedScenario,
    visits: Sequence[Visit],
    seed: int,
    jobs: int,
    on_trial: Callable[[object], None] = lambda _: None,
) -> dict[Place, TrialExposure]:
    """The exposure of every stimulated trial of `visits`, by wearer and position.

    `seed`: that of the run; `jobs`: cores to use; `on_trial` is called after each. A law that is no compiled step is
    run in the event engine. Raises InputError and LostWorkerError as runs do.
    """
    planned = planned_trials(loaded, visits, seed)
    found: dict[Place, TrialExposure] = {}
    slow: list[Place] = []
    pool = ThreadPoolExecutor(jobs, thread_name_prefix="thenar-rehearsal")
    try:
        waiting: dict[Future[TrialExposure], Place] = {
            pool.submit(_compiled_exposure, trial): place for place, trial in planned.items()
        }
        for future in as_completed(waiting):
            try:
                found[waiting[future]] = future.result()
                on_trial(waiting[future])
            except NotCompiledError:
                slow.append(waiting[future])
    finally:
        pool.shutdown(cancel_futures=True)
    slow.sort()
    with closing(finished_in_order([planned[place] for place in slow], moving=True, jobs=jobs)) as running:
        for place, finished in zip(slow, running, strict=True):
            found[place] = exposure_of(planned[place], finished.result)
            on_trial(place)
    return found


def planned_trials(loaded: LoadedScenario, visits: Sequence[Visit], seed: int) -> dict[Place, Trial]:
    """The stimulated trials of `visits`, by wearer and position. Trials of practice have noise of their own."""
    planned: dict[Place, Trial] = {}
    wearers = wearers_in(loaded, seed)
    for visit in visits:
        of_repeat: dict[int, dict[str, Trial]] = {}
        for one in visit.trials:
            if one.repeat not in of_repeat:
                trials = trials_of_wearer(loaded, seed, visit.wearer, wearers[visit.wearer], one.repeat)
                of_repeat[one.repeat] = {trial.label.condition: trial for trial in trials}
            trial = of_repeat[one.repeat][one.condition]
            if trial.stimulated:
                planned[visit.wearer, one.position] = trial
    return planned


def _compiled_exposure(trial: Trial) -> TrialExposure:
    return exposure_of(trial, run_trial_compiled(trial))


def exposure_of(trial: Trial, result: TrialResult) -> TrialExposure:
    """The exposure of a finished trial. `trial`: what it ran from."""
    limits = trial.limits()
    sides = []
    for number, name in enumerate(CHANNELS):
        own = result.pulses["channel"] == number
        t_us, width_us = result.pulses["t_us"][own], result.pulses["width_us"][own]
        phase_pC = np.rint(result.pulses["current_mA"][own] * 1e3).astype(np.int64) * width_us
        fresh = result.trace[f"{name}_fresh"]
        tired = max(0.0, 1.0 - float(fresh[-1])) if len(fresh) else 0.0
        sides.append(channel_exposure(t_us, phase_pC, limits.loop, tired))
    kinds = [event["kind"] for event in result.events]
    return TrialExposure(sides[0], sides[1], dict(result.reason_ticks), kinds.count("trip"), "armed" in kinds)


def channel_exposure(t_us: Integers, phase_pC: Integers, loop: LoopLimits, tired: float = 0.0) -> ChannelExposure:
    """The exposure by pulses at `t_us` (us, rising), `phase_pC` (pC) in each phase; both int64, shape (pulses,)."""
    if not len(t_us):
        return NOTHING._replace(tired=tired)
    gaps = np.diff(t_us)
    on = np.append(np.where(gaps < loop.rest_us, gaps, loop.on_gap_us), loop.on_gap_us)
    before = np.cumsum(on) - on
    opens_us = t_us + loop.on_gap_us - loop.long_window_us
    first = np.searchsorted(t_us, opens_us, side="right") - 1
    gone = np.where(first >= 0, before[first] + np.minimum(opens_us - t_us[first], on[first]), 0)
    window = before + loop.on_gap_us - gone
    run = t_us - np.maximum.accumulate(np.where(np.append(True, gaps >= loop.rest_us), t_us, t_us[0]))
    return ChannelExposure(
        len(t_us), PHASES * int(phase_pC.sum()), int(phase_pC.max()), int(on.sum()), int(run.max()),
        int(window.max()), tired,
    )  # fmt: skip


def together(sides: Sequence[ChannelExposure]) -> ChannelExposure:
    """One channel over several trials: sums of pulses, charge and on-time, the largest of everything else."""
    if not sides:
        return NOTHING
    return ChannelExposure(
        sum(side.pulses for side in sides), sum(side.charge_pC for side in sides), max(s.phase_pC for s in sides),
        sum(side.on_us for side in sides), max(s.run_us for s in sides), max(s.window_on_us for s in sides),
        max(side.tired for side in sides),
    )  # fmt: skip


def at_most(limits: Limits, armed_us: int) -> tuple[AtMost, AtMost]:
    """The most that the limits let each channel give while armed for `armed_us` (us); agonist, antagonist.

    Phase: R06 with R07 at the widest pulse (R08), R09, R10. On-time: R23. Charge: that phase at the shortest period
    (R11) over all on-time, or one to each gap where that is shorter; not above R16 and R24. What holds a rise or both
    channels together (R20, R21, R25, R26) is left out: a bound, not a forecast.
    """
    agonist, antagonist, loop = limits
    return _at_most(agonist, loop, armed_us), _at_most(antagonist, loop, armed_us)


def _at_most(channel: ChannelLimits, loop: LoopLimits, armed_us: int) -> AtMost:
    current_uA = min(channel.peak_uA, channel.ceiling_uA)
    phase_pC = min(current_uA * channel.width_max_us, channel.charge_pC, channel.density_charge_pC)
    windows, left_us = divmod(max(armed_us, 0) + loop.on_gap_us, loop.long_window_us)
    by_window_us = windows * channel.on_us + min(left_us, channel.on_us)
    runs = max(armed_us, 0) // (channel.run_us + loop.rest_us) + 1
    on_us = min(by_window_us, runs * (channel.run_us + loop.on_gap_us))
    pulses = on_us // min(channel.period_min_us, loop.on_gap_us) + 1
    seconds = max(armed_us, 0) // loop.short_window_us + 1
    charge_pC = min(PHASES * phase_pC * pulses, channel.rectified_pC * seconds, channel.total_pC)
    return AtMost(phase_pC, charge_pC, on_us) if armed_us > 0 and phase_pC > 0 else AtMost(0, 0, 0)


def tired_at_starts(visit: Visit, exposures: Mapping[Place, TrialExposure], wearer: Wearer) -> list[float]:
    """Share of the force scale that the rests so far haven't given back, at the start of each trial of a visit.

    Of the more tired of the two muscles. What trials take adds up and shrinks by exp(-t / tau_fat), as in the muscle
    model; exact as long as little is lost. The simulation itself starts every trial rested.
    """
    sides = [_carried(visit, exposures, number, wearer) for number in range(len(CHANNELS))]
    return [max(pair) for pair in zip(*sides, strict=True)]


def _carried(visit: Visit, exposures: Mapping[Place, TrialExposure], number: int, wearer: Wearer) -> list[float]:
    tau_us = US_PER_S * (wearer.agonist, wearer.antagonist)[number].muscle.tau_fat_s
    left, found = 0.0, []
    for one in visit.trials:
        found.append(left)
        exposure = exposures.get((visit.wearer, one.position))
        added = exposure.side(number).tired if exposure is not None else 0.0
        left = (left * math.exp(-one.duration_us / tau_us) + added) * math.exp(-one.rest_us / tau_us)
    return found
