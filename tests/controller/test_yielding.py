"""The yielding law."""

from __future__ import annotations

import math
from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.controller.wearers_and_observations import CALIBRATION, calibrations, is_rest, observe, within_ceiling
from thenar.controller.law import AT_REST
from thenar.controller.proportional import Proportional, ProportionalSettings
from thenar.controller.yielding import (
    MEMORY_SIZE,
    PARAMS_SIZE,
    START,
    Memory,
    Yielding,
    YieldingSettings,
    decide,
    params_from,
    unpack_params,
)
from thenar.shared.compiled import flat_floats
from thenar.shared.signals import Calibration, Demand

TICK_MS = 25
AGE_US = 110_000
TARGET_N = 20.0
any_settings = st.builds(
    YieldingSettings,
    deadband_N=st.floats(0.0, 3.0),
    gain_mA_per_N=st.floats(0.0, 50.0),
    rate_tau_ms=st.floats(0.001, 2000.0),
    yield_above_N_per_s=st.floats(1.0, 10.0),
    resume_below_N_per_s=st.floats(0.0, 1.0),
)


def demands(estimates_N: Iterable[float], target_N: float = TARGET_N, **table: object) -> list[Demand]:
    """What the law asks while a new estimate comes every 25 ms, each 110 ms old."""
    law = Yielding(YieldingSettings.model_validate(table), CALIBRATION)
    return [
        law.decide(observe(target_N, estimate_N, 1_000_000 + 1000 * TICK_MS * tick)._replace(estimate_age_us=AGE_US))
        for tick, estimate_N in enumerate(estimates_N)
    ]


def ramp(start_N: float, rate_N_per_s: float, ticks: int) -> list[float]:
    """Estimates that move at one rate."""
    return [start_N + rate_N_per_s * 0.001 * TICK_MS * tick for tick in range(ticks)]


def resting(asked: list[Demand]) -> list[bool]:
    """At which ticks nothing is asked."""
    return [demand == AT_REST for demand in asked]


@pytest.mark.parametrize(("start_N", "sign"), [(5.0, 1.0), (35.0, -1.0)])
def test_it_lets_go_while_the_force_moves_to_the_target_and_comes_back_when_that_stalls(
    start_N: float, sign: float
) -> None:
    moving = ramp(start_N, sign * 4.0, 60)
    rests = resting(demands(moving + [moving[-1]] * 60))
    # Smoothed over 300 ms, a ramp of 4 N/s passes 3 N/s after ln 4 * 300 = 416 ms and, stalled, falls to 0.5 N/s from
    # 4 N/s after ln 8 * 300 = 624 ms (to the step of 25 ms of the filter).
    first, back = rests.index(True), 59 + rests[60:].index(False) + 1
    assert TICK_MS * first == pytest.approx(416, abs=40)
    assert TICK_MS * (back - 59) == pytest.approx(624, abs=60)
    assert all(rests[first:back])
    assert not any(rests[:first])
    assert not any(rests[back:])


def test_it_pushes_on_while_the_force_moves_the_wrong_way() -> None:
    assert not any(resting(demands(ramp(15.0, -4.0, 60))))


def test_once_past_the_target_it_pushes_back_at_once() -> None:
    asked = demands(ramp(15.0, 4.0, 100))
    over = [tick for tick, estimate_N in enumerate(ramp(15.0, 4.0, 100)) if estimate_N > TARGET_N + 0.5 + 1e-9]
    assert asked[over[0] - 1] == AT_REST
    assert all(is_rest(asked[tick].agonist) and not is_rest(asked[tick].antagonist) for tick in over)


def test_a_rate_between_the_two_bounds_lets_go_only_after_a_faster_one() -> None:
    assert not any(resting(demands(ramp(5.0, 1.5, 200))))
    fast = ramp(2.0, 4.0, 60)
    assert all(resting(demands(fast + ramp(fast[-1], 1.5, 120)[1:]))[60:])


def test_a_still_estimate_gives_the_proportional_law() -> None:
    plain = Proportional(ProportionalSettings(), CALIBRATION)
    for estimate_N in (3.0, 12.0, 19.7, 31.0):
        assert demands([estimate_N] * 5) == [plain.decide(observe(TARGET_N, estimate_N))] * 5


def test_an_estimate_that_is_not_renewed_says_nothing_of_a_movement() -> None:
    law = Yielding(YieldingSettings(), CALIBRATION)
    moving = ramp(5.0, 4.0, 40)
    last_us = 1_000_000 + 1000 * TICK_MS * 39
    for tick, estimate_N in enumerate(moving):
        asked = law.decide(observe(TARGET_N, estimate_N, 1_000_000 + 1000 * TICK_MS * tick))
    assert asked == AT_REST
    for late_us in (100_000, 300_000):  # the same sample, ever older
        assert law.decide(observe(TARGET_N, moving[-1], last_us + late_us)._replace(estimate_age_us=late_us)) == AT_REST
    old = observe(TARGET_N, moving[-1], last_us + 300_001)._replace(estimate_age_us=300_001)
    assert law.decide(old) != AT_REST


@pytest.mark.parametrize("estimate_N", [math.nan, math.inf, -math.inf])
def test_without_a_usable_estimate_it_rests_and_forgets_the_rate(estimate_N: float) -> None:
    asked = demands([*ramp(5.0, 4.0, 40), estimate_N, 9.0])
    assert asked[-3] == AT_REST
    assert asked[-2] == AT_REST
    assert asked[-1] != AT_REST


@given(st.lists(st.tuples(st.floats(), st.floats(), st.integers(-1, 2**62)), max_size=8))
def test_any_numbers_at_all_give_a_demand_within_the_ceiling(rows: list[tuple[float, float, int]]) -> None:
    law = Yielding(YieldingSettings(gain_fraction_per_N=0.3), CALIBRATION)
    for tick, (target_N, estimate_N, age_us) in enumerate(rows):
        observation = observe(target_N, estimate_N, 20_000 * tick)._replace(estimate_age_us=age_us)
        assert within_ceiling(law.decide(observation), CALIBRATION)
        assert all(math.isfinite(number) for number in law.memory)


@given(any_settings, calibrations, st.lists(st.tuples(st.floats(-5.0, 60.0), st.integers(0, 300_000)), max_size=12))
def test_the_step_and_the_class_decide_alike_and_never_ask_more_than_the_proportional_law(
    settings: YieldingSettings, calibration: Calibration, rows: list[tuple[float, int]]
) -> None:
    table = settings.model_dump(include=set(ProportionalSettings.model_fields), exclude={"gain_fraction_per_N"})
    plain = Proportional(ProportionalSettings.model_validate(table), calibration)
    law, params, memory = Yielding(settings, calibration), params_from(settings, calibration), START
    for tick, (estimate_N, age_us) in enumerate(rows):
        observation = observe(9.0, estimate_N, 20_000 * tick)._replace(estimate_age_us=age_us)
        asked, memory = decide(params, memory, observation)
        assert law.decide(observation) == asked
        assert Memory(*law.memory.tolist()) == memory
        assert asked in (AT_REST, plain.decide(observation))
    assert len(START) == MEMORY_SIZE
    flat = flat_floats(params)
    assert flat.shape == (PARAMS_SIZE,)
    assert unpack_params(flat) == params


def test_a_resumption_above_the_yielding_is_refused() -> None:
    with pytest.raises(ValidationError, match="at most yield_above_N_per_s"):
        YieldingSettings(resume_below_N_per_s=3.5)
