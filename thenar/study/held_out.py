"""The tuned law on wearers that the tuning never saw, beside the untuned law and no assistance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final, NamedTuple

from thenar.controller.registry import LawSettings
from thenar.study.goals import Measure
from thenar.study.resampled import Interval, difference_of, interval_of, share_interval
from thenar.study.scores import Wearers, score_called, wearer_scores
from thenar.study.tuning import Task, rows_of

ARMS: Final = ("unassisted", "untuned", "tuned")
PAIRS: Final = (("tuned", "untuned"), ("tuned", "unassisted"), ("untuned", "unassisted"))
ERROR: Final = "mean_abs_error_N"


class Line(NamedTuple):
    """One measure on held-out wearers: an interval per arm, and per pair of arms (first minus second)."""

    measure: Measure
    arms: dict[str, Interval]
    differences: dict[tuple[str, str], Interval]

    @property
    def gain(self) -> Interval:
        """How much the tuned law betters the untuned one (below zero: it is worse), in the measure's unit."""
        value, low, high = self.differences["tuned", "untuned"]
        return Interval(value, low, high) if self.measure.score.larger_better else Interval(*_turned(value, low, high))

    def short(self) -> str:
        """The outcome in a few words."""
        gain = self.gain
        if gain == (0.0, 0.0, 0.0):
            return "the tuned law does exactly as the untuned one"
        if gain.holds_zero:
            return "the tuned law does NOT beat the untuned one"
        return f"the tuned law {'beats' if gain.value > 0 else 'is WORSE than'} the untuned one"


def _turned(value: float, low: float, high: float) -> tuple[float, float, float]:
    return 0.0 - value, 0.0 - high, 0.0 - low  # never a minus zero


class Check(NamedTuple):
    """What the held-out wearers say. `wearers`: scores by arm and wearer; `worse`: share made worse, by arm."""

    seed: int
    wearers: dict[str, Wearers]
    lines: tuple[Line, ...]
    worse: dict[str, Interval]

    def verdict(self) -> list[str]:
        """One plain sentence per measure on whether the tuned law beats the untuned one on these wearers."""
        return [_sentence(line) for line in self.lines]


def checked_on_held_out(task: Task, tuned: LawSettings, jobs: int, on_trial: Callable[[object], None]) -> Check:
    """Run held-out wearers in all arms, under one noise, and compare. Equal whatever `jobs` (cores) is."""
    seed = task.held_out_seed
    assisted = task.held_out.trials(seed, "assisted")
    trials = {
        "unassisted": task.held_out.trials(seed, "unassisted"),
        "untuned": assisted,
        "tuned": [replace(trial, law=tuned) for trial in assisted],
    }
    rows = iter(rows_of([trial for arm in ARMS for trial in trials[arm]], task.moving, jobs, on_trial))
    wearers = {arm: wearer_scores([next(rows) for _ in trials[arm]]) for arm in ARMS}
    measures = dict.fromkeys((*task.goal.objectives, Measure(score_called(ERROR, ""), "mean")))
    lines = tuple(_line(measure, wearers, seed) for measure in measures)
    worse = {arm: _worse(wearers[arm], wearers["unassisted"]) for arm in ("untuned", "tuned")}
    return Check(seed, wearers, lines, worse)


def _line(measure: Measure, wearers: dict[str, Wearers], seed: int) -> Line:
    numbers = {arm: [scores[measure.score.name] for scores in wearers[arm].values()] for arm in ARMS}
    larger = measure.score.larger_better
    arms = {arm: interval_of(numbers[arm], measure.over, seed, larger) for arm in ARMS}
    differences = {
        (one, other): difference_of(numbers[one], numbers[other], measure.over, seed, larger) for one, other in PAIRS
    }
    return Line(measure, arms, differences)


def _worse(assisted: Wearers, unassisted: Wearers) -> Interval:
    count = sum(scores[ERROR] > unassisted[wearer][ERROR] for wearer, scores in assisted.items())
    return share_interval(count, len(assisted))


def _sentence(line: Line) -> str:
    gain, unit, name = line.gain, line.measure.score.unit, line.measure.words
    worse = gain.high < 0.0
    value, low, high = _turned(*gain) if worse else gain
    shown = f"{value:+.3g} {unit}"
    if gain.low != gain.low:
        return f"{name}: better by {shown}, no interval can be given, so nothing is shown"
    if gain == (0.0, 0.0, 0.0):
        return f"{name}: on wearers it never saw, {line.short()}; no try bettered it"
    shown += f" (95 % interval {low:+.3g} to {high:+.3g})"
    return f"{name}: on wearers it never saw, {line.short()}; {'worse' if worse else 'better'} by {shown}"
