"""Paired differences of the dossier: against a published table, against a library, and in words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tests.thenar.small_study import rows_from
from thenar.study.dossier_benefit import agency_lines, mean_of, paired_lines, with_words


def test_paired_difference_and_interval_are_those_of_students_published_sleep_table() -> None:
    """Student [@student-1908]; numbers and the interval (-2.459886, -0.7001142) from memory."""
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    other = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    (line,) = paired_lines(rows_from(one, other), ["unassisted", "assisted"], "mean_abs_error_N", "N")
    assert line["difference"] == pytest.approx(-1.58)
    assert (line["low"], line["high"]) == (pytest.approx(-2.459886, abs=5e-7), pytest.approx(-0.7001142, abs=5e-8))
    assert (line["wearers"], line["worse"]) == (10, 0)
    assert line["sentence"].startswith("Help shown")
    assert "0.70 to 2.46 N lower" in line["sentence"]


@given(st.lists(st.tuples(*[st.floats(-50, 50)] * 2), min_size=2, max_size=12), st.booleans())
def test_intervals_equal_the_library_and_words_never_say_more_than_the_interval(
    pairs: list[tuple[float, float]], more_is_better: bool
) -> None:
    one, other = ([pair[side] for pair in pairs] for side in (0, 1))
    measure = "in_band_percent" if more_is_better else "mean_abs_error_N"
    (line,) = paired_lines(rows_from(one, other, measure), ["unassisted", "assisted"], measure, "N")
    gaps = np.array(one) - np.array(other)
    if gaps.std(ddof=1) > 1e-9:
        ends = stats.ttest_rel(one, other).confidence_interval(0.95)
        assert (line["low"], line["high"]) == (pytest.approx(ends.low), pytest.approx(ends.high))
    assert line["worse"] == int(((gaps < 0) if more_is_better else (gaps > 0)).sum())
    spread = line["low"] < line["high"]
    shown = {True: spread and line["low"] > 0, False: spread and line["high"] < 0}
    assert line["sentence"].startswith("Help") == shown[more_is_better]
    assert line["sentence"].startswith("HARM") == shown[not more_is_better]


def test_help_and_harm_are_said_of_what_survives_the_correction_for_all_comparisons_made_together() -> None:
    """p = 0.0028 alone (Student's table, as above); 0.056 among twenty, the others without any difference."""
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    other = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    (line,) = paired_lines(rows_from(other, one), ["unassisted", "assisted"], "mean_abs_error_N", "N")
    assert (line["p"], line["p_holm"]) == (pytest.approx(stats.ttest_rel(one, other).pvalue), line["p"])
    assert line["sentence"].startswith("HARM shown")
    (same,) = paired_lines(
        rows_from([1.0, 2.0, 3.0], [1.1, 2.0, 2.9]), ["unassisted", "assisted"], "mean_abs_error_N", "N"
    )
    few, many = (with_words([line, *[same] * others])[0] for others in (3, 19))
    assert few["sentence"].startswith("HARM shown")
    assert many["p_holm"] == pytest.approx(20 * line["p"])
    assert many["sentence"].startswith("No difference shown")
    assert "not after correction for 20 tests (p = 0.057)" in many["sentence"]


def test_one_wearer_gives_no_interval_and_no_word_of_help() -> None:
    (line,) = paired_lines(rows_from([1.0], [2.0]), ["unassisted", "assisted"], "mean_abs_error_N", "N")
    assert line["sentence"].startswith("Nothing can be said")
    assert math.isnan(line["low"])
    assert mean_of([]).wearers == 0


def test_differences_without_spread_are_told_without_an_interval_and_without_help_or_harm() -> None:
    conditions = ["unassisted", "assisted"]
    (same,) = paired_lines(rows_from([1.0, 2.0], [1.0, 2.0]), conditions, "mean_abs_error_N", "N")
    assert same["sentence"].startswith("No difference in the mean absolute error at 4 N")
    (shifted,) = paired_lines(rows_from([1.0, 2.0], [1.5, 2.5]), conditions, "mean_abs_error_N", "N")
    assert "0.5 N lower for each of 2 simulated wearers, without any spread" in shifted["sentence"]
    assert not shifted["sentence"].startswith(("Help", "HARM"))


def test_the_interval_of_a_share_is_cut_where_no_share_can_be() -> None:
    rows = rows_from([0.0, 0.0, 60.0], [100.0, 100.0, 40.0], "over_window_percent")
    known = {"over_window_percent": {"unit": "%", "meaning": "late"}}
    most, few = agency_lines(rows, ["assisted", "unassisted"], known)
    assert mean_of([0.0, 0.0, 60.0]).low < 0.0
    assert (most["low"], few["high"]) == (0.0, 100.0)
    assert most["value"] == pytest.approx(20.0)
