"""`thenar check FILE...`: what a scenario would run, or what is wrong with it."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np

from thenar.cli.check_fitted import fitted_facts, fitted_records
from thenar.cli.scenario_file import load_typed
from thenar.cli.show import Table, listed, show_json, show_table
from thenar.controller.registry import SHIPPED
from thenar.engine.trial import Trial, plan_trials
from thenar.plant_models.settings import Channel, Wearer
from thenar.safety.limits import ChannelLimits, Limits
from thenar.safety.screening import objections_to
from thenar.scenarios.faults import Fault
from thenar.scenarios.gallery import gallery_files
from thenar.scenarios.loader import LoadedScenario
from thenar.scenarios.person import CalibrationOnFile, CalibrationSource, ScreeningOnFile
from thenar.scenarios.schema import Scenario
from thenar.shared.errors import InputError, Problem
from thenar.shared.signals import CHANNELS
from thenar.shared.text_input import read_toml
from thenar.shared.ticks import US_PER_S

Facts = list[tuple[str, str]]
REHEARSED_US: Final = 30 * US_PER_S
"""How much of its first trial a user's law is rehearsed over."""
FEWEST_CORRELATED: Final = 8
"""Fewer drawn wearers say nothing about a correlation."""
FAULTS_TOLD: Final = 3


def command(chosen: argparse.Namespace) -> int:
    """Check files, each on its own. Returns 0 when all are fine, 2 when one isn't or none is named."""
    if chosen.list:
        return _list(chosen.json)
    if not chosen.files:
        raise InputError([Problem("thenar check", "FILE", "no file", "scenario files or shipped names, or --list")])
    records: list[dict[str, object]] = []
    fine = True
    for typed in chosen.files:
        try:
            loaded = load_typed(typed)
            trials = plan_trials(loaded)
            if not chosen.no_rehearsal:
                _rehearse_law(loaded, trials)
        except InputError as error:
            fine = False
            records.append({"file": typed, "fine": False, "problems": [p._asdict() for p in error.problems]})
            print(error, file=sys.stderr)
            continue
        records.append({"file": typed, "fine": True, **_record(loaded, trials)})
        if not chosen.json:
            _tell(typed, loaded, trials)
        if loaded.scenario.study is not None:
            records[-1]["study"] = _study(loaded, trials, chosen)
    if chosen.json:
        show_json({"files": records})
    return 0 if fine else 2


def _rehearse_law(loaded: LoadedScenario, trials: list[Trial]) -> None:
    """Run the beginning of a trial with a law of the user's own. Raises InputError on what the law did wrong."""
    stimulated = [trial for trial in trials if trial.stimulated]
    if loaded.law_ran == SHIPPED or not stimulated:
        return
    from thenar.engine.events import run_trial  # brings in the compiler

    trial = replace(stimulated[0], duration_us=min(stimulated[0].duration_us, REHEARSED_US))
    faults = [event for event in run_trial(trial).events if event["kind"] == "law-fault"]
    first = {str(event["what"]): event["t_us"] for event in reversed(faults)}
    problems = [
        Problem(
            str(loaded.path), "law", f"at {int(str(t_us)) / US_PER_S:g} s of a rehearsal the law failed: {what}",
            "a law that answers at every control tick",
        )
        for what, t_us in first.items()
    ]  # fmt: skip
    if problems:
        raise InputError(problems[-FAULTS_TOLD:])


def _study(loaded: LoadedScenario, trials: list[Trial], chosen: argparse.Namespace) -> dict[str, object]:
    """Lay out and rehearse the study, print its running sheet unless JSON is asked for, and give its record."""
    from thenar.cli.check_study import sheet_of, sheet_record, tell_sheet  # brings in the compiler

    sheet = sheet_of(loaded, trials, not chosen.no_rehearsal, chosen.json)
    if not chosen.json:
        tell_sheet(sheet)
    return sheet_record(sheet)


def _list(as_json: bool) -> int:
    shipped = [(file.stem, str(read_toml(file).get("title", ""))) for file in gallery_files()]
    if as_json:
        show_json({"shipped": [{"name": name, "title": title} for name, title in shipped]})
    else:
        show_table(Table("Shipped scenarios (the name stands for the file)", ("name", "title"), shipped))
    return 0


