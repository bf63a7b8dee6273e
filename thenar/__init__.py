"""thenar: a test bench in software for closed-loop electrical muscle stimulation that assists pinch force.

Simulation only, not a medical device. The public names are listed in `__all__`; each is imported when it
is first used, so that `import thenar` is light.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from thenar.controller.law import Law
    from thenar.controller.stepped import SteppedLaw
    from thenar.engine.events import run_trial
    from thenar.engine.result import TrialLabel, TrialResult
    from thenar.engine.trial import Trial, plan_trials
    from thenar.replay import Replayed, replay_run
    from thenar.report.metrics import TargetRow, target_rows
    from thenar.run import RunReport, run_scenario
    from thenar.scenarios.loader import LoadedScenario, load_scenario, parse_scenario
    from thenar.shared.errors import InputError, Problem
    from thenar.shared.signals import Calibration, ChannelCalibration, Demand, Observation, Stimulus

    __version__: str

_HOMES: Final = {
    "Calibration": "thenar.shared.signals",
    "ChannelCalibration": "thenar.shared.signals",
    "Demand": "thenar.shared.signals",
    "InputError": "thenar.shared.errors",
    "Law": "thenar.controller.law",
    "LoadedScenario": "thenar.scenarios.loader",
    "Observation": "thenar.shared.signals",
    "Problem": "thenar.shared.errors",
    "Replayed": "thenar.replay",
    "RunReport": "thenar.run",
    "SteppedLaw": "thenar.controller.stepped",
    "Stimulus": "thenar.shared.signals",
    "TargetRow": "thenar.report.metrics",
    "Trial": "thenar.engine.trial",
    "TrialLabel": "thenar.engine.result",
    "TrialResult": "thenar.engine.result",
    "load_scenario": "thenar.scenarios.loader",
    "parse_scenario": "thenar.scenarios.loader",
    "plan_trials": "thenar.engine.trial",
    "replay_run": "thenar.replay",
    "run_scenario": "thenar.run",
    "run_trial": "thenar.engine.events",
    "target_rows": "thenar.report.metrics",
}

__all__ = [
    "Calibration",
    "ChannelCalibration",
    "Demand",
    "InputError",
    "Law",
    "LoadedScenario",
    "Observation",
    "Problem",
    "Replayed",
    "RunReport",
    "SteppedLaw",
    "Stimulus",
    "TargetRow",
    "Trial",
    "TrialLabel",
    "TrialResult",
    "__version__",
    "load_scenario",
    "parse_scenario",
    "plan_trials",
    "replay_run",
    "run_scenario",
    "run_trial",
    "target_rows",
]


def __getattr__(name: str) -> Any:
    """A public name, imported at its first use (PEP 562). Raises AttributeError on any other name."""
    if name == "__version__":
        from importlib.metadata import version

        value: Any = version("thenar")
    elif name in _HOMES:
        value = getattr(importlib.import_module(_HOMES[name]), name)
    else:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Public names, for completion and help."""
    return sorted(__all__)
