"""The paced engine against a clock that moves only when told to: what is on time, what is late, what becomes of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.thenar.small_runs import SMALL
from thenar.controller.registry import build_law
from thenar.engine.events import EventTrial, run_trial
from thenar.engine.paced import LONGEST_BEHIND_S, Histogram, PacedTrial, VirtualClock
from thenar.engine.trial import Trial, plan_trials
from thenar.scenarios.loader import parse_scenario
from thenar.shared.signals import Demand, Observation

PERIOD_US = 20_000
"""Of the control tick in `SMALL`: 50 Hz."""
EXPIRY_US = 60_000
"""Three control periods (R03)."""


class Stalling:
    """The scenario's own law, but answers that take their time by the clock."""

    def __init__(self, trial: Trial, clock: VirtualClock, stalls_s: dict[int, float]) -> None:
        self.law = build_law(trial.law, trial.calibration, trial.law_base)
        self.clock, self.stalls_s, self.asked_us = clock, stalls_s, []

    def decide(self, observation: Observation) -> Demand:
        """The law's answer, after the stall that is set for this tick."""
        self.asked_us.append(observation.t_us)
        self.clock.stall(self.stalls_s.get(observation.t_us, 0.0))
        return self.law.decide(observation)


@pytest.fixture(scope="module")
def trial() -> Trial:
    text = SMALL.replace("levels_N = [4.0, 7.0]", "levels_N = [12.0, 14.0]")
    return plan_trials(parse_scenario(text, "short-hold.toml", Path()))[1]


def paced(trial: Trial, stalls_s: dict[int, float], factor: float = 1.0) -> tuple[PacedTrial, Stalling]:
    clock = VirtualClock()
    law = Stalling(trial, clock, stalls_s)
    return PacedTrial(EventTrial(trial, law=law), clock, factor), law


@pytest.mark.parametrize("factor", [0.25, 1.0, 20.0])
def test_on_time_a_paced_trial_is_the_unpaced_one_to_the_last_bit(trial: Trial, factor: float) -> None:
    running, _ = paced(trial, {}, factor)
    found, expected = running.run(), run_trial(trial)
    for table in ("trace", "pulses", "decisions"):
        for name, column in getattr(expected, table).items():
            np.testing.assert_array_equal(getattr(found, table)[name], column, err_msg=f"{table}.{name}")
    assert found.events == expected.events
    assert running.lateness.missed == 0
    assert running.lateness.begun.total == 3_000_000 // PERIOD_US


def test_a_trial_takes_its_own_length_over_the_pace(trial: Trial) -> None:
    for factor in (0.25, 1.0, 20.0):
        running, _ = paced(trial, {}, factor)
        running.run()
        assert running.clock.now_s() == pytest.approx(3.0 / factor)


def test_a_late_answer_is_thrown_away_and_what_was_admitted_expires(trial: Trial) -> None:
    stalled_us = 1_000_000
    running, law = paced(trial, {stalled_us: 0.2})
    result = running.run()
    gone = list(range(stalled_us, stalled_us + 200_000, PERIOD_US))
    decided = result.decisions["t_us"]
    assert not np.isin(gone, decided).any(), "a tick that was too late reached the interlock"
    assert not set(gone[1:]) & set(law.asked_us), "a law was asked at a tick that was already too late"
    last_us = decided[decided < stalled_us].max()
    assert last_us == stalled_us - PERIOD_US
    pulses_us = result.pulses["t_us"]
    assert ((pulses_us >= stalled_us) & (pulses_us < last_us + EXPIRY_US)).any(), "the stimulator stopped too early"
    silent = (pulses_us >= last_us + EXPIRY_US) & (pulses_us < stalled_us + 200_000)
    assert not silent.any(), "a pulse left after its command had expired"
    admitted = result.trace["agonist_admitted_mA"][result.trace["t_us"] == last_us + EXPIRY_US]
    assert admitted.tolist() == [0.0]
    assert running.lateness.missed == running.lateness.passed_over == len(gone)
    assert [event for event in result.events if event["kind"] == "passed-over"] == [
        {"t_us": stalled_us, "kind": "passed-over", "ticks": len(gone)}
    ]