def _tell(typed: str, loaded: LoadedScenario, trials: list[Trial]) -> None:
    refusals = _refusals(trials)
    fitted = fitted_facts(loaded, [trial.wearer for trial in _one_per_wearer(trials)])
    outlasts = _outlasts(loaded, trials)
    facts = [
        *refusals,
        *outlasts,
        *_what(loaded),
        *_people(loaded.scenario, trials),
        *fitted,
        *_on_file(loaded),
        *_loop(loaded),
    ]
    facts += _bounds(loaded, trials)
    verdict = (
        "can run, but refuses to arm" if refusals else "can run, but look at the first line" if outlasts else "fine"
    )
    show_table(Table(f"{typed}: {verdict}", ("what", "would run"), facts))
    if loaded.scenario.faults:
        show_table(Table("Faults in order of time", ("at, s", "fault", "details", "conditions"), _timeline(loaded)))


def _record(loaded: LoadedScenario, trials: list[Trial]) -> dict[str, object]:
    scenario = loaded.scenario
    return {
        "title": scenario.title,
        "sha256": loaded.sha256,
        "trials": len(trials),
        "wearers": [
            {
                "name": t.wearer.name,
                "max_pinch_N": t.wearer.max_pinch_N,
                "calibration": _nested(t.calibration),
                "screening_objections": objections_to(t.screening),
                "refuses_to_arm": t.arming_objections(),
            }
            for t in _one_per_wearer(trials)
        ],
        "unstimulated_after_session_s": _after_session_s(loaded, trials),
        "fitted": fitted_records(loaded),
        "scenario": scenario.model_dump(mode="json", by_alias=True),
        "limit_deviations": [found._asdict() for found in loaded.profile.deviations()],
        "limits": [_nested(trial.limits()) for trial in _one_per_wearer(trials)],
        "faults": [fault.model_dump(mode="json") for fault in sorted(scenario.faults, key=lambda fault: fault.at_s)],
    }


def _nested(values: Any) -> Any:
    """Nested NamedTuples as nested mappings."""
    if isinstance(values, tuple) and hasattr(values, "_asdict"):
        return {name: _nested(value) for name, value in values._asdict().items()}
    return values


def _one_per_wearer(trials: Iterable[Trial]) -> list[Trial]:
    return list({trial.label.wearer: trial for trial in trials}.values())


def _refusals(trials: list[Trial]) -> Facts:
    """Why the interlock would refuse to arm, by wearers of one reason; empty when nothing is on file against it."""
    refused: dict[str, list[str]] = {}
    everyone = _one_per_wearer(trial for trial in trials if trial.stimulated)
    for trial in everyone:
        objections = trial.arming_objections()
        if objections:
            why = ", ".join(f"{identifier} {words}" for identifier, words in objections.items())
            refused.setdefault(why, []).append(trial.wearer.name)
    return [
        ("REFUSES TO ARM", why if len(names) == len(everyone) else f"{listed(names)}: {why}")
        for why, names in refused.items()
    ]


def _outlasts(loaded: LoadedScenario, trials: list[Trial]) -> Facts:
    """A warning where a stimulated trial goes on after its session's end (R24)."""
    unstimulated_s = _after_session_s(loaded, trials)
    if not unstimulated_s:
        return []
    whole_s = loaded.scenario.duration_s
    share = f"{unstimulated_s:g} of {whole_s:g} s ({100.0 * unstimulated_s / whole_s:.0f} %)"
    return [("TRIAL OUTLASTS THE SESSION", f"R24 ends stimulation: none for the last {share}")]


def _after_session_s(loaded: LoadedScenario, trials: list[Trial]) -> float:
    """How much of a stimulated trial comes after the end of its session, s."""
    ends_s = [
        loaded.scenario.session.arm_at_s + trial.limits().loop.session_us / US_PER_S
        for trial in _one_per_wearer(trial for trial in trials if trial.stimulated)
    ]
    return max(0.0, loaded.scenario.duration_s - min(ends_s, default=math.inf))


def _on_file(loaded: LoadedScenario) -> Facts:
    """What is on file about the wearers, each kind of it once."""
    scenario = loaded.scenario
    numbers = range(len(scenario.wearers) or 1)
    screenings = dict.fromkeys(_screening(scenario.screening_of(number)) for number in numbers)
    calibrations = dict.fromkeys(_calibration(scenario.calibration_of(number)) for number in numbers)
    return [("screening, R27", " / ".join(screenings)), ("calibration, R07", " / ".join(calibrations))]


