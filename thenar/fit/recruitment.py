"""Fit of recruitment: from a staircase of pulses against evoked force to a channel's axons and its maximum force.

What the forces tell: their maximum, the spread, and at each width the current of half recruitment. Pulses of several
widths tell the chronaxie, and then the current of half recruitment of endless pulses: rheobase times
`median_over_motor`. Only noted responses (`recruitment_threshold.py`) part the two factors; without them
`median_over_motor` is held at its default, and rheobase is set so that the recorded curve comes out.
"""

from __future__ import annotations

from thenar.fit.found import Fit
from thenar.fit.recording import Recording
from thenar.fit.recruitment_doubts import doubts_of, halves_by_width, misfits_of, refuse_without_effect
from thenar.fit.recruitment_drawn import drawn_of
from thenar.fit.recruitment_findings import find
from thenar.fit.recruitment_steps import responses_of, steps_of
from thenar.fit.recruitment_told import told_of
from thenar.plant_models.settings import Recruitment
from thenar.shared.errors import validated


def fit_recruitment(recording: Recording, channel: str = "agonist", seed: int = 0) -> Fit:
    """The fit of a staircase. `channel`: whose muscle, "agonist" or "antagonist"; `seed`: of the drawn thresholds.

    Columns: `current_mA`, `width_us`, `force_N`, one row a step; optional `rate_Hz` (one rate) and `response` (0
    or 1: was a contraction seen). `force_N` is over rest. Raises InputError for a
    staircase that can't be used.
    """
    steps, responses = steps_of(recording), responses_of(recording)
    findings = find(steps, responses, seed)
    refuse_without_effect(recording.file, findings)
    halves = halves_by_width(findings)
    told = told_of(findings, channel)
    validated(Recruitment, told.table.get(channel, {}).get("recruitment", {}), recording.file)
    return Fit(
        kind="recruitment",
        part_of="wearer",
        table=told.table,
        parameters=told.parameters,
        qualities=told.qualities,
        warnings=tuple(doubts_of(findings)),
        misfits=tuple(misfits_of(findings, halves)),
        settings={"channel": channel, "seed": seed},
        drawn=drawn_of(findings, halves),
    )
