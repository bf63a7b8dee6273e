"""An invented engraver, for the programs that put the interlock to the test. Nobody real was measured or asked."""

from __future__ import annotations

from typing import Final

from thenar.safety.screening import Contraindications, Placement, Screening
from thenar.shared.signals import Calibration, ChannelCalibration

_CHANNEL: Final = ChannelCalibration(3.0, 8.0, 40.0, 200.0, 40.0, 14.0, 0.3, 30.0)
ENGRAVER: Final = Calibration(_CHANNEL, _CHANNEL, 60.0)
"""Ceilings of 40 mA on both channels, 60 N at most."""
CLEAR: Final = Screening(
    placement=Placement(site="forearm", same_limb=True),
    contraindications=Contraindications.model_validate(dict.fromkeys(Contraindications.model_fields, "no")),
)
"""Answers that let the loop arm (R27)."""
