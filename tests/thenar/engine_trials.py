"""Small trials for tests of the event engine, laws made for looking on, and results compared bit for bit."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from tests.scenarios.texts import CALIBRATED, SCREENED
from thenar.engine.events import EventTrial
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial, plan_trials
from thenar.scenarios.loader import parse_scenario
from thenar.shared.signals import REST, Calibration, ChannelCalibration, Demand, Observation, Stimulus
from thenar.shared.ticks import US_PER_S

TICK_US = 20_000
"""The control period of every scenario here unless it says otherwise."""

ALL_AT_ONCE = """
[clock]
control_rate_Hz = 50.0
wearer_rate_Hz = 100.0
trace_rate_Hz = 100.0
[wearer.agonist.muscle]
delay_ms = 20.0
[estimator]
rate_Hz = 50.0
jitter_ms = 0.0
latency_ms = 20.0
latency_jitter_ms = 0.0
[calibration]
source = "simulated"
rate_Hz = 50.0
"""
"""Clocks whose ticks meet: samples, arrivals, strikes, control ticks and pulses all at multiples of 20 ms."""

RAGGED = """
[clock]
control_rate_Hz = 62.5
wearer_rate_Hz = 80.0
trace_rate_Hz = 125.0
[handling]
strokes_per_s = 2.0
[estimator]
dropouts_per_min = 60.0
jumps_per_min = 60.0
latency_jitter_ms = 60.0
"""
"""Clocks that rarely meet, and everything that is drawn at random."""


def scenario_text(*tables: str, seconds: float = 3.0, conditions: str = '"assisted"', seed: int = 3) -> str:
    """A scenario. What `tables` leave out: a hold of 6 N, a proportional law, and a wearer on file."""
    text = "\n".join(tables)
    parts = [f'schema = 1\ntitle = "Engine test"\nseed = {seed}\nduration_s = {seconds}\nconditions = [{conditions}]']
    if "repeats =" in text:
        parts.append(next(line for line in text.splitlines() if line.startswith("repeats =")))
        text = "\n".join(line for line in text.splitlines() if not line.startswith("repeats ="))
    if "[target]" not in text:
        parts.append('[target]\nprogram = "constant"\nlevel_N = 6.0')
    if "[law]" not in text:
        parts.append('[law]\nname = "proportional"')
    parts += [table for head, table in (("[screening]", SCREENED), ("[calibration]", CALIBRATED)) if head not in text]
    return "\n".join([*parts, text])


def planned(*tables: str, base: Path = Path(), trust_law: bool = False, **more: Any) -> list[Trial]:
    """All trials of a scenario; `more` as in `scenario_text`. `trust_law`: one's own law runs in this process."""
    return plan_trials(parse_scenario(scenario_text(*tables, **more), "engine.toml", base, trust_law=trust_law))


def the_trial(*tables: str, base: Path = Path(), **more: Any) -> Trial:
    """The only trial of a scenario; `more` as in `planned`."""
    (trial,) = planned(*tables, base=base, **more)
    return trial


def fault(kind: str, at_s: float, for_s: float | None = None, **more: float | str) -> str:
    """One `[[faults]]` table."""
    keys: dict[str, float | str] = {"kind": kind, "at_s": at_s, **({} if for_s is None else {"for_s": for_s}), **more}
    return "\n".join(["[[faults]]", *(f"{key} = {json.dumps(value)}" for key, value in keys.items())])


def at_share(channel: ChannelCalibration, share: float) -> Stimulus:
    """Pulses at a share of the way from motor threshold (0) to the person's ceiling (1)."""
    current_mA = channel.motor_mA + share * (channel.ceiling_mA - channel.motor_mA)
    return Stimulus(current_mA, channel.width_us, channel.rate_Hz)


_ORDINARY_HZ = 40.0


class Push:
    """A law that asks for one thing for ever and remembers all that it was shown."""

    def __init__(self, calibration: Calibration, agonist: float = 0.5, antagonist: float | None = None) -> None:
        """Shares as in `at_share`; None leaves the antagonist at rest."""
        other = REST if antagonist is None else at_share(calibration.antagonist, antagonist)
        self.demand = Demand(at_share(calibration.agonist, agonist), other)
        self.seen: list[Observation] = []

    def decide(self, observation: Observation) -> Demand:
        """The same push at every tick; a fast train rises by 12 mA/s, so that R40 holds back no pulse of it."""
        self.seen.append(observation)
        agonist = self.demand.agonist
        if agonist.rate_Hz <= _ORDINARY_HZ:
            return self.demand
        top_mA = 0.8 + 12.0 * observation.t_us / US_PER_S
        return Demand(agonist._replace(current_mA=min(agonist.current_mA, top_mA)), self.demand.antagonist)


class Rest(Push):
    """A law that looks on and asks for nothing."""

    def decide(self, observation: Observation) -> Demand:
        """Nothing."""
        self.seen.append(observation)
        return Demand(REST, REST)


def pushed(trial: Trial, law: Push | None = None) -> tuple[TrialResult, Push]:
    """The trial under a constant push (or `law`), and the law with what it saw."""
    law = Push(trial.calibration) if law is None else law
    return EventTrial(trial, law=law).run(), law


def events_of(result: TrialResult, *kinds: str) -> list[tuple[int, str, object]]:
    """(t_us, kind, cause) of the events of some kinds; cause "" where there is none."""
    return [(int(str(e["t_us"])), str(e["kind"]), e.get("cause", "")) for e in result.events if e["kind"] in kinds]


def columns_of(result: TrialResult) -> dict[str, bytes]:
    """Every column of both tables, and the events, as bytes: NaN equals itself and -0.0 differs from 0.0."""
    tables = {f"trace {name}": values.tobytes() for name, values in result.trace.items()}
    tables |= {f"pulses {name}": values.tobytes() for name, values in result.pulses.items()}
    events = json.dumps([result.events, sorted(result.reason_ticks.items())])
    return tables | {"events": events.encode()}


def differing(one: TrialResult, other: TrialResult) -> list[str]:
    """Names of the columns that are not the same to the last bit."""
    first, second = columns_of(one), columns_of(other)
    return [name for name in first if first[name] != second[name]]


def digest_of(results: list[TrialResult]) -> str:
    """SHA-256 over every column and event of some results."""
    found = hashlib.sha256()
    for result in results:
        for name, content in sorted(columns_of(result).items()):
            found.update(name.encode() + content)
    return found.hexdigest()
