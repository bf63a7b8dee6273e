"""Where a study would meet a limit or rest too little, told before anyone is invited. A sentence each."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Final, NamedTuple

from thenar.engine.trial import Trial
from thenar.plant_models.settings import Wearer
from thenar.safety.limits import Limits
from thenar.scenarios.schema import Scenario
from thenar.scenarios.study import Study
from thenar.shared.ticks import US_PER_S
from thenar.study.exposure import CHANNELS, ChannelExposure, Place, TrialExposure, tired_at_starts, together
from thenar.study.sheet import SheetTrial, Visit, sequence_count

TIRED_SHARE: Final = 0.01
"""Evoked force scale that may be missing at the start of a trial without a warning: own choice."""
US_PER_MIN: Final = 60 * US_PER_S
LIMITS_MET: Final = ("R06", "R09", "R10", "R12", "R13", "R14", "R15", "R16", "R17", "R23", "R24", "R25", "R31")
"""Rules whose acting in a rehearsal is a limit met. Others shape every rise (R20, R21, R36, R40) or answer a fault."""

Exposures = Mapping[Place, TrialExposure]


class Warned(NamedTuple):
    """A warning. `rule`: requirement, or "rest", "order", "time", "arming"; `wearers`: names of those it hits."""

    rule: str
    words: str
    wearers: tuple[str, ...] = ()


def order_warnings(scenario: Scenario, visits: Sequence[Visit]) -> Iterator[Warned]:
    """What the order of conditions leaves open, and visits that are too long."""
    study, conditions = scenario.study or Study(), len(scenario.conditions)
    sequences = sequence_count(scenario)
    if study.order == "as-listed" and conditions > 1:
        yield Warned("order", "all meet the conditions in one order: practice and fatigue can't be told from them")
    elif sequences > 1 and len(visits) % sequences:
        words = f"{len(visits)} wearers over {sequences} sequences: not all equally often; a multiple of {sequences} is"
        yield Warned("order", words)
    if study.longest_visit_min is not None:
        over = [visit for visit in visits if visit.end_us > study.longest_visit_min * US_PER_MIN]
        if over:
            longest_min = max(visit.end_us for visit in over) / US_PER_MIN
            words = (
                f"visits last up to {longest_min:.0f} min, longer than longest_visit_min = {study.longest_visit_min:g}"
            )
            yield Warned("time", words, _names(over))


def session_warnings(visits: Sequence[Visit], limits: Mapping[int, Limits], stimulated: frozenset[str]) -> list[Warned]:
    """R24 over time, from the sheet alone: trials and visits longer than one session of the interlock.

    `limits`: of each wearer; `stimulated`: the conditions with stimulation.
    """
    trials, whole = [], []
    longest_us, spans_us = 0, [0]
    for visit in visits:
        own = [one for one in visit.trials if one.condition in stimulated]
        if not own:
            continue
        session_us = limits[visit.wearer].loop.session_us
        longest_us = session_us
        span_us = own[-1].end_us - own[0].start_us
        if max(one.duration_us for one in own) >= session_us:
            trials.append(visit)
        elif span_us >= session_us:
            whole.append(visit)
            spans_us.append(span_us)
    found = []
    bound = f"{longest_us / US_PER_MIN:g} min"
    if trials:
        found.append(
            Warned("R24", f"one trial lasts as long as a session may ({bound}): it ends in a trip", _names(trials))
        )
    if whole:
        words = (
            f"from the first stimulated trial to the end of the last {max(spans_us) / US_PER_MIN:.0f} min pass, "
            f"a session ends after {bound}: plan a new session between them (simulated: each trial is its own session)"
        )
        found.append(Warned("R24", words, _names(whole)))
    return found


def window_warning(visits: Sequence[Visit], limits: Mapping[int, Limits], stimulated: frozenset[str]) -> list[Warned]:
    """R23 looks further back than a rest lasts: two stimulated trials share one window, simulated ones don't."""
    hit, shortest_us, window_us = [], 0, 0
    for visit in visits:
        window_us = limits[visit.wearer].loop.long_window_us
        short = [one.rest_us for one, after in _pairs(visit) if {one.condition, after.condition} <= stimulated]
        short = [rest_us for rest_us in short if rest_us < window_us]
        if short:
            hit.append(visit)
            shortest_us = min(short)
    if not hit:
        return []
    words = (
        f"rests of {shortest_us / US_PER_S:g} s between stimulated trials are shorter than the "
        f"{window_us / US_PER_S:g} s over which on-time is counted: "
        "a trial then begins with a part of it used up (simulated: with none)"
    )
    return [Warned("R23", words, _names(hit))]


