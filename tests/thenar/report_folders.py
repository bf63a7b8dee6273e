"""A run to report on: two wearers, one with a name that means mischief, a dropout long enough to trip."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from tests.thenar.small_runs import SMALL, write_scenario
from thenar.run import run_scenario
from thenar.scenarios.loader import load_scenario

MISCHIEF: Final = "</script><img src=x onerror='window.harmed=1'>"
FAULT: Final = """
[[faults]]
kind = "dropout"
at_s = 3.0
for_s = 2.0

[clock]
trace_rate_Hz = 500.0
"""


def mischievous_run(folder: Path) -> Path:
    """A run folder in `folder` whose title, watch line and first wearer are `MISCHIEF`."""
    text = SMALL.replace("Short graver hold", MISCHIEF).replace("first engraver", MISCHIEF)
    text = text.replace("duration_s = 3.0", "duration_s = 12.0").replace("every_s = 1.5", "every_s = 6.0")
    text = text.replace("seed = 5", f'watch = "{MISCHIEF}"\nseed = 5') + FAULT
    run_scenario(load_scenario(write_scenario(folder, text)), folder / "run", jobs=1, command=["thenar", "run"])
    return folder / "run"
