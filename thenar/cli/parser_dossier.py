"""What `thenar dossier` accepts."""

from __future__ import annotations

import argparse
from collections.abc import Callable

Add = Callable[[str, str], argparse.ArgumentParser]


def for_dossier(add: Add) -> None:
    """Add the command. `add` makes the parser of a command from its name and its one line of help."""
    dossier = add("dossier", "write the page that an ethics board asks for, from a finished run of a study")
    dossier.add_argument("folder", metavar="DIR", help="a folder that `thenar run` made of a scenario with [study]")
    dossier.add_argument("--evidence", metavar="DIR", help="interlock evidence: a folder of `thenar challenge`")
    dossier.add_argument("--compare", metavar="DIR", help="what `thenar compare DIR --out` left of this run")
    dossier.add_argument("--breakeven", metavar="DIR", help="what `thenar breakeven` left of the study's scenario")
    dossier.add_argument("--plan", metavar="DIR", help="what `thenar plan` left of the study's scenario")
    dossier.add_argument(
        "--out", metavar="FILE", help="HTML file to write (default: DIR-dossier.html, beside the folder)"
    )
