"""Whether the parts of a scenario fit together. Each check tells of its problems with their key path."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from thenar.plant_models.norms import NORMS
from thenar.scenarios.faults import ElectrodeLift, Fault, UnbalancedPulses, length_s
from thenar.scenarios.person import CalibrationOnFile
from thenar.scenarios.recording import Recording
from thenar.scenarios.schema import Scenario
from thenar.scenarios.targets import (
    HIGHEST_TARGET_N,
    SineTarget,
    StepsTarget,
    highest_N,
    strength_key,
)
from thenar.shared.errors import Problem, shown

MOST_TRIALS: Final = 100_000
MOST_TRACE_ROWS: Final = 4_000_000
"""An hour at 1 kHz and some more. Such a trial took 3.8 GB at its peak in `thenar run`, 1.8 GB in `thenar report`."""


def fit_problems(scenario: Scenario, target: Recording | None, file: str) -> Iterator[Problem]:
    """Every way in which the parts of `scenario` don't fit. `target`: the recorded target, when there is one."""
    yield from _people(scenario, file)
    yield from _target(scenario, target, file)
    yield from _size(scenario, file)
    if scenario.session.arm_at_s >= scenario.duration_s:
        yield Problem(file, "session.arm_at_s", repr(scenario.session.arm_at_s), _before_the_end(scenario))
    for index, fault in enumerate(scenario.faults):
        yield from _fault(scenario, index, fault, file)


def _people(scenario: Scenario, file: str) -> Iterator[Problem]:
    if scenario.population is not None and scenario.wearers:
        found = f"population and {len(scenario.wearers)} wearers"
        yield Problem(file, "population", found, "either [population] or [[wearers]], not both")
    yield from _strength(scenario, file)
    seen: dict[str, int] = {}
    for index, wearer in enumerate(scenario.wearers):
        first = seen.setdefault(wearer.name, index)
        if first != index:
            found = f"{shown(wearer.name)}, also the name of wearers[{first}]"
            yield Problem(file, f"wearers[{index}].name", found, "a name of its own for each wearer")
    names = {"wearer": scenario.wearer.name, **{f"wearers[{n}]": w.name for n, w in enumerate(scenario.wearers)}}
    for key, name in names.items():
        if not name.isprintable():
            yield Problem(file, f"{key}.name", shown(name), "one line of text without control characters")
    sharing = scenario.wearer_count - sum(wearer.calibration is not None for wearer in scenario.wearers)
    if isinstance(scenario.calibration, CalibrationOnFile) and sharing > 1:
        allowed = 'one person\'s numbers for one wearer: source = "simulated", or a calibration for each of [[wearers]]'
        yield Problem(file, "calibration.source", f"'on-file' for {sharing} wearers", allowed)


def _strength(scenario: Scenario, file: str) -> Iterator[Problem]:
    """A setting of strength that nothing would be drawn by."""
    population = scenario.population
    if population is None:
        return
    norms = population.norms
    if "women_share" in population.model_fields_set and (norms is None or NORMS[norms].women == NORMS[norms].men):
        by = norms or f"wearer.max_pinch_N = {scenario.wearer.max_pinch_N:g}"
        found = f"{population.women_share:g}, with strength drawn by {by}"
        yield Problem(file, "population.women_share", found, 'population.norms = "healthy-adults", or no women_share')
    if norms is not None and "strength_sd" in population.model_fields_set:
        found = f"{population.strength_sd:g}, with strength drawn by the norms {norms}"
        yield Problem(file, "population.strength_sd", found, "wearer.max_pinch_N to draw around, or no strength_sd")


