"""Measures of a trial against numbers worked out by hand. Definitions: thenar/report/metrics.py."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.thenar.made_trials import made_trial
from thenar.engine.measures import overshoot_after_reaching_N
from thenar.report.metrics import METRICS, reason_counts, target_rows
from thenar.safety.reasons import RULES


def test_errors_are_means_over_time_of_each_level() -> None:
    """Errors at 4 N: 1, 1, -3 N for equal times. Mean of sizes 5/3, mean of squares 11/3."""
    (row,) = target_rows(made_trial([4.0] * 3, [5.0, 5.0, 1.0]), moving=False)
    assert row.target == "4 N"
    assert row.value("mean_abs_error_N") == pytest.approx(5 / 3, rel=1e-12)
    assert row.value("rms_error_N") == pytest.approx(math.sqrt(11 / 3), rel=1e-12)
    assert row.time_s == pytest.approx(0.3)


def test_a_row_counts_by_the_time_until_the_next_one() -> None:
    """Rows at 0, 1 and 4 s of a 5 s trial stand for 1, 3 and 1 s; errors 1, 2, 4: mean (1 + 6 + 4) / 5."""
    even = made_trial([4.0] * 5, [5.0, 6.0, 6.0, 6.0, 8.0], step_us=1_000_000)
    uneven = {name: column[[0, 1, 4]] for name, column in even.trace.items()}
    (row,) = target_rows(replace(even, trace=uneven), moving=False)
    assert row.value("mean_abs_error_N") == pytest.approx(11 / 5, rel=1e-12)
    assert row.time_s == 5.0


def test_a_last_row_at_the_very_end_stands_for_no_time() -> None:
    trial = made_trial([4.0, 4.0, 9.0], [4.5, 4.5, 0.0])
    (row,) = target_rows(replace(trial, duration_us=200_000), moving=False)
    assert (row.target, row.value("mean_abs_error_N")) == ("4 N", 0.5)


def test_a_level_shown_twice_is_one_row_with_two_holds() -> None:
    rows = target_rows(made_trial([4.0, 7.0, 7.0, 4.0], [4.0, 6.0, 6.0, 2.0]), moving=False)
    assert [(row.target, row.holds) for row in rows] == [("4 N", 2), ("7 N", 1)]
    assert [row.value("mean_abs_error_N") for row in rows] == [1.0, 1.0]
    assert rows[0].time_s == pytest.approx(0.2)


def test_variation_is_that_of_the_second_half_of_a_short_hold() -> None:
    """Twelve wild rows, then 9, 10, 11 N four times over: SD 0.8528 over mean 10."""
    force = [0.0, 30.0] * 6 + [9.0, 10.0, 11.0] * 4
    (row,) = target_rows(made_trial([10.0] * 24, force), moving=False)
    assert row.value("cv_percent") == pytest.approx(10.0 * math.sqrt(8 / 11), rel=1e-12)


def test_a_hold_has_an_approach_and_a_steady_part_that_lasts_as_long_as_the_scenario_says() -> None:
    """Ten seconds at 10 N, the force 4 N off for 7 s, then rising by 0.1 N/s from 10.5 N for the last 3 s."""
    force = [6.0] * 70 + [10.5 + 0.01 * row for row in range(30)]
    made = made_trial([10.0] * 100, force)
    (row,) = target_rows(made, moving=False)
    assert row.value("approach_error_N") == pytest.approx(4.0)
    assert row.value("steady_error_N") == pytest.approx(0.5 + 0.01 * 29 / 2)
    assert row.value("drift_N_per_s") == pytest.approx(0.1)
    assert row.value("cv_percent") == pytest.approx(100.0 * np.std(force[70:], ddof=1) / np.mean(force[70:]))
    (longer,) = target_rows(replace(made, steady_us=4_000_000), moving=False)
    assert longer.value("steady_error_N") == pytest.approx((10 * 4.0 + 30 * (0.5 + 0.01 * 29 / 2)) / 40)
    (half,) = target_rows(replace(made, steady_us=9_000_000), moving=False)
    assert half.value("approach_error_N") == pytest.approx(4.0)
    assert half.value("steady_error_N") == pytest.approx((20 * 4.0 + 30 * (0.5 + 0.01 * 29 / 2)) / 50)


def test_a_hold_shorter_than_a_second_is_all_approach() -> None:
    (row,) = target_rows(made_trial([10.0] * 9, [8.0] * 9), moving=False)
    assert row.value("approach_error_N") == 2.0
    assert all(math.isnan(row.value(name)) for name in ("steady_error_N", "cv_percent", "drift_N_per_s"))


def test_variation_of_two_holds_is_averaged_by_their_steady_time() -> None:
    """Steady parts: 9, 10, 11 N and so on for 0.6 s, then 10 N for 0.9 s."""
    force = [5.0] * 6 + [9.0, 10.0, 11.0] * 2 + [20.0] * 5 + [10.0] * 18
    target = [10.0] * 12 + [20.0] * 5 + [10.0] * 18
    rows = target_rows(made_trial(target, force), moving=False)
    assert rows[0].value("cv_percent") == pytest.approx(10.0 * math.sqrt(4 / 5) * 6 / 15, rel=1e-12)


def test_rise_is_the_time_to_nine_tenths_of_the_way_up_or_down_and_a_way_within_the_band_is_none() -> None:
    """From 2 N to 12 N: 11 N after 0.4 s; down to 2 N from 12 N: 3 N after 0.3 s; 2.3 N is within the band of 2 N."""
    target = [12.0] * 10 + [2.0] * 10 + [12.0] * 10 + [2.0] * 10
    force = [2.0, 4.0, 8.0, 10.9, 11.0] + [12.0] * 5 + [12.0, 8.0, 3.1, 3.0] + [2.0] * 6 + [2.0] * 10 + [2.3] * 10
    low, high = target_rows(made_trial(target, force), moving=False)
    assert high.value("rise_s") == pytest.approx(0.4), "the second hold never rose"
    assert low.value("rise_s") == pytest.approx(0.3)


def test_the_band_is_ten_percent_but_never_less_than_half_a_newton() -> None:
    """At 4 N the band is 0.5 N, at 20 N it is 2 N; the edge belongs to it."""
    rows = target_rows(made_trial([4.0] * 4 + [20.0] * 4, [4.5, 4.51, 3.5, 3.4, 22.0, 22.1, 18.0, 17.9]), moving=False)
    assert [row.value("in_band_percent") for row in rows] == [50.0, 50.0]


def test_overshoot_is_counted_only_after_the_target_was_reached_from_below() -> None:
    rising = np.array([2.0, 5.0, 11.0, 12.5, 9.0])
    assert overshoot_after_reaching_N(rising, 0, 5, 10.0) == 2.5
    assert overshoot_after_reaching_N(rising, 0, 4, 12.5) == 0.0
    assert math.isnan(overshoot_after_reaching_N(rising, 0, 5, 20.0)), "never reached"
    falling = np.array([15.0, 11.0, 9.0, 10.5])
    assert math.isnan(overshoot_after_reaching_N(falling, 0, 4, 10.0)), "came from above"


def test_overshoot_of_a_level_is_the_largest_of_its_holds() -> None:
    target = [10.0, 10.0, 10.0, 5.0, 10.0, 10.0]
    (_, ten) = target_rows(made_trial(target, [5.0, 11.0, 9.0, 5.0, 8.0, 13.0]), moving=False)
    assert ten.value("overshoot_N") == 3.0


def test_settling_is_the_time_into_the_band_for_good_half_a_second() -> None:
    """In the band from 0.2 s but out at 0.5 s; in again from 0.6 s and staying: 0.6 s."""
    force = [0.0, 0.0, 10.0, 10.0, 10.0, 0.0] + [10.0] * 5
    (row,) = target_rows(made_trial([10.0] * 11, force), moving=False)
    assert row.value("settling_s") == pytest.approx(0.6)
    assert (row.holds, row.settled_holds) == (1, 1)


def test_a_hold_that_ends_before_half_a_second_in_the_band_never_settled() -> None:
    (row,) = target_rows(made_trial([10.0] * 10, [0.0] * 6 + [10.0] * 4), moving=False)
    assert math.isnan(row.value("settling_s"))
    assert (row.holds, row.settled_holds) == (1, 0)


def test_settling_is_averaged_over_the_holds_that_settled() -> None:
    """Ten newtons three times: settled after 0.1 s, after 0.3 s, and never."""
    fast, slow, never = [0.0] + [10.0] * 9, [0.0] * 3 + [10.0] * 7, [0.0] * 10
    target = ([10.0] * 10 + [2.0] * 10) * 3
    rest = [2.0] * 10
    rows = target_rows(made_trial(target, fast + rest + slow + rest + never + rest), moving=False)
    assert rows[1].value("settling_s") == pytest.approx(0.2)
    assert (rows[1].holds, rows[1].settled_holds) == (3, 2)


def test_charge_counts_both_phases_and_goes_to_the_level_of_its_time() -> None:
    """10 mA for 200 us is 2 uC per phase, 4 uC per pulse; 5 mA for 100 us is 1 uC per pulse."""
    pulses = [(0, 0, 10.0, 200), (150_000, 0, 10.0, 200), (200_000, 0, 10.0, 200), (250_000, 1, 5.0, 100)]
    four, seven = target_rows(made_trial([4.0] * 2 + [7.0] * 2, [4.0] * 4, pulses=pulses), moving=False)
    assert (four.value("agonist_charge_both_phases_uC"), four.value("agonist_pulses")) == (8.0, 2.0)
    assert (seven.value("agonist_charge_both_phases_uC"), seven.value("agonist_pulses")) == (4.0, 1.0)
    assert (four.value("antagonist_charge_both_phases_uC"), four.value("antagonist_pulses")) == (0.0, 0.0)
    assert (seven.value("antagonist_charge_both_phases_uC"), seven.value("antagonist_pulses")) == (1.0, 1.0)


def test_trips_and_interventions_go_to_the_level_of_their_time() -> None:
    reasons = [1 << 5, (1 << 5) | (1 << 19), 0, (1 << 38) | (1 << 39)]
    events: list[dict[str, object]] = [{"t_us": 250_000, "kind": "trip", "cause": "R31"}, {"t_us": 0, "kind": "armed"}]
    four, seven = target_rows(
        made_trial([4.0] * 2 + [7.0] * 2, [4.0] * 4, reasons=reasons, events=events), moving=False
    )
    assert four.interventions == {"R06": 2, "R20": 1}
    assert seven.interventions == {"R39": 1, "R40": 1}
    assert (four.value("trips"), seven.value("trips")) == (0.0, 1.0)


def test_every_requirement_has_its_own_bit() -> None:
    for number in range(1, RULES + 1):
        assert reason_counts(np.array([1 << (number - 1)])) == {f"R{number:02d}": 1}


def test_a_moving_target_is_one_row_without_what_needs_a_hold() -> None:
    (row,) = target_rows(made_trial([4.0, 5.0, 6.0, 5.0], [4.5, 5.5, 8.0, 5.0]), moving=True)
    assert (row.target, row.holds) == ("moving", 1)
    assert row.value("mean_abs_error_N") == pytest.approx(0.75)
    assert row.value("in_band_percent") == 75.0
    assert all(
        math.isnan(row.value(name))
        for name in ("cv_percent", "overshoot_N", "settling_s", "steady_error_N", "approach_error_N", "rise_s")
    )
    assert math.isnan(row.target_N)


@given(st.lists(st.tuples(st.sampled_from([3.5, 8.0]), st.floats(0, 30)), min_size=1, max_size=60))
def test_levels_share_out_the_whole_trial(rows: list[tuple[float, float]]) -> None:
    """Whatever happens, times add up to the trial, shares lie in 0..100 and the RMS error is no less than the mean."""
    trial = made_trial([target for target, _ in rows], [force for _, force in rows])
    found = target_rows(trial, moving=False)
    assert math.fsum(row.time_s for row in found) == pytest.approx(trial.duration_us / 1e6, rel=1e-12)
    for row in found:
        assert len(row.values) == len(METRICS)
        assert 0.0 <= row.value("in_band_percent") <= 100.0
        assert row.value("rms_error_N") >= row.value("mean_abs_error_N") * (1 - 1e-12)


def test_time_beyond_what_is_known_is_counted_of_all_time_with_more_than_a_little_force() -> None:
    force_N = [0.2, 0.8, 3.0, 4.0, 5.2, 5.3, 3.0, 3.0, 9.0, 9.0]
    made = made_trial([4.0] * 8 + [9.0] * 2, force_N)
    low, high = target_rows(replace(made, known_N=(1.0, 5.2)), moving=False)
    assert low.value("beyond_known_percent") == pytest.approx(100.0 * 2 / 7), "0.8 N and 5.3 N; 0.2 N is no force"
    assert high.value("beyond_known_percent") == 100.0
    assert [low.target, high.target] == ["4 N", "9 N (extrapolated)"]
    assert (low.target_N, high.target_N) == (4.0, 9.0)
    (whole,) = target_rows(replace(made, known_N=(1.0, 5.2)), moving=True)
    assert whole.value("beyond_known_percent") == pytest.approx(100.0 * 4 / 9)
    for row in target_rows(made, moving=False):
        assert math.isnan(row.value("beyond_known_percent"))
        assert "extrapolated" not in row.target
    (resting,) = target_rows(replace(made_trial([0.0] * 4, [0.1] * 4), known_N=(1.0, 5.2)), moving=False)
    assert (resting.target, resting.value("beyond_known_percent")) == ("0 N", 0.0)