def _screening(on_file: ScreeningOnFile | None) -> str:
    if on_file is None:
        return "none on file"
    answers = list(on_file.contraindications.model_dump().values())
    counts = ", ".join(f"{answers.count(answer)} {answer}" for answer in dict.fromkeys(answers))
    site = "pads not declared" if on_file.placement is None else f"pads on the {on_file.placement.site}"
    return f"{counts}; {site}{', invented' if on_file.invented else ''}"


def _calibration(source: CalibrationSource | None) -> str:
    if source is None:
        return "none on file"
    if isinstance(source, CalibrationOnFile):
        return f"on file, maximum pinch {source.max_pinch_N:g} N{', invented' if source.invented else ''}"
    how = "exact"
    if not source.is_exact:
        how = (
            f"steps of {source.step_mA:g} mA, reports vary by {100 * source.report_sd:g} %, forces by "
            f"{100 * source.force_sd:g} %, means of {source.repeats}"
        )
    return f"simulated on each wearer at {source.width_us:g} us, {source.rate_Hz:g} Hz: {how}"


def _what(loaded: LoadedScenario) -> Facts:
    scenario = loaded.scenario
    parts = (scenario.wearer_count, "wearer"), (len(scenario.conditions), "condition"), (scenario.repeats, "repeat")
    counts = " x ".join(_count(number, thing) for number, thing in parts)
    return [
        ("title", scenario.title),
        ("look at", " ".join(scenario.watch.split()) or "-"),
        ("trials", f"{counts} = {_count(scenario.trial_count, 'trial')} of {scenario.duration_s:g} s"),
        ("seed", str(scenario.seed)),
        ("conditions", ", ".join(scenario.conditions)),
        ("target", _settings(scenario.target.model_dump())),
    ]


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _people(scenario: Scenario, trials: list[Trial]) -> Facts:
    wearers = [trial.wearer for trial in _one_per_wearer(trials)]
    strength = [wearer.max_pinch_N for wearer in wearers]
    facts = [("wearers", listed([wearer.name for wearer in wearers]))]
    if scenario.population is None:
        facts.append(("maximum pinch", _span(strength, "N", 1)))
    else:
        base = scenario.wearer
        norms = scenario.population.norms
        whose = f"described {base.max_pinch_N:g} N" if norms is None else f"drawn by the norms {norms}"
        whose = "around fitted people" if scenario.population.around else whose
        facts.append(("maximum pinch", f"{_drawn(strength, 1)}; {whose}"))
        facts += [_reach(channel, getattr(base, channel), wearers, strength) for channel in CHANNELS]
    return [*facts, ("trust in felt nudges", _span((wearer.cue.trust for wearer in wearers), "", 2))]


def _reach(channel: str, described: Channel, wearers: list[Wearer], strength: list[float]) -> tuple[str, str]:
    """What a channel's muscle reaches, drawn against described, and how it goes with strength."""
    reach = [getattr(wearer, channel).muscle.reachable_N for wearer in wearers]
    words = f"{_drawn(reach, 1)}; described {described.muscle.reachable_N:g} N"
    if len(wearers) >= FEWEST_CORRELATED and np.std(strength) > 0 and np.std(reach) > 0:
        words += f"; correlation with strength {np.corrcoef(np.log(strength), np.log(reach))[0, 1]:.2f}"
    return f"{channel} reaches", words


def _drawn(values: list[float], digits: int) -> str:
    """The span of drawn forces and, of several, their mean and standard deviation in N."""
    words = _span(values, "N", digits)
    if len(values) == 1:
        return words
    return f"{words}, mean {np.mean(values):.{digits}f} N, SD {np.std(values, ddof=1):.{digits}f} N"


def _loop(loaded: LoadedScenario) -> Facts:
    scenario = loaded.scenario
    law, sensor, clock = scenario.law, scenario.estimator, scenario.clock
    name = law.name if law.name is not None else f"{law.class_name} from {law.file} (your own code)"
    late = f"{sensor.latency_ms:g} to {sensor.latency_ms + sensor.latency_jitter_ms:g} ms late"
    noise = f"SD {sensor.noise_floor_N:g} N + {100 * sensor.noise_share:g} % of force"
    curve = ", ".join(f"{t:g} as {r:g}" for t, r in zip(sensor.true_N, sensor.reads_N, strict=True))
    rates = (
        f"control {clock.control_rate_Hz:g} Hz, wearer {clock.wearer_rate_Hz:g} Hz, trace {clock.trace_rate_Hz:g} Hz"
    )
    return [
        ("law", name),
        ("law settings", _settings(law.settings) or "all at their defaults (`thenar laws` lists them)"),
        ("estimator", f"{sensor.rate_Hz:g} readings per second, {late}, {noise}"),
        ("estimator reads", f"{curve} N; cut to 0 to {sensor.range_N:g} N"),
        ("clocks", rates),
        ("armed at", f"{scenario.session.arm_at_s:g} s"),
    ]


