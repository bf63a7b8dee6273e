"""What a tuning is after: scores, ways over wearers, objectives and bounds as typed, the front, intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from thenar.engine.result import TrialLabel
from thenar.report.metrics import METRICS, TargetRow
from thenar.shared.errors import InputError
from thenar.study.goals import Goal, read_goal
from thenar.study.pareto import dominates, front, middle
from thenar.study.ranges import Range, read_ranges
from thenar.study.resampled import Interval, difference_of, interval_of, share_interval
from thenar.study.scores import over_wearers, trial_scores, wearer_scores, worse_share
from thenar.study.search import Outcome, Tried
from thenar.study.tuning import chosen_of


def row(time_s: float, wearer: int = 0, repeat: int = 0, acted: int = 0, **values: float) -> TargetRow:
    """A row of measures; those not given are 0."""
    label = TrialLabel(0, wearer, f"wearer {wearer}", "assisted", repeat)
    numbers = tuple(values.get(metric.name, 0.0) for metric in METRICS)
    return TargetRow(label, "4 N", 4.0, time_s, 1, 1, numbers, {"R20": acted} if acted else {})


def test_scores_of_a_trial_weight_targets_by_their_time() -> None:
    rows = [
        row(30.0, mean_abs_error_N=1.0, rms_error_N=3.0, in_band_percent=100.0, agonist_charge_both_phases_uC=10.0),
        row(10.0, mean_abs_error_N=5.0, rms_error_N=5.0, antagonist_charge_both_phases_uC=30.0, acted=4, trips=1.0),
    ]
    scores = trial_scores(rows)
    assert scores["mean_abs_error_N"] == pytest.approx(2.0)
    assert scores["rms_error_N"] == pytest.approx(math.sqrt((9.0 * 30 + 25.0 * 10) / 40))
    assert scores["in_band_percent"] == pytest.approx(75.0)
    assert scores["charge_uC_per_min"] == pytest.approx(60.0)
    assert scores["interventions_per_min"] == pytest.approx(6.0)
    assert scores["trips_per_min"] == pytest.approx(1.5)


def test_a_target_without_a_number_is_left_out_and_a_trial_without_any_has_none() -> None:
    scores = trial_scores([row(30.0, cv_percent=math.nan), row(10.0, cv_percent=8.0)])
    assert scores["cv_percent"] == 8.0
    assert math.isnan(trial_scores([row(30.0, cv_percent=math.nan)])["cv_percent"])


def test_repeats_of_a_wearer_count_alike() -> None:
    trials = [[row(10.0, mean_abs_error_N=1.0)], [row(90.0, repeat=1, mean_abs_error_N=2.0)], [row(1.0, wearer=1)]]
    assert wearer_scores(trials)[0]["mean_abs_error_N"] == 1.5
    assert list(wearer_scores(trials)) == [0, 1]


def test_the_ninetieth_percentile_is_taken_on_the_bad_side() -> None:
    numbers = [float(n) for n in range(11)]
    assert over_wearers(numbers, "p90") == 9.0
    assert over_wearers(numbers, "p90", larger_better=True) == 1.0
    assert over_wearers(numbers, "worst") == 10.0
    assert over_wearers(numbers, "worst", larger_better=True) == 0.0
    assert math.isnan(over_wearers([1.0, math.nan, 3.0], "worst"))
    with pytest.raises(ValueError, match="no way over wearers"):
        over_wearers(numbers, "median")


def test_a_wearer_is_worse_off_only_with_a_larger_error() -> None:
    unassisted = {n: {"mean_abs_error_N": 1.0} for n in range(4)}
    assisted = {n: {"mean_abs_error_N": value} for n, value in enumerate((1.0, 0.9, 1.1, 2.0))}
    assert worse_share(assisted, unassisted) == 0.5


def test_the_goal_has_the_stated_defaults() -> None:
    goal = read_goal((), ())
    assert [measure.name for measure in goal.objectives] == ["mean_abs_error_N:p90"]
    assert [(bound.name, bound.at_most) for bound in goal.bounds] == [("worse_share", 0.1)]
    asked = read_goal(("in_band_percent:worst", "charge_uC_per_min:mean"), ("worse_share=0", "trips_per_min=1"))
    assert [measure.name for measure in asked.objectives] == ["in_band_percent:worst", "charge_uC_per_min:mean"]
    assert [(bound.name, bound.at_most) for bound in asked.bounds] == [
        ("worse_share", 0.0),
        ("trips_per_min:mean", 1.0),
    ]


@pytest.mark.parametrize(
    ("objectives", "bounds", "told"),
    [
        (("mean_abs_eror_N",), (), "nearest known name: mean_abs_error_N"),
        (("mean_abs_error_N:p95",), (), ":mean, :p90, :worst"),
        (("cv_percent", "cv_percent:p90"), (), "given twice"),
        ((), ("worse_share",), "NAME=VALUE"),
        ((), ("worse_share=2",), "a share from 0 to 1"),
        ((), ("charge_uC_per_min=lots",), "NAME=VALUE"),
        ((), ("charge=4",), "one of worse_share"),
        ((), ("in_band_percent=40",), "more is better"),
        ((), ("worse_share=0", "worse_share=0.1"), "given twice"),
    ],
)
def test_a_goal_that_makes_no_sense_is_told(objectives: tuple[str, ...], bounds: tuple[str, ...], told: str) -> None:
    with pytest.raises(InputError) as caught:
        read_goal(objectives, bounds)
    assert told in str(caught.value)


def test_ranges_are_read_as_typed() -> None:
    ranges = read_ranges(["law.settings.gain=0.01:1:log", "law.settings.count=1:8", "a.b=-1.5:2"])
    assert ranges == (
        Range("law.settings.gain", 0.01, 1.0, log=True),
        Range("law.settings.count", 1.0, 8.0, whole=True),
        Range("a.b", -1.5, 2.0),
    )


@pytest.mark.parametrize(
    "text", ["a", "a=", "a=1", "a=2:1", "a=1:1", "a=0:1:log", "a=1:2:lin", "=1:2", "a=x:y", "a=nan:1"]
)
def test_a_range_that_is_none_is_told(text: str) -> None:
    with pytest.raises(InputError, match="KEY=LOW:HIGH"):
        read_ranges([text])
    with pytest.raises(InputError, match="the same key twice"):
        read_ranges(["a=1:2", "a=1:3"])


POINTS = st.integers(1, 3).flatmap(
    lambda width: st.tuples(
        st.lists(st.tuples(*[st.integers(0, 4).map(float)] * width), min_size=1, max_size=12),
        st.tuples(*[st.booleans()] * width),
    )
)


@given(POINTS)
def test_the_front_holds_exactly_what_no_other_beats(
    given_points: tuple[list[tuple[float, ...]], tuple[bool, ...]],
) -> None:
    points, larger = given_points
    places = front(points, larger)
    assert places
    for place, point in enumerate(points):
        beaten = any(
            all((b >= a) if up else (b <= a) for a, b, up in zip(point, other, larger, strict=True)) and other != point
            for other in points
        )
        assert (place in places) is not beaten
    assert middle([points[place] for place in places], larger) in range(len(places))
    assert not any(dominates(points[a], points[b], larger) for a in places for b in places)


def test_the_middle_of_a_front_is_closest_to_the_best_of_everything() -> None:
    assert middle([(0.0, 10.0), (2.0, 2.0), (10.0, 0.0)], (False, False)) == 1
    assert middle([(0.0, 0.0), (2.0, 8.0), (10.0, 10.0)], (False, True)) == 1


def _tried(number: int, objectives: tuple[float, ...], excess: float = -1.0, refused: str = "") -> Tried:
    outcome = Outcome(refused=refused) if refused else Outcome(objectives, {"b": excess}, {"b": 1.0 + excess})
    return Tried(number, 0, {}, outcome)


def test_the_chosen_try_meets_every_bound_and_ties_go_to_the_first() -> None:
    one: Goal = read_goal(("mean_abs_error_N",), ())
    tries = [
        _tried(0, (3.0,)),
        _tried(1, (1.0,), excess=0.5),
        _tried(2, (2.0,)),
        _tried(3, (2.0,)),
        _tried(4, (), 0, "no"),
    ]
    found = chosen_of(tries, one)
    assert found.best is tries[2]
    assert found.front == (tries[2],)
    more_is_better = read_goal(("in_band_percent",), ())
    assert chosen_of(tries, more_is_better).best is tries[0]


def test_without_a_try_inside_the_bounds_the_closest_is_named() -> None:
    tries = [_tried(0, (3.0,), 2.0), _tried(1, (9.0,), 0.1), _tried(2, (), 0, "no")]
    found = chosen_of(tries, read_goal((), ()))
    assert found.best is None
    assert found.closest is tries[1]
    assert found.front == ()


def test_the_interval_of_a_mean_is_close_to_students() -> None:
    """200 normal numbers: the bootstrap must come within 10 % of the width that theory gives."""
    numbers = np.random.default_rng(1).normal(3.0, 2.0, 200).tolist()
    found = interval_of(numbers, "mean", 7)
    theory = stats.t.interval(0.95, 199, np.mean(numbers), stats.sem(numbers))
    assert found.value == pytest.approx(np.mean(numbers))
    assert found.low == pytest.approx(theory[0], abs=0.06)
    assert found.high == pytest.approx(theory[1], abs=0.06)
    assert interval_of(numbers, "mean", 7) == found


def test_a_paired_difference_is_sharper_than_its_two_parts() -> None:
    draws = np.random.default_rng(2)
    one = draws.normal(3.0, 2.0, 60)
    other = one + 0.2 + draws.normal(0.0, 0.1, 60)
    for over in ("mean", "p90"):
        found = difference_of(other.tolist(), one.tolist(), over, 3)
        alone = interval_of(one.tolist(), over, 3)
        assert 0 < found.low < found.value < found.high
        assert found.high - found.low < 0.5 * (alone.high - alone.low)
        assert not found.holds_zero


def test_equal_numbers_give_an_interval_of_no_width_and_the_worst_wearer_none() -> None:
    assert interval_of([2.0] * 8, "mean", 1) == Interval(2.0, 2.0, 2.0)
    assert difference_of([1.0, 2.0, 5.0], [1.0, 2.0, 5.0], "p90", 1).value == 0.0
    worst = interval_of([1.0, 2.0, 5.0], "worst", 1)
    assert worst.value == 5.0
    assert math.isnan(worst.low)
    assert worst.holds_zero


def test_no_one_worse_of_ten_still_allows_a_quarter() -> None:
    """Wilson's upper end for 0 of n is z^2 / (n + z^2)."""
    z = stats.norm.ppf(0.975)
    found = share_interval(0, 10)
    assert found.value == 0.0
    assert found.low == pytest.approx(0.0, abs=1e-12)
    assert found.high == pytest.approx(z * z / (10 + z * z))
