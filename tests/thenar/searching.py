"""Searches of a known bowl for tests, and the same as a process that can be killed."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from thenar.study.ranges import Range
from thenar.study.search import Outcome, Plan, Tried, searched

RANGES = (Range("x", 0.0, 1.0), Range("y", 0.001, 1.0, log=True))
FIRST = {"x": 0.5, "y": 0.5}
PLANS = (
    Plan(RANGES, (False,), "tpe", 5, 5, 33, FIRST),
    Plan(RANGES, (False, True), "nsga2", 6, 6, 42, FIRST),
    Plan(RANGES, (False,), "quasi-random", 7, 4, 16, FIRST),
    Plan(RANGES, (False,), "random", 8, 4, 18, FIRST),
    Plan(RANGES, (False, True), "tpe", 9, 5, 30, {}),
)


def bowl(values: Mapping[str, float]) -> Outcome:
    """A bowl with its bottom at 0.7 in every direction."""
    height = sum((value - 0.7) * (value - 0.7) for value in values.values())
    return Outcome((height,), {"sum": sum(values.values()) - 1.5}, {"sum": sum(values.values())})


def bowls(plan: Plan, values: Sequence[Mapping[str, float]]) -> list[Outcome]:
    """The bowl, with a second objective (larger is better) where the plan has two."""
    found = [bowl(one) for one in values]
    if len(plan.larger_better) == 1:
        return found
    return [
        outcome._replace(objectives=(*outcome.objectives, one["x"])) for outcome, one in zip(found, values, strict=True)
    ]


def tries_of(plan: Plan, folder: Path) -> list[Tried]:
    """All tries of a search in `folder`, finished ones read back."""
    return [one for batch in searched(plan, folder, lambda values: bowls(plan, values)) for one in batch]


def main() -> None:
    """Search plan number argv[1] in folder argv[2], slowly enough to be killed."""
    import optuna  # noqa: F401

    import thenar.study.samplers  # noqa: F401

    plan = PLANS[int(sys.argv[1])]
    print("begins", flush=True)

    def slowly(values: Sequence[Mapping[str, float]]) -> list[Outcome]:
        time.sleep(0.02)
        return bowls(plan, values)

    for _ in searched(plan, Path(sys.argv[2]), slowly):
        pass


if __name__ == "__main__":
    main()