def _bounds(loaded: LoadedScenario, trials: list[Trial]) -> Facts:
    """The limits that bind most, by requirement, from those that the interlock would get."""
    everyone = [trial.limits() for trial in _one_per_wearer(trials)]
    first, loop = everyone[0], everyone[0].loop
    soft = _span((limits.loop.force_soft_mN / 1000 for limits in everyone), "N", 1)
    hard = _span((limits.loop.force_hard_mN / 1000 for limits in everyone), "N", 1)
    ramp_ms, trip_ms = loop.estimate_ramp_us / 1000, loop.estimate_trip_us / 1000
    return [
        ("limit profile", loaded.scenario.limits.profile),
        *_deviations(loaded),
        ("peak current, R06", _both(first, lambda c: f"{c.peak_uA / 1000:g} mA")),
        ("wearers' own ceilings, R07", _ceilings(everyone)),
        ("pulse width, R08", _both(first, lambda c: f"{c.width_min_us} to {c.width_max_us} us")),
        ("charge per phase, R09", _both(first, lambda c: f"{c.charge_pC / 1e6:g} uC")),
        ("pulse rate, R11", _both(first, lambda c: f"{US_PER_S / c.period_min_us:g} Hz")),
        ("rise of current, R20", _both(first, lambda c: f"{c.slew_uA_per_s / 1000:g} mA/s")),
        ("rise of charge rate, R40", _both(first, lambda c: f"{c.intensity_slew_pC_per_s2 / 1e6:g} uC/s2")),
        ("on without a rest, R23", _both(first, lambda c: f"{c.run_us / US_PER_S:g} s")),
        ("session, R24", f"{loop.session_us / US_PER_S:g} s"),
        ("stale estimate, R30", f"ramps down after {ramp_ms:g} ms, trips after {trip_ms:g} ms"),
        ("force, R31", f"no more push above {soft}, trips above {hard}"),
    ]


def _deviations(loaded: LoadedScenario) -> Facts:
    """A line per bound that is looser than in the shipped profile it starts from."""
    lines = [str(found) for found in loaded.profile.deviations()]
    return [(f"deviates from {loaded.profile.based_on}" if not n else "", line) for n, line in enumerate(lines)]


def _both(limits: Limits, words: Callable[[ChannelLimits], str]) -> str:
    """A bound of both channels, said once when they agree."""
    agonist, antagonist = words(limits.agonist), words(limits.antagonist)
    return agonist if agonist == antagonist else f"agonist {agonist}, antagonist {antagonist}"


def _ceilings(everyone: list[Limits]) -> str:
    agonist = _span((limits.agonist.ceiling_uA / 1000 for limits in everyone), "mA", 1)
    antagonist = _span((limits.antagonist.ceiling_uA / 1000 for limits in everyone), "mA", 1)
    return f"agonist {agonist}, antagonist {antagonist}"


def _timeline(loaded: LoadedScenario) -> list[tuple[str, ...]]:
    return [_fault_row(fault) for fault in sorted(loaded.scenario.faults, key=lambda fault: fault.at_s)]


def _fault_row(fault: Fault) -> tuple[str, ...]:
    values = fault.model_dump(exclude={"kind", "at_s", "conditions"})
    return f"{fault.at_s:g}", fault.kind, _settings(values), ", ".join(fault.conditions or ("all",))


def _settings(values: Mapping[str, Any]) -> str:
    """Settings as "key = value, key = value"; nested tables with dotted keys."""
    return ", ".join(f"{key} = {value}" for key, value in _flat(values, ""))


def _flat(values: Mapping[str, Any], prefix: str) -> Iterator[tuple[str, str]]:
    for key, value in values.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{prefix}{key}.")
        elif isinstance(value, tuple | list):
            yield prefix + key, " ".join(_brief(entry) for entry in value)
        else:
            yield prefix + key, _brief(value)


def _brief(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _span(numbers: Iterable[float], unit: str, digits: int) -> str:
    """Lowest to highest in words ("12.1 to 22.4 mA"), or one number when all are equal."""
    found = list(numbers)
    low, high = f"{min(found):.{digits}f}", f"{max(found):.{digits}f}"
    words = low if low == high else f"{low} to {high}"
    return f"{words} {unit}".rstrip()
