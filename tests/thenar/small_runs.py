"""Small scenarios of our own setting for tests of the front door, and the command line as a process."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from tests.scenarios.texts import ON_FILE

SMALL = (
    """\
schema = 1
title = "Short graver hold"
seed = 5
duration_s = 3.0
conditions = ["unassisted", "assisted"]

[[wearers]]
name = "first engraver"

[[wearers]]
name = "second engraver"
max_pinch_N = 70.0

[target]
program = "steps"
levels_N = [4.0, 7.0]
every_s = 1.5
order = "listed"

[law]
name = "proportional"

[limits]
profile = "forearm-25cm2"
"""
    + ON_FILE
)

SLOW_LAW = '''\
"""A law that takes its time, so that a run lasts long enough to be stopped."""

import time

from thenar import Demand, Stimulus


class Slow:
    """Pushes a little, slowly."""

    def __init__(self, settings, calibration):
        self.pulse = Stimulus(calibration.agonist.motor_mA, calibration.agonist.width_us, calibration.agonist.rate_Hz)

    def decide(self, observation):
        """The same push for ever."""
        time.sleep(0.05)
        return Demand(self.pulse, Stimulus(0.0, 0.0, 0.0))
'''

ENDING_LAW = '''\
"""A law that ends its process in the middle of a trial."""

import os


class Ending:
    """Ends everything at once."""

    def __init__(self, settings, calibration):
        pass

    def decide(self, observation):
        """No answer, ever."""
        os._exit(3)
'''


def write_scenario(folder: Path, text: str = SMALL, name: str = "short-hold.toml") -> Path:
    """A scenario file in `folder`."""
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def with_own_law(folder: Path, source: str, class_name: str, text: str = SMALL) -> Path:
    """A scenario file that names a law file beside it."""
    (folder / "my_law.py").write_text(source, encoding="utf-8")
    own = f'file = "my_law.py"\nclass = "{class_name}"'
    return write_scenario(folder, text.replace('name = "proportional"', own))


def thenar_process(arguments: Sequence[str], cwd: Path) -> subprocess.Popen[str]:
    """`python -m thenar ...` with pipes, in a process group of its own."""
    environment = {name: value for name, value in os.environ.items() if name != "THENAR_DEBUG"}
    return subprocess.Popen(
        [sys.executable, "-m", "thenar", *arguments],
        cwd=cwd,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
