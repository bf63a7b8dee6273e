"""Limit profiles: what ships, what is refused and how it is said, and how human units become tighter integers."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import thenar.safety.profile
from tests.safety.interlock_bench import ENGRAVER, calibrated, limits_for
from thenar.safety.bounds import CHANNEL, CONTROL_PERIOD_US, LOOP
from thenar.safety.limits import LIMITS_SIZE, limits_mark, unpack_limits
from thenar.safety.profile import ChannelBounds, LimitProfile, LoopBounds, load_profile, shipped_profiles
from thenar.safety.requirements import REQUIREMENTS
from thenar.shared.compiled import flat_integers
from thenar.shared.errors import InputError, validated
from thenar.shared.signals import Calibration

FOLDER = Path(thenar.safety.profile.__file__).parent / "profiles"


def table(name: str = "forearm-25cm2") -> dict[str, Any]:
    """The raw table of a shipped profile."""
    return tomllib.loads((FOLDER / f"{name}.toml").read_text("utf-8"))


def with_value(part: str, key: str, value: object) -> dict[str, Any]:
    """The forearm table with one value replaced."""
    raw = table()
    raw[part][key]["value"] = value
    return raw


def complaint(raw: dict[str, Any]) -> str:
    """What is said about a table that can't be used."""
    with pytest.raises(InputError) as caught:
        validated(LimitProfile, raw, "limits.toml")
    return str(caught.value)


def test_every_shipped_profile_loads_by_name_and_differs_from_the_others() -> None:
    assert shipped_profiles() == ("forearm-25cm2", "forearm-and-thumb", "thumb-8cm2")
    profiles = [load_profile(name) for name in shipped_profiles()]
    assert [profile.name for profile in profiles] == list(shipped_profiles())
    assert len({profile.fingerprint() for profile in profiles}) == len(profiles)


def test_forearm_limits_are_those_of_the_requirement_table() -> None:
    channel, loop = limits_for().agonist, limits_for().loop
    assert channel._asdict() == {
        "peak_uA": 40_000, "ceiling_uA": 40_000, "motor_uA": 8_000, "width_min_us": 50, "width_max_us": 400,
        "charge_pC": 12_000_000, "density_charge_pC": 25_000_000, "period_min_us": 20_000, "rms_uA": 10_000,
        "density_rms_uA_per_cm2": 1_000, "density_trip_uA_per_cm2": 2_000, "area_mm2": 2_500,
        "contact_assumed_per_mille": 500, "energy_aJ": 2 * 10**15, "power_rms_uA": 50_000,
        "rectified_pC": 5 * 10**9, "compliance_uV": 120_000_000, "slew_uA_per_s": 20_000, "rise_uA": 400,
        "width_slew_us_per_s": 200, "width_rise_us": 4,
        "intensity_slew_pC_per_s2": 240_000_000, "intensity_width_us": 300,
        "first_step_uA": 800, "ramp_us": 500_000, "run_us": 20_000_000, "on_us": 30_000_000, "total_pC": 10**12,
        "ohm_min": 100, "ohm_max": 10_000, "ohm_jump_percent": 200,
        "net_per_mille": 20, "net_pC": 10_000_000, "net_trip_pC": 50_000_000,
    }  # fmt: skip
    assert (loop.valid_us, loop.command_trip_us, loop.tick_min_us, loop.tick_max_us) == (
        60_000,
        250_000,
        10_000,
        40_000,
    )
    assert (loop.force_soft_mN, loop.force_hard_mN, loop.force_rise_mN) == (36_000, 48_000, 20_000)
    assert (loop.summed_share_per_mille, loop.pulse_gap_us, loop.changeover_us) == (1_200, 1_000, 20_000)
    assert (loop.estimate_min_mN, loop.estimate_max_mN) == (-5_000, 200_000)
    assert (loop.heartbeat_ramp_us, loop.session_us, loop.device_step_uA) == (60_000, 1_800_000_000, 100)


