"""Profiles of one's own: looser than the shipped one they start from only with a stated reason, bound by bound."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import thenar.safety.profile
from tests.safety.interlock_bench import ENGRAVER
from thenar.safety.bounds import CHANNEL, LOOP, row_of
from thenar.safety.deviation import amount, deviations_from
from thenar.safety.invented import UNEQUAL
from thenar.safety.profile import LimitProfile, load_profile, shipped_profiles
from thenar.shared.errors import InputError

FOLDER = Path(thenar.safety.profile.__file__).parent / "profiles"
BASE = "forearm-25cm2"
KEYS = [(part, key) for part, hard in (("agonist", CHANNEL), ("loop", LOOP)) for key in hard]
SMALLER_IS_ROOMIER = {
    "width_min_us", "period_min_us", "ohm_min", "tick_min_us", "pulse_gap_us", "changeover_us", "contact_window_us",
    "estimate_min_mN", "intensity_width_us", "recovery_us",
}  # fmt: skip
CUT_BOTH_WAYS = {"ramp_down_s", "on_window_s", "on_gap_ms", "rest_s", "force_rise_window_ms", "device_step_mA"}
REASON = "a stronger hand in the bench's pilot"


def own_text(base: str = BASE) -> str:
    """A shipped profile as a person would copy it."""
    text = (FOLDER / f"{base}.toml").read_text("utf-8")
    return text.replace(f'name = "{base}"', f'name = "lab pads"\nbased_on = "{base}"')


def edited(text: str, part: str, key: str, value: float, reason: str | None = None) -> str:
    """The text of a profile with one bound's value replaced, and a reason beside it where given."""
    start = text.index(f"[{part}]")
    beside = "" if reason is None else f'reason = "{reason}", '
    pattern, wanted = rf"(?m)^{key} = \{{ value = [^,]+, ", f"{key} = {{ value = {value!r}, {beside}"
    once, count = re.subn(pattern, lambda _: wanted, text[start:], count=1)
    assert count == 1
    return text[:start] + once


def read(folder: Path, text: str) -> LimitProfile:
    """The profile in a file of one's own with this text."""
    (folder / "mine.toml").write_text(text, "utf-8")
    return load_profile(str(folder / "mine.toml"))


def problems(folder: Path, text: str) -> list[Any]:
    """What is wrong with the profile."""
    with pytest.raises(InputError) as caught:
        read(folder, text)
    return list(caught.value.problems)


def moved(value: float, hard: Any, up: bool) -> float | None:
    """A value a little higher or lower inside the hard range, whole where it must be; None when there is no room."""
    step = 1.0 if hard.whole else 0.01 * value
    near = value + step if up else value - step
    return near if hard.low <= near <= hard.high else None


@pytest.mark.parametrize(("part", "key"), KEYS)
def test_the_looser_side_of_a_bound_is_that_on_which_the_interlock_s_integers_give_more_room(
    part: str, key: str
) -> None:
    """Judged by what the integers mean, not by the table of directions; "either" is for those that cut both ways."""
    profile = load_profile(BASE)
    table = getattr(profile, part)
    bound = getattr(table, key)
    larger = bound.model_copy(update={"value": 2.0 * bound.value})
    moved_up = profile.model_copy(update={part: table.model_copy(update={key: larger})})
    roomier = set()
    for period_us in (20_000, 100_000):
        before, after = (found.limits_for(ENGRAVER, period_us) for found in (profile, moved_up))
        pairs = [*zip(before.agonist._asdict().items(), after.agonist, strict=True)]
        pairs += zip(before.loop._asdict().items(), after.loop, strict=True)
        roomier |= {(now > was) is (name not in SMALLER_IS_ROOMIER) for (name, was), now in pairs if now != was}
    way = row_of(f"{part}.{key}").looser
    if key in {"rate_Hz", "interphase_us"}:
        # The rate is held by the spacing too, which is set to the same; the pause moves no bound at all.
        assert way == "higher"
    elif way == "either":
        assert key in CUT_BOTH_WAYS
    else:
        assert roomier == {way == "higher"}


@pytest.mark.parametrize(("part", "key"), KEYS)
def test_each_bound_may_be_tightened_freely_and_loosened_only_with_a_reason(
    part: str, key: str, tmp_path: Path
) -> None:
    hard = (CHANNEL if part == "agonist" else LOOP)[key]
    # Room on both sides: the pair of bounds that must stay in order is never crossed by a hundredth.
    default = getattr(getattr(load_profile(BASE), part), key).value
    for up in (True, False):
        value = moved(default, hard, up)
        if value is None:
            continue
        loose = row_of(f"{part}.{key}").looser in ({"higher", "either"} if up else {"lower", "either"})
        text = edited(own_text(), part, key, value)
        if not loose:
            assert read(tmp_path, text).deviations() == ()
            continue
        (problem,) = problems(tmp_path, text)
        assert (problem.file, problem.key) == (str(tmp_path / "mine.toml"), f"{part}.{key}")
        assert f"{value!r}" in problem.found
        assert f"{amount(default, hard.unit)} (the default of {BASE}), or reason = " in problem.allowed
        (found,) = read(tmp_path, edited(own_text(), part, key, value, REASON)).deviations()
        assert found == (f"{part}.{key}", hard.rule, default, value, hard.unit, REASON)