def rehearsal_warnings(
    visits: Sequence[Visit], limits: Mapping[int, Limits], wearers: Sequence[Wearer], exposures: Exposures
) -> list[Warned]:
    """What the rehearsed trials met: limits, trips, charge over a visit, muscles that are still tired."""
    found = list(_met(visits, exposures))
    charged = [visit for visit in visits if any(over for over in _over_total(visit, limits[visit.wearer], exposures))]
    if charged:
        bound_C = max(limits[visit.wearer].agonist.total_pC for visit in charged) / 1e12
        found.append(Warned("R24", f"the charge of a visit passes that of one session, {bound_C:g} C", _names(charged)))
    tired = {visit.wearer: max(tired_at_starts(visit, exposures, wearers[visit.wearer])) for visit in visits}
    hit = [visit for visit in visits if tired[visit.wearer] > TIRED_SHARE]
    if hit:
        worst = max(hit, key=lambda visit: tired[visit.wearer])
        tau_s = max(_slowest_s(wearers[visit.wearer]) for visit in hit)
        share = tired[worst.wearer]
        words = (
            f"up to {100 * share:.1f} % of a stimulated muscle's force is not back when the next trial starts; its "
            f"recovery takes {tau_s:g} s (time constant), so rests {tau_s * math.log(share / TIRED_SHARE):.0f} s "
            f"longer would leave at most {100 * TIRED_SHARE:g} % (simulated: each trial starts rested)"
        )
        found.append(Warned("rest", words, _names(hit)))
    return found


def _met(visits: Sequence[Visit], exposures: Exposures) -> Iterator[Warned]:
    """A warning per limit that acted, and for trips and loops that never armed."""
    total = len(exposures)
    for rule in LIMITS_MET:
        hit = [place for place, one in exposures.items() if one.reason_ticks.get(rule)]
        if hit:
            yield Warned(rule, f"met in {len(hit)} of {total} stimulated trials", _of(visits, hit))
    for rule, words, has in _CONDUCT:
        hit = [place for place, one in exposures.items() if has(one)]
        if hit:
            yield Warned(rule, f"{words} in {len(hit)} of {total} stimulated trials", _of(visits, hit))


_CONDUCT: Final[tuple[tuple[str, str, Callable[[TrialExposure], bool]], ...]] = (
    ("trips", "the interlock trips", lambda one: one.trips > 0),
    ("arming", "the interlock never arms", lambda one: not one.armed),
)


def _over_total(visit: Visit, limits: Limits, exposures: Exposures) -> Iterator[bool]:
    for number, name in enumerate(CHANNELS):
        yield of_visit(visit, exposures, number).charge_pC > getattr(limits, name).total_pC


def of_visit(visit: Visit, exposures: Exposures, number: int) -> ChannelExposure:
    """All that channel `number` (0 agonist, 1 antagonist) gives in a visit, practice included."""
    places = ((visit.wearer, one.position) for one in visit.trials)
    return together([exposures[place].side(number) for place in places if place in exposures])


def rules_acted(exposures: Exposures) -> dict[str, int]:
    """In how many rehearsed trials each rule acted at all."""
    names = sorted({rule for one in exposures.values() for rule in one.reason_ticks})
    return {rule: sum(1 for one in exposures.values() if one.reason_ticks.get(rule)) for rule in names}


def limits_by_wearer(trials: Sequence[Trial]) -> dict[int, Limits]:
    """Each wearer's limits, from any trial of theirs."""
    return {number: trial.limits() for number, trial in {trial.label.wearer: trial for trial in trials}.items()}


def _slowest_s(wearer: Wearer) -> float:
    return max(wearer.agonist.muscle.tau_fat_s, wearer.antagonist.muscle.tau_fat_s)


def _pairs(visit: Visit) -> Iterator[tuple[SheetTrial, SheetTrial]]:
    yield from zip(visit.trials, visit.trials[1:], strict=False)


def _names(visits: Sequence[Visit]) -> tuple[str, ...]:
    return tuple(visit.name for visit in visits)


def _of(visits: Sequence[Visit], places: Sequence[Place]) -> tuple[str, ...]:
    wearers = {wearer for wearer, _ in places}
    return _names([visit for visit in visits if visit.wearer in wearers])
