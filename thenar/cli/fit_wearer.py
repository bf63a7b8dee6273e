"""`thenar fit wearer FILE`: a wearer's own control of force, from target and measured force without stimulation."""

from __future__ import annotations

import argparse

from thenar.cli.fit_show import finish, recording_of
from thenar.cli.show import progress
from thenar.fit.wearer import MOST_ROUNDS, fit_wearer
from thenar.report.fit_wearer_picture import fit_wearer_picture


def command(chosen: argparse.Namespace) -> int:
    """Fit a wearer and write the file. Returns 0; raises InputError for a recording that can't be used."""
    recording = recording_of(chosen)
    with progress(MOST_ROUNDS, "searching", quiet=chosen.json) as advance:
        fit = fit_wearer(recording, chosen.own_force, chosen.max_pinch_N, chosen.seed, on_round=advance)
    return finish(chosen, recording, fit, lambda file: fit_wearer_picture(file, recording.file, fit))