def test_a_loosened_peak_is_told_with_what_is_allowed(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, edited(own_text(), "agonist", "peak_mA", 45.0))
    assert problem.allowed == 'at most 40 mA (the default of forearm-25cm2), or reason = "why" beside it'
    (problem,) = problems(tmp_path, edited(own_text(), "loop", "changeover_ms", 5.0))
    assert problem.allowed == 'at least 20 ms (the default of forearm-25cm2), or reason = "why" beside it'
    (problem,) = problems(tmp_path, edited(own_text(), "loop", "rest_s", 2.0))
    assert problem.allowed == 'exactly 1 s (the default of forearm-25cm2), or reason = "why" beside it'


def test_every_loosened_bound_without_a_reason_is_told_at_once(tmp_path: Path) -> None:
    text = own_text()
    for part, key, value in (
        ("agonist", "peak_mA", 45.0),
        ("antagonist", "rate_Hz", 60.0),
        ("loop", "session_min", 45.0),
    ):
        text = edited(text, part, key, value)
    assert [problem.key for problem in problems(tmp_path, text)] == [
        "agonist.peak_mA",
        "antagonist.rate_Hz",
        "loop.session_min",
    ]


@pytest.mark.parametrize("reason", ["", "because", "two words", "three words\\nand more", "x " * 200])
def test_a_reason_that_says_nothing_or_too_much_is_refused(reason: str, tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, edited(own_text(), "agonist", "peak_mA", 45.0, reason))
    assert problem.key == "agonist.peak_mA.reason"
    assert "at least 3 words" in problem.allowed


def test_no_reason_helps_past_a_hard_ceiling(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, edited(own_text(), "agonist", "peak_mA", 101.0, REASON))
    assert "hard range of R06" in problem.allowed


def test_a_reason_beside_a_bound_that_is_not_looser_is_no_deviation(tmp_path: Path) -> None:
    text = edited(own_text(), "agonist", "peak_mA", 30.0, REASON)
    assert read(tmp_path, text).deviations() == ()


@pytest.mark.parametrize("line", ["", 'based_on = "forearm-25cm"\n', 'based_on = "mine.toml"\n', 'based_on = ""\n'])
def test_a_profile_of_one_s_own_names_the_shipped_one_it_starts_from(line: str, tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, own_text().replace(f'based_on = "{BASE}"\n', line))
    assert problem.key == "based_on"
    assert ", ".join(shipped_profiles()) in problem.allowed
    assert problem.nearest == (BASE if "forearm" in line else "")


@pytest.mark.parametrize("name", [name for name in shipped_profiles() if name != UNEQUAL])
def test_a_shipped_profile_of_equal_channels_starts_from_none_and_deviates_from_nothing(name: str) -> None:
    profile = load_profile(name)
    assert profile.based_on is None
    assert profile.deviations() == ()
    assert all(bound.reason is None for _, bound, _ in profile.bounds())


def test_the_small_pads_are_looser_than_the_large_ones_in_nothing() -> None:
    assert deviations_from(load_profile("thumb-8cm2"), load_profile("forearm-25cm2")) == ()
    back = {found.key for found in deviations_from(load_profile("forearm-25cm2"), load_profile("thumb-8cm2"))}
    assert {"agonist.peak_mA", "agonist.pad_area_cm2", "antagonist.charge_uC"} <= back


def test_a_deviation_is_told_in_one_line_with_both_values_and_its_reason(tmp_path: Path) -> None:
    own = read(tmp_path, edited(own_text(), "agonist", "peak_mA", 45.0, REASON))
    told = [str(found) for found in deviations_from(own, load_profile(BASE))]
    assert told == [f"agonist.peak_mA 45 mA (default 40 mA): {REASON}"]


def test_a_reason_changes_no_fingerprint(tmp_path: Path) -> None:
    one = read(tmp_path, edited(own_text(), "agonist", "peak_mA", 45.0, REASON)).fingerprint()
    other = read(tmp_path, edited(own_text(), "agonist", "peak_mA", 45.0, "quite another reason")).fingerprint()
    assert one == other != load_profile(BASE).fingerprint()


@given(st.lists(st.tuples(st.sampled_from(KEYS), st.floats(0.5, 2.0)), max_size=6))
def test_deviations_are_exactly_the_bounds_on_the_looser_side(changes: list[tuple[tuple[str, str], float]]) -> None:
    default = load_profile(BASE)
    profile = default
    expected = set()
    for (part, key), factor in dict(changes).items():
        table = getattr(profile, part)
        bound = getattr(table, key)
        value = factor * getattr(getattr(default, part), key).value
        table = table.model_copy(update={key: bound.model_copy(update={"value": value})})
        profile = profile.model_copy(update={part: table})
        way = row_of(f"{part}.{key}").looser
        if (factor > 1.0 and way != "lower") or (factor < 1.0 and way != "higher"):
            expected.add(f"{part}.{key}")
    assert {found.key for found in deviations_from(profile, default)} == expected
