"""The order of one instant: what runs first when several events share one microsecond, and what may not matter."""

from __future__ import annotations

import random
from itertools import groupby
from typing import Any

import numpy as np
import pytest
import simpy

from tests.thenar.engine_trials import (
    ALL_AT_ONCE,
    RAGGED,
    TICK_US,
    Push,
    differing,
    events_of,
    fault,
    planned,
    pushed,
    the_trial,
)
from thenar.engine import events
from thenar.engine.control import Loop
from thenar.engine.events import EventTrial, run_trial

STEPS = '[target]\nprogram = "steps"\nlevels_N = [4.0, 7.0]\nevery_s = 0.5\norder = "listed"'
ORDER = ("target", "fault", "wearer", "sample", "arrival", "strike", "control", "pulse", "trace")
CHANGE_US = 500_000


def recorded_order(monkeypatch: pytest.MonkeyPatch, *tables: str) -> list[tuple[int, str]]:
    """Run a trial and note (t_us, what) at everything that happens, in the order in which it happens."""
    trial = the_trial(*tables, seconds=1.5)
    running = EventTrial(trial, law=Push(trial.calibration))
    happened: list[tuple[int, str]] = []

    def noting(owner: Any, name: str, what: str) -> None:
        plain = getattr(owner, name)

        def noted(*arguments: Any, **more: Any) -> Any:
            happened.append((running.now_us, what))
            return plain(*arguments, **more)

        monkeypatch.setattr(owner, name, noted)

    for name, what in (
        ("wearer_tick", "wearer"),
        ("take_sample", "sample"),
        ("take_arrival", "arrival"),
        ("strike", "strike"),
        ("pulse_instant", "pulse"),
        ("trace_row", "trace"),
    ):
        noting(events, name, what)
    noting(Loop, "tick", "control")
    plain_note = running.note

    def note(t_us: int, kind: str, **more: object) -> None:
        if kind in ("target", "fault"):
            happened.append((t_us, kind))
        plain_note(t_us, kind, **more)

    monkeypatch.setattr(running, "note", note)
    running.run()
    return happened


def test_events_of_one_instant_run_in_the_promised_order(monkeypatch: pytest.MonkeyPatch) -> None:
    happened = recorded_order(monkeypatch, ALL_AT_ONCE, STEPS, fault("jump", 0.5, gain=1.1, offset_N=0.0))
    instants = {t_us: [what for _, what in group] for t_us, group in groupby(happened, key=lambda entry: entry[0])}
    assert list(instants) == sorted(instants), "time never goes back"
    assert tuple(instants[CHANGE_US]) == ORDER, "all nine meet at half a second"
    for t_us, what in instants.items():
        assert [ORDER.index(one) for one in what] == sorted({ORDER.index(one) for one in what}), (t_us, what)
    last_us = max(t_us for t_us, what in happened if what != "strike")
    assert last_us == 1_500_000, "the last instant belongs to the trial; only a last pulse may still reach its muscle"


class ShuffledEnvironment(simpy.Environment):
    """Events of one instant and one priority come in random order; SimPy itself takes the one scheduled first."""

    drawn = random.Random(1)

    def __init__(self) -> None:
        super().__init__()
        self._eid = iter(lambda: self.drawn.getrandbits(62), -1)


LIVELY = (
    fault("dropout", 0.6, 0.2),
    fault("jump", 0.8, gain=1.2, offset_N=0.5),
    fault("electrode-lift", 1.0, 0.4, channel="agonist", contact_share=0.7),
    fault("controller-stall", 1.0, 0.06),
    fault("emergency-stop", 1.5),
    fault("re-arm", 1.7, cause="R33"),
)


@pytest.mark.parametrize("clocks", [ALL_AT_ONCE, RAGGED])
def test_shuffling_what_has_no_order_changes_nothing(monkeypatch: pytest.MonkeyPatch, clocks: str) -> None:
    trial = the_trial(clocks, STEPS, *LIVELY)
    expected = run_trial(trial)
    assert len(expected.pulses["t_us"]) > 20
    monkeypatch.setattr(simpy, "Environment", ShuffledEnvironment)
    for seed in range(3):
        ShuffledEnvironment.drawn = random.Random(seed)
        assert differing(expected, run_trial(trial)) == []


