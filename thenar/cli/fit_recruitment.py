"""`thenar fit recruitment FILE`: how pulses reach a muscle, from a staircase of current or width against force."""

from __future__ import annotations

import argparse
from pathlib import Path


def command(chosen: argparse.Namespace) -> int:
    """Fit, write, draw and tell. Returns 0; raises InputError for a staircase that can't be used."""
    from thenar.cli.fit_show import finish, recording_of
    from thenar.fit.recruitment import fit_recruitment

    recording = recording_of(chosen)
    fit = fit_recruitment(recording, channel=chosen.channel, seed=chosen.seed)

    def draw(file: Path) -> None:
        from thenar.report.fit_recruitment_picture import recruitment_picture

        recruitment_picture(file, recording, fit)

    return finish(chosen, recording, fit, draw)
