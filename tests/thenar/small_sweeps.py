"""Small sweeps for tests, and what is in their tables."""

from __future__ import annotations

from pathlib import Path

from tests.thenar.small_runs import SMALL, write_scenario

GAIN = "law.settings.gain_mA_per_N"
SHORT = SMALL.replace("duration_s = 3.0", "duration_s = 1.0").replace("every_s = 1.5", "every_s = 0.5")
"""Two wearers, two conditions, one second, two targets."""

PUSHING_LAW = '''\
"""A law with a setting, slow enough for a sweep of it to be stopped half-way."""

import time

from thenar import Demand, Stimulus


class Pushing:
    """The same share of the way from the motor threshold to the ceiling at every tick."""

    def __init__(self, settings, calibration):
        found = calibration.agonist
        current_mA = found.motor_mA + settings["share"] * (found.ceiling_mA - found.motor_mA)
        self.pulse = Stimulus(current_mA, found.width_us, found.rate_Hz)

    def decide(self, observation):
        """The push."""
        time.sleep(0.003)
        return Demand(self.pulse, Stimulus(0.0, 0.0, 0.0))
'''


def short_scenario(folder: Path, text: str = SHORT) -> Path:
    """The short scenario as a file in `folder`."""
    return write_scenario(folder, text)


def pushing_scenario(folder: Path) -> Path:
    """The short scenario with the slow law of a user."""
    (folder / "my_law.py").write_text(PUSHING_LAW, encoding="utf-8")
    own = 'file = "my_law.py"\nclass = "Pushing"\nsettings = { share = 0.5 }'
    return write_scenario(folder, SHORT.replace('name = "proportional"', own))