def test_without_the_promised_order_the_same_shuffling_does_change_the_result(monkeypatch: pytest.MonkeyPatch) -> None:
    trial = the_trial(ALL_AT_ONCE, STEPS, *LIVELY)
    expected = run_trial(trial)
    monkeypatch.setattr(simpy, "Environment", ShuffledEnvironment)
    monkeypatch.setattr(events, "_ORDERS", 0)
    changed = []
    for seed in range(3):
        ShuffledEnvironment.drawn = random.Random(seed)
        changed += differing(expected, run_trial(trial))
    assert "trace force_N" in changed


def test_a_target_that_changes_at_a_tick_is_seen_by_that_tick_and_by_its_trace_row() -> None:
    result, law = pushed(the_trial(ALL_AT_ONCE, STEPS))
    shown = {seen.t_us: seen.target_N for seen in law.seen}
    assert (shown[CHANGE_US - TICK_US], shown[CHANGE_US]) == (4.0, 7.0)
    rows = dict(zip(result.trace["t_us"].tolist(), result.trace["target_N"].tolist(), strict=True))
    assert (rows[CHANGE_US - 10_000], rows[CHANGE_US]) == (4.0, 7.0)


def test_an_estimate_that_arrives_at_a_tick_is_seen_by_that_tick() -> None:
    """Sampled one tick earlier and on its way for one tick: had it come behind the tick, its age would be two."""
    _, law = pushed(the_trial(ALL_AT_ONCE))
    assert {seen.estimate_age_us for seen in law.seen if seen.t_us >= TICK_US} == {TICK_US}
    assert law.seen[0].estimate_age_us == -1
    assert np.isnan(law.seen[0].estimate_N)


def test_a_sample_that_needs_no_time_arrives_at_its_own_instant() -> None:
    _, law = pushed(the_trial(ALL_AT_ONCE.replace("latency_ms = 20.0", "latency_ms = 0.0")))
    assert {seen.estimate_age_us for seen in law.seen} == {0}


def test_a_pulse_at_a_tick_obeys_the_command_of_that_tick() -> None:
    """While the interlock lets the current rise, each tick's command differs from the one before."""
    result, _ = pushed(the_trial(ALL_AT_ONCE))
    admitted = dict(zip(result.trace["t_us"].tolist(), result.trace["agonist_admitted_mA"].tolist(), strict=True))
    fired = dict(zip(result.pulses["t_us"].tolist(), result.pulses["current_mA"].tolist(), strict=True))
    rising = [t_us for t_us in fired if fired[t_us] != admitted.get(t_us - TICK_US)]
    assert len(rising) > 10
    assert [fired[t_us] for t_us in fired] == [admitted[t_us] for t_us in fired]


def test_an_emergency_stop_comes_before_the_pulse_of_its_own_instant() -> None:
    quiet, _ = pushed(the_trial(ALL_AT_ONCE))
    assert CHANGE_US in quiet.pulses["t_us"], "without the stop there would be a pulse"
    stopped, _ = pushed(the_trial(ALL_AT_ONCE, fault("emergency-stop", 0.5)))
    assert stopped.pulses["t_us"].max() == CHANGE_US - TICK_US
    assert events_of(stopped, "trip") == [(CHANGE_US, "trip", "R33")]
    row = stopped.trace["t_us"] == CHANGE_US
    assert stopped.trace["trip"][row].tolist() == [33]
    assert stopped.trace["agonist_admitted_mA"][row].tolist() == [0.0]


def test_a_fault_that_ends_where_the_next_of_its_kind_begins_ends_first() -> None:
    trial = the_trial(fault("controller-stall", 0.5, 0.04), fault("controller-stall", 0.54, 0.04))
    _, law = pushed(trial)
    asked = {seen.t_us for seen in law.seen}
    silent = [t_us for t_us in range(0, 1_000_000, TICK_US) if t_us not in asked]
    assert silent == [500_000, 520_000, 540_000, 560_000]


def test_every_process_runs_to_the_end_of_the_trial_and_no_further() -> None:
    for trial in planned(RAGGED, seconds=1.0, conditions='"unassisted", "assisted"'):
        result = run_trial(trial)
        assert result.trace["t_us"].tolist() == list(range(0, 1_000_001, 8_000))
        assert not np.isnan(result.trace["force_N"]).any()
        assert all(int(str(event["t_us"])) <= 1_000_000 for event in result.events)
        assert (result.pulses["t_us"] <= 1_000_000).all()
