"""The auditor's own bounds, by its own code from a profile's text: number for number the limits of the interlock."""

from __future__ import annotations

import ast
import math
import random
from pathlib import Path
from typing import Any

import pytest

from thenar.safety import audit
from thenar.safety.audit.bounds import (
    TOPICS,
    Bounds,
    ChannelBounds,
    LoopBounds,
    bounds_of,
    by_name,
    clears,
    differences,
    mark_of_bounds,
)
from thenar.safety.invented import CLEAR, ENGRAVER, JEWELLER, UNEQUAL
from thenar.safety.limits import ChannelLimits, LoopLimits, limits_mark
from thenar.safety.profile import LimitProfile, load_profile, shipped_profiles
from thenar.safety.screening import Contraindications
from thenar.shared.errors import InputError, validated
from thenar.shared.signals import Calibration
from thenar.shared.text_input import table_in

ANSWERS = CLEAR.model_dump()


def own(text: str, person: Calibration | None = JEWELLER, period_us: int = 20_000) -> Bounds:
    """The auditor's bounds with every answer clear."""
    return bounds_of(text, person, period_us, ANSWERS)


def test_the_auditor_imports_nothing_of_safety_but_itself_and_the_titles_of_the_requirements() -> None:
    folder = Path(audit.__file__).parent
    found = {
        node.module
        for file in folder.glob("*.py")
        for node in ast.walk(ast.parse(file.read_text("utf-8")))
        if isinstance(node, ast.ImportFrom) and node.module is not None and node.module.startswith("thenar.")
    }
    outside = {name for name in found if not name.startswith(("thenar.safety.audit", "thenar.shared"))}
    assert outside == {"thenar.safety.requirements"}


def test_fields_stand_in_the_order_of_the_limits_whose_mark_is_logged() -> None:
    assert ChannelBounds._fields == ChannelLimits._fields
    assert LoopBounds._fields == LoopLimits._fields


@pytest.mark.parametrize("name", shipped_profiles())
@pytest.mark.parametrize("period_us", [1_000, 7_777, 20_000, 33_333, 100_000])
@pytest.mark.parametrize("person", [None, ENGRAVER, JEWELLER], ids=["nobody", "engraver", "jeweller"])
def test_bounds_of_a_shipped_profile_are_the_limits_of_the_interlock(
    name: str, period_us: int, person: Calibration | None
) -> None:
    profile = load_profile(name)
    limits = profile.limits_for(person, period_us, CLEAR)
    bounds = own(profile.text, person, period_us)
    assert differences(bounds, by_name(limits)) == ()
    assert mark_of_bounds(bounds) == limits_mark(limits)


def drawn_text(rng: random.Random) -> str:
    """A profile whose every value is drawn near that of a shipped one, with decimals that don't come out even."""
    lines = ["schema = 1", 'name = "drawn"', 'about = "drawn"']
    table = ""
    for key, bound, hard in load_profile(UNEQUAL).bounds():
        if key.partition(".")[0] != table:
            table = key.partition(".")[0]
            lines.append(f"[{table}]")
        value = min(max(bound.value * rng.uniform(0.98, 1.02), hard.low), hard.high)
        told = str(round(value)) if hard.whole else repr(round(value, rng.randrange(1, 12)))
        lines.append(f'{key.partition(".")[2]} = {{ value = {told}, source = "drawn", tag = "own" }}')
    return "\n".join(lines) + "\n"


def profile_of(text: str) -> LimitProfile | None:
    """The profile as the interlock's side reads it; None where drawn bounds don't fit each other."""
    try:
        return validated(LimitProfile, table_in(text, "drawn"), "drawn", {"text": text})
    except InputError:
        return None


