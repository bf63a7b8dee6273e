"""How a wanted effect becomes a current and a width."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.controller.wearers_and_observations import AGONIST, channels, charge_nC
from thenar.controller.pulses import PulseSettings, bounded, pulse_plan, stimulus_for
from thenar.shared.signals import REST, ChannelCalibration, Stimulus

ON_WIDTH = pulse_plan(PulseSettings(acts_on="width"), AGONIST)
CHRONAXIE_US = 180.0


def effect(stimulus: Stimulus, chronaxie_us: float) -> float:
    """By the Weiss-Lapicque law, in mA of a very long pulse."""
    return charge_nC(stimulus) / (stimulus.width_us + chronaxie_us)


def test_on_current_at_the_calibrated_width_the_wish_is_asked_as_it_is() -> None:
    plan = pulse_plan(PulseSettings(), AGONIST)
    assert stimulus_for(plan, 7.3) == Stimulus(7.3, 200.0, 35.0)


def test_width_and_rate_of_the_settings_take_the_place_of_the_calibrated_ones() -> None:
    plan = pulse_plan(PulseSettings(width_us=100.0, rate_Hz=25.0), AGONIST)
    assert stimulus_for(plan, 5.0) == Stimulus(10.0, 100.0, 25.0)


@given(st.floats(0.1, 14.0))
def test_on_width_the_current_stays_and_the_charge_is_that_of_the_wish(wish_mA: float) -> None:
    asked = stimulus_for(ON_WIDTH, wish_mA)
    assert asked.current_mA == AGONIST.ceiling_mA
    assert charge_nC(asked) == pytest.approx(wish_mA * AGONIST.width_us, rel=1e-12)


@given(st.floats(0.1, 14.0), st.floats(4.0, 14.0), st.sampled_from(["current", "width"]))
def test_with_a_chronaxie_the_effect_is_that_of_the_wish(wish_mA: float, other: float, acts_on: str) -> None:
    settings = PulseSettings.model_validate(
        {"acts_on": acts_on, "chronaxie_us": CHRONAXIE_US}
        | ({"set_current_mA": other} if acts_on == "width" else {"width_us": 20.0 * other})
    )
    asked = stimulus_for(pulse_plan(settings, AGONIST), wish_mA)
    wanted = effect(Stimulus(wish_mA, AGONIST.width_us, 35.0), CHRONAXIE_US)
    cut = asked.current_mA == AGONIST.ceiling_mA or charge_nC(asked) > 14.0 * 200.0 * (1.0 - 1e-12)
    if cut and effect(asked, CHRONAXIE_US) < wanted * (1.0 - 1e-9):
        return  # the ceiling came first
    assert effect(asked, CHRONAXIE_US) == pytest.approx(wanted, rel=1e-9)


def test_equal_charge_acts_more_than_meant_when_the_pulse_is_shorter() -> None:
    """The stated price of not knowing the chronaxie: the factor (w0 + t) / (w + t)."""
    asked = stimulus_for(ON_WIDTH, 7.0)
    meant = effect(Stimulus(7.0, 200.0, 35.0), CHRONAXIE_US)
    assert effect(asked, CHRONAXIE_US) / meant == pytest.approx((200.0 + CHRONAXIE_US) / (100.0 + CHRONAXIE_US))


@given(channels, st.floats(0.0, 60.0), st.floats(0.0, 60.0), st.booleans())
def test_a_greater_wish_never_asks_for_less(channel: ChannelCalibration, one: float, other: float, on: bool) -> None:
    settings = PulseSettings(acts_on="width") if on else PulseSettings(width_us=150.0)
    plan = pulse_plan(settings, channel)
    less, more = (stimulus_for(plan, wish) for wish in sorted((one, other)))
    assert less.current_mA <= more.current_mA
    assert less.width_us <= more.width_us


def test_the_set_current_is_cut_at_the_ceiling() -> None:
    plan = pulse_plan(PulseSettings(acts_on="width", set_current_mA=30.0), AGONIST)
    assert stimulus_for(plan, 7.0).current_mA == AGONIST.ceiling_mA


def test_a_set_current_below_the_rheobase_stops_at_the_ceilings_charge() -> None:
    plan = pulse_plan(PulseSettings(acts_on="width", set_current_mA=1.0, chronaxie_us=CHRONAXIE_US), AGONIST)
    asked = stimulus_for(plan, 10.0)
    assert asked == Stimulus(1.0, 14.0 * 200.0, 35.0)


@pytest.mark.parametrize("wish_mA", [0.0, -1.0, float("nan"), float("-inf")])
def test_no_wish_is_rest(wish_mA: float) -> None:
    for plan in (ON_WIDTH, pulse_plan(PulseSettings(), AGONIST)):
        assert stimulus_for(plan, wish_mA) == REST


def test_an_endless_wish_is_the_ceiling() -> None:
    assert stimulus_for(pulse_plan(PulseSettings(), AGONIST), float("inf")) == Stimulus(14.0, 200.0, 35.0)
    assert stimulus_for(ON_WIDTH, float("inf")) == Stimulus(14.0, 200.0, 35.0)


def test_a_ceiling_of_zero_is_rest_whatever_is_wished() -> None:
    channel = AGONIST._replace(ceiling_mA=0.0)
    for settings in (
        PulseSettings(),
        PulseSettings(acts_on="width"),
        PulseSettings(acts_on="width", set_current_mA=5.0),
    ):
        assert stimulus_for(pulse_plan(settings, channel), 7.0) == REST


def test_a_wide_pulse_is_cut_in_current_when_acting_on_current_and_in_width_when_acting_on_width() -> None:
    wide = pulse_plan(PulseSettings(width_us=400.0), AGONIST)
    assert bounded(wide, 14.0, 400.0) == Stimulus(7.0, 400.0, 35.0)
    assert bounded(ON_WIDTH, 14.0, 400.0) == Stimulus(14.0, 200.0, 35.0)


@pytest.mark.parametrize("table", [{"acts_on": "width", "width_us": 200.0}, {"set_current_mA": 8.0}])
def test_a_setting_that_would_do_nothing_is_refused(table: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        PulseSettings.model_validate(table)
