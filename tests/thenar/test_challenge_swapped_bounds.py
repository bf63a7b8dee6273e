"""Every bound that the conversion reads in another's place makes a challenge fail, by the name of the limit."""

from __future__ import annotations

import pytest

from tests.safety.test_conversion_expected import Convert, plants
from thenar.safety.profile import LimitProfile, load_profile, shipped_profiles
from thenar.study.judged import limits_that_differ

PROFILES = [load_profile(name) for name in shipped_profiles()]


def test_nothing_differs_while_nothing_is_planted() -> None:
    assert limits_that_differ(PROFILES) == []


@pytest.mark.parametrize(("name", "planted"), list(plants()), ids=lambda value: value if isinstance(value, str) else "")
def test_a_bound_read_in_another_s_place_is_named(name: str, planted: Convert, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(LimitProfile, "limits_for", planted)
    found = limits_that_differ(PROFILES)
    assert found
    limits = {line.partition(": ")[2].partition(" is ")[0] for line in found}
    part = name.partition(".")[0].partition(" ")[0]
    assert part in {"loop", *(limit.partition(".")[0] for limit in limits)}
