"""From what a play left to what the auditor says of it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.engine.result import TrialResult
from thenar.safety.audit.bounds import Bounds, bounds_of, by_name, differences
from thenar.safety.audit.judge import Audit, DecisionLog, PulseLog, judge_log, merged
from thenar.safety.invented import CLEAR, ENGRAVER, JEWELLER
from thenar.safety.limits import Limits
from thenar.safety.profile import LimitProfile
from thenar.safety.requirements import REQUIREMENTS

PERIODS_US: Final = (20_000, 33_333, 100_000)
"""Control periods at which limits are compared: the usual one, one that divides nothing evenly, and the longest."""
CROSSED: Final = JEWELLER._replace(agonist=JEWELLER.antagonist, antagonist=JEWELLER.agonist)


class Judged(NamedTuple):
    """An audit, how many decisions each rule acted at (by number, shape (40,)), and the causes that latched."""

    audit: Audit
    acted: NDArray[np.int64]
    trips: frozenset[int]


def logs_of(played: Any) -> tuple[PulseLog, DecisionLog]:
    """The two logs of a `safety.attack.player.Played`, from the live package or from a variant."""
    pulses, decisions = played.pulses.T.copy(), played.decisions.T.copy()
    trial, t_us, channel, current_uA, width_us, gap_us, before = pulses
    left = PulseLog(trial, t_us, channel, current_uA, width_us, gap_us, None, None, before)
    return left, DecisionLog(*decisions)


def logs_of_trial(result: TrialResult) -> tuple[PulseLog, DecisionLog]:
    """The two logs of a trial of an engine."""
    left, made = result.pulses, result.decisions
    current_uA = np.rint(1_000 * left["current_mA"]).astype(np.int64)
    pulses = PulseLog(
        np.zeros_like(left["t_us"]), left["t_us"], left["channel"], current_uA, left["width_us"], left["gap_us"],
        current_uA, left["second_width_us"],
    )  # fmt: skip
    columns = {"trial": np.zeros_like(made["t_us"])} | made
    return pulses, DecisionLog(*(columns[name] for name in DecisionLog._fields))


def engraver_bounds(profile: LimitProfile, control_period_us: int) -> Bounds:
    """The auditor's own bounds of the invented engraver, from the profile's text."""
    return bounds_of(profile.text, ENGRAVER, control_period_us, CLEAR.model_dump(), profile.name)


def limits_that_differ(profiles: Iterable[LimitProfile]) -> list[str]:
    """Where the interlock's limits for an invented jeweller aren't those that the auditor computes, a line each."""
    found = []
    for profile in profiles:
        # Of two keys behind one limit only the tighter shows. Exchanged, the other channel's shows in this one.
        exchanged = profile.model_copy(update={"agonist": profile.antagonist, "antagonist": profile.agonist})
        for period_us in PERIODS_US:
            own, other = (
                bounds_of(profile.text, person, period_us, CLEAR.model_dump(), profile.name)
                for person in (JEWELLER, CROSSED)
            )
            for where, stated, bounds in (
                ("", profile, own),
                (" with its channels exchanged", exchanged, Bounds(other.antagonist, other.agonist, other.loop)),
            ):
                found += [
                    f"{profile.name}{where}, {period_us / 1_000:g} ms: {one.name} is {one.own} by the profile's text, "
                    f"{one.enforced} for the interlock"
                    for one in differences(bounds, by_name(stated.limits_for(JEWELLER, period_us, CLEAR)))
                ]
    return found


def moved(own: Bounds, base: Limits, attacked: Limits) -> Bounds:
    """The auditor's bounds for an attack under changed limits: its own, but for what the attack has changed.

    `base`: the interlock's limits for the same session as `own`; `attacked`: those that the attack is played under.
    """
    return Bounds(
        own.agonist._replace(**_changed(base.agonist, attacked.agonist)),
        own.antagonist._replace(**_changed(base.antagonist, attacked.antagonist)),
        own.loop._replace(**_changed(base.loop, attacked.loop)),
    )


def _changed(before: Any, after: Any) -> dict[str, int]:
    """The fields of two records that differ, with the later values."""
    return {name: value for name, value in after._asdict().items() if getattr(before, name) != value}


def judged(bounds: Bounds, pulses: PulseLog, decisions: DecisionLog) -> Judged:
    """What the auditor says of a log, and what the interlock said it did."""
    audit = judge_log(bounds, pulses, decisions)
    acted = np.zeros(len(REQUIREMENTS) + 1, dtype=np.int64)
    for number in range(1, len(acted)):
        acted[number] = int(((decisions.reasons >> (number - 1)) & 1).sum())
    return Judged(audit, acted, frozenset(np.unique(decisions.trip).tolist()) - {0})


def together(every: list[Judged]) -> Judged:
    """Several as one. Raises ValueError when there is none."""
    acted = np.sum([one.acted for one in every], axis=0)
    trips = frozenset().union(*(one.trips for one in every))
    return Judged(merged(one.audit for one in every), acted, trips)
