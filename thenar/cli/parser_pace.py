"""What `thenar pace` accepts."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable

from thenar.cli.arguments import whole

SLOWEST, FASTEST = 0.25, 20.0


def for_pace(add: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """The command that paces a loop against the wall clock."""
    pace = add("pace", "run a scenario's loop against the wall clock and account for every deadline")
    pace.add_argument("file", metavar="FILE", help="a scenario file, or the name of a shipped one")
    pace.add_argument(
        "--factor", type=pace_factor, default=1.0, metavar="X",
        help="simulated seconds in a second of wall clock, 0.25 to 20 (default: 1)",
    )  # fmt: skip
    pace.add_argument(
        "--seconds", type=pace_seconds, default=20.0, metavar="N", help="for how long, s of wall clock (default: 20)"
    )
    pace.add_argument(
        "--drawing", action="store_true", help="draw what comes all the while, as a page would, to see what that costs"
    )
    pace.add_argument("--seed", type=whole, metavar="N", help="seed in place of the scenario's own")


def pace_factor(text: str) -> float:
    """A pace. Raises ArgumentTypeError for anything else."""
    return _between(text, SLOWEST, FASTEST)


def pace_seconds(text: str) -> float:
    """A time that a person may want to wait, s. Raises ArgumentTypeError for anything else."""
    return _between(text, 1.0, 86_400.0)


def _between(text: str, low: float, high: float) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not low <= number <= high:
        raise argparse.ArgumentTypeError(f"{text!r} isn't a number from {low:g} to {high:g}")
    return number
