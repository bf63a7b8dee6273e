"""What `thenar breakeven` accepts."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Final

from thenar.cli.arguments import level_N, positive, several_wearers, whole

KINDS: Final = ("noise", "bias", "lag", "together")
MOST_LEVELS: Final = 12
MOST_TRUSTS: Final = 5


def for_breakeven(add: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """Add the command. `add` makes its parser from its name and its one line of help."""
    command = add("breakeven", "find the largest error of the force estimate at which assistance still helps")
    command.add_argument(
        "file", metavar="FILE", help="a scenario file, or the name of a shipped one (`thenar check --list` names them)"
    )
    command.add_argument(
        "--levels", type=levels, metavar="N,N,N", help="forces to hold, N (default: those that the target holds)"
    )
    command.add_argument(
        "--wearers", type=several_wearers, metavar="N", help="how many wearers to draw (default: the scenario's)"
    )
    command.add_argument(
        "--repeats", type=positive, metavar="N", help="holds per wearer (default: the scenario's repeats, at least 4)"
    )
    command.add_argument(
        "--over", nargs="+", choices=KINDS, default=list(KINDS), metavar="KIND",
        help=f"which errors to try: {', '.join(KINDS)} (default: all)",
    )  # fmt: skip
    command.add_argument(
        "--trust", type=trusts, default=(0.0, 1.0), metavar="T,T",
        help="trusts to compare with the wearers' own, -1 to 1, or none (default: 0,1)",
    )  # fmt: skip
    command.add_argument(
        "--estimator", metavar="FITTED.toml", help="a fitted estimator to draw on the map and to run along force"
    )
    command.add_argument("--no-map", dest="no_map", action="store_true", help="leave out the map of help and harm")
    command.add_argument("--seed", type=whole, metavar="N", help="seed in place of the scenario's own")
    command.add_argument("--jobs", type=positive, metavar="N", help="cores to use (default: all)")
    command.add_argument("--out", metavar="DIR", help="folder to make (default: the next free runs/NAME-breakeven-N)")


def levels(text: str) -> tuple[float, ...]:
    """Forces in N with commas between, rising in what is given back. Raises ArgumentTypeError for anything else."""
    found = sorted({level_N(part) for part in text.split(",")})
    if len(found) > MOST_LEVELS:
        raise argparse.ArgumentTypeError(f"{len(found)} forces, at most {MOST_LEVELS}")
    return tuple(found)


def trusts(text: str) -> tuple[float, ...]:
    """Trusts with commas between, or "none". Raises ArgumentTypeError for anything else."""
    if text == "none":
        return ()
    found = []
    for part in text.split(","):
        try:
            number = float(part)
        except ValueError:
            number = float("nan")
        if not -1.0 <= number <= 1.0:
            raise argparse.ArgumentTypeError(f"{part!r} isn't a trust from -1 to 1, or none")
        found.append(number)
    if len(set(found)) > MOST_TRUSTS - 1:
        raise argparse.ArgumentTypeError(f"{len(set(found))} trusts, at most {MOST_TRUSTS - 1}")
    return tuple(sorted(set(found)))
