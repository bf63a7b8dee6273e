"""The proportional law."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.controller.wearers_and_observations import (
    AGONIST,
    ANTAGONIST,
    CALIBRATION,
    calibrations,
    is_rest,
    observe,
    within_ceiling,
)
from thenar.controller.proportional import (
    PARAMS_SIZE,
    START,
    Proportional,
    ProportionalSettings,
    decide,
    params_from,
    unpack_params,
)
from thenar.shared.compiled import flat_floats
from thenar.shared.recruitment_curve import recruited_share
from thenar.shared.signals import Calibration, Demand, Stimulus

forces_N = st.floats(-5.0, 60.0)
any_settings = st.builds(
    ProportionalSettings.model_validate,
    st.fixed_dictionaries(
        {"deadband_N": st.floats(0.0, 3.0), "start": st.sampled_from(["motor-threshold", "zero"])},
        optional={"rate_Hz": st.floats(1.0, 100.0), "chronaxie_us": st.floats(10.0, 1000.0)},
    ).flatmap(
        lambda base: st.tuples(
            st.just(base),
            st.one_of(
                st.fixed_dictionaries({"gain_mA_per_N": st.floats(0.0, 50.0)}),
                st.fixed_dictionaries({"gain_fraction_per_N": st.floats(0.0, 5.0)}),
            ),
            st.one_of(
                st.fixed_dictionaries({}, optional={"width_us": st.floats(1.0, 2000.0)}),
                st.fixed_dictionaries(
                    {"acts_on": st.just("width")}, optional={"set_current_mA": st.floats(0.01, 80.0)}
                ),
            ),
        ).map(lambda parts: parts[0] | parts[1] | parts[2])
    ),
)


def asked(table: dict[str, object], target_N: float, estimate_N: float) -> Demand:
    """The demand under settings `table` for the ordinary calibration."""
    law = Proportional(ProportionalSettings.model_validate(table), CALIBRATION)
    return law.decide(observe(target_N, estimate_N))


@given(forces_N, forces_N)
def test_too_little_force_asks_the_agonist_and_too_much_the_antagonist(target_N: float, estimate_N: float) -> None:
    demand = asked({"deadband_N": 0.5, "gain_mA_per_N": 0.5}, target_N, estimate_N)
    error_N = target_N - estimate_N
    assert is_rest(demand.agonist) == (error_N <= 0.5)
    assert is_rest(demand.antagonist) == (error_N >= -0.5)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_at_the_edge_of_the_deadband_it_rests_and_just_beyond_it_starts_at_the_motor_threshold(sign: float) -> None:
    table: dict[str, object] = {"deadband_N": 0.5}
    at_edge = asked(table, 3.0, 3.0 - sign * 0.5)
    assert is_rest(at_edge.agonist)
    assert is_rest(at_edge.antagonist)
    beyond = asked(table, 3.0, 3.0 - sign * math.nextafter(0.5, 1.0) * (1 + 1e-12))
    active, motor_mA = (beyond.agonist, AGONIST.motor_mA) if sign > 0 else (beyond.antagonist, ANTAGONIST.motor_mA)
    assert active.current_mA == pytest.approx(motor_mA, rel=1e-9)
    assert active.current_mA >= motor_mA


def test_started_at_zero_the_current_leaves_the_deadband_at_zero() -> None:
    demand = asked({"deadband_N": 0.5, "start": "zero", "gain_mA_per_N": 2.0}, 3.0, 2.4)
    assert demand.agonist.current_mA == pytest.approx(0.2)


@given(st.floats(0.0, 15.0))
def test_the_current_grows_by_the_gain_up_to_the_ceiling(beyond_N: float) -> None:
    demand = asked({"deadband_N": 1.0, "gain_mA_per_N": 0.8}, 20.0, 19.0 - beyond_N)
    expected = min(6.0 + 0.8 * beyond_N, 14.0) if 20.0 - (19.0 - beyond_N) > 1.0 else 0.0
    assert demand.agonist.current_mA == pytest.approx(expected, abs=1e-9)
    assert demand.agonist[1:] == ((200.0, 35.0) if expected else (0.0, 0.0))


@given(st.floats(0.01, 3.0), st.sampled_from(["motor-threshold", "zero"]), st.sampled_from([1.0, -1.0]))
def test_gain_in_recruited_share_is_a_straight_line_in_evoked_force(beyond_N: float, start: str, sign: float) -> None:
    gain = 0.2
    demand = asked(
        {"deadband_N": 0.5, "gain_fraction_per_N": gain, "start": start}, 10.0, 10.0 - sign * (0.5 + beyond_N)
    )
    stimulus, channel = (demand.agonist, AGONIST) if sign > 0 else (demand.antagonist, ANTAGONIST)

    def evoked_N(current_mA: float) -> float:
        return channel.reachable_N * recruited_share(current_mA, channel.full_current_mA, channel.spread)

    start_N = evoked_N(channel.motor_mA) if start == "motor-threshold" else 0.0
    line_N = start_N + channel.reachable_N * gain * beyond_N
    assert evoked_N(stimulus.current_mA) == pytest.approx(min(line_N, evoked_N(channel.ceiling_mA)), rel=1e-9)


def test_a_gain_in_share_beyond_full_recruitment_stays_at_the_ceiling() -> None:
    demand = asked({"gain_fraction_per_N": 5.0}, 30.0, 0.0)
    assert demand.agonist == Stimulus(14.0, 200.0, 35.0)


def test_on_width_the_current_stays_and_the_width_grows() -> None:
    table: dict[str, object] = {"acts_on": "width", "set_current_mA": 10.0, "deadband_N": 0.0, "gain_mA_per_N": 1.0}
    small, great = asked(table, 5.0, 4.0).agonist, asked(table, 5.0, 2.0).agonist
    assert small == pytest.approx(Stimulus(10.0, 7.0 * 200.0 / 10.0, 35.0))
    assert great == pytest.approx(Stimulus(10.0, 9.0 * 200.0 / 10.0, 35.0))


@given(any_settings, calibrations, forces_N, forces_N)
def test_it_never_asks_above_the_ceiling_and_never_for_both_channels(
    settings: ProportionalSettings, calibration: Calibration, target_N: float, estimate_N: float
) -> None:
    demand = Proportional(settings, calibration).decide(observe(target_N, estimate_N))
    assert within_ceiling(demand, calibration)
    assert is_rest(demand.agonist) or is_rest(demand.antagonist)


@given(st.floats(), st.floats(), st.sampled_from(["current", "width"]))
def test_any_numbers_at_all_give_a_demand_within_the_ceiling(target_N: float, estimate_N: float, acts_on: str) -> None:
    demand = asked({"acts_on": acts_on, "gain_fraction_per_N": 0.3}, target_N, estimate_N)
    assert within_ceiling(demand, CALIBRATION)


@pytest.mark.parametrize("estimate_N", [math.nan, math.inf, -math.inf])
def test_without_a_usable_estimate_it_rests(estimate_N: float) -> None:
    demand = asked({}, 6.0, estimate_N)
    assert is_rest(demand.agonist)
    assert is_rest(demand.antagonist)


@given(any_settings, calibrations, forces_N, forces_N)
def test_the_step_and_the_class_decide_alike(
    settings: ProportionalSettings, calibration: Calibration, target_N: float, estimate_N: float
) -> None:
    params = params_from(settings, calibration)
    observation = observe(target_N, estimate_N)
    demand, memory = decide(params, START, observation)
    assert demand == Proportional(settings, calibration).decide(observation)
    assert memory == START


@given(any_settings, calibrations)
def test_parameters_come_back_unchanged_from_their_flat_array(
    settings: ProportionalSettings, calibration: Calibration
) -> None:
    params = params_from(settings, calibration)
    flat = flat_floats(params)
    assert flat.shape == (PARAMS_SIZE,)
    assert unpack_params(flat) == params


def test_two_gains_at_once_are_refused() -> None:
    with pytest.raises(ValidationError, match="not both"):
        ProportionalSettings(gain_mA_per_N=0.5, gain_fraction_per_N=0.1)