def test_small_pads_are_held_tighter_on_every_bound_that_differs() -> None:
    large, small = limits_for().agonist, limits_for(name="thumb-8cm2").agonist
    assert all(small[index] <= large[index] for index in range(len(large)))
    assert (small.peak_uA, small.width_max_us, small.charge_pC, small.area_mm2) == (25_000, 300, 6_000_000, 800)
    assert (small.slew_uA_per_s, small.first_step_uA) == (12_500, 500)


@pytest.mark.parametrize("name", shipped_profiles())
def test_every_bound_of_a_shipped_profile_names_its_source_and_a_known_requirement(name: str) -> None:
    rows = list(load_profile(name).bounds())
    known = {row.name for row in REQUIREMENTS}
    assert len(rows) == 2 * len(CHANNEL) + len(LOOP)
    assert all(bound.source and hard.rule in known for _, bound, hard in rows)


def test_the_fields_of_a_profile_are_the_rows_of_the_table_in_order() -> None:
    assert list(ChannelBounds.model_fields) == list(CHANNEL)
    assert list(LoopBounds.model_fields) == list(LOOP)
    assert [key for key, _, _ in load_profile("forearm-25cm2").bounds()] == [
        *(f"agonist.{key}" for key in CHANNEL),
        *(f"antagonist.{key}" for key in CHANNEL),
        *(f"loop.{key}" for key in LOOP),
    ]


@pytest.mark.parametrize("name", shipped_profiles())
def test_the_table_is_in_the_order_of_a_shipped_file(name: str) -> None:
    raw = table(name)
    assert [list(raw["agonist"]), list(raw["antagonist"])] == [list(CHANNEL), list(CHANNEL)]
    assert set(raw["loop"]) == set(LOOP)


@pytest.mark.parametrize(
    ("part", "key"),
    [(part, key) for part, hard in (("agonist", CHANNEL), ("loop", LOOP)) for key in hard],
)
def test_values_past_a_hard_end_or_not_positive_are_refused_with_key_and_allowed_range(part: str, key: str) -> None:
    hard = (CHANNEL if part == "agonist" else LOOP)[key]
    for value in (math.nextafter(hard.high, math.inf), math.nextafter(hard.low, 0.0), 0.0, -hard.low, hard.high * 1e3):
        said = complaint(with_value(part, key, value))
        assert f"limits.toml: {part}.{key}" in said
        assert hard.rule in said
        assert f"{hard.low:g} to {hard.high:g} {hard.unit}" in said


@pytest.mark.parametrize("key", [key for key, hard in CHANNEL.items() if hard.whole])
def test_counts_and_widths_must_be_whole(key: str) -> None:
    assert f"agonist.{key}" in complaint(with_value("agonist", key, CHANNEL[key].low + 0.5))


@pytest.mark.parametrize("value", [math.nan, math.inf, "40", True, None, [40.0]])
def test_a_value_that_is_no_number_is_refused(value: object) -> None:
    assert "limits.toml: agonist.peak_mA.value" in complaint(with_value("agonist", "peak_mA", value))


@pytest.mark.parametrize(
    ("part", "key", "value", "other"),
    [
        ("agonist", "width_min_us", 450, "width_max_us"),
        ("agonist", "impedance_min_ohm", 15_000, "impedance_max_ohm"),
        ("agonist", "peak_mA", 0.5, "first_step_mA"),
        ("agonist", "rms_density_trip_mA_per_cm2", 0.5, "rms_density_mA_per_cm2"),
        ("loop", "estimate_trip_ms", 200.0, "estimate_ramp_ms"),
        ("loop", "force_hard_share", 0.5, "force_soft_share"),
        ("loop", "command_trip_ms", 100.0, "valid_ms"),
        ("loop", "rest_s", 0.5, "on_gap_ms"),
        ("loop", "recovery_s", 1.0, "rest_s"),
        ("loop", "on_window_s", 64.1, "64 times loop.rest_s"),
        ("antagonist", "run_s", 1.0, "longer than twice antagonist.ramp_down_s"),
        ("agonist", "on_share", 0.016, "longer than twice agonist.ramp_down_s"),
    ],
)
def test_bounds_that_contradict_each_other_are_refused(part: str, key: str, value: float, other: str) -> None:
    raw = with_value(part, key, value)
    if key == "rest_s":
        raw["loop"]["on_gap_ms"]["value"] = 600.0
        raw["loop"]["on_window_s"]["value"] = 30.0
    if key == "recovery_s":
        raw["loop"]["rest_s"]["value"] = 1.1
    assert other in complaint(raw)


