"""Columns of the tables: each once, with the unit that its name says, in an order that files rely on."""

from __future__ import annotations

import pytest

from thenar.shared.columns import PULSES, TRACE, Column

UNITS = {"_mA": "mA", "_us": "us", "_N": "N", "_fresh": "1"}
EVERY = pytest.mark.parametrize("table", [TRACE, PULSES], ids=["trace", "pulses"])


@EVERY
def test_names_are_there_once_and_begin_with_trial_and_time(table: tuple[Column, ...]) -> None:
    names = [column.name for column in table]
    assert len(set(names)) == len(names)
    assert names[:2] == ["trial", "t_us"]


@EVERY
def test_a_unit_in_a_name_is_the_unit_of_the_column(table: tuple[Column, ...]) -> None:
    for column in table:
        by_name = next((unit for suffix, unit in UNITS.items() if column.name.endswith(suffix)), "1")
        assert column.unit == by_name, column.name


@EVERY
def test_every_column_says_what_it_means_and_counts_are_whole(table: tuple[Column, ...]) -> None:
    for column in table:
        assert len(column.meaning) > 10
        assert column.meaning.isprintable()
        assert column.kind in ("int64", "float64")
        if column.unit == "us" and "demand" not in column.name and "admitted" not in column.name:
            assert column.kind == "int64", f"{column.name}: time is whole microseconds"


def test_the_pulse_log_is_what_auditors_were_promised() -> None:
    names = ["trial", "t_us", "channel", "current_mA", "width_us", "gap_us", "second_width_us"]
    assert [column.name for column in PULSES] == names


def test_both_channels_have_the_same_trace_columns() -> None:
    names = [column.name for column in TRACE]
    agonist = [name.removeprefix("agonist_") for name in names if name.startswith("agonist_")]
    antagonist = [name.removeprefix("antagonist_") for name in names if name.startswith("antagonist_")]
    assert agonist == antagonist
    assert len(agonist) == 6
