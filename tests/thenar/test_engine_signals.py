"""What reaches whom in a trial: the delivered command, late estimates, the target, and a wearer's own force."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.thenar.engine_trials import (
    ALL_AT_ONCE,
    RAGGED,
    TICK_US,
    Push,
    Rest,
    events_of,
    planned,
    pushed,
    the_trial,
)
from thenar.engine.desk import lay_desk
from thenar.engine.events import EventTrial, run_trial
from thenar.plant_models.estimator import DROPPED
from thenar.shared.columns import TRACE
from thenar.shared.compiled import flat_integers
from thenar.shared.signals import REST

ALONE = '"stimulation-only"'


def test_the_law_is_told_what_was_delivered_not_what_it_asked_for() -> None:
    """The interlock lets 12.9 mA come in steps of 0.4 mA; at each tick the law sees the step of the tick before."""
    result, law = pushed(the_trial(ALL_AT_ONCE))
    asked_mA = law.demand.agonist.current_mA
    admitted = dict(zip(result.trace["t_us"].tolist(), result.trace["agonist_admitted_mA"].tolist(), strict=True))
    told = {seen.t_us: seen.delivered_agonist.current_mA for seen in law.seen}
    assert told.pop(0) == 0.0
    assert told == {t_us: admitted[t_us - TICK_US] for t_us in told}
    rising = [current for current in told.values() if 0.0 < current < asked_mA - 0.1]
    assert len(rising) > 15, "on its way up for some ticks"
    assert law.seen[-1].delivered_agonist == (int(asked_mA * 10) / 10, 250.0, 50.0)


def test_the_law_is_told_of_rest_while_nothing_is_delivered() -> None:
    _, law = pushed(the_trial("[session]\narm_at_s = 1.0"))
    told = {seen.t_us: (seen.delivered_agonist, seen.delivered_antagonist) for seen in law.seen}
    assert {told[t_us] for t_us in told if t_us <= 1_000_000} == {(REST, REST)}
    assert told[2_000_000][0].current_mA > 5.0


def test_a_law_is_asked_at_every_control_tick_and_only_then() -> None:
    _, law = pushed(the_trial("[clock]\ncontrol_rate_Hz = 62.5"))
    assert [seen.t_us for seen in law.seen] == list(range(0, 3_000_001, 16_000))


def test_an_unassisted_trial_has_no_pulses_no_reasons_and_no_law() -> None:
    """The law that the scenario names can't be built, and nobody notices, because nobody asks for it."""
    unbuilt = f'[law]\nfile = "{Path(__file__).name}"\nclass = "Absent"'
    result = run_trial(the_trial(RAGGED, unbuilt, base=Path(__file__).parent, conditions='"unassisted"'))
    assert result.pulses["t_us"].size == 0
    assert result.reason_ticks == {}
    assert {event["kind"] for event in result.events} == {"target"}
    still = ("reasons", "trip", "agonist_admitted_mA", "antagonist_admitted_mA", "agonist_evoked_N")
    assert [np.count_nonzero(result.trace[name]) for name in still] == [0] * len(still)
    assert result.trace["force_N"].max() > 3.0, "the wearer works alone"


def test_a_law_that_asks_for_nothing_equals_no_law_at_all() -> None:
    unassisted, assisted = planned(RAGGED, conditions='"unassisted", "assisted"')
    alone, (watched, _) = run_trial(unassisted), pushed(assisted, Rest(assisted.calibration))
    for name in ("target_N", "force_N", "estimate_N", "estimate_age_us", "voluntary_N"):
        assert alone.trace[name].tobytes() == watched.trace[name].tobytes(), name
    assert watched.pulses["t_us"].size == 0


def test_a_wearer_at_stimulation_only_makes_no_force() -> None:
    trial = the_trial("[handling]\nstrokes_per_s = 0.0", conditions=ALONE)
    result, _ = pushed(trial)
    assert not result.trace["voluntary_N"].any()
    first_us = int(result.pulses["t_us"][0])
    before = result.trace["t_us"] <= first_us
    assert not result.trace["force_N"][before].any()
    assert result.trace["force_N"][-1] > 3.0, "the muscle answers"


def test_a_wearer_is_at_rest_until_the_first_target_has_been_seen() -> None:
    """Sight takes 215 ms and the way to the muscle 50 ms, in whole wearer ticks of 10 ms (22 + 5)."""
    result = run_trial(the_trial("[wearer.production]\noffset_N = 3.0", conditions='"unassisted"'))
    quiet = result.trace["t_us"] <= 270_000
    assert not result.trace["voluntary_N"][quiet].any()
    assert not result.trace["force_N"][quiet].any()
    assert result.trace["voluntary_N"][result.trace["t_us"] > 290_000].min() > 0.0


def played_back(tmp_path: Path, *more: str, conditions: str, seconds: float = 4.0) -> list[bytes]:
    """Own force of every trial of a wearer who plays back a ramp, a hold and a sudden end."""
    (tmp_path / "own.csv").write_text("t_s,force_N\n0.0,0.0\n1.0,8.0\n2.5,8.0\n2.51,1.0\n4.0,1.0\n", "utf-8")
    own = '[wearer]\nrecording = "own.csv"\nsees_own_force = true'
    trials = planned(own, *more, base=tmp_path, conditions=conditions, seconds=seconds)
    return [run_trial(trial).trace["voluntary_N"].tobytes() for trial in trials]


