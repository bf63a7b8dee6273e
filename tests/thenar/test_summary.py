"""The table of a run: over wearers, each counted once."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import replace

import pytest

from tests.thenar.made_trials import label, made_trial
from thenar.report.metrics import TargetRow, target_rows
from thenar.report.summary import beyond_known, by_condition_and_target, refused_for_good, spread_over, trials_csv


def _rows(
    index: int, wearer: int, condition: str, repeat: int, error_N: float, target_N: float = 4.0
) -> list[TargetRow]:
    named = label(index, wearer, condition, repeat)
    return target_rows(made_trial([target_N] * 20, [target_N + error_N] * 20, named=named), moving=False)


def test_a_wearer_with_more_repeats_counts_once() -> None:
    """Wearer 0 errs by 1, 1, 4 N (mean 2), wearer 1 by 4 N: mean 3, SD sqrt(2)."""
    rows = [
        row
        for index, (wearer, repeat, error) in enumerate([(0, 0, 1.0), (0, 1, 1.0), (0, 2, 4.0), (1, 0, 4.0)])
        for row in _rows(index, wearer, "assisted", repeat, error)
    ]
    (line,) = by_condition_and_target(rows)
    found = line.spread("mean_abs_error_N")
    assert (found.mean, found.n) == (pytest.approx(3.0), 2)
    assert found.sd == pytest.approx(math.sqrt(2.0))
    assert (line.wearers, line.trials) == (2, 4)


def test_lines_keep_the_order_of_conditions_and_let_targets_rise() -> None:
    rows = [
        *_rows(0, 0, "unassisted", 0, 1.0, 11.0), *_rows(0, 0, "unassisted", 0, 1.0, 4.0),
        *_rows(1, 0, "assisted", 0, 1.0, 11.0), *_rows(1, 0, "assisted", 0, 1.0, 4.0),
    ]  # fmt: skip
    lines = [(line.condition, line.target) for line in by_condition_and_target(rows)]
    assert lines == [("unassisted", "4 N"), ("unassisted", "11 N"), ("assisted", "4 N"), ("assisted", "11 N")]


def test_numbers_that_are_missing_are_left_out_and_counted() -> None:
    assert spread_over([1.0, math.nan, 3.0]) == (2.0, pytest.approx(math.sqrt(2.0)), 2)
    alone = spread_over([1.0, math.nan])
    assert (alone.mean, alone.n) == (1.0, 1)
    assert math.isnan(alone.sd)
    assert spread_over([math.nan]).n == 0


def test_the_tidy_table_reads_back_exactly_with_empty_cells_for_nan() -> None:
    rows = _rows(0, 0, "assisted", 0, 1 / 3) + _rows(1, 0, "unassisted", 0, 0.1)
    read = list(csv.DictReader(io.StringIO(trials_csv(rows))))
    assert [float(line["mean_abs_error_N"]) for line in read] == [row.value("mean_abs_error_N") for row in rows]
    assert [line["overshoot_N"] for line in read] == ["", ""]
    assert [line["agonist_pulses"] for line in read] == ["0", "0"]
    assert [line["condition"] for line in read] == ["assisted", "unassisted"]


REFUSED: dict[str, object] = {"kind": "arming-refused", "reasons": ["R28"]}
TITLES = {"R28": "Contact"}


@pytest.mark.parametrize(
    ("events", "on_file", "why"),
    [
        ([], {}, {}),
        ([REFUSED], {}, {"R28": "Contact"}),
        ([REFUSED], {"R07": "none"}, {"R07": "none"}),
        ([REFUSED, {"kind": "armed"}], {}, {}),
        ([{"kind": "target"}], {"R07": "none"}, {}),
    ],
)
def test_only_a_trial_that_never_armed_is_told_as_refused_with_what_is_on_file_against_it_first(
    events: list[dict[str, object]], on_file: dict[str, str], why: dict[str, str]
) -> None:
    assert refused_for_good(events, on_file, TITLES) == why


def test_trials_with_more_than_a_twentieth_of_their_time_beyond_are_marked() -> None:
    def trial(index: int, beyond: int) -> list[TargetRow]:
        force_N = [6.0] * beyond + [4.0] * (100 - beyond)
        named = label(index, condition="unassisted" if index == 3 else "assisted")
        return target_rows(replace(made_trial([4.0] * 100, force_N, named=named), known_N=(1.0, 5.2)), moving=False)

    rows = [row for index, beyond in enumerate([5, 6, 20, 50]) for row in trial(index, beyond)]
    marked = beyond_known(rows)
    assert [(one.condition, one.target, one.trials) for one in marked] == [
        ("assisted", "4 N", [1, 2]), ("unassisted", "4 N", [3]),
    ]  # fmt: skip
    assert marked[0].percent == pytest.approx(13.0)
    assert str(marked[0]).startswith("13 % of the time at 4 N, assisted")
    assert beyond_known(trial(0, 5)) == []
