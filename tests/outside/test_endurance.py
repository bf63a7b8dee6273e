"""Voluntary endurance: our steps against the closed form, and against the human grip curve.

Three compartments: [@xia-frey-law-2008]; hand/grip F .00980 and R .00064 per s from Frey-Law et al.
[@frey-law-2012]; both as transcribed by a third party.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.plant_models.body_runs import LOOK, PUSH, events, in_order, ran
from thenar.plant_models.body import body_params
from thenar.plant_models.settings import Wearer
from thenar.plant_models.voluntary import endurance_s

BODY = body_params(Wearer())
GRIP_S = {0.1: 1367, 0.2: 448, 0.3: 233, 0.4: 147, 0.5: 102, 0.6: 76.4, 0.7: 59.6, 0.8: 48.1, 0.9: 39.8}
"""[@frey-law-avin-2010], hand/grip power law 33.55 x^-1.61 s, read second hand."""


def held_s(wanted: float, until_s: float) -> tuple[float, float]:
    """When fewer units than wanted are left unfatigued, and when force falls 2 % below the wanted share, s."""
    look_us = np.arange(0, round(1e6 * until_s), 10_000)
    schedule = in_order(events(PUSH, 0, wanted), events(LOOK, look_us))
    states = ran(BODY, schedule)
    spent = 1.0 - states.voluntary.fatigued < wanted
    weak = (states.force_N < 0.98 * wanted * BODY.hand.max_pinch_N) & (schedule.t_us > 3_000_000)
    return schedule.t_us[np.argmax(spent)] * 1e-6, schedule.t_us[np.argmax(weak)] * 1e-6


@pytest.mark.parametrize("wanted", list(GRIP_S))
def test_the_time_held_is_the_closed_form(wanted: float) -> None:
    # ET = -ln(1 - R (1 - TL) / (F TL)) / R, re-derived. 2 % for the lag of recruitment; measured 0.14 to 1.1 %.
    exact_s = endurance_s(BODY.voluntary, wanted)
    spent_s, weak_s = held_s(wanted, 1.1 * exact_s + 5.0)
    assert spent_s == pytest.approx(exact_s, rel=0.02)
    assert spent_s < weak_s < spent_s + 5.0


def test_the_closed_form_agrees_with_the_table_computed_elsewhere() -> None:
    # The same constants in other hands, s, 10 to 90 % of maximum.
    table_s = [1385, 473, 258, 161, 106, 69.6, 44.4, 25.8, 11.4]
    found = [endurance_s(BODY.voluntary, wanted) for wanted in GRIP_S]
    assert found == pytest.approx(table_s, abs=0.55)


def test_the_grip_curve_quoted_is_its_power_law() -> None:
    assert [33.55 * wanted**-1.61 for wanted in GRIP_S] == pytest.approx(list(GRIP_S.values()), rel=0.005)


@pytest.mark.parametrize("wanted", [0.1, 0.2, 0.3, 0.4, 0.5, 0.6])
def test_people_hold_a_grip_as_long_within_15_percent_up_to_60_percent_of_maximum(wanted: float) -> None:
    # Measured +1, +6, +11, +10, +4 and -9 %.
    assert held_s(wanted, 1.3 * GRIP_S[wanted] + 5.0)[0] == pytest.approx(GRIP_S[wanted], rel=0.15)


@pytest.mark.parametrize("wanted", [0.7, 0.8])
def test_people_hold_a_hard_grip_as_long_within_a_factor_of_two(wanted: float) -> None:
    # Measured -25 and -46 %: too short, and at 90 % of maximum (-71 %) nothing is claimed.
    spent_s = held_s(wanted, 2.0 * GRIP_S[wanted])[0]
    assert 0.5 < spent_s / GRIP_S[wanted] < 1.0


def test_a_share_that_recovery_can_feed_is_held_for_ever() -> None:
    # Infinite when TL <= R / (F + R), 6.1 % of maximum with the grip constants.
    limit = BODY.voluntary.recovery_per_s / (BODY.voluntary.fatigue_per_s + BODY.voluntary.recovery_per_s)
    assert limit == pytest.approx(0.0613, abs=0.0001)
    assert math.isinf(endurance_s(BODY.voluntary, 0.99 * limit))
    assert 0.0 < endurance_s(BODY.voluntary, 1.01 * limit) < math.inf
    assert held_s(0.99 * limit, 3600.0) == (0.0, 0.0)
