"""What a law and an interlock would have done with a recorded session: the control loop alone, without a plant.

Target and estimate come from the recording; law, limits, calibration, arming, stops, re-armings, stalls and unbalanced
pulses from the scenario. Every instant is the engine's own (`thenar.engine.control`, `rows`); here they are only put
in order, that of `thenar.shared.ticks.Phase`. Pulses that pass the gate count in all budgets as they would have, but
no muscle answers: neither the wearer nor the estimate reacts to them, because a recording can't.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.controller.registry import TRUSTED, where_runs
from thenar.engine.control import Loop
from thenar.engine.desk import UNKNOWN_OHM, Desk, lay_desk
from thenar.engine.rows import pulse_instant
from thenar.engine.trial import Trial, law_of, trials_of_wearer, wearer_in
from thenar.plant_models.estimator import estimator_params, stated_sd_N
from thenar.plant_models.settings import Handling
from thenar.safety.decision_log import FIELDS
from thenar.scenarios.faults import ControllerStall, EmergencyStop, Fault, ReArm, UnbalancedPulses
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError, Problem
from thenar.shared.foreign import overrun_watch
from thenar.shared.ticks import us_from_s
from thenar.study.session import Readings, Session

REACTION: Final = (
    "the wearer's reaction is not replayed: target and estimate stay as recorded whatever is delivered, so only the "
    "first moment at which this loop and the recording part is beyond doubt"
)
PADS: Final = (
    "no pad is there to be measured: impedance is unknown, so R28 (contact) and R17 (compliance) can't be judged, and "
    "R18 and R19 (charge balance) only where the scenario schedules unbalanced pulses"
)
OPERATOR: Final = (
    "arming, stops, re-armings, stalls and unbalanced pulses are those of the scenario, in time since the session began"
)
NOBODY: Final = -1
_FOREVER: Final = 2**62
_KEPT_FAULTS: Final = (ControllerStall, EmergencyStop, ReArm, UnbalancedPulses)


class Person(NamedTuple):
    """Whose calibration and screening the loop gets: the scenario's wearer `number` and `repeat` (from 0), `condition`.

    `seed`: the one that draws a population; None: the scenario's own.
    """

    number: int = 0
    repeat: int = 0
    condition: str = "assisted"
    seed: int | None = None


@dataclass(frozen=True)
class WhatIf:
    """What the loop did. Times in us since the session began; arrays of one table have one shape (n,).

    `trial`: the loop's own trial; `decisions`: every column of `thenar.shared.columns.DECISIONS` but "trial", stops
    between ticks among them; `ticks`: its rows that are control ticks, in order; `heard`: by tick, the target (N), the
    estimate (N) and the rules that acted until the next tick, pulses included, as a mask; `pulses`: every column of
    PULSES but "trial"; `events`: mappings with t_us, kind and more; `reason_ticks`: ticks and pulses by requirement;
    `notes`: what a reader must know.
    """

    trial: Trial
    decisions: dict[str, NDArray[np.int64]]
    ticks: NDArray[np.int64]
    target_N: NDArray[np.float64]
    estimate_N: NDArray[np.float64]
    acted: NDArray[np.int64]
    pulses: dict[str, NDArray[Any]]
    events: tuple[dict[str, object], ...]
    reason_ticks: dict[str, int]
    notes: tuple[str, ...]

    def at_ticks(self, name: str) -> NDArray[np.int64]:
        """A column of the decisions at the control ticks."""
        return self.decisions[name][self.ticks]

    @property
    def trips(self) -> tuple[tuple[int, str], ...]:
        """When something latched (us), and which requirement."""
        return tuple((int(str(event["t_us"])), str(event["cause"])) for event in self.events if event["kind"] == "trip")


def whatif(session: Session, loaded: LoadedScenario, person: Person | None = None) -> WhatIf:
    """Feed `session` to the law and the interlock of `loaded`. Raises InputError when the scenario has no such loop."""
    trial, notes = _trial(session, loaded, Person() if person is None else person)
    played = _Played(trial, session.readings)
    try:
        played.run()
    finally:
        played.close()
    return played.found((*session.notes, *notes, OPERATOR, PADS, REACTION))


def _trial(session: Session, loaded: LoadedScenario, person: Person) -> tuple[Trial, list[str]]:
    """The scenario's trial for that person, with the recording's length and target, and what was left out of it."""
    scenario, file = loaded.scenario, str(loaded.path)
    stimulated = [condition for condition in scenario.conditions if condition != "unassisted"]
    if not stimulated:
        allowed = 'at least one with stimulation: "assisted" or "stimulation-only"'
        raise InputError([Problem(file, "conditions", ", ".join(scenario.conditions), allowed)])
    number = person.number if scenario.wearer_count > 1 else 0
    if number >= scenario.wearer_count:
        found = f"{scenario.wearer_count} wearers, and the recorded one is number {person.number} (from 0)"
        raise InputError([Problem(file, "wearers", found, "the recorded wearer among them, or a single wearer")])
    seed = scenario.seed if person.seed is None else person.seed
    condition = person.condition if person.condition in stimulated else stimulated[0]
    whole = trials_of_wearer(loaded, seed, number, wearer_in(loaded, seed, number), person.repeat)
    trial = next(one for one in whole if one.label.condition == condition)
    faults = tuple(fault for fault in trial.faults if _acts(fault, session.duration_us))
    notes = [f"calibration and screening are those of {trial.wearer.name} in the scenario"]
    left = sorted({fault.kind for fault in trial.faults if not isinstance(fault, _KEPT_FAULTS)})
    if left:
        notes.append(f"left out, because a recording already holds what became of them: {', '.join(left)}")
    late = [fault.kind for fault in trial.faults if isinstance(fault, _KEPT_FAULTS) and fault not in faults]
    if late:
        notes.append(f"after the session's end, so left out: {', '.join(late)}")
    return (
        replace(
            trial,
            duration_us=session.duration_us,
            handling=Handling(),
            target_us=session.target_us,
            target_N=session.target_N,
            recorded_N=np.empty(0),
            faults=faults,
        ),
        notes,
    )


def _acts(fault: Fault, duration_us: int) -> bool:
    return isinstance(fault, _KEPT_FAULTS) and us_from_s(fault.at_s) <= duration_us


class _Played:
    """The loop of one trial on its way through a session."""

    def __init__(self, trial: Trial, readings: Readings) -> None:
        self._trial, self._readings = trial, readings
        self._desk: Desk = lay_desk(trial)
        self._sensor = estimator_params(trial.estimator)
        self._events: list[dict[str, object]] = []
        self._loop = Loop(trial, self._desk, law_of(trial), self._note)
        self._tick_us = np.arange(0, trial.duration_us + 1, trial.clock.control_us, dtype=np.int64)
        # What is heard matters at a tick alone, so of several between two ticks only the last is told.
        self._heard = np.searchsorted(readings.arrives_us, self._tick_us, side="right") - 1
        self._aimed = np.searchsorted(trial.target_us, self._tick_us, side="right") - 1
        self._acted = np.zeros(self._tick_us.size, dtype=np.int64)

    def run(self) -> None:
        """From beginning to end, in the order of `thenar.shared.ticks.Phase`."""
        fault_us = [*self._desk.faults[:, 0].tolist(), _FOREVER]
        tick_us = [*self._tick_us.tolist(), _FOREVER]
        pulse_us, fault, tick = [NOBODY, NOBODY], 0, 0
        with overrun_watch() as possible:
            self._loop.watched = possible and where_runs(self._trial.law, self._trial.trust_law) == TRUSTED
            while True:
                t_us = min(fault_us[fault], tick_us[tick], *(due for due in pulse_us if due >= 0))
                if t_us > self._trial.duration_us:
                    break
                while fault_us[fault] == t_us:
                    self._loop.fault(fault, t_us)
                    fault += 1
                if tick_us[tick] == t_us:
                    self._hear(tick)
                    pulse_us[:] = self._loop.tick(t_us) or pulse_us
                    tick += 1
                for channel, due_us in enumerate(pulse_us):
                    if due_us == t_us:
                        pulse_us[channel] = self._pulse(channel, t_us)
        self._acted[tick - 1] = self._taken_reasons()

    def close(self) -> None:
        """Let go of the law."""
        self._loop.close()

    def found(self, notes: tuple[str, ...]) -> WhatIf:
        """What the loop left behind."""
        desk, readings = self._desk, self._readings
        decided = desk.decisions[: int(desk.live["decisions"][0])]
        left = desk.pulses[: int(desk.live["pulses"][0])]
        decisions = {name: decided[:, place].copy() for place, name in enumerate(FIELDS)}
        estimates_N = np.append(readings.estimate_N, np.nan)  # place -1: nothing heard yet
        return WhatIf(
            trial=self._trial,
            decisions=decisions,
            ticks=np.flatnonzero(decisions["kind"] == 0),
            target_N=self._trial.target_N[self._aimed],
            estimate_N=estimates_N[self._heard],
            acted=self._acted,
            pulses={
                "t_us": left[:, 0].copy(),
                "channel": left[:, 1].copy(),
                "current_mA": left[:, 2] / 1e3,
                "width_us": left[:, 3].copy(),
                "gap_us": left[:, 4].copy(),
                "second_width_us": left[:, 5].copy(),
            },
            events=tuple(self._events),
            reason_ticks={f"R{number:02d}": int(count) for number, count in enumerate(desk.counts) if count},
            notes=notes,
        )

    def _hear(self, tick: int) -> None:
        """Put target and estimate of a tick where the law and the interlock look, and file what acted before it."""
        live, place = self._desk.live, int(self._heard[tick])
        if tick > 0:
            self._acted[tick - 1] = self._taken_reasons()
        live["target_N"] = self._trial.target_N[self._aimed[tick]]
        if place >= 0:
            readings = self._readings
            live["sampled_us"] = readings.sampled_us[place]
            live["estimate_N"] = readings.estimate_N[place]
            live["stated_sd_N"] = self._stated_sd_N(place)
            live["estimates"] = readings.arrived[place]

    def _stated_sd_N(self, place: int) -> float:
        """The uncertainty of a reading in N: as recorded, else as the scenario's estimator would state it."""
        recorded = float(self._readings.stated_sd_N[place])
        if math.isfinite(recorded):
            return recorded
        return float(stated_sd_N(self._sensor, float(self._readings.estimate_N[place])))

    def _taken_reasons(self) -> int:
        live = self._desk.live
        acted = int(live["reasons"][0])
        live["reasons"] = 0
        return acted

    def _pulse(self, channel: int, t_us: int) -> int:
        """Ask the gate for a pulse; returns when the channel may fire next (us, -1 for nothing to do)."""
        d = self._desk
        _, due_us = pulse_instant(
            channel, t_us, d.live, d.limits, d.memory, d.admitted, d.gate_out, d.counts, d.channels[channel], d.pulses
        )
        # The engine's pulse has just measured the simulated pad, and here there is none.
        d.live["agonist_ohm"] = d.live["antagonist_ohm"] = UNKNOWN_OHM
        return int(due_us)

    def _note(self, t_us: object, kind: object, **more: object) -> None:
        self._events.append({"t_us": t_us, "kind": kind, **more})
