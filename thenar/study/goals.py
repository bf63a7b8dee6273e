"""What a tuning is after: objectives and bounds, as a person types them and as numbers over wearers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

from thenar.shared.errors import InputError, Problem, nearest, shown
from thenar.study.scores import NAMES, OVER, Score, Wearers, over_wearers, score_called, worse_share

WORSE: Final = "worse_share"
DEFAULT_OBJECTIVES: Final = ("mean_abs_error_N:p90",)
DEFAULT_WORSE_SHARE: Final = 0.1
"""Share of wearers made worse than without assistance that is let through unless --at-most says otherwise."""
WORDS: Final = {"mean": "mean over wearers", "p90": "90th percentile over wearers", "worst": "worst wearer"}


class Measure(NamedTuple):
    """A score and the way it is taken over wearers: "mean", "p90" or "worst"."""

    score: Score
    over: str

    @property
    def name(self) -> str:
        """As it is typed, and as columns and records call it."""
        return f"{self.score.name}:{self.over}"

    @property
    def words(self) -> str:
        """For headings and axes."""
        # The tenth percentile of what should be large is what nine of ten wearers reach.
        over = "10th percentile over wearers" if self.over == "p90" and self.score.larger_better else WORDS[self.over]
        return f"{self.score.name}, {over}"

    def of(self, wearers: Wearers) -> float:
        """The number for these wearers, in the score's unit."""
        numbers = [scores[self.score.name] for scores in wearers.values()]
        return over_wearers(numbers, self.over, self.score.larger_better)


class Bound(NamedTuple):
    """The most that may be of something. `measure` is None for the share of wearers made worse."""

    name: str
    measure: Measure | None
    at_most: float

    def figure(self, assisted: Wearers, unassisted: Wearers) -> float:
        """The number that is bounded."""
        return worse_share(assisted, unassisted) if self.measure is None else self.measure.of(assisted)


class Goal(NamedTuple):
    """Objectives, bounds, and the least gain margin of the worst wearer (a factor; None: not asked for)."""

    objectives: tuple[Measure, ...]
    bounds: tuple[Bound, ...]
    margin_floor: float | None = None


def read_measure(text: str, option: str, default_over: str) -> Measure:
    """SCORE or SCORE:OVER as typed. Raises InputError."""
    name, colon, over = text.partition(":")
    score = score_called(name.strip(), option)
    over = over.strip() if colon else default_over
    if over not in OVER:
        allowed = f"{score.name} followed by nothing or by :{', :'.join(OVER)}"
        raise InputError([Problem(option, score.name, shown(text), allowed, nearest(over, OVER))])
    return Measure(score, over)


def read_goal(objectives: Sequence[str], bounds: Sequence[str], margin_floor: float | None = None) -> Goal:
    """The goal as typed; the default objective where none is, and a default bound on who is made worse.

    Raises InputError.
    """
    wanted = tuple(read_measure(text, "--objective", "p90") for text in objectives or DEFAULT_OBJECTIVES)
    limits = [_read_bound(text) for text in bounds]
    if WORSE not in {bound.name for bound in limits}:
        limits.insert(0, Bound(WORSE, None, DEFAULT_WORSE_SHARE))
    for option, names in (("--objective", [m.name for m in wanted]), ("--at-most", [bound.name for bound in limits])):
        twice = [name for name in names if names.count(name) > 1]
        if twice:
            raise InputError([Problem(option, twice[0], "given twice", "each once")])
    return Goal(wanted, tuple(limits), margin_floor)


def _read_bound(text: str) -> Bound:
    name, _, value = text.partition("=")
    try:
        most = float(value)
    except ValueError:
        most = math.nan
    if not math.isfinite(most):
        raise InputError([Problem("--at-most", name, shown(text), "NAME=VALUE with VALUE a number")])
    name = name.strip()
    if name == WORSE:
        if not 0 <= most <= 1:
            raise InputError([Problem("--at-most", WORSE, value, "a share from 0 to 1")])
        return Bound(WORSE, None, most)
    known = [WORSE, *NAMES]
    if name.partition(":")[0] not in NAMES:
        raise InputError([Problem("--at-most", "", shown(name), f"one of {', '.join(known)}", nearest(name, known))])
    measure = read_measure(name, "--at-most", "mean")
    if measure.score.larger_better:
        allowed = "a measure of which less is better"
        raise InputError([Problem("--at-most", name, f"{name}, of which more is better", allowed)])
    return Bound(measure.name, measure, most)
