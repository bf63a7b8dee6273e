"""A calibration says what the models then do."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.plant_models.body_runs import muscle_at, train_us
from thenar.plant_models.calibration import Session, calibrate, found_by, fused_N
from thenar.plant_models.muscle import muscle_params
from thenar.plant_models.population import draw_wearers
from thenar.plant_models.recruitment import felt_share, recruited_share, recruitment_params
from thenar.plant_models.settings import Channel, Muscle, Population, Wearer

wearers = st.integers(0, 10_000).map(lambda seed: draw_wearers(Wearer(), Population(count=1), seed)[0])


@given(wearers, st.floats(50.0, 500.0), st.floats(5.0, 100.0))
def test_thresholds_of_a_calibration_are_those_of_the_axons(wearer: Wearer, width_us: float, rate_Hz: float) -> None:
    calibration = calibrate(wearer, width_us, rate_Hz)
    assert calibration.max_pinch_N == wearer.max_pinch_N
    for found, channel in ((calibration.agonist, wearer.agonist), (calibration.antagonist, wearer.antagonist)):
        axons = recruitment_params(channel.recruitment)
        assert felt_share(axons, 0.999 * found.sensory_mA, width_us) == 0.0
        assert felt_share(axons, 1.001 * found.sensory_mA, width_us) > 0.0
        assert felt_share(axons, 1.001 * found.motor_mA, width_us) == 1.0
        assert recruited_share(axons, found.full_current_mA, width_us) == pytest.approx(0.5, abs=1e-9)
        assert (found.width_us, found.rate_Hz) == (width_us, rate_Hz)


@pytest.mark.parametrize(("rate_Hz", "within"), [(25.0, 0.025), (40.0, 0.01), (80.0, 0.002)])
def test_the_reach_of_a_channel_is_the_force_that_a_train_makes(rate_Hz: float, within: float) -> None:
    # Closed form at the mean of calcium, which ripple makes a little high: measured 2.1, 0.5 and 0.1 %.
    muscle = Muscle(reachable_N=28.0, fatigue_share=0.0)
    wearer = Wearer(agonist=Channel(muscle=muscle), antagonist=Channel(muscle=muscle), lever_ratio=0.6)
    look_us = 2_000_000 + np.arange(0, 400_000, 500)
    mean_N = muscle_at(muscle_params(muscle), train_us(rate_Hz, 2.5), look_us).force_N.mean()
    calibration = calibrate(wearer, 200.0, rate_Hz)
    assert calibration.agonist.reachable_N == pytest.approx(mean_N, rel=within)
    assert calibration.antagonist.reachable_N == pytest.approx(0.6 * mean_N, rel=within)


def test_a_higher_rate_reaches_further_up_to_the_stated_force() -> None:
    reaches = [fused_N(Muscle(reachable_N=35.0), rate_Hz) for rate_Hz in (5.0, 10.0, 20.0, 40.0, 100.0)]
    assert reaches == sorted(reaches)
    assert reaches[-1] == pytest.approx(35.0, rel=1e-12)


def test_a_session_errs_by_its_step_and_its_reports_and_never_puts_the_ceiling_below_the_threshold() -> None:
    exact = calibrate(Wearer(), 250.0, 40.0)
    session = Session(step_mA=0.5, report_sd=0.1, force_sd=0.05, repeats=3)
    found = [found_by(session, exact, 20261220, wearer) for wearer in range(400)]
    for name in ("agonist", "antagonist"):
        channels = [getattr(one, name) for one in found]
        true = getattr(exact, name)
        motor = np.array([one.motor_mA for one in channels]) / true.motor_mA
        # A tenth over the root of three repeats, and up to a step above.
        assert motor.std() == pytest.approx(0.1 / np.sqrt(3.0), rel=0.2)
        assert true.motor_mA < np.mean([one.motor_mA for one in channels]) < true.motor_mA + 0.5
        assert true.ceiling_mA - 0.5 < np.mean([one.ceiling_mA for one in channels]) < true.ceiling_mA + 0.1
        assert all(one.sensory_mA < one.motor_mA <= one.ceiling_mA for one in channels)
        assert all(one.motor_mA < one.full_current_mA for one in channels)
        reach = np.array([one.reachable_N for one in channels]) / true.reachable_N
        assert reach.std() == pytest.approx(0.05 / np.sqrt(3.0), rel=0.2)
    assert found[0] != found[1]
    assert found_by(session, exact, 20261220, 0) == found[0]


def test_a_session_of_steps_alone_finds_the_first_step_above_and_the_last_below() -> None:
    exact = calibrate(Wearer(), 250.0, 40.0)
    found = found_by(Session(1.0, 0.0, 0.0, 1), exact, 1, 0).agonist
    assert found.motor_mA == np.ceil(exact.agonist.motor_mA)
    assert found.ceiling_mA == np.floor(exact.agonist.ceiling_mA)
    assert found.reachable_N == exact.agonist.reachable_N