def test_a_device_step_that_no_first_step_reaches_is_refused() -> None:
    assert "agonist.first_step_mA at least loop.device_step_mA" in complaint(with_value("loop", "device_step_mA", 0.9))


def test_a_missing_bound_and_a_misspelt_one_are_both_named() -> None:
    raw = table()
    raw["antagonist"]["peek_mA"] = raw["antagonist"].pop("peak_mA")
    said = complaint(raw)
    assert "antagonist.peak_mA" in said
    assert "antagonist.peek_mA" in said
    assert "nearest known name: peak_mA" in said


def test_a_bound_without_source_or_with_an_unknown_tag_is_refused() -> None:
    raw = table()
    raw["loop"]["session_min"] = {"value": 30.0, "source": "", "tag": "guessed"}
    said = complaint(raw)
    assert "loop.session_min.source" in said
    assert "one of seen, memory, own, derived" in said


def test_an_unknown_name_leads_to_the_nearest_shipped_profile() -> None:
    with pytest.raises(InputError, match="nearest known name: forearm-25cm2"):
        load_profile("forearm-25cm")
    with pytest.raises(InputError, match="a shipped profile"):
        load_profile("bad\0name")
    with pytest.raises(InputError, match="a shipped profile"):
        load_profile("far too long" * 500)


def test_a_profile_of_one_s_own_is_read_from_its_file(tmp_path: Path) -> None:
    text = (FOLDER / "thumb-8cm2.toml").read_text("utf-8")
    text = text.replace('name = "thumb-8cm2"', 'name = "mine"\nbased_on = "thumb-8cm2"')
    (tmp_path / "mine.toml").write_text(text, "utf-8")
    assert load_profile(str(tmp_path / "mine.toml")).fingerprint() == load_profile("thumb-8cm2").fingerprint()