def test_a_recorded_wearer_presses_the_same_whatever_is_done_to_it(tmp_path: Path) -> None:
    found = played_back(tmp_path, "repeats = 2", conditions='"unassisted", "assisted"')
    assert len(found) == 4
    assert len(set(found)) == 1
    with_cue = played_back(tmp_path, "cue.trust = -1.0", conditions='"assisted"')
    assert with_cue == found[:1]


def test_a_recorded_wearer_reproduces_the_recording(tmp_path: Path) -> None:
    """Through the hand's contact (15 ms): behind on a ramp of 8 N/s, exact on a hold, and over a cliff in 0.1 s."""
    (found,) = played_back(tmp_path, conditions='"unassisted"')
    force_N = np.frombuffer(found)
    at = {second: force_N[round(second * 100)] for second in (0.5, 1.0, 2.0, 2.45, 2.7, 3.5)}
    assert at[0.5] == pytest.approx(4.0, abs=0.7)
    assert at[2.0] == at[2.45] == pytest.approx(8.0, abs=0.02)
    assert at[2.7] == pytest.approx(1.0, abs=0.2)
    assert at[3.5] == pytest.approx(1.0, abs=0.02)


@settings(max_examples=25)
@given(
    seed=st.integers(0, 10**6),
    rate_Hz=st.sampled_from([20.0, 40.0, 100.0, 200.0]),
    jitter_ms=st.sampled_from([0.0, 3.0]),
    latency_ms=st.sampled_from([0.0, 50.0, 110.0]),
    spread_ms=st.sampled_from([0.0, 10.0, 80.0, 200.0]),
    dropouts_per_min=st.sampled_from([0.0, 120.0]),
)
def test_the_law_always_sees_the_newest_sample_that_has_arrived(
    seed: int, rate_Hz: float, jitter_ms: float, latency_ms: float, spread_ms: float, dropouts_per_min: float
) -> None:
    """An estimate that was overtaken on its way is dropped: what the law sees never becomes older by an arrival."""
    trial = the_trial(
        f"[estimator]\nrate_Hz = {rate_Hz}\njitter_ms = {jitter_ms}\nlatency_ms = {latency_ms}\n"
        f"latency_jitter_ms = {spread_ms}\ndropouts_per_min = {dropouts_per_min}",
        seconds=1.5, seed=seed,
    )  # fmt: skip
    law = Rest(trial.calibration)
    running = EventTrial(trial, law=law)
    running.run()
    plan, readings = running.desk.plan, running.desk.readings
    heard = plan.mode != DROPPED
    sampled, arrives, values = plan.sampled_us[heard], plan.arrives_us[heard], readings[heard, 0]
    for seen in law.seen:
        here = np.flatnonzero(arrives <= seen.t_us)
        if here.size == 0:
            assert (seen.estimate_age_us, np.isnan(seen.estimate_N)) == (-1, True)
        else:
            newest = here[sampled[here].argmax()]
            assert (seen.t_us - seen.estimate_age_us, seen.estimate_N) == (sampled[newest], values[newest])


def test_estimates_do_overtake_one_another_in_that_test() -> None:
    trial = the_trial("[estimator]\nrate_Hz = 100.0\nlatency_jitter_ms = 80.0")
    arrives = lay_desk(trial).plan.arrives_us
    assert (np.diff(arrives) < 0).sum() > 50


def test_the_estimate_reads_the_true_force_of_the_instant_it_was_sampled() -> None:
    """A sensor without noise and bias: the estimate seen at a row is the force of `estimate_age_us` before it."""
    exact = ALL_AT_ONCE.replace(
        "latency_jitter_ms = 0.0", "latency_jitter_ms = 0.0\nnoise_floor_N = 0.0\nnoise_share = 0.0"
    )
    result = run_trial(the_trial(exact, conditions='"unassisted"'))
    rows = np.flatnonzero(result.trace["estimate_age_us"] >= 0)
    then = rows - result.trace["estimate_age_us"][rows] // 10_000
    assert rows.size > 250
    # The straight bias curve rounds once more.
    assert result.trace["estimate_N"][rows].tolist() == pytest.approx(result.trace["force_N"][then].tolist(), rel=1e-12)


def test_the_trace_has_the_columns_and_types_that_are_promised() -> None:
    result = run_trial(the_trial(RAGGED))
    assert {name: str(values.dtype) for name, values in result.trace.items()} == {
        column.name: column.kind for column in TRACE if column.name != "trial"
    }
    assert len({values.shape for values in result.trace.values()}) == 1


def test_from_a_trip_at_the_gate_on_the_law_is_asked_no_more() -> None:
    trial = the_trial(seconds=1.0)
    limits = trial.limits()
    spent = limits._replace(agonist=limits.agonist._replace(total_pC=20_000_000))
    law = Push(trial.calibration)
    result = EventTrial(trial, lay_desk(trial)._replace(limits=flat_integers(spent)), law).run()
    tripped_us = int(result.decisions["trip_us"][-1])
    assert events_of(result, "trip")[0][2] == "R24"
    assert tripped_us % trial.clock.control_us != 0, "at the gate, between two ticks"
    assert law.seen[-1].t_us == tripped_us // trial.clock.control_us * trial.clock.control_us
