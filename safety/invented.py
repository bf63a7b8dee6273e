"""Invented people, for the programs that put the interlock to the test. Nobody real was measured or asked."""

from __future__ import annotations

from typing import Final

from thenar.safety.screening import Contraindications, Placement, Screening
from thenar.shared.signals import Calibration, ChannelCalibration

_CHANNEL: Final = ChannelCalibration(3.0, 8.0, 40.0, 200.0, 40.0, 14.0, 0.3, 30.0)
ENGRAVER: Final = Calibration(_CHANNEL, _CHANNEL, 60.0)
"""Ceilings of 40 mA on both channels, 60 N at most."""
JEWELLER: Final = Calibration(
    ChannelCalibration(2.5, 7.5, 36.0, 210.0, 35.0, 13.0, 0.28, 32.0),
    ChannelCalibration(2.0, 5.5, 20.5, 190.0, 42.0, 9.0, 0.32, 26.0),
    58.0,
)
"""Another ceiling on each channel, for the profile UNEQUAL."""
UNEQUAL: Final = "forearm-and-thumb"
"""The shipped profile in which no bound is alike on the two channels."""
CLEAR: Final = Screening(
    placement=Placement(site="forearm", same_limb=True),
    contraindications=Contraindications.model_validate(dict.fromkeys(Contraindications.model_fields, "no")),
)
"""Answers that let the loop arm (R27)."""
