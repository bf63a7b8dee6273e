"""Thresholds against the strength-duration law, their order, and how well a test session could refit them.

Law I(d) = b (1 + c / d), charge b (d + c): [@geddes-2004] (read).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import spearmanr

from thenar.plant_models.calibration import calibrate
from thenar.plant_models.population import draw_wearers
from thenar.plant_models.pulse import charge_uC
from thenar.plant_models.recruitment import motor_threshold_mA, recruitment_params
from thenar.plant_models.settings import Population, Recruitment, Wearer

WIDTHS_US = (200.0, 500.0, 700.0, 1000.0)
DRAWN = draw_wearers(Wearer(), Population(count=2000), 4)

rheobases = st.floats(0.5, 20.0)
chronaxies = st.floats(20.0, 1000.0)


def threshold_mA(rheobase_mA: float, chronaxie_us: float, width_us: float) -> float:
    """The model's motor threshold."""
    return motor_threshold_mA(
        recruitment_params(Recruitment(rheobase_mA=rheobase_mA, chronaxie_us=chronaxie_us)), width_us
    )


@given(rheobases, chronaxies)
def test_the_threshold_at_the_chronaxie_is_twice_the_rheobase(b: float, c: float) -> None:
    assert threshold_mA(b, c, c) == pytest.approx(2.0 * b, rel=1e-9)


@given(rheobases, chronaxies, st.floats(20.0, 1000.0))
def test_threshold_charge_is_a_line_in_width_with_slope_rheobase_and_intercept_minus_chronaxie(
    b: float, c: float, width_us: float
) -> None:
    assert charge_uC(threshold_mA(b, c, width_us), width_us) == pytest.approx(1e-3 * b * (width_us + c), rel=1e-9)


def test_the_threshold_falls_from_200_to_650_us_as_the_law_says() -> None:
    # Derived: 23, 35 and 48 % for chronaxies of 0.10, 0.20 and 0.46 ms.
    for chronaxie_us, fall in ((100.0, 0.23), (200.0, 0.35), (460.0, 0.48)):
        found = 1.0 - threshold_mA(1.0, chronaxie_us, 650.0) / threshold_mA(1.0, chronaxie_us, 200.0)
        assert found == pytest.approx(fall, abs=0.006)


def test_every_drawn_wearer_feels_before_moving_and_moves_before_it_hurts() -> None:
    # Order sensory < motor < tolerance. Motor over sensory threshold 1.5-2.5: clinical texts, from memory.
    for wearer in DRAWN:
        for width_us in (50.0, 200.0, 400.0):
            calibration = calibrate(wearer, width_us, 40.0)
            for channel in (calibration.agonist, calibration.antagonist):
                assert 0.0 < channel.sensory_mA < channel.motor_mA < channel.full_current_mA < channel.ceiling_mA
                assert 1.5 <= channel.motor_mA / channel.sensory_mA <= 2.5


def test_every_drawn_chronaxie_lies_in_the_range_of_innervated_muscle() -> None:
    # 0.1-0.7 ms for innervated muscle through surface motor points: electrodiagnosis handbooks, from memory.
    chronaxies_us = np.array([w.agonist.recruitment.chronaxie_us for w in DRAWN])
    assert chronaxies_us.min() >= 100.0
    assert chronaxies_us.max() <= 700.0
    assert np.std(np.log(chronaxies_us)) > 0.2


def test_four_widths_and_five_percent_noise_give_back_the_rheobase_well_and_the_chronaxie_loosely() -> None:
    # Manual procedure with these widths against threshold tracking, n = 30, median motor axons (read): rho 0.96 for the
    # rheobase, 0.78 for the time constant. Here against the drawn truth, ten sessions each: measured 0.955 and 0.69.
    # The published figures are of two methods on people, so only their order and rough size can be mirrored.
    rng = np.random.default_rng(20)
    widths_us = np.array(WIDTHS_US)
    b = np.array([w.agonist.recruitment.rheobase_mA for w in DRAWN])
    c = np.array([w.agonist.recruitment.chronaxie_us for w in DRAWN])
    exact_mA = np.array(
        [[threshold_mA(*constants, width) for width in WIDTHS_US] for constants in zip(b, c, strict=True)]
    )
    agreements = []
    for _ in range(10):
        charge_nC = exact_mA * (1.0 + 0.05 * rng.standard_normal(exact_mA.shape)) * widths_us
        slope, intercept = np.polyfit(widths_us, charge_nC.T, 1)
        agreements.append((spearmanr(slope, b)[0], spearmanr(intercept / slope, c)[0]))
    for of_rheobase, of_chronaxie in agreements:
        assert of_rheobase == pytest.approx(0.96, abs=0.03)
        assert of_chronaxie == pytest.approx(0.78, abs=0.15)
        assert of_chronaxie < of_rheobase
