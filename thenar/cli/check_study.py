"""What `thenar check` says of a `[study]` part: the running sheet, exposure per person, and where limits are met."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from thenar.cli.show import Table, listed, note_compiling, note_slow_laws, progress, show_table
from thenar.engine.trial import Trial
from thenar.safety.limits import Limits
from thenar.safety.requirements import REQUIREMENTS
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.ticks import US_PER_S
from thenar.study.exposure import CHANNELS, AtMost, ChannelExposure, Place, TrialExposure, at_most, rehearsed
from thenar.study.sheet import SheetTrial, Visit, running_sheet, sequence_count
from thenar.study.sheet_warnings import (
    US_PER_MIN,
    Warned,
    limits_by_wearer,
    of_visit,
    order_warnings,
    rehearsal_warnings,
    rules_acted,
    session_warnings,
    window_warning,
)
from thenar.workers import cores

WEARERS_SHOWN: Final = 12
TRIALS_SHOWN: Final = 24
ASSUMED: Final = (
    "simulated: each trial starts with a rested wearer, rested muscles and an interlock just switched on; nobody "
    "learns; practice counts for exposure, not for results. At most: what the limits let through, no forecast."
)


@dataclass(frozen=True)
class Sheet:
    """The running sheet with what was found out about it. `exposures` is None where the rehearsal was left out."""

    loaded: LoadedScenario
    visits: list[Visit]
    limits: dict[int, Limits]
    stimulated: frozenset[str]
    arm_us: int
    exposures: dict[Place, TrialExposure] | None
    warnings: list[Warned]


def sheet_of(loaded: LoadedScenario, trials: Sequence[Trial], rehearse: bool, quiet: bool) -> Sheet:
    """Lay out the study of `loaded` and rehearse it. `trials`: its plan; `quiet`: no progress on a terminal."""
    scenario = loaded.scenario
    wearers = list({trial.label.wearer: trial.wearer for trial in trials}.values())
    visits = running_sheet(scenario, [wearer.name for wearer in wearers], scenario.seed)
    limits = limits_by_wearer(trials)
    stimulated = frozenset(trial.label.condition for trial in trials if trial.stimulated)
    warnings = [*order_warnings(scenario, visits), *session_warnings(visits, limits, stimulated)]
    warnings += window_warning(visits, limits, stimulated)
    exposures = None
    if rehearse and stimulated:
        count = sum(one.condition in stimulated for visit in visits for one in visit.trials)
        note_compiling(quiet)
        if not quiet:
            note_slow_laws(trials)
        with progress(count, "rehearsing", quiet) as advance:
            exposures = rehearsed(loaded, visits, scenario.seed, cores(), advance)
        warnings += rehearsal_warnings(visits, limits, wearers, exposures)
    return Sheet(loaded, visits, limits, stimulated, trials[0].arm_us, exposures, warnings)


def tell_sheet(sheet: Sheet) -> None:
    """Print the running sheet, short where there are many wearers or trials, and the warnings last."""
    show_table(_wearers_table(sheet))
    show_table(_visit_table(sheet.visits[0]))
    if sheet.exposures is not None:
        show_table(_exposure_table(sheet))
        show_table(_rules_table(sheet.exposures))
    print(f"\n{ASSUMED}")
    if sheet.exposures is None and sheet.stimulated:
        print("Charge and on-time were not rehearsed (--no-rehearsal): only what follows from the sheet is told.")
    for warning in sheet.warnings:
        print(f"WARNING {warning.rule}: {warning.words}{_whom(warning, sheet.visits)}")
    if not sheet.warnings:
        print("No limit and no rest rule would be met.")


def _whom(warning: Warned, visits: Sequence[Visit]) -> str:
    if not warning.wearers:
        return ""
    if len(warning.wearers) == len(visits):
        return f" [all {len(visits)} wearers]" if len(visits) > 1 else f" [{visits[0].name}]"
    return f" [{len(warning.wearers)} of {len(visits)} wearers: {listed(warning.wearers)}]"


def _wearers_table(sheet: Sheet) -> Table:
    study = sheet.loaded.scenario.study
    sequences = sequence_count(sheet.loaded.scenario)
    kind = f"{study.order if study else 'as-listed'}" + (f", {sequences} sequences" if sequences > 1 else "")
    headers: tuple[str, ...] = ("wearer", "sequence", "order of conditions", "trials", "minutes")
    if sheet.exposures is not None:
        headers += ("agonist\non, s", "antagonist\non, s", "agonist\ncharge, mC", "antagonist\ncharge, mC")
    rows = [_wearer_row(sheet, visit) for visit in sheet.visits[:WEARERS_SHOWN]]
    left = len(sheet.visits) - len(rows)
    more = f"; {left} more wearers are in --json" if left > 0 else ""
    title = f"Running sheet ({kind}): stimulated on-time and charge of both phases of a whole visit{more}"
    return Table(title, headers, rows, frozenset(range(3, len(headers))))


def _wearer_row(sheet: Sheet, visit: Visit) -> tuple[str, ...]:
    counted = sum(one.counted for one in visit.trials)
    practice = len(visit.trials) - counted
    trials = f"{counted}" + (f" + {practice}" if practice else "")
    order = " > ".join(visit.order[:6]) + (" > ..." if len(visit.order) > 6 else "")
    row = (visit.name, str(visit.sequence or "own"), order, trials, f"{visit.end_us / US_PER_MIN:.1f}")
    if sheet.exposures is None:
        return row
    agonist, antagonist = (of_visit(visit, sheet.exposures, number) for number in range(len(CHANNELS)))
    return (
        *row, f"{agonist.on_us / US_PER_S:.0f}", f"{antagonist.on_us / US_PER_S:.0f}", f"{agonist.charge_pC / 1e9:.2f}",
        f"{antagonist.charge_pC / 1e9:.2f}",
    )  # fmt: skip


def _visit_table(visit: Visit) -> Table:
    rows = [
        (_clock(one.start_us), _clock(one.end_us), one.condition, _which(one), f"{one.rest_us / US_PER_S:g}")
        for one in visit.trials[:TRIALS_SHOWN]
    ]
    left = len(visit.trials) - len(rows)
    more = f"; {left} more trials are in --json" if left > 0 else ""
    title = f"The visit of {visit.name}, min:s from arrival; preparation until {_clock(visit.trials[0].start_us)}{more}"
    return Table(title, ("start", "end", "condition", "trial", "rest, s"), rows, frozenset({0, 1, 4}))


def _which(one: SheetTrial) -> str:
    return f"counted {one.repeat + 1}" if one.counted else "practice"


def _clock(t_us: int) -> str:
    minutes, seconds = divmod(round(t_us / US_PER_S), 60)
    return f"{minutes}:{seconds:02d}"


def _exposure_table(sheet: Sheet) -> Table:
    rows: list[tuple[str, ...]] = []
    for number, name in enumerate(CHANNELS):
        found = [of_visit(visit, sheet.exposures or {}, number) for visit in sheet.visits]
        top = [visit_at_most(sheet, visit)[number] for visit in sheet.visits]
        limits = [getattr(sheet.limits[visit.wearer], name) for visit in sheet.visits]
        window_us = next(iter(sheet.limits.values())).loop.long_window_us
        lines = (
            ("mean charge of a phase, uC", [f.mean_phase_pC / 1e6 for f in found], None),
            ("largest charge of a phase, uC", [f.phase_pC / 1e6 for f in found], [t.phase_pC / 1e6 for t in top]),
            ("charge of a visit, mC (R24)", [f.charge_pC / 1e9 for f in found], [t.charge_pC / 1e9 for t in top]),
            ("on-time of a visit, s", [f.on_us / US_PER_S for f in found], [t.on_us / US_PER_S for t in top]),
            ("longest on without a rest, s (R23)", [f.run_us / 1e6 for f in found], [c.run_us / 1e6 for c in limits]),
            (f"most on in {window_us / 1e6:g} s, s (R23)", [f.window_on_us / 1e6 for f in found],
             [c.on_us / 1e6 for c in limits]),
        )  # fmt: skip
        for what, numbers, bounds in lines:
            worst = "-" if bounds is None else f"{max(bounds):.2f}"
            rows.append((name, what, f"{np.median(numbers):.2f}", f"{max(numbers):.2f}", worst))
    title = "Expected exposure per wearer, rehearsed trial by trial, and the most that the limits let through"
    return Table(title, ("channel", "what", "median\nwearer", "largest", "at most"), rows, frozenset({2, 3, 4}))


def visit_at_most(sheet: Sheet, visit: Visit) -> tuple[AtMost, AtMost]:
    """The most that the limits let each channel give in a visit: every stimulated trial a session of its own."""
    own = [one for one in visit.trials if one.condition in sheet.stimulated]
    each = [at_most(sheet.limits[visit.wearer], one.duration_us - sheet.arm_us) for one in own]
    agonist, antagonist = (
        AtMost(max(t.phase_pC for t in side), sum(t.charge_pC for t in side), sum(t.on_us for t in side))
        for side in zip(*each, strict=True)
    )
    return agonist, antagonist


def _rules_table(exposures: dict[Place, TrialExposure]) -> Table:
    titles = {row.name: row.title for row in REQUIREMENTS}
    rows = [(rule, titles.get(rule, ""), str(trials)) for rule, trials in rules_acted(exposures).items()]
    title = f"Rules that acted in the rehearsal, in how many of {len(exposures)} stimulated trials"
    return Table(title, ("rule", "what it holds", "trials"), rows, frozenset({2}))


def sheet_record(sheet: Sheet) -> dict[str, object]:
    """The whole running sheet for machines."""
    study = sheet.loaded.scenario.study
    return {
        "order": study.order if study else "as-listed",
        "sequences": sequence_count(sheet.loaded.scenario),
        "rehearsed": sheet.exposures is not None,
        "visits": [_visit_record(sheet, visit) for visit in sheet.visits],
        "trials_in_which_rules_acted": rules_acted(sheet.exposures or {}),
        "warnings": [warning._asdict() for warning in sheet.warnings],
        "assumed": ASSUMED,
    }


def _visit_record(sheet: Sheet, visit: Visit) -> dict[str, object]:
    record: dict[str, object] = {
        "wearer": visit.wearer, "name": visit.name, "sequence": visit.sequence, "order": visit.order,
        "total_min": visit.end_us / US_PER_MIN, "trials": list(_trial_records(sheet, visit)),
    }  # fmt: skip
    if sheet.stimulated:
        record["at_most"] = dict(zip(CHANNELS, (side._asdict() for side in visit_at_most(sheet, visit)), strict=True))
    if sheet.exposures is not None:
        record["expected"] = {
            name: exposure_record(of_visit(visit, sheet.exposures, number)) for number, name in enumerate(CHANNELS)
        }
    return record


def _trial_records(sheet: Sheet, visit: Visit) -> Iterator[dict[str, object]]:
    for one in visit.trials:
        record: dict[str, object] = dict(one._asdict()) | {"counted": one.counted}
        exposure = (sheet.exposures or {}).get((visit.wearer, one.position))
        if exposure is not None:
            record["expected"] = {name: exposure_record(exposure[n]) for n, name in enumerate(CHANNELS)}
            record["reason_ticks"] = exposure.reason_ticks
        yield record


def exposure_record(side: ChannelExposure) -> dict[str, object]:
    """One channel's exposure as a mapping with units in its names."""
    record = side._asdict()
    record["tired_share"] = record.pop("tired")
    return record | {"mean_phase_pC": side.mean_phase_pC}
