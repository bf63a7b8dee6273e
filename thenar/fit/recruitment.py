"""Fit of recruitment: from a staircase of pulses against evoked force to a channel's axons and its maximum force.

What the forces tell: their maximum, the spread, and at each width the current of half recruitment. Pulses of several
widths tell the chronaxie, and then the current of half recruitment of endless pulses: rheobase times
`median_over_motor`. Only noted responses (`recruitment_threshold.py`) part the two factors; without them
`median_over_motor` is held at its default, and rheobase is set so that the recorded curve comes out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from thenar.fit.found import Fit
from thenar.fit.recording import Recording
from thenar.fit.recruitment_doubts import doubts_of, refuse_without_effect
from thenar.fit.recruitment_likelihood import MEDIAN_OVER_MOTOR, Place
from thenar.fit.recruitment_picture_data import drawn_of
from thenar.fit.recruitment_profile import (
    CHRONAXIE_US,
    SPREAD,
    Range,
    Staircase,
    interval,
    most_likely,
    refit,
    staircase_of,
    with_tails,
)
from thenar.fit.recruitment_rate import over_reach
from thenar.fit.recruitment_steps import Floats, responses_of, steps_of
from thenar.fit.recruitment_told import Told, parameters_of, qualities_of
from thenar.fit.recruitment_threshold import Found, bracketed, middle, thresholds
from thenar.plant_models.settings import Muscle, Recruitment
from thenar.shared.errors import validated
