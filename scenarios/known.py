"""Whether a scenario asks for more than the recordings behind its fitted parts support."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from thenar.plant_models.calibration import calibrate
from thenar.plant_models.fitted_people import FittedPerson
from thenar.plant_models.settings import Channel, Estimator, Wearer
from thenar.scenarios.person import CalibrationSource, SimulatedCalibration
from thenar.scenarios.recording import Recording
from thenar.scenarios.schema import Scenario
from thenar.scenarios.targets import ConstantTarget, StepsTarget, highest_N, strength_key
from thenar.shared.errors import Problem
from thenar.shared.signals import CHANNELS

SLACK_N: Final = 0.5
"""The band that a measure of a held force has at least."""
SLACK_SHARE: Final = 0.05
"""A ceiling may lie so much above the highest current on record."""

Known = tuple[float, float]


def known_problems(
    scenario: Scenario, target: Recording | None, people: Sequence[FittedPerson], file: str
) -> Iterator[Problem]:
    """What of `scenario` lies outside the ranges of its fitted parts, unless those say how to go on.

    `target`: the recorded target, when there is one; `people`: whom a population is drawn around.
    """
    levels_N = _levels_N(scenario, target)
    yield from _targets(scenario, levels_N, scenario.estimator, "estimator", file)
    if scenario.population is None or not people:
        for number, (wearer, at) in enumerate(_described(scenario)):
            yield from _targets(scenario, levels_N, wearer, at, file)
            yield from _currents(wearer, scenario.calibration_of(number), at, file)
    for number, person in enumerate(people):
        known_N, going_on = person.values.get("known_N"), person.values.get("beyond_known") == "slope"
        if known_N is not None and not going_on:
            yield from _outside(scenario, levels_N, known_N, f"population.around[{number}]", file)


def is_beyond(level_N: float, known_N: Known | None) -> bool:
    """Whether a target of `level_N` N lies outside the known forces; rest, and what isn't fitted, never does."""
    return known_N is not None and level_N > 0.0 and not known_N[0] - SLACK_N <= level_N <= known_N[1] + SLACK_N


def _described(scenario: Scenario) -> list[tuple[Wearer, str]]:
    if scenario.wearers:
        return [(wearer, f"wearers[{number}]") for number, wearer in enumerate(scenario.wearers)]
    return [(scenario.wearer, "wearer")]


def _levels_N(scenario: Scenario, recording: Recording | None) -> tuple[float, ...]:
    """The forces that must be known: every level that is held but rest, and the highest of a moving target."""
    target = scenario.target
    if isinstance(target, ConstantTarget | StepsTarget):
        held_N = (target.level_N,) if isinstance(target, ConstantTarget) else target.levels_N
        return tuple(sorted({level_N for level_N in held_N if level_N > 0.0}))
    top_N = highest_N(target) if recording is None else float(recording.force_N.max())
    return () if top_N is None else (top_N,)


def _targets(
    scenario: Scenario, levels_N: tuple[float, ...], part: Estimator | Wearer, at: str, file: str
) -> Iterator[Problem]:
    if part.known_N is not None and part.beyond_known == "refuse":
        yield from _outside(scenario, levels_N, part.known_N, at, file)


def _outside(scenario: Scenario, levels_N: tuple[float, ...], known_N: Known, at: str, file: str) -> Iterator[Problem]:
    outside = [level_N for level_N in levels_N if is_beyond(level_N, known_N)]
    if outside:
        found = f"{', '.join(f'{level_N:g}' for level_N in outside)} N"
        yield Problem(file, strength_key(scenario.target), found, _known(*known_N, "N", at))


def _currents(wearer: Wearer, source: CalibrationSource | None, at: str, file: str) -> Iterator[Problem]:
    for name in CHANNELS:
        channel: Channel = getattr(wearer, name)
        if channel.known_mA is None or channel.beyond_known == "slope" or source is None:
            continue
        if isinstance(source, SimulatedCalibration):
            calibration = calibrate(wearer, source.width_us, source.rate_Hz)
            where = f"{at}.{name}.recruitment.tolerance_over_motor"
        else:
            calibration, where = source.calibration(), f"calibration.{name}.ceiling_mA"
        ceiling_mA = getattr(calibration, name).ceiling_mA
        if ceiling_mA > (1.0 + SLACK_SHARE) * channel.known_mA[1]:
            found = f"a ceiling of {ceiling_mA:.3g} mA for the {name}"
            yield Problem(file, where, found, _known(*channel.known_mA, "mA", f"{at}.{name}"))


def _known(low: float, high: float, unit: str, at: str) -> str:
    """The range, and the way beyond it."""
    stated = f'{at}.beyond_known = "slope" to go on beyond it' if "around" not in at else "other people to draw around"
    return f"{low:.3g} to {high:.3g} {unit}, all that the recording behind {at} tells; or {stated}"
