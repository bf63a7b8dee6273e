"""What `thenar compare` accepts."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable

from thenar.cli.arguments import whole

LARGEST_ALPHA = 0.5


def for_compare(add: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """Add the command. `add` makes the parser of a command from its name and its one line of help."""
    one = add("compare", "compare the conditions of finished runs within each wearer, target by target")
    one.add_argument(
        "folders", nargs="*", metavar="DIR", help="a folder that `thenar run` has finished; one or several"
    )
    one.add_argument(
        "--data", metavar="FILE.csv",
        help="compare a lab's own measured results (`thenar template comparison`); with folders, say how well these "
        "rehearsals predicted them",
    )  # fmt: skip
    one.add_argument(
        "--margin", type=margin, metavar="M",
        help="with --data and folders: what a rehearsed difference may be off, in the measure's unit",
    )  # fmt: skip
    one.add_argument(
        "--measure", action="append", metavar="NAME",
        help="what to compare, as often as needed; the first one decides (default: those of the scenario's [study], "
        "else mean_abs_error_N)",
    )  # fmt: skip
    one.add_argument("--baseline", metavar="CONDITION", help="compare with this condition only (default: every pair)")
    one.add_argument(
        "--alpha", type=alpha, metavar="A",
        help="share of false alarms accepted; intervals are at 1 - A (default: the [study]'s, else 0.05)",
    )  # fmt: skip
    one.add_argument("--seed", type=whole, default=0, metavar="N", help="seed of the bootstrap (default: 0)")
    one.add_argument("--out", metavar="DIR", help="folder to leave tables, record and pictures in")


def margin(text: str) -> float:
    """A number above 0. Raises ArgumentTypeError otherwise."""
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not (number > 0.0 and math.isfinite(number)):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number above 0")
    return number


def alpha(text: str) -> float:
    """A share above 0 and below LARGEST_ALPHA. Raises ArgumentTypeError otherwise."""
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0.0 < number < LARGEST_ALPHA:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number above 0 and below {LARGEST_ALPHA:g}")
    return number