def _target(scenario: Scenario, recording: Recording | None, file: str) -> Iterator[Problem]:
    target = scenario.target
    if isinstance(target, SineTarget) and target.amplitude_N > target.mean_N:
        found = f"{target.amplitude_N!r}, which takes the sine below zero"
        yield Problem(file, "target.amplitude_N", found, f"at most mean_N = {target.mean_N!r}")
    levels = target.levels_N if isinstance(target, StepsTarget) and target.order == "random" else ()
    if len(set(levels)) < len(levels):
        found = f"{shown(list(levels))} in random order"
        yield Problem(file, "target.levels_N", found, 'each level once, or order = "listed"')
    highest = highest_N(target)
    if recording is not None:
        highest = float(recording.force_N.max())
        lowest = float(recording.force_N.min())
        if lowest < 0 or highest > HIGHEST_TARGET_N:
            found = f"{recording.column} from {lowest!r} to {highest!r} N in {shown(recording.file)}"
            yield Problem(file, "target.file", found, f"forces from 0 to {HIGHEST_TARGET_N!r} N")
    weakest = min(scenario.wearers or (scenario.wearer,), key=lambda wearer: wearer.max_pinch_N)
    if highest is not None and highest > weakest.max_pinch_N:
        allowed = f"at most max_pinch_N of {shown(weakest.name)}, {weakest.max_pinch_N!r} N"
        yield Problem(file, strength_key(scenario.target), f"a target of {highest!r} N", allowed)


def _size(scenario: Scenario, file: str) -> Iterator[Problem]:
    if scenario.trial_count > MOST_TRIALS:
        parts = f"{scenario.wearer_count} wearers x {len(scenario.conditions)} conditions x {scenario.repeats} repeats"
        yield Problem(file, "repeats", f"{parts} = {scenario.trial_count} trials", f"at most {MOST_TRIALS} trials")
    rows = scenario.duration_us // scenario.clock.trace_us
    if rows > MOST_TRACE_ROWS:
        found = f"{scenario.clock.trace_rate_Hz!r} for {scenario.duration_s!r} s, {rows} rows per trial"
        yield Problem(file, "clock.trace_rate_Hz", found, f"at most {MOST_TRACE_ROWS} rows per trial")


def _fault(scenario: Scenario, index: int, fault: Fault, file: str) -> Iterator[Problem]:
    key = f"faults[{index}]"
    if fault.at_s >= scenario.duration_s:
        yield Problem(file, f"{key}.at_s", repr(fault.at_s), _before_the_end(scenario))
    for condition in fault.conditions or ():
        if condition not in scenario.conditions:
            allowed = f"conditions of this scenario: {', '.join(scenario.conditions)}"
            yield Problem(file, f"{key}.conditions", shown(condition), allowed)
    for earlier, other in enumerate(scenario.faults[:index]):
        if _together(fault, other) and one_meets_other(fault, other):
            found = f"a {fault.kind} at {fault.at_s!r} s while that of faults[{earlier}] lasts"
            yield Problem(file, f"{key}.at_s", found, "faults of one kind one after the other")


def one_meets_other(one: Fault, other: Fault) -> bool:
    """True when two faults of one kind (of one channel, where they have one) would last at the same time."""
    return _same_thing(one, other) and _meet(one, other)


def _same_thing(one: Fault, other: Fault) -> bool:
    if isinstance(one, ElectrodeLift | UnbalancedPulses) and isinstance(other, ElectrodeLift | UnbalancedPulses):
        return one.kind == other.kind and one.channel == other.channel
    return one.kind == other.kind


def _together(one: Fault, other: Fault) -> bool:
    """True when both happen in at least one condition."""
    return one.conditions is None or other.conditions is None or bool(set(one.conditions) & set(other.conditions))


def _meet(one: Fault, other: Fault) -> bool:
    """True when the later one begins before the earlier one has ended, or at the same time."""
    first, second = sorted((one, other), key=lambda fault: fault.at_s)
    return second.at_s == first.at_s or second.at_s < first.at_s + length_s(first)


def _before_the_end(scenario: Scenario) -> str:
    return f"before the end of the trial, duration_s = {scenario.duration_s!r}"
