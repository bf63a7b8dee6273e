"""The force estimator: what is drawn before a trial, and how a reading comes out of it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from thenar.plant_models.estimator import (
    DROPPED,
    FAR_N,
    FRESH,
    STUCK,
    EstimatorFault,
    ReadingPlan,
    bias_knots,
    biased_N,
    drawn_sensor,
    estimator_params,
    plan_readings,
    reading_N,
    stated_sd_N,
)
from thenar.plant_models.settings import Estimator

MINUTES = 20
LONG_US = MINUTES * 60_000_000
KEY = (5, 0, 0)

seeds = st.integers(0, 2**31)
timings = st.builds(
    Estimator,
    rate_Hz=st.floats(5.0, 200.0),
    jitter_ms=st.floats(0.0, 100.0),
    latency_ms=st.floats(0.0, 400.0),
    latency_jitter_ms=st.floats(0.0, 200.0),
)
curves = st.integers(2, 12).flatmap(
    lambda count: st.tuples(
        st.lists(st.floats(0.0, 150.0), min_size=count, max_size=count, unique=True).map(sorted),
        st.lists(st.floats(0.0, 150.0), min_size=count, max_size=count).map(sorted),
    )
)


def plan(seconds: float = 60.0, **settings: object) -> ReadingPlan:
    """The plan of one trial with these settings."""
    return plan_readings(Estimator(**settings), round(seconds * 1e6), *KEY)


def correlation(values: np.ndarray, lag: int) -> float:
    """Correlation of a series with itself `lag` samples later."""
    return float(np.corrcoef(values[:-lag], values[lag:])[0, 1])


@given(timings, seeds)
def test_samples_keep_their_order_their_period_and_their_bounds(settings: Estimator, seed: int) -> None:
    found = plan_readings(settings, 3_000_000, seed, 0, 0)
    gap_us = round(1e6 / settings.rate_Hz)
    late_us = found.sampled_us - np.arange(found.sampled_us.size) * gap_us
    assert found.sampled_us.size == 1 + 3_000_000 // gap_us
    assert late_us.min() >= 0
    assert late_us.max() <= min(round(1e3 * settings.jitter_ms), gap_us // 2)
    assert np.all(np.diff(found.sampled_us) > 0)
    latency_us = found.arrives_us - found.sampled_us
    assert latency_us.min() >= round(1e3 * settings.latency_ms)
    assert latency_us.max() <= round(1e3 * settings.latency_ms) + round(1e3 * settings.latency_jitter_ms)


def test_jitter_and_latency_spread_evenly_up_to_their_bounds() -> None:
    found = plan(600.0, rate_Hz=40.0, jitter_ms=8.0, latency_ms=110.0, latency_jitter_ms=20.0)
    late_us = found.sampled_us % 25_000
    extra_us = found.arrives_us - found.sampled_us - 110_000
    for values, most in ((late_us, 8_000), (extra_us, 20_000)):
        assert values.mean() == pytest.approx(most / 2, rel=0.03)
        assert values.std() == pytest.approx(most / np.sqrt(12.0), rel=0.03)


@given(timings, seeds)
def test_the_same_seed_makes_the_same_plan(settings: Estimator, seed: int) -> None:
    first, second = (plan_readings(settings, 2_000_000, seed, 3, 1) for _ in range(2))
    for one, other in zip(first, second, strict=True):
        assert np.array_equal(one, other)


def test_wearers_and_trials_meet_different_noise() -> None:
    plans = [plan_readings(Estimator(), 60_000_000, 5, *key).unit_noise for key in ((0, 0), (1, 0), (0, 1))]
    for place, one in enumerate(plans):
        for other in plans[place + 1 :]:
            assert abs(np.corrcoef(one, other)[0, 1]) < 0.15


def test_one_kind_of_trouble_never_shifts_the_others() -> None:
    calm = plan()
    troubled = plan(dropouts_per_min=30.0, stucks_per_min=10.0, jumps_per_min=4.0, drift_N_per_sqrt_min=1.0)
    for column in ("sampled_us", "arrives_us", "unit_noise"):
        assert np.array_equal(getattr(calm, column), getattr(troubled, column))
    some, more = plan(stucks_per_min=5.0), plan(stucks_per_min=5.0, dropouts_per_min=60.0)
    assert np.array_equal(more.mode[more.mode != DROPPED], some.mode[more.mode != DROPPED])
    assert calm.mode.max() == FRESH
    assert not calm.offset_N.any()
    assert np.all(calm.gain == 1.0)


@pytest.mark.parametrize("rate_Hz", [20.0, 40.0, 100.0])
@pytest.mark.parametrize("noise_tau_ms", [60.0, 120.0, 500.0])
def test_noise_has_unit_sd_and_the_stated_correlation_time_at_any_rate(rate_Hz: float, noise_tau_ms: float) -> None:
    found = plan_readings(Estimator(rate_Hz=rate_Hz, noise_tau_ms=noise_tau_ms), LONG_US, *KEY).unit_noise
    assert found.std() == pytest.approx(1.0, abs=0.06)
    assert abs(found.mean()) < 0.12
    for lag in (1, 3):
        expected = np.exp(-lag * 1e3 / rate_Hz / noise_tau_ms)
        assert correlation(found, lag) == pytest.approx(expected, abs=0.05)


@given(st.floats(0.0, 90.0), st.floats(0.0, 5.0), st.floats(0.0, 0.5), st.floats(-4.0, 4.0))
def test_the_sd_of_a_reading_grows_with_force_as_stated(force_N: float, floor_N: float, share: float, z: float) -> None:
    settings = Estimator(noise_floor_N=floor_N, noise_share=share, range_N=1000.0)
    params, knots = estimator_params(settings), bias_knots(settings)
    assert reading_N(params, knots, force_N, 0.0, 1.0, 0.0) == pytest.approx(force_N, abs=1e-9)
    expected_N = max(0.0, force_N + z * (floor_N + share * force_N))
    assert reading_N(params, knots, force_N, 0.0, 1.0, z) == pytest.approx(expected_N, abs=1e-9)
    assert stated_sd_N(params, force_N) == pytest.approx(floor_N + share * force_N, abs=1e-12)


@given(st.floats(0.0, 300.0), st.floats(-50.0, 50.0), st.floats(0.1, 3.0), st.floats(-5.0, 5.0))
def test_a_reading_never_leaves_its_range(force_N: float, offset_N: float, gain: float, z: float) -> None:
    settings = Estimator(range_N=60.0)
    assert 0.0 <= reading_N(estimator_params(settings), bias_knots(settings), force_N, offset_N, gain, z) <= 60.0


@given(curves, st.floats(0.0, 200.0), st.floats(0.0, 200.0), st.floats(0.0, 3.0))
def test_any_bias_curve_goes_through_its_knots_is_monotone_and_goes_straight_on(
    curve: tuple[list[float], list[float]], force_N: float, more_N: float, slope: float
) -> None:
    true_N, reads_N = curve
    knots = bias_knots(Estimator(true_N=tuple(true_N), reads_N=tuple(reads_N), beyond_slope=slope))
    for here, there in zip(true_N, reads_N, strict=True):
        assert biased_N(knots, here) == pytest.approx(there, abs=1e-9)
    assert biased_N(knots, force_N) <= biased_N(knots, force_N + more_N) + 1e-9
    first, last = (slope * (reads_N[at + 1] - reads_N[at]) / (true_N[at + 1] - true_N[at]) for at in (0, -2))
    far_N = true_N[-1] + more_N
    if far_N <= FAR_N:
        assert biased_N(knots, far_N) == pytest.approx(reads_N[-1] + last * more_N, rel=1e-9, abs=1e-9)
    if force_N <= true_N[0]:
        there = max(0.0, reads_N[0] - first * (true_N[0] - force_N))
        assert biased_N(knots, force_N) == pytest.approx(there, rel=1e-9, abs=1e-6)
    elif force_N <= true_N[-1]:
        assert biased_N(knots, force_N) == pytest.approx(np.interp(force_N, true_N, reads_N), abs=1e-9)


def test_each_wearer_meets_a_slope_of_their_own_beyond_a_curve_only_where_the_scenario_goes_on() -> None:
    sensor = Estimator(true_N=(0.0, 5.0), reads_N=(0.0, 5.0), known_N=(0.0, 5.0), beyond_slope_sd=0.3)
    assert drawn_sensor(sensor, 7, 0) is sensor
    going_on = sensor.model_copy(update={"beyond_known": "slope"})
    slopes = [drawn_sensor(going_on, 7, wearer).beyond_slope for wearer in range(2_000)]
    assert slopes[3] == drawn_sensor(going_on, 7, 3).beyond_slope
    assert np.mean(np.log(slopes)) == pytest.approx(0.0, abs=3 * 0.3 / math.sqrt(2_000))
    assert np.std(np.log(slopes)) == pytest.approx(0.3, rel=0.06)
    near, far = (
        np.std([biased_N(bias_knots(drawn_sensor(going_on, 7, wearer)), force_N) for wearer in range(200)])
        for force_N in (6.0, 12.0)
    )
    assert far == pytest.approx(7.0 * near, rel=1e-6)
    assert drawn_sensor(going_on.model_copy(update={"beyond_slope_sd": 0.0}), 7, 0).beyond_slope == 1.0


def test_a_curve_that_ends_flat_reads_the_same_for_every_high_force() -> None:
    settings = Estimator(
        true_N=(0.0, 7.0, 12.0, 20.0), reads_N=(0.0, 7.0, 8.5, 8.5), noise_floor_N=0.0, noise_share=0.0
    )
    readings = [
        reading_N(estimator_params(settings), bias_knots(settings), force_N, 0.0, 1.0, 0.0) for force_N in (9, 12, 40)
    ]
    assert readings == pytest.approx([7.6, 8.5, 8.5])


@pytest.mark.parametrize(
    "curve",
    [{"true_N": (0.0, 5.0, 5.0)}, {"reads_N": (0.0, 4.0, 3.0)}, {"true_N": (0.0, 1.0), "reads_N": (0.0, 1.0, 2.0)}],
)
def test_a_curve_that_is_not_one_is_refused(curve: dict[str, tuple[float, ...]]) -> None:
    with pytest.raises(ValidationError):
        Estimator(**{"true_N": (0.0, 5.0, 9.0), "reads_N": (0.0, 5.0, 9.0), **curve})


@pytest.mark.parametrize("kind", [DROPPED, STUCK])
def test_bursts_take_the_share_of_time_that_their_rate_and_length_make(kind: int) -> None:
    # Bursts begin at Poisson times and last exponentially: the busy share is 1 - exp(-rate * mean length).
    name = {DROPPED: "dropout", STUCK: "stuck"}[kind]
    settings = Estimator(**{f"{name}s_per_min": 12.0, f"{name}_ms": 1500.0})
    shares = [float(np.mean(plan_readings(settings, LONG_US, seed, 0, 0).mode == kind)) for seed in range(6)]
    assert np.mean(shares) == pytest.approx(1.0 - np.exp(-12.0 * 1.5 / 60.0), abs=0.02)


def test_bursts_come_in_runs_of_the_stated_length() -> None:
    found = plan_readings(Estimator(dropouts_per_min=2.0, dropout_ms=1500.0), LONG_US, *KEY)
    changes = np.diff((found.mode == DROPPED).astype(int), prepend=0, append=0)
    lengths_s = (np.flatnonzero(changes == -1) - np.flatnonzero(changes == 1)) / 40.0
    assert len(lengths_s) == pytest.approx(2.0 * MINUTES, abs=20)
    assert lengths_s.mean() == pytest.approx(1.5, abs=0.6)


def test_reseating_jumps_shift_offset_and_gain_from_then_on() -> None:
    ends = [
        plan_readings(Estimator(jumps_per_min=1.0, jump_offset_sd_N=2.0, jump_gain_sd=0.15), 600_000_000, seed, 0, 0)
        for seed in range(60)
    ]
    jumps = np.array([np.count_nonzero(np.diff(found.offset_N)) for found in ends])
    assert jumps.mean() == pytest.approx(10.0, abs=1.5)
    steps = np.concatenate([np.diff(found.offset_N)[np.diff(found.offset_N) != 0.0] for found in ends])
    assert steps.std() == pytest.approx(2.0, rel=0.1)
    gains = np.concatenate([(found.gain[1:] / found.gain[:-1])[np.diff(found.gain) != 0.0] for found in ends])
    assert gains.mean() == pytest.approx(1.0, abs=0.03)
    assert gains.std() == pytest.approx(0.15, rel=0.15)
    assert all(found.gain.min() > 0.0 for found in ends)


@pytest.mark.parametrize("rate_Hz", [10.0, 40.0])
def test_drift_walks_as_far_as_stated_in_a_minute_at_any_rate(rate_Hz: float) -> None:
    walks = [
        plan_readings(Estimator(rate_Hz=rate_Hz, drift_N_per_sqrt_min=1.5), 240_000_000, seed, 0, 0)
        for seed in range(120)
    ]
    one, four = (
        np.array([np.interp(at_us, found.sampled_us, found.offset_N) for found in walks]) for at_us in (60e6, 240e6)
    )
    assert one.std() == pytest.approx(1.5, rel=0.2)
    assert four.std() == pytest.approx(3.0, rel=0.2)


def test_scheduled_faults_lie_over_the_drawn_plan_and_touch_nothing_else() -> None:
    faults = (
        EstimatorFault("dropout", 1_000_000, 2_000_000, 0.0, 1.0),
        EstimatorFault("stuck", 3_000_000, 4_000_000, 0.0, 1.0),
        EstimatorFault("jump", 5_000_000, 5_000_000, -1.5, 1.2),
    )
    plain = plan_readings(Estimator(), 8_000_000, *KEY)
    hit = plan_readings(Estimator(), 8_000_000, *KEY, faults)
    at_us = plain.sampled_us
    assert np.array_equal(hit.mode == DROPPED, (at_us >= 1_000_000) & (at_us < 2_000_000))
    assert np.array_equal(hit.mode == STUCK, (at_us >= 3_000_000) & (at_us < 4_000_000))
    assert np.array_equal(hit.offset_N, np.where(at_us >= 5_000_000, -1.5, 0.0))
    assert np.array_equal(hit.gain, np.where(at_us >= 5_000_000, 1.2, 1.0))
    for column in ("sampled_us", "arrives_us", "unit_noise"):
        assert np.array_equal(getattr(plain, column), getattr(hit, column))


def test_scheduled_jumps_add_to_one_another_and_to_drawn_ones() -> None:
    jumps = tuple(EstimatorFault("jump", at_us, at_us, -1.5, 1.2) for at_us in (100_000_000, 300_000_000))
    settings = Estimator(jumps_per_min=0.5, drift_N_per_sqrt_min=0.5)
    plain = plan_readings(settings, 600_000_000, *KEY)
    hit = plan_readings(settings, 600_000_000, *KEY, jumps)
    assert plain.gain[-1] != 1.0
    assert hit.gain[-1] == pytest.approx(plain.gain[-1] * 1.44, rel=1e-12)
    assert hit.offset_N[-1] == pytest.approx(plain.offset_N[-1] - 3.0, rel=1e-12)


def test_a_boastful_sensor_states_less_than_its_true_uncertainty() -> None:
    boastful = estimator_params(Estimator(stated_over_true_sd=0.25))
    honest = estimator_params(Estimator())
    assert stated_sd_N(boastful, 8.0) == pytest.approx(0.25 * stated_sd_N(honest, 8.0))
