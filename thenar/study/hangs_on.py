"""Which keys of the wearer and the estimator a sensitivity study moves by default, and how far."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple

from thenar.scenarios.changes import value_at
from thenar.scenarios.loader import LoadedScenario
from thenar.scenarios.schema import Scenario
from thenar.scenarios.targets import highest_N
from thenar.shared.errors import InputError, Problem, shown
from thenar.study.ranges import Range

MOVABLE: Final = ("wearer.", "estimator.", "handling.")


def _always(_: Scenario) -> bool:
    return True


def _own_hand(scenario: Scenario) -> bool:
    """The wearer makes the own force; a recording is played back whatever the rest says."""
    return not scenario.wearer.recording


def _from_memory(scenario: Scenario) -> bool:
    return _own_hand(scenario) and not scenario.wearer.sees_own_force


def _by_sight(scenario: Scenario) -> bool:
    return _own_hand(scenario) and scenario.wearer.sees_own_force and scenario.wearer.sees_target


def _sees_target(scenario: Scenario) -> bool:
    return _own_hand(scenario) and scenario.wearer.sees_target


def _blind(scenario: Scenario) -> bool:
    return _own_hand(scenario) and not scenario.wearer.sees_target


def _calcium(scenario: Scenario) -> bool:
    return scenario.wearer.agonist.muscle.model == "calcium"


class Moved(NamedTuple):
    """One key and how far it is moved: to `times` of its value and one over that, or by `plus` either way.

    Only where `when` holds, and where the value isn't zero if it is moved by a factor. `least`, `most`: bounds of the
    ends.
    """

    key: str
    times: float = 0.0
    plus: float = 0.0
    when: Callable[[Scenario], bool] = _always
    least: float = -math.inf
    most: float = math.inf


MOVED: Final = (
    Moved("wearer.max_pinch_N", times=1.4),
    Moved("wearer.production.gain", times=1.5, when=_own_hand),
    Moved("wearer.production.offset_N", plus=1.2, when=_own_hand),
    Moved("wearer.production.scatter_share", times=2.0, when=_own_hand, most=1.0),
    Moved("wearer.production.wander_share", times=2.0, when=_from_memory, most=0.5),
    Moved("wearer.production.drift_depth", times=1.5, when=_from_memory, most=0.6),
    Moved("wearer.production.drift_tau_s", times=1.5, when=_from_memory),
    Moved("wearer.unseen_level_N", times=1.5, when=_blind),
    Moved("wearer.visual_delay_ms", times=1.25, when=_sees_target, least=100.0),
    Moved("wearer.visual_gain_per_s", times=1.5, when=_by_sight),
    Moved("wearer.motor_delay_ms", times=1.5, when=_own_hand),
    Moved("wearer.cue.trust", plus=0.35, when=_own_hand, least=-1.0, most=1.0),
    Moved("wearer.cue.rate_N_per_s", times=1.5, when=_own_hand),
    Moved("wearer.noise.linear", times=2.0, when=_own_hand),
    Moved("wearer.fatigue_per_s", times=2.0, when=_own_hand),
    Moved("wearer.lever_ratio", times=1.3),
    Moved("wearer.agonist.recruitment.rheobase_mA", times=1.5),
    Moved("wearer.agonist.recruitment.chronaxie_us", times=1.5),
    Moved("wearer.agonist.recruitment.spread", times=1.4),
    Moved("wearer.agonist.muscle.reachable_N", times=1.5),
    Moved("wearer.agonist.muscle.time_scale", times=1.3, when=_calcium),
    Moved("wearer.antagonist.recruitment.rheobase_mA", times=1.5),
    Moved("wearer.antagonist.muscle.reachable_N", times=1.5),
    Moved("estimator.rate_Hz", times=1.5),
    Moved("estimator.latency_ms", times=1.5),
    Moved("estimator.noise_floor_N", times=2.0),
    Moved("estimator.noise_share", times=2.0),
    Moved("estimator.noise_tau_ms", times=2.0),
    Moved("estimator.drift_N_per_sqrt_min", times=2.0),
    Moved("estimator.jumps_per_min", times=2.0),
    Moved("estimator.dropouts_per_min", times=2.0),
    Moved("estimator.stucks_per_min", times=2.0),
)
"""Our own choice, no source: about one and a half SD of the default population where it spreads a key, else a factor
that leaves the key plausible."""


def default_ranges(loaded: LoadedScenario) -> tuple[Range, ...]:
    """The keys that act in this scenario and their ranges around its own values, a factor spread over the logarithm."""
    scenario = loaded.scenario
    found = []
    for moved in MOVED:
        value = value_at(loaded, moved.key)
        if not isinstance(value, int | float) or not moved.when(scenario) or (moved.times and not value):
            continue
        low, high = (
            (value / moved.times, value * moved.times) if moved.times else (value - moved.plus, value + moved.plus)
        )
        low, high = max(low, moved.least, _weakest(loaded, moved.key)), min(high, moved.most)
        if low < high:
            found.append(Range(moved.key, float(f"{low:.6g}"), float(f"{high:.6g}"), log=bool(moved.times)))
    return tuple(found)


def _weakest(loaded: LoadedScenario, key: str) -> float:
    """The least that a key may be because the hand must be able to reach the target."""
    if key != "wearer.max_pinch_N":
        return -math.inf
    recording = loaded.target_recording()
    highest = highest_N(loaded.scenario.target) if recording is None else float(recording.force_N.max())
    return -math.inf if highest is None else float(highest)


def ranges_to_move(loaded: LoadedScenario, typed: Sequence[Range]) -> tuple[Range, ...]:
    """The ranges typed after --over, else the default ones. Raises InputError on a key that holds no number.

    The key must lie in [wearer], [estimator] or [handling].
    """
    if not typed:
        return default_ranges(loaded)
    problems: list[Problem] = []
    found: list[Range] = []
    for one in typed:
        if not one.key.startswith(MOVABLE):
            problems.append(Problem("--over", one.key, str(one), f"a key below {', '.join(MOVABLE)}"))
            continue
        value = value_at(loaded, one.key)
        if isinstance(value, bool) or not isinstance(value, int | float):
            problems.append(Problem("--over", one.key, f"{shown(value)} in the scenario", "a key that holds a number"))
            continue
        found.append(one._replace(whole=one.whole and type(value) is int))
    if problems:
        raise InputError(problems)
    return tuple(found)


def described(key: str) -> str:
    """What a key means, from the description of its field, "" where there is none."""
    model: Any = Scenario
    field: Any = None
    for part in key.split("."):
        fields = getattr(model, "model_fields", {})
        if part not in fields:
            return ""
        field = fields[part]
        model = field.annotation
    return str(field.description or "")
