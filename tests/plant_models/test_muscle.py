"""One stimulated muscle, whatever the pulses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.plant_models.body_runs import Twitch, muscle_at, train_us, twitch_of
from thenar.plant_models.muscle import (
    LEAST_SHARE,
    MuscleState,
    is_quiet,
    muscle_params,
    recovered,
    rested,
    struck,
)
from thenar.plant_models.settings import Muscle

TIRELESS = muscle_params(Muscle(fatigue_share=0.0))
TIRING = muscle_params(Muscle(fatigue_share=3.0))

trains = st.lists(st.tuples(st.integers(2_000, 300_000), st.floats(0.01, 1.0)), min_size=1, max_size=40)
"""Gaps before each pulse in us, with the share it fires."""


def at_times(train: list[tuple[int, float]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pulse times (us), shares, and times to look at (us): every 7 ms until half a second after the last pulse."""
    pulses_us = np.cumsum([gap_us for gap_us, _ in train])
    return pulses_us, np.array([share for _, share in train]), np.arange(0, pulses_us[-1] + 500_000, 7_000)


@given(trains)
def test_the_same_pulses_always_make_the_same_states(train: list[tuple[int, float]]) -> None:
    pulses_us, shares, look_us = at_times(train)
    here, again = (muscle_at(TIRING, pulses_us, look_us, shares) for _ in range(2))
    for first, second in zip(here, again, strict=True):
        assert np.array_equal(first, second)


@given(trains)
def test_force_lies_between_zero_and_what_all_fibres_would_make(train: list[tuple[int, float]]) -> None:
    pulses_us, shares, look_us = at_times(train)
    seen = muscle_at(TIRING, pulses_us, look_us, shares)
    ceiling_N = TIRING.A_rest * (seen.tau1_ms.max() + TIRING.tau2_ms)
    assert np.all(seen.force_N >= 0.0)
    assert np.all(seen.force_N <= seen.full_N * (1.0 + 1e-12))
    assert np.all(seen.full_N < ceiling_N)
    assert seen.force_N.max() > 0.0


@given(trains, st.floats(0.15, 0.95))
def test_pulses_that_fire_less_make_less_force_in_proportion(train: list[tuple[int, float]], part: float) -> None:
    pulses_us, shares, look_us = at_times(train)
    whole, less = (muscle_at(TIRELESS, pulses_us, look_us, share).force_N for share in (shares, part * shares))
    np.testing.assert_allclose(less, part * whole, rtol=1e-9, atol=1e-12)


@given(trains, st.data())
def test_raising_any_shares_never_lowers_force(train: list[tuple[int, float]], data: st.DataObject) -> None:
    pulses_us, shares, look_us = at_times(train)
    raised = np.array([data.draw(st.floats(share, 1.0)) for share in shares])
    low, high = (muscle_at(TIRELESS, pulses_us, look_us, share).force_N for share in (shares, raised))
    assert np.all(high >= low - 1e-12)


@given(trains)
@settings(max_examples=50)
def test_looking_more_often_changes_force_by_less_than_the_integration_error(train: list[tuple[int, float]]) -> None:
    # The bar against the reference integrator. Measured over 6000 such trains: at most 9.7e-5 of peak.
    pulses_us, shares, look_us = at_times(train)
    seldom = muscle_at(TIRING, pulses_us, look_us, shares).force_N
    often_us = np.union1d(look_us, np.arange(0, look_us[-1], 1_000))
    often = muscle_at(TIRING, pulses_us, often_us, shares).force_N[np.searchsorted(often_us, look_us)]
    assert np.max(np.abs(often - seldom)) < 2e-4 * seldom.max()


@given(trains)
def test_a_muscle_without_fatigue_keeps_its_rested_constants(train: list[tuple[int, float]]) -> None:
    pulses_us, shares, look_us = at_times(train)
    seen = muscle_at(TIRELESS, pulses_us, look_us, shares)
    for column, rest in zip(seen[6:9], (TIRELESS.A_rest, TIRELESS.km_rest, TIRELESS.tau1_rest_ms), strict=True):
        np.testing.assert_allclose(column, rest, rtol=1e-12)


def test_a_rested_muscle_stays_exactly_as_it_is() -> None:
    seen = muscle_at(TIRING, [], [1_000_000, 60_000_000])
    rest = rested(TIRING)
    for column, value in zip(seen[:9], rest[:9], strict=True):
        assert np.all(column == value)


