"""`thenar fit estimator FILE`: a force sensor from measured and estimated force."""

from __future__ import annotations

import argparse
from pathlib import Path

from thenar.cli.fit_show import finish, recording_of


def command(chosen: argparse.Namespace) -> int:
    """Fit an estimator, write and show it. Returns 0; raises InputError for a recording that can't be used."""
    from thenar.fit.estimator import fit_estimator

    recording = recording_of(chosen)
    fit = fit_estimator(recording, held_out=chosen.held_out, seed=chosen.seed)

    def draw(file: Path) -> None:
        from thenar.report.fit_estimator_picture import fit_estimator_picture

        fit_estimator_picture(file, recording, fit)

    return finish(chosen, recording, fit, draw)
