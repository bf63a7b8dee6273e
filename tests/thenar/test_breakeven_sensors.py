"""Sensors that err by a chosen size: what they read, that a scenario could state them, and how much they err."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thenar.plant_models.estimator import bias_knots, biased_N
from thenar.plant_models.settings import Estimator
from thenar.study.breakeven_sensors import (
    KINDS,
    errs,
    mean_abs_error_N,
    most_factor,
    perfect,
    scaled,
    sizes_to_try,
    with_error,
)

FLATTENING = Estimator(
    true_N=(0.0, 5.0, 8.0, 12.0, 20.0), reads_N=(0.0, 5.0, 6.8, 7.6, 8.0), drift_N_per_sqrt_min=0.5, jumps_per_min=1.0
)
FORCES = np.array([3.0, 6.0, 9.0])


def error_N(sensor: Estimator, force_N: float) -> float:
    """Mean absolute error at one force."""
    return float(mean_abs_error_N(sensor, np.array([force_N]), 7)[0])


@given(st.sampled_from(KINDS), st.floats(0.0, 1.0), st.floats(1.0, 20.0), st.sampled_from([Estimator(), FLATTENING]))
def test_every_sensor_that_is_tried_could_be_stated_in_a_scenario(
    kind: str, share: float, level_N: float, sensor: Estimator
) -> None:
    sizes = sizes_to_try(sensor, kind, level_N)
    assert sizes[0] == 0.0
    assert sizes == sorted(set(sizes))
    tried = with_error(sensor, kind, share * sizes[-1])
    assert Estimator.model_validate(tried.model_dump()) == tried


def test_bias_alone_shifts_every_reading_and_nothing_reads_below_zero() -> None:
    low, high = (bias_knots(with_error(FLATTENING, kind, 1.5)) for kind in ("bias-under", "bias-over"))
    for force in (0.0, 0.7, 1.5, 4.0, 60.0):
        assert biased_N(low, force) == pytest.approx(max(0.0, force - 1.5))
        assert biased_N(high, force) == pytest.approx(force + 1.5)


def test_one_error_alone_leaves_the_sensor_perfect_otherwise() -> None:
    assert error_N(perfect(FLATTENING), 9.0) == 0.0
    lag = with_error(FLATTENING, "lag", 240.0)
    assert lag == perfect(FLATTENING).model_copy(update={"latency_ms": 240.0})
    assert with_error(FLATTENING, "noise", 0.0) == perfect(FLATTENING)


def test_a_factor_of_one_is_the_sensor_itself_and_of_zero_the_truth() -> None:
    assert scaled(FLATTENING, 1.0) == FLATTENING
    none = scaled(FLATTENING, 0.0)
    assert none.reads_N == none.true_N
    assert (none.noise_floor_N, none.noise_share, none.latency_ms, none.latency_jitter_ms) == (0.0, 0.0, 0.0, 0.0)
    assert scaled(FLATTENING, 3.0, late=False).latency_ms == FLATTENING.latency_ms


def test_a_factor_beyond_what_a_scenario_may_state_is_refused() -> None:
    assert most_factor(Estimator()) == pytest.approx(2000.0 / 110.0)
    with pytest.raises(ValueError, match="a factor from 0"):
        scaled(Estimator(), 20.0)


def test_a_perfect_sensor_has_no_errors_to_scale_and_a_late_one_only_its_latency() -> None:
    late = perfect(Estimator()).model_copy(update={"latency_ms": 80.0})
    assert not errs(perfect(Estimator()))
    assert errs(late)
    assert not errs(late, late=False)


def test_the_mean_absolute_error_of_bias_is_the_bias_and_that_of_noise_the_half_normal_mean() -> None:
    """SD times root of 2/pi; 320 s of noise with a correlation of 0.12 s: within 5 % (3 SE, measured)."""
    assert error_N(with_error(FLATTENING, "bias-under", 1.25), 6.0) == pytest.approx(1.25)
    assert error_N(with_error(FLATTENING, "bias-over", 1.25), 6.0) == pytest.approx(1.25)
    assert error_N(with_error(FLATTENING, "noise", 0.8), 9.0) == pytest.approx(0.8 * math.sqrt(2 / math.pi), rel=0.05)
    assert error_N(with_error(FLATTENING, "lag", 500.0), 9.0) == 0.0


def test_a_flattening_curve_errs_more_the_higher_the_force() -> None:
    sensor = perfect(FLATTENING).model_copy(update={"true_N": FLATTENING.true_N, "reads_N": FLATTENING.reads_N})
    assert mean_abs_error_N(sensor, FORCES, 7) == pytest.approx([0.0, 0.4, 2.0])


def test_dropped_samples_count_for_nothing_and_stuck_ones_repeat_the_one_before() -> None:
    noisy = with_error(Estimator(), "noise", 0.5)
    dropping = noisy.model_copy(update={"dropouts_per_min": 120.0})
    sticking = noisy.model_copy(update={"stucks_per_min": 20.0})
    for sensor in (dropping, sticking):
        assert error_N(sensor, 9.0) == pytest.approx(error_N(noisy, 9.0), rel=0.3)
        assert error_N(sensor, 9.0) != error_N(noisy, 9.0)
    never = noisy.model_copy(update={"dropouts_per_min": 600.0, "dropout_ms": 60_000.0})
    assert error_N(never, 9.0) >= 0.0 or math.isnan(error_N(never, 9.0))
