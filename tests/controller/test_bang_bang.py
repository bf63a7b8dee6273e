"""The bang-bang law."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.controller.wearers_and_observations import (
    AGONIST,
    CALIBRATION,
    calibrations,
    charge_nC,
    is_rest,
    observe,
    within_ceiling,
)
from thenar.controller.bang_bang import (
    MEMORY_SIZE,
    PARAMS_SIZE,
    PULL,
    PUSH,
    REST_STATE,
    START,
    BangBang,
    BangBangSettings,
    decide,
    params_from,
    unpack_params,
)
from thenar.shared.compiled import flat_floats, flat_integers
from thenar.shared.signals import Calibration, Demand, Stimulus

TICK_US = 20_000


def law(**table: object) -> BangBang:
    """A law for the ordinary calibration."""
    return BangBang(BangBangSettings.model_validate(table), CALIBRATION)


def state_of(demand: Demand) -> int:
    """What the demand shows of the state; both channels at once would be an error."""
    assert is_rest(demand.agonist) or is_rest(demand.antagonist)
    if not is_rest(demand.agonist):
        return PUSH
    return PULL if not is_rest(demand.antagonist) else REST_STATE


def states(bang: BangBang, errors_N: list[float], tick_us: int = TICK_US) -> list[int]:
    """States at successive ticks for these errors around a target of 0 N, so that the errors are exact."""
    return [state_of(bang.decide(observe(0.0, -error, index * tick_us))) for index, error in enumerate(errors_N)]


def test_it_switches_on_beyond_the_deadband_only() -> None:
    edge, beyond = 0.5, math.nextafter(0.5, 1.0)
    for error, state in ((edge, REST_STATE), (beyond, PUSH), (-edge, REST_STATE), (-beyond, PULL)):
        assert states(law(deadband_N=0.5, minimum_dwell_ms=0.0), [error]) == [state]


def test_it_switches_off_only_when_the_error_has_come_back_by_the_hysteresis() -> None:
    bang = law(deadband_N=0.75, hysteresis_N=0.5, minimum_dwell_ms=0.0)
    assert states(bang, [0.7, 0.8, 0.3, 0.25, 0.24, 0.6]) == [REST_STATE, PUSH, PUSH, PUSH, REST_STATE, REST_STATE]
    bang = law(deadband_N=0.75, hysteresis_N=0.5, minimum_dwell_ms=0.0)
    assert states(bang, [-0.7, -0.8, -0.3, -0.25, -0.24, -0.6]) == [
        REST_STATE,
        PULL,
        PULL,
        PULL,
        REST_STATE,
        REST_STATE,
    ]


def test_without_hysteresis_it_switches_off_where_it_switches_on() -> None:
    bang = law(deadband_N=0.5, hysteresis_N=0.0, minimum_dwell_ms=0.0)
    assert states(bang, [0.6, 0.5, 0.49]) == [PUSH, PUSH, REST_STATE]


def test_a_leap_across_both_deadbands_changes_channels_in_one_tick() -> None:
    bang = law(deadband_N=0.5, hysteresis_N=0.3, minimum_dwell_ms=0.0)
    assert states(bang, [2.0, -2.0, 2.0]) == [PUSH, PULL, PUSH]


@given(st.lists(st.floats(-2.0, 2.0).filter(lambda error: abs(error) != 0.5), min_size=2, max_size=60))
def test_with_hysteresis_of_two_deadbands_it_never_rests_again_once_on(errors_N: list[float]) -> None:
    seen = states(law(deadband_N=0.5, hysteresis_N=1.0, minimum_dwell_ms=0.0), errors_N)
    first = next((index for index, state in enumerate(seen) if state != REST_STATE), len(seen))
    assert REST_STATE not in seen[first:]


@given(st.lists(st.floats(-3.0, 3.0), min_size=2, max_size=120), st.floats(0.0, 500.0))
def test_two_changes_are_never_closer_than_the_dwell(errors_N: list[float], dwell_ms: float) -> None:
    seen = states(law(minimum_dwell_ms=dwell_ms), errors_N)
    changes_us = [(index + 1) * TICK_US for index, (one, other) in enumerate(pairwise(seen)) if one != other]
    if seen[0] != REST_STATE:
        changes_us.insert(0, 0)
    assert all(later - earlier >= dwell_ms * 1000.0 - 0.5 for earlier, later in pairwise(changes_us))


def test_a_change_that_was_due_happens_at_the_first_tick_after_the_dwell() -> None:
    assert states(law(minimum_dwell_ms=50.0), [1.0, 0.0, 0.0, 0.0]) == [PUSH, PUSH, PUSH, REST_STATE]
    assert states(law(minimum_dwell_ms=40.0), [1.0, 0.0, 0.0, 0.0]) == [PUSH, PUSH, REST_STATE, REST_STATE]


def test_the_first_change_of_a_trial_is_free() -> None:
    assert states(law(minimum_dwell_ms=10_000.0), [1.0]) == [PUSH]


@pytest.mark.parametrize("estimate_N", [math.nan, math.inf, -math.inf])
def test_a_missing_estimate_rests_at_once_even_within_the_dwell_and_the_dwell_starts_anew(estimate_N: float) -> None:
    bang = law(minimum_dwell_ms=60.0)
    assert state_of(bang.decide(observe(3.0, 1.0, 0))) == PUSH
    assert state_of(bang.decide(observe(3.0, estimate_N, 20_000))) == REST_STATE
    assert state_of(bang.decide(observe(3.0, 1.0, 60_000))) == REST_STATE
    assert state_of(bang.decide(observe(3.0, 1.0, 80_000))) == PUSH


def test_a_share_lies_between_motor_threshold_and_ceiling() -> None:
    for share, current_mA in ((0.0, 6.0), (0.25, 8.0), (1.0, 14.0)):
        demand = law(agonist={"share": share}).decide(observe(5.0, 0.0))
        assert demand.agonist == Stimulus(current_mA, 200.0, 35.0)


def test_a_level_in_mA_is_asked_as_it_is_and_cut_at_the_ceiling() -> None:
    assert law(antagonist={"current_mA": 7.5}).decide(observe(0.0, 5.0)).antagonist == Stimulus(7.5, 250.0, 30.0)
    assert law(antagonist={"current_mA": 75}).decide(observe(0.0, 5.0)).antagonist == Stimulus(12.0, 250.0, 30.0)


def test_a_level_in_width_keeps_the_set_current() -> None:
    bang = law(acts_on="width", set_current_mA=10.0, agonist={"width_us": 120.0})
    assert bang.decide(observe(5.0, 0.0)).agonist == Stimulus(10.0, 120.0, 35.0)


def test_a_share_on_width_has_the_charge_of_that_share() -> None:
    demand = law(acts_on="width", agonist={"share": 0.5}).decide(observe(5.0, 0.0))
    assert demand.agonist.current_mA == AGONIST.ceiling_mA
    assert charge_nC(demand.agonist) == pytest.approx(10.0 * 200.0)


levels = st.one_of(
    st.fixed_dictionaries({"share": st.floats(0.0, 1.0)}), st.fixed_dictionaries({"current_mA": st.floats(0.0, 80.0)})
)
width_levels = st.one_of(
    st.fixed_dictionaries({"share": st.floats(0.0, 1.0)}), st.fixed_dictionaries({"width_us": st.floats(0.0, 5000.0)})
)
any_settings = st.one_of(
    st.fixed_dictionaries({"agonist": levels, "antagonist": levels}, optional={"width_us": st.floats(1.0, 2000.0)}),
    st.fixed_dictionaries(
        {"acts_on": st.just("width"), "agonist": width_levels, "antagonist": width_levels},
        optional={"set_current_mA": st.floats(0.01, 80.0), "chronaxie_us": st.floats(10.0, 1000.0)},
    ),
).map(BangBangSettings.model_validate)


@given(any_settings, calibrations, st.lists(st.floats(), max_size=20))
def test_it_never_asks_above_the_ceiling(
    settings: BangBangSettings, calibration: Calibration, estimates_N: list[float]
) -> None:
    bang = BangBang(settings, calibration)
    for index, estimate_N in enumerate(estimates_N):
        assert within_ceiling(bang.decide(observe(4.0, estimate_N, index * TICK_US)), calibration)


@given(any_settings, calibrations, st.lists(st.floats(-3.0, 3.0), max_size=60))
def test_the_step_and_the_class_decide_alike(
    settings: BangBangSettings, calibration: Calibration, errors_N: list[float]
) -> None:
    bang = BangBang(settings, calibration)
    params, memory = params_from(settings, calibration), START
    for index, error_N in enumerate(errors_N):
        observation = observe(3.0, 3.0 - error_N, index * TICK_US)
        demand, memory = decide(params, memory, observation)
        assert demand == bang.decide(observation)


@given(any_settings, calibrations)
def test_parameters_and_memory_come_back_unchanged_from_their_flat_arrays(
    settings: BangBangSettings, calibration: Calibration
) -> None:
    params = params_from(settings, calibration)
    flat = flat_floats(params)
    assert flat.shape == (PARAMS_SIZE,)
    assert unpack_params(flat) == params
    assert flat_integers(START).shape == (MEMORY_SIZE,)


def test_two_laws_of_one_class_share_no_memory() -> None:
    one, other = law(minimum_dwell_ms=10_000.0), law(minimum_dwell_ms=10_000.0)
    assert state_of(one.decide(observe(3.0, 1.0))) == PUSH
    assert state_of(other.decide(observe(3.0, 5.0))) == PULL


@pytest.mark.parametrize(
    "table",
    [
        {"deadband_N": 0.5, "hysteresis_N": 1.01},
        {"agonist": {"share": 0.5, "current_mA": 8.0}},
        {"agonist": {"width_us": 100.0}},
        {"acts_on": "width", "antagonist": {"current_mA": 8.0}},
        {"agonist": {"share": 1.2}},
        {"minimum_dwell_ms": -1.0},
    ],
)
def test_settings_that_contradict_themselves_are_refused(table: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        BangBangSettings.model_validate(table)
