"""The one table of bounds: it covers the interlock's limits, nothing in it is idle, and all of it hangs together."""

from __future__ import annotations

from collections import Counter

import pytest

from thenar.safety.bounds import BOUNDS, CHANNEL, EXACT, LOOP, MADE, NOT_ABOVE, key_of_rule, loosest, row_of
from thenar.safety.limits import ChannelLimits, LoopLimits
from thenar.safety.requirements import REQUIREMENTS

GIVEN = {"control_period_us", "short_window_us", "screening_clear"}
"""Limits of the loop that no number of a profile makes."""
PERSONAL = {"ceiling_mA", "motor_mA", "max_pinch_N", "control_period_us"}


@pytest.mark.parametrize(("part", "limits"), [("channel", ChannelLimits), ("loop", LoopLimits)])
def test_every_limit_of_the_interlock_is_made_exactly_once(part: str, limits: type[ChannelLimits | LoopLimits]) -> None:
    made = Counter(row.field for row in BOUNDS if row.part == part and row.field)
    made += Counter(each.field for each in MADE if each.part == part)
    made += Counter(GIVEN if part == "loop" else ())
    assert made == Counter(limits._fields)


def test_every_row_becomes_a_limit_or_enters_one() -> None:
    entering = {(each.part, key) for each in MADE for key in each.of}
    for row in BOUNDS:
        elsewhere = row.part == "loop" and ("channel", f"loop.{row.key}") in entering
        assert row.field or (row.part, row.key) in entering or elsewhere, row.key
        assert row.scale != EXACT or not row.field, row.key


def test_made_limits_name_rows_or_what_is_on_file_and_never_one_twice() -> None:
    for each in MADE:
        own = CHANNEL if each.part == "channel" else LOOP
        for key in each.of:
            around = key.removeprefix("loop.")
            assert key in own or key in PERSONAL or (each.part == "channel" and key != around and around in LOOP), key
        assert len(set(each.of)) == len(each.of)


def test_every_row_is_whole_and_names_a_requirement() -> None:
    known = {requirement.name for requirement in REQUIREMENTS}
    assert len({(row.part, row.key) for row in BOUNDS}) == len(BOUNDS)
    for row in BOUNDS:
        assert row.rule in known
        assert 0 < row.low < row.high
        assert row.means
        assert row.means == row.means.strip()
        if row.whole:
            assert (row.low, row.high) == (int(row.low), int(row.high))
            assert row.scale == 1


def test_rounding_makes_every_bound_tighter() -> None:
    """A most rounds down, a least up; a scale below zero turns that round."""
    for row in BOUNDS:
        if row.scale == EXACT:
            continue
        turned = isinstance(row.scale, int) and row.scale < 0
        if row.looser == "higher":
            assert row.rounding == ("up" if turned else "down"), row.key
        elif row.looser == "lower":
            assert row.rounding == "up", row.key


def test_bounds_that_are_compared_belong_to_one_part() -> None:
    for low, high in NOT_ABOVE:
        assert {low, high} <= set(CHANNEL) or {low, high} <= set(LOOP)


def test_a_dotted_key_leads_to_its_row_and_another_to_none() -> None:
    assert row_of("agonist.peak_mA") is row_of("antagonist.peak_mA") is CHANNEL["peak_mA"]
    assert row_of("loop.rest_s") is LOOP["rest_s"]
    for wrong in ("loop.peak_mA", "agonist.rest_s", "peak_mA", "channel.peak_mA"):
        with pytest.raises(KeyError):
            row_of(wrong)


def test_the_first_bound_of_a_rule_is_found_and_a_rule_without_one_is_refused() -> None:
    assert key_of_rule("R13") == "rms_density_mA_per_cm2"
    with pytest.raises(KeyError, match="R03"):
        key_of_rule("R03")


def test_the_loosest_limits_lie_at_the_loose_end_of_the_hard_range() -> None:
    channel, loop = loosest("channel"), loosest("loop")
    assert (channel["peak_uA"], channel["width_min_us"], channel["net_pC"]) == (100_000, 10, 10_000_000)
    assert (loop["pulse_gap_us"], loop["rest_us"], loop["estimate_min_mN"]) == (500, 10_000_000, -50_000)
    assert not {"tick_min_us", "tick_max_us", "heartbeat_ramp_us", "valid_us"} & set(loop)
    assert set(channel).isdisjoint({"", "period_min_us", "density_charge_pC"})
