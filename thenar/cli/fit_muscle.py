"""`thenar fit muscle FILE`: a muscle's force model from force under known pulse trains."""

from __future__ import annotations

import argparse
from pathlib import Path

from thenar.cli.fit_show import finish, recording_of
from thenar.plant_models.settings import Recruitment
from thenar.shared.errors import InputError, Problem


def command(chosen: argparse.Namespace) -> int:
    """Fit, write the file and the picture asked for, print. Returns 0; raises InputError for bad input."""
    from thenar.fit.muscle import fit_muscle
    from thenar.report.fit_muscle_picture import muscle_picture

    curve = _curve(chosen.recruitment, chosen.channel) if chosen.recruitment else None
    recording = recording_of(chosen)
    fit = fit_muscle(recording, chosen.channel, chosen.seed, curve)
    return finish(chosen, recording, fit, lambda file: muscle_picture(file, recording, fit))


def _curve(file: str, channel: str) -> Recruitment:
    """The recruitment curve of `channel` in a file that `thenar fit recruitment` wrote."""
    from thenar.scenarios.fitted import read_fitted

    fitted = read_fitted(Path(file))
    values = fitted.values.get(channel, {}).get("recruitment")
    if not values:
        found = f"a fit of kind {fitted.kind} without it"
        raise InputError(
            [Problem(file, f"values.{channel}.recruitment", found, "the recruitment curve of this channel")]
        )
    return Recruitment.model_validate(values)