def test_bounds_of_drawn_profiles_people_and_periods_are_the_limits_of_the_interlock() -> None:
    seed = random.SystemRandom().randrange(2**32)
    rng, compared = random.Random(seed), 0
    while compared < 20:
        text = drawn_text(rng)
        profile = profile_of(text)
        if profile is None:
            continue
        side = [JEWELLER.agonist._replace(ceiling_mA=rng.uniform(0.0, 120.0), motor_mA=rng.uniform(-1.0, 110.0))] * 2
        person = Calibration(*side, max_pinch_N=rng.choice([0.0, math.nan, rng.uniform(5.0, 250.0)]))
        period_us = rng.randrange(1_000, 100_001)
        limits = profile.limits_for(person, period_us, CLEAR)
        assert differences(own(text, person, period_us), by_name(limits)) == (), f"seed {seed}"
        compared += 1


def test_a_bound_of_the_other_channel_or_the_next_field_is_named() -> None:
    profile = load_profile(UNEQUAL)
    bounds = own(profile.text)
    enforced = by_name(profile.limits_for(JEWELLER, 20_000, CLEAR))
    for name in ChannelBounds._fields:
        swapped = enforced | {"antagonist": enforced["antagonist"] | {name: enforced["agonist"][name]}}
        assert [one.name for one in differences(bounds, swapped)] == [f"antagonist.{name}"]
    short = enforced | {"loop": {name: value for name, value in enforced["loop"].items() if name != "rest_us"}}
    assert differences(bounds, short) == (("loop.rest_us", bounds.loop.rest_us, None),)
    more = enforced | {"loop": enforced["loop"] | {"unheard_of_us": 7}}
    assert differences(bounds, more) == (("loop.unheard_of_us", None, 7),)


def test_the_mark_changes_with_every_single_number() -> None:
    bounds = own(load_profile(UNEQUAL).text)
    mark = mark_of_bounds(bounds)
    for place, part in enumerate(bounds):
        for name in part._fields:
            parts = list(bounds)
            parts[place] = part._replace(**{name: getattr(part, name) + 1})  # type: ignore[attr-defined]
            assert mark_of_bounds(Bounds(*parts)) != mark  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("peak_mA = { value = 40.0,", "peak_mA = { value = true,"), "agonist.peak_mA.value"),
        (("peak_mA = { value = 40.0,", "peak_mA = { value = nan,"), "agonist.peak_mA.value"),
        (("peak_mA = { value = 40.0,", "peek_mA = { value = 40.0,"), "found: nothing"),
        (("peak_mA = { value = 40.0, source", "peak_mA = 40.0 # "), "found: nothing"),
        (("[loop]", "[lop]"), "loop."),
        (("[loop]", "[loop"), "TOML 1.0"),
        (("schema = 1", "schema = " + "[" * 100_000), "TOML 1.0"),
    ],
    ids=range(7),
)
def test_a_text_without_a_usable_bound_is_refused_with_the_key(change: tuple[str, str], told: str) -> None:
    text = load_profile("forearm-25cm2").text
    assert change[0] in text
    with pytest.raises(InputError, match=told.replace(".", r"\.")):
        own(text.replace(*change, 1))


def test_a_byte_order_mark_changes_nothing() -> None:
    text = load_profile(UNEQUAL).text
    assert own("\ufeff" + text) == own(text)


def changed(**values: Any) -> dict[str, Any]:
    """Answers that clear everything, changed."""
    return {**ANSWERS, **values}


@pytest.mark.parametrize(
    ("screening", "clear"),
    [
        (ANSWERS, True),
        (None, False),
        ({}, False),
        (changed(placement=None), False),
        (changed(placement={"site": "thumb", "same_limb": True}), True),
        (changed(placement={"site": "chest", "same_limb": True}), False),
        (changed(placement={"site": "thumb", "same_limb": False}), False),
        (changed(contraindications=None), False),
        (changed(contraindications={**ANSWERS["contraindications"], "a_new_topic": "not asked"}), False),
        *((changed(contraindications={**ANSWERS["contraindications"], topic: answer}), False)
          for topic in sorted(TOPICS) for answer in ("yes", "not asked")),
    ],
)  # fmt: skip
def test_only_a_screening_that_forbids_nothing_is_clear(screening: dict[str, Any] | None, clear: bool) -> None:
    assert clears(screening) is clear


def test_the_topics_are_those_that_a_scenario_asks_for() -> None:
    assert set(Contraindications.model_fields) == TOPICS
