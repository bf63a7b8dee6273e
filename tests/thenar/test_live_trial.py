"""A trial that a person meddles with: left alone it is the trial; what is done live acts as if it were scheduled."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.thenar.small_runs import SMALL
from thenar.controller.registry import LawSettings, build_law
from thenar.engine.events import run_trial
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial, plan_trials
from thenar.live.session_controls import biased
from thenar.live.session_messages import RefusedError
from thenar.live.session_trial import MOST_LIVE_FAULTS, LiveTrial, Setting, stop_fault
from thenar.plant_models.estimator import bias_knots, biased_N
from thenar.plant_models.settings import Estimator
from thenar.scenarios.faults import KINDS, Fault
from thenar.scenarios.gallery import gallery_file, gallery_names
from thenar.scenarios.loader import load_scenario, parse_scenario

AT_US = 1_013_000
"""Between two ticks of every kind."""
PERIOD_US = 20_000
LASTING = {
    "dropout": {"for_s": 0.5},
    "stuck": {"for_s": 0.7},
    "electrode-lift": {"for_s": 0.5, "channel": "agonist", "contact_share": 0.3},
    "unbalanced-pulses": {"for_s": 0.5, "channel": "agonist", "missing_share": 0.2},
    "controller-stall": {"for_s": 0.2},
    "jump": {"offset_N": 2.0, "gain": 0.8},
    "emergency-stop": {},
}


def fault_at(kind: str, t_us: int, **fields: Any) -> Fault:
    return KINDS[kind].model_validate({"kind": kind, "at_s": t_us / 1e6, **fields})


def live(trial: Trial) -> LiveTrial:
    return LiveTrial(trial, build_law(trial.law, trial.calibration, trial.law_base))


def assert_same(found: TrialResult, expected: TrialResult) -> None:
    for table in ("trace", "pulses", "decisions"):
        for name, column in getattr(expected, table).items():
            np.testing.assert_array_equal(getattr(found, table)[name], column, err_msg=f"{table}.{name}")


@pytest.fixture(scope="module")
def trial() -> Trial:
    text = SMALL.replace("levels_N = [4.0, 7.0]", "levels_N = [12.0, 14.0]")
    return plan_trials(parse_scenario(text, "short-hold.toml", Path()))[1]


@pytest.mark.parametrize("name", gallery_names())
def test_left_alone_a_live_trial_is_the_trial_to_the_last_bit(name: str) -> None:
    trial = next(trial for trial in plan_trials(load_scenario(gallery_file(name))) if trial.stimulated)
    short_us = min(trial.duration_us, 10_000_000)
    short = replace(trial, duration_us=short_us, faults=tuple(f for f in trial.faults if f.at_s * 1e6 < short_us))
    found, expected = live(short).run(), run_trial(short)
    assert_same(found, expected)
    assert found.events == expected.events


@pytest.mark.parametrize("kind", LASTING)
def test_a_fault_that_begins_live_acts_as_a_scheduled_one(trial: Trial, kind: str) -> None:
    fault = fault_at(kind, AT_US, **LASTING[kind])
    running = live(trial)
    running.once_now(AT_US, lambda t_us: running.begin(fault, t_us))
    found, expected = running.run(), run_trial(replace(trial, faults=(fault,)))
    assert_same(found, expected)
    plain = [{key: value for key, value in event.items() if key != "live"} for event in found.events]
    assert plain == list(expected.events)
    assert any(not np.array_equal(found.trace[name], run_trial(trial).trace[name]) for name in found.trace), "no effect"


def test_a_stop_and_a_re_arming_act_as_scheduled_ones(trial: Trial) -> None:
    stop, rearm = fault_at("emergency-stop", AT_US), fault_at("re-arm", 2_000_500, cause="R33")
    running = live(trial)
    for fault, t_us in ((stop, AT_US), (rearm, 2_000_500)):
        running.once_now(t_us, lambda now_us, fault=fault: running.begin(fault, now_us))
    found = running.run()
    assert_same(found, run_trial(replace(trial, faults=(stop, rearm))))
    assert "cleared" in [event["kind"] for event in found.events]
    pulses_us = found.pulses["t_us"]
    assert not ((pulses_us >= AT_US) & (pulses_us < 2_000_500)).any()
    assert (pulses_us < AT_US).any()
    assert (pulses_us > 2_000_500).any()


def test_a_setting_from_the_first_instant_on_is_the_trial_with_that_setting(trial: Trial) -> None:
    estimator = trial.estimator.model_copy(
        update={"latency_ms": 180.0, "noise_floor_N": 0.9, "true_N": (1.0, 100.0), "reads_N": (0.0, 110.0)}
    )
    cue = trial.wearer.cue.model_copy(update={"trust": -0.5})
    wearer = trial.wearer.model_copy(update={"cue": cue})
    law = LawSettings(name="proportional", settings={"deadband_N": 0.1, "gain_mA_per_N": 0.3})
    running = live(trial)
    running.use(Setting(estimator, wearer))
    running.use_law(build_law(law, trial.calibration, trial.law_base))
    expected = run_trial(replace(trial, estimator=estimator, wearer=wearer, law=law))
    assert_same(running.run(), expected)
    for one in ({"estimator": estimator}, {"wearer": wearer}, {"law": law}):
        alone = run_trial(replace(trial, **one)).trace["force_N"]
        assert not np.array_equal(alone, run_trial(trial).trace["force_N"]), f"{one} has no effect here"


def test_a_change_acts_from_its_instant_on_and_not_before(trial: Trial) -> None:
    estimator = trial.estimator.model_copy(update={"true_N": (3.0, 100.0), "reads_N": (0.0, 97.0)})
    running = live(trial)
    running.once_now(AT_US, lambda _t_us: running.use(Setting(estimator, trial.wearer)))
    found, before = running.run().trace, run_trial(trial).trace
    # The first sample after the change arrives its latency later.
    differs = np.flatnonzero(np.nan_to_num(found["estimate_N"]) != np.nan_to_num(before["estimate_N"]))
    differs_us = int(found["t_us"][differs[0]])
    assert AT_US + 110_000 <= differs_us <= AT_US + 110_000 + 25_000 + 12_000 + 10_000


def test_samples_under_way_arrive_when_they_were_sent_for(trial: Trial) -> None:
    slower = trial.estimator.model_copy(update={"latency_ms": 400.0})
    running = live(trial)
    running.once_now(AT_US, lambda _t_us: running.use(Setting(slower, trial.wearer)))
    age_us = running.run().trace["estimate_age_us"]
    before_us = run_trial(trial).trace["estimate_age_us"]
    rows = slice(0, (AT_US + 100_000) // 10_000)
    np.testing.assert_array_equal(age_us[rows], before_us[rows])
    assert age_us.max() >= 400_000 > before_us.max()


def test_a_law_that_remembers_goes_on_remembering(trial: Trial) -> None:
    yielding = LawSettings(name="yielding", settings={})
    with_memory = replace(trial, law=yielding)
    running = live(with_memory)
    same = build_law(yielding, trial.calibration, trial.law_base)
    running.once_now(AT_US, lambda _t_us: running.use_law(same))
    assert_same(running.run(), run_trial(with_memory))


def test_two_faults_of_one_kind_come_one_after_the_other(trial: Trial) -> None:
    running = live(trial)
    running.begin(fault_at("dropout", 0, for_s=1.0), 0)
    with pytest.raises(RefusedError, match="one after the other"):
        running.begin(fault_at("dropout", 500_000, for_s=0.1), 500_000)
    running.begin(fault_at("stuck", 500_000, for_s=0.1), 500_000)
    scheduled = live(replace(trial, faults=(fault_at("dropout", 1_000_000, for_s=0.5),)))
    with pytest.raises(RefusedError, match="scheduled"):
        scheduled.begin(fault_at("dropout", 800_000, for_s=0.5), 800_000)


def test_whatever_was_injected_a_stop_is_never_refused_and_fits() -> None:
    text = SMALL + "\n[clock]\ncontrol_rate_Hz = 500.0\n"
    trial = plan_trials(parse_scenario(text, "short-hold.toml", Path()))[1]
    running = live(trial)
    refused_us = []

    def stop(t_us: int) -> None:
        running.begin(stop_fault(t_us), t_us)
        assert running.latched == 33
        assert running.desk.admitted[[2, 5]].tolist() == [0, 0], "a current is admitted"

    def rearm(t_us: int) -> None:
        try:
            running.begin(fault_at("re-arm", t_us, cause="R33"), t_us)
        except RefusedError:
            refused_us.append(t_us)

    for t_us in range(1_000, 2_900_000, 4_000):
        running.once_now(t_us, stop)
        running.once_now(t_us + 500, rearm)
    result = running.run()
    cleared_us = [event["t_us"] for event in result.events if event["kind"] == "cleared"]
    # Estimates come after 0.1 s; until then nothing clears.
    assert MOST_LIVE_FAULTS - 40 <= len(cleared_us) <= MOST_LIVE_FAULTS
    assert len(refused_us) == len(range(1_000, 2_900_000, 4_000)) - MOST_LIVE_FAULTS
    assert max(cleared_us) <= min(refused_us) + 4_000
    assert int(running.desk.live["decisions"][0]) < len(running.desk.decisions)
    assert int(running.desk.live["happenings"][0]) < len(running.desk.happenings)


@settings(max_examples=15)
@given(
    noise_N=st.floats(0.0, 50.0), latency_ms=st.floats(0.0, 500.0), trust=st.floats(-1.0, 1.0),
    gain=st.floats(0.0, 1e6), kinds=st.lists(st.sampled_from(sorted(LASTING)), max_size=5),
)  # fmt: skip
def test_nothing_done_live_touches_a_limit(
    trial: Trial, noise_N: float, latency_ms: float, trust: float, gain: float, kinds: list[str]
) -> None:
    running = live(trial)
    limits = running.desk.limits.copy()
    estimator = trial.estimator.model_copy(update={"noise_floor_N": noise_N, "latency_ms": latency_ms})
    wearer = trial.wearer.model_copy(update={"cue": trial.wearer.cue.model_copy(update={"trust": trust})})
    law = LawSettings(name="proportional", settings={"gain_mA_per_N": gain})

    def meddle(t_us: int) -> None:
        running.use(Setting(estimator, wearer))
        running.use_law(build_law(law, trial.calibration, trial.law_base))
        for kind in dict.fromkeys(kinds):
            running.begin(fault_at(kind, t_us, **LASTING[kind]), t_us)

    running.once_now(AT_US, meddle)
    result = running.run()
    np.testing.assert_array_equal(running.desk.limits, limits)
    bounds = trial.limits()
    for channel, bound in enumerate((bounds.agonist, bounds.antagonist)):
        given_mA = result.pulses["current_mA"][result.pulses["channel"] == channel]
        assert (given_mA <= min(bound.peak_uA, bound.ceiling_uA) / 1e3).all()


@given(
    curve=st.lists(st.tuples(st.floats(0.1, 20.0), st.floats(0.0, 20.0)), min_size=2, max_size=12),
    offset_N=st.floats(-10.0, 10.0), gain=st.floats(0.0, 3.0), force_N=st.floats(0.0, 150.0),
)  # fmt: skip
def test_the_bias_controls_shift_and_stretch_every_reading(
    curve: list[tuple[float, float]], offset_N: float, gain: float, force_N: float
) -> None:
    true_N, reads_N = (tuple(float(value) for value in np.cumsum(part)) for part in zip(*curve, strict=True))
    base = Estimator(true_N=true_N, reads_N=reads_N)
    moved_true_N, moved_reads_N = biased(base, offset_N, gain)
    moved = Estimator(true_N=tuple(moved_true_N), reads_N=tuple(moved_reads_N))
    expected = max(0.0, gain * biased_N(bias_knots(base), force_N) + offset_N)
    assert biased_N(bias_knots(moved), force_N) == pytest.approx(expected, abs=1e-6)
