"""One trial as plain data: everything an engine needs, nothing that changes while it runs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thenar.controller.law import Law
from thenar.controller.law_process import AwayLaw
from thenar.controller.registry import LawSettings, build_law
from thenar.engine.result import TrialLabel
from thenar.plant_models.calibration import Session, calibrate, found_by
from thenar.plant_models.estimator import drawn_sensor
from thenar.plant_models.population import draw_wearers, drawn_wearer
from thenar.plant_models.settings import Estimator, Handling, Population, Wearer
from thenar.safety.limits import Limits
from thenar.safety.profile import LimitProfile
from thenar.safety.screening import objections_to
from thenar.scenarios.clock import Clock
from thenar.scenarios.faults import Fault
from thenar.scenarios.loader import LoadedScenario
from thenar.scenarios.person import CalibrationSource, ScreeningOnFile, SimulatedCalibration
from thenar.scenarios.program import target_changes
from thenar.scenarios.recording import resample
from thenar.scenarios.wearers import wearers_of
from thenar.shared.signals import NOTHING_ON_FILE, Calibration
from thenar.shared.ticks import us_from_s


@dataclass(frozen=True)
class Trial:
    """What one wearer does in one condition, once.

    `target_us`, `target_N`: change points, shape (n,). `recorded_N`: own force to play back at wearer
    ticks, shape (ticks,), empty for a wearer who makes it. `calibration`: zeros when none
    is on file. `trust_law`: a law of the user's own runs inside this process. Two conditions of one wearer and repeat
    meet the same noise, because streams are named by seed, wearer and repeat alone.
    """

    label: TrialLabel
    seed: int
    duration_us: int
    clock: Clock
    wearer: Wearer
    estimator: Estimator
    handling: Handling
    law: LawSettings
    law_base: Path
    trust_law: bool
    profile: LimitProfile
    calibration: Calibration
    screening: ScreeningOnFile | None
    arm_us: int
    target_us: NDArray[np.int64]
    target_N: NDArray[np.float64]
    recorded_N: NDArray[np.float64]
    faults: tuple[Fault, ...]
    steady_us: int

    @property
    def stimulated(self) -> bool:
        """False in the condition without stimulation: no law, no interlock, no pulses."""
        return self.label.condition != "unassisted"

    @property
    def known_N(self) -> tuple[float, float] | None:
        """Forces, N, that the recordings behind sensor and wearer support, both; None when neither states a range."""
        stated = [known_N for known_N in (self.estimator.known_N, self.wearer.known_N) if known_N is not None]
        return (max(low for low, _ in stated), min(high for _, high in stated)) if stated else None

    @property
    def relaxed(self) -> bool:
        """True where stimulation works alone and the wearer makes no force."""
        return self.label.condition == "stimulation-only"

    def limits(self) -> Limits:
        """The limits that the interlock gets in this trial."""
        return self.profile.limits_for(self.calibration, self.clock.control_us, self.screening)

    def arming_objections(self) -> dict[str, str]:
        """Why what is on file forbids arming: words by requirement. Empty when nothing forbids it."""
        found: dict[str, str] = {}
        limits = self.limits()
        if limits.agonist.ceiling_uA <= 0 and limits.antagonist.ceiling_uA <= 0:
            found["R07"] = "no calibration on file"
        if limits.loop.screening_clear != 1:
            objections = "; ".join(objections_to(self.screening))
            found["R27"] = objections if self.screening is None else f"screening, {objections}"
        return found

    @property
    def wearer_ticks(self) -> int:
        """Number of wearer ticks, the one at the end included."""
        return self.duration_us // self.clock.wearer_us + 1


def law_of(trial: Trial, file: str = "law") -> Law:
    """A fresh law for a trial. `file`: where its table stands, for errors. Raises InputError as `build_law` does."""
    return build_law(trial.law, trial.calibration, trial.law_base, file, trusted=trial.trust_law)


@contextmanager
def open_law(trial: Trial, file: str = "law") -> Iterator[Law]:
    """As `law_of`, for one purpose: one in a process of its own makes room for the next at the end."""
    law = law_of(trial, file)
    try:
        yield law
    finally:
        if isinstance(law, AwayLaw):
            law.close()


def wearers_in(loaded: LoadedScenario, seed: int) -> tuple[Wearer, ...]:
    """The wearers of a scenario, drawn with `seed` where it asks for a population."""
    wearers = wearers_of(loaded.scenario)
    if isinstance(wearers, Population):
        return draw_wearers(loaded.scenario.wearer, wearers, seed, loaded.people)
    return wearers


def wearer_in(loaded: LoadedScenario, seed: int, number: int) -> Wearer:
    """Wearer `number` (from 0) of `wearers_in`, without drawing the others."""
    wearers = wearers_of(loaded.scenario)
    if isinstance(wearers, Population):
        return drawn_wearer(loaded.scenario.wearer, wearers, seed, number, loaded.people)
    return wearers[number]


def plan_trials(loaded: LoadedScenario, seed: int | None = None) -> list[Trial]:
    """All trials of a scenario: wearer by wearer, repeat by repeat, condition by condition.

    `seed` replaces the scenario's own seed (no unit) when given.
    """
    scenario = loaded.scenario
    seed = scenario.seed if seed is None else seed
    trials: list[Trial] = []
    for number, wearer in enumerate(wearers_in(loaded, seed)):
        for repeat in range(scenario.repeats):
            trials += trials_of_wearer(loaded, seed, number, wearer, repeat)
    return trials


def trials_of_wearer(loaded: LoadedScenario, seed: int, number: int, wearer: Wearer, repeat: int) -> list[Trial]:
    """The trials of one wearer (`number` from 0) in one repeat (from 0), a trial per condition.

    They are those of `plan_trials`, so that a plan need not be held as a whole. `wearer`: that of `wearers_in`.
    """
    scenario = loaded.scenario
    first = (number * scenario.repeats + repeat) * len(scenario.conditions)
    duration_us = scenario.duration_us
    target_us, target_N = target_changes(scenario.target, duration_us, seed, number, repeat, loaded.target_recording())
    own = loaded.wearer_recording(wearer)
    tick_us = scenario.clock.wearer_us
    recorded_N = np.empty(0) if own is None else resample(own, tick_us, duration_us // tick_us + 1)
    calibration = _calibration(wearer, scenario.calibration_of(number), seed, number)
    estimator = drawn_sensor(scenario.estimator, seed, number)
    return [
        Trial(
            label=TrialLabel(first + place, number, wearer.name, condition, repeat),
            seed=seed,
            duration_us=duration_us,
            clock=scenario.clock,
            wearer=wearer,
            estimator=estimator,
            handling=scenario.handling,
            law=scenario.law,
            law_base=loaded.base,
            trust_law=loaded.trust_law,
            profile=loaded.profile,
            calibration=calibration,
            screening=scenario.screening_of(number),
            arm_us=us_from_s(scenario.session.arm_at_s),
            target_us=target_us,
            target_N=target_N,
            recorded_N=recorded_N,
            faults=_faults_in(scenario.faults, condition),
            steady_us=us_from_s(scenario.steady_s),
        )
        for place, condition in enumerate(scenario.conditions)
    ]


def _calibration(wearer: Wearer, source: CalibrationSource | None, seed: int, number: int) -> Calibration:
    if source is None:
        return NOTHING_ON_FILE
    if not isinstance(source, SimulatedCalibration):
        return source.calibration()
    exact = calibrate(wearer, source.width_us, source.rate_Hz)
    if source.is_exact:
        return exact
    session = Session(source.step_mA, source.report_sd, source.force_sd, source.repeats)
    return found_by(session, exact, seed, number)


def _faults_in(faults: Sequence[Fault], condition: str) -> tuple[Fault, ...]:
    return tuple(fault for fault in faults if fault.conditions is None or condition in fault.conditions)
