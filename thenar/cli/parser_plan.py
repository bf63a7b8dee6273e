"""What `thenar plan` accepts."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable

from thenar.cli.arguments import positive, whole

Add = Callable[[str, str], argparse.ArgumentParser]
MOST_PEOPLE = 1_000
MOST_TRIALS = 32
MOST_LISTED = 20


def for_plan(add: Add) -> None:
    """Add the command. `add` makes the parser of a command from its name and its one line of help."""
    plan = add("plan", "find by simulation how many people and trials a study needs for a wanted effect and power")
    plan.add_argument("file", metavar="FILE", help="a scenario file, or the name of a shipped one")
    plan.add_argument(
        "--effect", type=effect, metavar="E",
        help="wanted mean of assisted minus baseline, in the measure's unit, so less error is below 0, as -0.3 "
        "(default: the simulated effect)",
    )  # fmt: skip
    plan.add_argument("--power", type=power, default=0.8, metavar="P", help="wanted power, a share (default: 0.8)")
    plan.add_argument(
        "--measure", metavar="NAME", help="what is compared (default: the study's primary measure, or the mean error)"
    )
    plan.add_argument(
        "--baseline", choices=("unassisted", "stimulation-only"), default="unassisted",
        help="what assistance is held against (default: unassisted)",
    )  # fmt: skip
    plan.add_argument("--people", type=people, default=(), metavar="LIST", help="show the power of these, as 8,12,16")
    plan.add_argument(
        "--trials", type=trials, default=(1, 2, 4), metavar="LIST",
        help="trials per condition to compare beside the scenario's own repeats (default: 1,2,4)",
    )  # fmt: skip
    plan.add_argument(
        "--looks", type=looks, default=1, metavar="N", help="looks at the data, the last at the end (default: 1)"
    )
    plan.add_argument(
        "--dropout", type=dropout, default=0.0, metavar="SHARE", help="share of people lost or excluded (default: 0)"
    )
    plan.add_argument(
        "--wearers", type=pool_wearers, default=400, metavar="N", help="wearers to simulate (default: 400)"
    )
    plan.add_argument(
        "--simulations", type=simulations, default=10_000, metavar="N",
        help="studies to draw from them for every number of people (default: 10000)",
    )  # fmt: skip
    plan.add_argument("--seed", type=whole, metavar="N", help="seed in place of the scenario's own")
    plan.add_argument("--jobs", type=positive, metavar="N", help="cores to use (default: all)")
    plan.add_argument("--out", metavar="DIR", help="folder to make (default: the next free runs/NAME-plan-N)")


def effect(text: str) -> float:
    """A mean difference other than 0. Raises ArgumentTypeError for anything else."""
    number = _number(text)
    if not math.isfinite(number) or number == 0.0:
        raise argparse.ArgumentTypeError(f"{text!r} isn't a number other than 0")
    return number


def power(text: str) -> float:
    """A wanted power. Raises ArgumentTypeError for anything else."""
    return _between(text, 0.2, 0.99)


def dropout(text: str) -> float:
    """A share of people who are lost. Raises ArgumentTypeError for anything else."""
    return _between(text, 0.0, 0.6)


def people(text: str) -> tuple[int, ...]:
    """Numbers of people, rising. Raises ArgumentTypeError for anything else."""
    return _listed(text, 3, MOST_PEOPLE)


def trials(text: str) -> tuple[int, ...]:
    """Numbers of trials, rising. Raises ArgumentTypeError for anything else."""
    return _listed(text, 1, MOST_TRIALS)


def looks(text: str) -> int:
    """How often data are looked at. Raises ArgumentTypeError for anything else."""
    return _whole_between(text, 1, 10)


def pool_wearers(text: str) -> int:
    """How many wearers to simulate. Raises ArgumentTypeError for anything else."""
    return _whole_between(text, 20, 2_000)


def simulations(text: str) -> int:
    """How many studies to draw. Raises ArgumentTypeError for anything else."""
    return _whole_between(text, 500, 200_000)


def _listed(text: str, low: int, high: int) -> tuple[int, ...]:
    numbers = sorted({_whole_between(one.strip(), low, high) for one in text.split(",")})
    if len(numbers) > MOST_LISTED:
        raise argparse.ArgumentTypeError(f"{len(numbers)} numbers are more than {MOST_LISTED}")
    return tuple(numbers)


def _whole_between(text: str, low: int, high: int) -> int:
    number = int(text) if text.isdecimal() and len(text) < 10 else low - 1
    if not low <= number <= high:
        raise argparse.ArgumentTypeError(f"{text!r} isn't a whole number from {low} to {high}")
    return number


def _between(text: str, low: float, high: float) -> float:
    number = _number(text)
    if not low <= number <= high:
        raise argparse.ArgumentTypeError(f"{text!r} isn't a number from {low:g} to {high:g}")
    return number


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