def test_a_broken_file_is_named_without_a_traceback(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text("schema = ", encoding="utf-8")
    with pytest.raises(InputError, match=r"mine\.toml"):
        load_profile(str(tmp_path / "mine.toml"))


@pytest.mark.parametrize(
    ("part", "key"),
    [(part, key) for part, hard in (("antagonist", CHANNEL), ("loop", LOOP)) for key in hard],
)
def test_the_fingerprint_changes_with_every_single_value_and_with_no_wording(part: str, key: str) -> None:
    whole = load_profile("forearm-25cm2")
    raw = table()
    raw[part][key]["source"] = "another wording"
    assert validated(LimitProfile, raw, "limits.toml").fingerprint() == whole.fingerprint()
    hard = (CHANNEL if part == "antagonist" else LOOP)[key]
    value = raw[part][key]["value"]
    bound = getattr(getattr(whole, part), key)
    nearby = value - 1 if hard.whole and value > hard.low else value + 1 if hard.whole else value * 0.999
    moved = whole.model_copy(
        update={part: getattr(whole, part).model_copy(update={key: bound.model_copy(update={"value": float(nearby)})})}
    )
    assert moved.fingerprint() != whole.fingerprint()
    assert len(whole.fingerprint()) == 64


def test_no_calibration_gives_ceilings_and_force_bounds_of_zero() -> None:
    limits = limits_for(None)
    assert (limits.agonist.ceiling_uA, limits.antagonist.ceiling_uA) == (0, 0)
    assert (limits.loop.force_soft_mN, limits.loop.force_hard_mN) == (0, 0)


@pytest.mark.parametrize("ceiling_mA", [math.nan, math.inf, -5.0, 0.0])
def test_a_ceiling_that_is_no_positive_number_counts_as_none_on_file(ceiling_mA: float) -> None:
    limits = limits_for(Calibration(calibrated(ceiling_mA), calibrated(), math.nan))
    assert limits.agonist.ceiling_uA == 0
    assert limits.loop.force_hard_mN == 0


def test_a_ceiling_above_the_hard_one_is_cut_to_it() -> None:
    assert limits_for(Calibration(calibrated(500.0), calibrated(), 60.0)).agonist.ceiling_uA == 100_000


def test_upper_bounds_round_down_and_lower_bounds_round_up() -> None:
    raw = table()
    for key, value in (
        ("peak_mA", 20.0009),
        ("rate_Hz", 30.0),
        ("pulse_spacing_ms", 20.0001),
        ("pad_area_cm2", 25.019),
    ):
        raw["agonist"][key]["value"] = value
    channel = validated(LimitProfile, raw, "limits.toml").limits_for(Calibration(calibrated(15.29), calibrated(), 60.0))
    assert channel.agonist.peak_uA == 20_000
    assert channel.agonist.ceiling_uA == 15_290
    assert channel.agonist.period_min_us == 33_334
    assert channel.agonist.area_mm2 == 2_501


@given(st.integers(1, 100_000))
def test_a_ceiling_given_in_whole_microamperes_is_kept_exactly(ceiling_uA: int) -> None:
    profile = load_profile("forearm-25cm2")
    limits = profile.limits_for(Calibration(calibrated(ceiling_uA / 1_000), calibrated(), 60.0))
    assert limits.agonist.ceiling_uA == ceiling_uA


@pytest.mark.parametrize("period_us", [CONTROL_PERIOD_US[0] - 1, CONTROL_PERIOD_US[1] + 1, 20_000.0, True])
def test_a_control_period_out_of_range_is_refused(period_us: Any) -> None:
    with pytest.raises(ValueError, match="control period"):
        load_profile("forearm-25cm2").limits_for(ENGRAVER, control_period_us=period_us)


def test_slow_control_loops_get_commands_that_live_no_longer_than_the_cap() -> None:
    limits = load_profile("forearm-25cm2").limits_for(ENGRAVER, control_period_us=100_000)
    assert limits.loop.valid_us == 200_000
    assert limits.agonist.rise_uA == 2_000


def test_fast_control_loops_may_still_rise_by_one_device_step() -> None:
    limits = load_profile("forearm-25cm2").limits_for(ENGRAVER, control_period_us=1_000)
    assert limits.agonist.rise_uA == limits.loop.device_step_uA == 100


def test_limits_survive_the_way_through_their_flat_form() -> None:
    limits = limits_for()
    array = flat_integers(limits)
    assert array.shape == (LIMITS_SIZE,)
    assert unpack_limits(array) == limits


@given(st.integers(0, LIMITS_SIZE - 1), st.integers(1, 2**31 - 1))
def test_the_mark_of_limits_changes_with_any_single_limit(place: int, change: int) -> None:
    array = flat_integers(limits_for())
    before = limits_mark(unpack_limits(array))
    array[place] += change
    assert limits_mark(unpack_limits(array)) != before


def test_a_byte_order_mark_at_the_start_of_a_profile_changes_nothing(tmp_path: Path) -> None:
    text = (FOLDER / "forearm-25cm2.toml").read_text("utf-8")
    own = text.replace('name = "forearm-25cm2"', 'name = "own pads"\nbased_on = "forearm-25cm2"').encode()
    (tmp_path / "plain.toml").write_bytes(own)
    (tmp_path / "marked.toml").write_bytes(b"\xef\xbb\xbf" + own)
    assert load_profile(str(tmp_path / "marked.toml")) == load_profile(str(tmp_path / "plain.toml"))
