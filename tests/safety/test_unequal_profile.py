"""The shipped profile in which no bound is alike on the two channels, so that a mix-up of fields can't hide."""

from __future__ import annotations

from itertools import pairwise

import pytest

from thenar.safety.deviation import unreasoned
from thenar.safety.invented import CLEAR, JEWELLER, UNEQUAL
from thenar.safety.profile import load_profile

PROFILE = load_profile(UNEQUAL)
LIMITS = PROFILE.limits_for(JEWELLER, 20_000, CLEAR)
PERSONAL = {"screening_clear"}


def test_no_written_bound_is_alike_on_the_two_channels() -> None:
    values = {key: bound.value for key, bound, _ in PROFILE.bounds()}
    channel = [key.partition(".")[2] for key in values if key.startswith("agonist.")]
    assert channel
    assert [key for key in channel if values[f"agonist.{key}"] == values[f"antagonist.{key}"]] == []


def test_no_written_bound_equals_the_one_that_stands_beside_it() -> None:
    rows = list(PROFILE.bounds())
    assert [key for (key, one, _), (_, next_one, _) in pairwise(rows) if one.value == next_one.value] == []


def test_no_limit_of_the_interlock_is_alike_on_the_two_channels_or_equals_its_neighbour() -> None:
    pairs = zip(LIMITS.agonist._asdict().items(), LIMITS.antagonist, strict=True)
    assert [name for (name, one), other in pairs if one == other] == []
    for part in LIMITS:
        fields = [(name, value) for name, value in part._asdict().items() if name not in PERSONAL]
        assert [name for (name, one), (_, two) in pairwise(fields) if one == two] == []


def test_it_is_no_looser_than_the_profile_it_starts_from_or_says_why() -> None:
    deviations = PROFILE.deviations()
    assert unreasoned(deviations, "forearm-25cm2", UNEQUAL) == []
    assert {found.key for found in deviations} == {
        "agonist.ramp_down_s", "antagonist.ramp_down_s", "loop.on_window_s", "loop.on_gap_ms", "loop.rest_s",
        "loop.force_rise_window_ms", "loop.device_step_mA",
    }  # fmt: skip


@pytest.mark.parametrize("tighter", ["rate_Hz", "pulse_spacing_ms"])
def test_both_keys_behind_the_shortest_period_decide_it_on_the_antagonist(tighter: str) -> None:
    """The period is the longer of two: with the agonist's rate or spacing in its place it is another one."""
    own, other = PROFILE.antagonist, PROFILE.agonist
    swapped = own.model_copy(update={tighter: getattr(other, tighter)})
    limits = PROFILE.model_copy(update={"antagonist": swapped}).limits_for(JEWELLER, 20_000, CLEAR)
    assert limits.antagonist.period_min_us != LIMITS.antagonist.period_min_us