def test_a_stall_of_more_than_a_quarter_second_trips_at_the_next_tick(trial: Trial) -> None:
    short, _ = paced(trial, {1_000_000: 0.2})
    long, _ = paced(trial, {1_000_000: 0.3})
    assert not [event for event in short.run().events if event["kind"] == "trip"]
    trips = [event for event in long.run().events if event["kind"] == "trip"]
    assert [(trip["cause"], trip["t_us"]) for trip in trips] == [("R03", 1_300_000)]


def test_an_answer_within_its_period_counts_as_on_time(trial: Trial) -> None:
    running, _ = paced(trial, {1_000_000: 0.019})
    result = running.run()
    expected = run_trial(trial)
    np.testing.assert_array_equal(result.decisions["t_us"], expected.decisions["t_us"])
    assert running.lateness.missed == 0
    assert running.lateness.answered.worst_s == pytest.approx(0.019)
    assert running.lateness.begun.worst_s == pytest.approx(0.0, abs=1e-9)


def test_faster_than_real_a_late_tick_is_counted_and_run_all_the_same(trial: Trial) -> None:
    running, law = paced(trial, {1_000_000: 0.2}, factor=20.0)
    result = running.run()
    np.testing.assert_array_equal(result.decisions["t_us"], run_trial(trial).decisions["t_us"])
    assert len(law.asked_us) == len(result.decisions["t_us"])
    assert running.lateness.passed_over == 0
    # 0.2 s of wall clock are 4 s of simulated time, and 2 s of the trial are left.
    assert running.lateness.missed == len([t_us for t_us in law.asked_us if t_us >= 1_000_000])


def test_a_machine_that_slept_moves_the_schedule_and_says_so(trial: Trial) -> None:
    running, _ = paced(trial, {500_000: 60.0})
    result = running.run()
    slips = [event for event in result.events if event["kind"] == "slipped"]
    assert running.lateness.slipped_s == pytest.approx(60.0 - LONGEST_BEHIND_S, abs=0.02)
    assert sum(slip["by_ms"] for slip in slips) == pytest.approx(1e3 * running.lateness.slipped_s)
    gaps_us = np.diff(result.decisions["t_us"])
    assert LONGEST_BEHIND_S * 1e6 - PERIOD_US <= gaps_us.max() <= LONGEST_BEHIND_S * 1e6 + 2 * PERIOD_US


def test_the_first_answer_may_take_its_time(trial: Trial) -> None:
    running, _ = paced(trial, {0: 20.0})
    result = running.run()
    np.testing.assert_array_equal(result.decisions["t_us"], run_trial(trial).decisions["t_us"])
    assert running.lateness.missed == 0


def test_a_change_of_pace_holds_from_where_the_clock_is(trial: Trial) -> None:
    running, _ = paced(trial, {})
    clock = running.clock
    while (t_us := running.next_us()) is not None:
        if t_us == 2_000_000:
            clock.wait_until(running.deadline_s(t_us))
            running.change_pace(0.5)
        clock.wait_until(running.deadline_s(t_us))
        running.instant()
    assert clock.now_s() == pytest.approx(2.0 + 1.0 / 0.5)


def test_percentiles_are_never_better_than_what_was_seen() -> None:
    histogram, seen = Histogram(), np.random.default_rng(4).lognormal(-8.0, 1.5, 20_000)
    for value_s in seen.tolist():
        histogram.add(value_s)
    for percent in (50.0, 99.0, 99.9):
        exact_s = float(np.percentile(seen, percent, method="inverted_cdf"))
        found_s = histogram.percentile_s(percent)
        assert exact_s <= found_s <= exact_s * 1.024
    assert histogram.worst_s == seen.max()
    limits_s = [1e-4, 1e-3, 1e-2]
    exact = np.histogram(seen, [0.0, *limits_s, 1e9])[0]
    found = histogram.up_to(limits_s)
    assert sum(found) == histogram.total == seen.size
    assert np.abs(np.array(found) - exact).max() <= 0.03 * seen.size
    assert np.cumsum(found)[-2] <= np.cumsum(exact)[-2], "a bin that a limit cuts must not flatter"
