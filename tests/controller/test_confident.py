"""The confident law."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.controller.wearers_and_observations import CALIBRATION, calibrations, is_rest, observe, within_ceiling
from thenar.controller.confident import (
    PARAMS_SIZE,
    START,
    Confident,
    ConfidentSettings,
    confidence,
    decide,
    params_from,
    unpack_params,
)
from thenar.controller.law import AT_REST
from thenar.controller.proportional import Proportional, ProportionalSettings
from thenar.shared.compiled import flat_floats
from thenar.shared.signals import Calibration, Demand, Observation

forces_N = st.floats(-5.0, 60.0)
any_settings = st.builds(
    ConfidentSettings,
    deadband_N=st.floats(0.0, 3.0),
    gain_mA_per_N=st.floats(0.0, 50.0),
    tolerance_N=st.floats(0.001, 10.0),
    fresh_ms=st.floats(0.0, 300.0),
    stale_ms=st.floats(300.001, 600.0),
    least_confidence=st.floats(0.0, 1.0),
)


def seen(estimate_N: float, sd_N: float = 0.0, age_ms: float = 0.0) -> Observation:
    """An observation at a target of 9 N."""
    return observe(9.0, estimate_N)._replace(stated_sd_N=sd_N, estimate_age_us=round(1000.0 * age_ms))


def asked(observation: Observation, **table: object) -> Demand:
    """The demand of the ordinary calibration."""
    return Confident(ConfidentSettings.model_validate(table), CALIBRATION).decide(observation)


def trusted(sd_N: float, age_ms: float, **table: object) -> float:
    """Confidence in such an estimate."""
    return confidence(params_from(ConfidentSettings.model_validate(table), CALIBRATION), 1000.0 * age_ms, sd_N)


def test_an_sd_of_the_tolerance_halves_the_push_and_one_of_twice_that_leaves_a_fifth() -> None:
    assert trusted(0.5, 0.0) == 0.5
    assert trusted(1.0, 0.0) == pytest.approx(0.2, rel=1e-15)
    sure, unsure = asked(seen(4.0)), asked(seen(4.0, 0.5))
    beyond = [demand.agonist.current_mA - CALIBRATION.agonist.motor_mA for demand in (sure, unsure)]
    assert beyond == pytest.approx([0.45, 0.225])


def test_an_estimate_counts_less_from_fresh_to_stale_and_then_not_at_all() -> None:
    assert [trusted(0.0, age) for age in (0.0, 200.0, 300.0, 350.0, 400.0, 900.0)] == [1.0, 1.0, 0.5, 0.25, 0.0, 0.0]
    assert asked(seen(4.0, age_ms=400.0)) == AT_REST


def test_below_the_least_confidence_it_rests() -> None:
    just, below = asked(seen(4.0, 0.5), least_confidence=0.5), asked(seen(4.0, 0.51), least_confidence=0.5)
    assert not is_rest(just.agonist)
    assert below == AT_REST


@given(any_settings, calibrations, forces_N, st.floats(0.0, 5.0), st.floats(0.0, 700.0))
def test_it_never_asks_more_than_the_proportional_law_nor_for_another_channel(
    settings: ConfidentSettings, calibration: Calibration, estimate_N: float, sd_N: float, age_ms: float
) -> None:
    table = settings.model_dump(include=set(ProportionalSettings.model_fields), exclude={"gain_fraction_per_N"})
    plain = Proportional(ProportionalSettings.model_validate(table), calibration)
    own = Confident(settings, calibration)
    ours, theirs = own.decide(seen(estimate_N, sd_N, age_ms)), plain.decide(seen(estimate_N))
    assert within_ceiling(ours, calibration)
    for mine, full in zip(ours, theirs, strict=True):
        assert mine.current_mA <= full.current_mA
        assert is_rest(mine) or mine[1:] == full[1:]


@given(any_settings, calibrations, forces_N)
def test_a_sure_and_fresh_estimate_gives_the_proportional_law_exactly(
    settings: ConfidentSettings, calibration: Calibration, estimate_N: float
) -> None:
    table = settings.model_dump(include=set(ProportionalSettings.model_fields), exclude={"gain_fraction_per_N"})
    plain = Proportional(ProportionalSettings.model_validate(table), calibration)
    assert Confident(settings, calibration).decide(seen(estimate_N)) == plain.decide(seen(estimate_N))


@pytest.mark.parametrize("sd_N", [math.nan, math.inf, -0.1])
def test_an_sd_that_is_none_counts_for_nothing(sd_N: float) -> None:
    assert trusted(sd_N, 0.0) == 0.0
    assert asked(seen(4.0, sd_N)) == AT_REST


@given(st.floats(), st.floats(), st.floats(), st.integers(-1, 2**62))
def test_any_numbers_at_all_give_a_demand_within_the_ceiling(
    target_N: float, estimate_N: float, sd_N: float, age_us: int
) -> None:
    observation = observe(target_N, estimate_N)._replace(stated_sd_N=sd_N, estimate_age_us=age_us)
    assert within_ceiling(asked(observation, gain_fraction_per_N=0.3), CALIBRATION)


@given(any_settings, calibrations, forces_N, st.floats(0.0, 5.0), st.floats(0.0, 700.0))
def test_the_step_and_the_class_decide_alike(
    settings: ConfidentSettings, calibration: Calibration, estimate_N: float, sd_N: float, age_ms: float
) -> None:
    params, observation = params_from(settings, calibration), seen(estimate_N, sd_N, age_ms)
    assert decide(params, START, observation) == (Confident(settings, calibration).decide(observation), START)
    flat = flat_floats(params)
    assert flat.shape == (PARAMS_SIZE,)
    assert unpack_params(flat) == params


def test_an_estimate_that_is_stale_before_it_is_old_is_refused() -> None:
    with pytest.raises(ValidationError, match="fresh_ms must be below stale_ms"):
        ConfidentSettings(fresh_ms=400.0)