def test_a_pulse_right_after_another_makes_more_than_twice_the_twitch() -> None:
    # The second pulse of a doublet is enhanced by R = 1 + (R0 - 1) exp(-gap / tau_c).
    look_us = np.arange(0, 500_000, 1_000)
    single, doublet = (muscle_at(TIRELESS, pulses, look_us).calcium.max() for pulses in ([0], [0, 5_000]))
    assert doublet > 1.5 * single
    first = struck(TIRELESS, rested(TIRELESS), 1.0)
    second = struck(TIRELESS, first._replace(since_pulse_ms=5.0), 1.0)
    assert first.surge == 1.0
    assert second.surge - 1.0 == pytest.approx(1.0 + 0.143 * np.exp(-5.0 / TIRELESS.tau_c_ms), rel=1e-12)


def test_twitches_of_the_fixed_model_are_not_enhanced_and_simply_add() -> None:
    fixed = muscle_params(Muscle(model="twitch"))
    look_us = np.arange(0, 900_000, 1_000)
    alone = muscle_at(fixed, [0], look_us).force_N
    both = muscle_at(fixed, [0, 30_000], look_us).force_N
    expected = alone.copy()
    expected[30:] += alone[:-30]
    np.testing.assert_allclose(both, expected, rtol=1e-9, atol=1e-12)


@given(st.floats(0.0, 1e6), st.floats(0.0, 1e6))
def test_rest_in_two_parts_is_the_same_rest(first_ms: float, second_ms: float) -> None:
    tired = rested(TIRING)._replace(A=0.4 * TIRING.A_rest, km=0.6, tau1_ms=120.0, since_pulse_ms=400.0)
    whole = recovered(TIRING, tired, first_ms + second_ms)
    parts = recovered(TIRING, recovered(TIRING, tired, first_ms), second_ms)
    assert parts == pytest.approx(whole, rel=1e-12)


def test_a_muscle_becomes_quiet_and_then_recovers_in_one_exact_stride() -> None:
    # Soon after a train it is integrated; 4 s later nothing is left of it but fatigue.
    pulses_us = train_us(40.0, 10.0)
    seen = muscle_at(TIRING, pulses_us, [10_050_000, 14_000_000, 3_614_000_000])
    tail, quiet, late = (MuscleState(*(float(column[i]) for column in seen)) for i in range(3))
    assert not is_quiet(tail)
    assert is_quiet(quiet)
    assert late[6:9] == pytest.approx(recovered(TIRING, quiet, 3_600_000.0)[6:9], rel=1e-12)
    assert abs(quiet.A / TIRING.A_rest - 1.0) > 0.1
    assert late.A / TIRING.A_rest == pytest.approx(1.0, rel=1e-9)


def test_a_slower_muscle_has_a_slower_twitch_in_proportion() -> None:
    def twitch(scale: float) -> Twitch:
        return twitch_of(muscle_params(Muscle(time_scale=scale, fatigue_share=0.0)))

    slow, quick = twitch(1.2), twitch(0.6)
    assert slow.contraction_ms / quick.contraction_ms == pytest.approx(2.0, rel=0.01)
    assert slow.half_relaxation_ms / quick.half_relaxation_ms == pytest.approx(2.0, rel=0.01)


@given(st.floats(0.0, LEAST_SHARE, exclude_max=True))
def test_pulses_that_move_nothing_tire_nothing(share: float) -> None:
    seen = muscle_at(TIRING, train_us(40.0, 5.0), [5_000_000], share)
    for column, rest in zip(seen[:9], rested(TIRING)[:9], strict=True):
        assert column[0] == rest


def test_fibres_that_fire_tire_however_few_they_are() -> None:
    # The muscle is one pool: exact for a steady current, pessimistic when the current later rises.
    few, all_of_them = (muscle_at(TIRING, train_us(40.0, 5.0), [5_000_000], share) for share in (LEAST_SHARE, 1.0))
    assert few.A[0] == all_of_them.A[0] < 0.95 * TIRING.A_rest
    assert few.force_N[0] == pytest.approx(LEAST_SHARE * all_of_them.force_N[0], rel=1e-9)


def test_a_step_leaves_what_it_was_given_alone() -> None:
    state = rested(TIRING)
    kept = tuple(state)
    struck(TIRING, state, 0.7)
    recovered(TIRING, state, 100.0)
    assert tuple(state) == kept
