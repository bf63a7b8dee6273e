"""From what a play left to what the auditor says of it."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.engine.result import TrialResult
from thenar.safety.audit.judge import Audit, DecisionLog, PulseLog, judge_log, merged
from thenar.safety.limits import Limits
from thenar.safety.requirements import REQUIREMENTS


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


def judged(limits: Limits, pulses: PulseLog, decisions: DecisionLog) -> Judged:
    """What the auditor says of a log, and what the interlock said it did."""
    audit = judge_log(limits, pulses, decisions)
    acted = np.zeros(len(REQUIREMENTS) + 1, dtype=np.int64)
    for number in range(1, len(acted)):
        acted[number] = int(((decisions.reasons >> (number - 1)) & 1).sum())
    return Judged(audit, acted, frozenset(np.unique(decisions.trip).tolist()) - {0})


def together(every: list[Judged]) -> Judged:
    """Several as one. Raises ValueError when there is none."""
    acted = np.sum([one.acted for one in every], axis=0)
    trips = frozenset().union(*(one.trips for one in every))
    return Judged(merged(one.audit for one in every), acted, trips)
