"""What `thenar report` accepts."""

from __future__ import annotations

import argparse
from collections.abc import Callable

Add = Callable[[str, str], argparse.ArgumentParser]


def for_report(add: Add) -> None:
    """Add the command. `add` makes the parser of a command from its name and its one line of help."""
    report = add("report", "write one page to look at: tables, pictures, and traces that zoom; opens without a network")
    report.add_argument(
        "folders", nargs="+", metavar="DIR",
        help="a finished folder of run, sweep, tune, compare, breakeven, plan, challenge, sensitivity or margins; "
        "several make one page",
    )  # fmt: skip
    report.add_argument(
        "--out", metavar="FILE", help="HTML file to write (default: DIR-report.html, beside the first folder)"
    )
