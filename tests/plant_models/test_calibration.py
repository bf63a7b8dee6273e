"""A calibration says what the models then do."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.plant_models.body_runs import muscle_at, train_us
from thenar.plant_models.calibration import calibrate, fused_N
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
