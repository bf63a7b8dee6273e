"""What the commands that read a person's own recordings accept: `fit`, `whatif` and `template`."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Final

from thenar.caution import SHORT
from thenar.cli.arguments import share, strength_N, whole

FITS: Final = {
    "estimator": "a force sensor from measured and estimated force",
    "recruitment": "how pulses reach a muscle, from a staircase of current or width against force",
    "muscle": "a muscle's force model, from force under known pulse trains",
    "wearer": "a wearer's own control of force, from target and measured force without stimulation",
}
Add = Callable[[str, str], argparse.ArgumentParser]


def for_recordings(add: Add) -> None:
    """Add the three commands. `add` makes the parser of a command from its name and its one line of help."""
    fit = add("fit", "fit a part of the simulation to your own recording and write it as a file for scenarios")
    kinds = fit.add_subparsers(dest="kind", required=True, metavar="KIND")
    for kind, words in FITS.items():
        one = kinds.add_parser(kind, help=words, description=f"Fit {words}.", epilog=SHORT, allow_abbrev=False)
        one.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="print results as JSON")
        one.add_argument("file", metavar="FILE", help="CSV, Parquet or XDF (`thenar template` shows the columns)")
        _reading(one)
        one.add_argument("--to", metavar="FILE", help="TOML file to write (default: FILE's name with -KIND.toml, here)")
        one.add_argument("--picture", metavar="FILE", help="PNG file to draw recording, fit and what is left over to")
        one.add_argument("--seed", type=whole, default=0, metavar="N", help="seed of resampling (default: 0)")
        _KINDS_OWN[kind](one)
    whatif = add("whatif", "feed a recorded session to a law and the limits: what would they have done")
    whatif.add_argument("file", metavar="RECORDING", help="CSV, Parquet or XDF, or a folder that `thenar run` made")
    whatif.add_argument("--scenario", required=True, metavar="FILE", help="the scenario with law and limits to try")
    whatif.add_argument("--trial", type=whole, metavar="N", help="which trial of a run folder, as its table counts")
    _reading(whatif)
    whatif.add_argument("--out", metavar="DIR", help="folder to leave table, differences and picture in")
    template = add("template", "write a file with the columns, units and example rows that a recording must have")
    template.add_argument(
        "kind", choices=(*FITS, "session", "comparison"), metavar="KIND",
        help=f"{', '.join(FITS)}, session, or comparison (measured results for thenar compare --data)",
    )  # fmt: skip
    template.add_argument("--to", metavar="FILE", help="CSV file to write (default: KIND.csv, here)")


def _reading(command: argparse.ArgumentParser) -> None:
    """How a recording is read and what may be mended."""
    command.add_argument(
        "--column", action="append", default=[], metavar="OURS=THEIRS", help="a column that the file calls otherwise"
    )
    command.add_argument(
        "--stream",
        action="append",
        default=[],
        metavar="OURS=STREAM[:CHANNEL]",
        help="a column's place in an XDF file",
    )
    command.add_argument(
        "--repair",
        action="append",
        default=[],
        metavar="NAME",
        help="a repair to make (the refusal names it)",
    )


def _estimator(one: argparse.ArgumentParser) -> None:
    one.add_argument(
        "--held-out", dest="held_out", type=share, default=0.2, metavar="SHARE",
        help="share of the recording to judge the fit on, in stretches it never saw (default: 0.2)",
    )  # fmt: skip


def _channel(one: argparse.ArgumentParser) -> None:
    one.add_argument(
        "--channel", choices=("agonist", "antagonist"), default="agonist", help="whose muscle (default: agonist)"
    )


def _muscle(one: argparse.ArgumentParser) -> None:
    _channel(one)
    one.add_argument(
        "--recruitment", metavar="FILE",
        help="what `thenar fit recruitment` wrote, needed where current or width changed from pulse to pulse",
    )  # fmt: skip


def _wearer(one: argparse.ArgumentParser) -> None:
    one.add_argument(
        "--own-force", dest="own_force", choices=("shown", "hidden"),
        help="did the wearer see the own force (needed where the file has no column own_force_shown)",
    )  # fmt: skip
    one.add_argument(
        "--max-pinch-N", dest="max_pinch_N", type=strength_N, metavar="N",
        help="the wearer's measured maximum (needed where the file doesn't show it)",
    )  # fmt: skip


_KINDS_OWN: Final = {"estimator": _estimator, "recruitment": _channel, "muscle": _muscle, "wearer": _wearer}
