"""A wearer fitted to target and force: truths come back inside their intervals, and what can't be told is said."""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from tests.thenar.fit_coverage import outside_90_to_99
from tests.thenar.fit_wearer_trials import (
    RANGES,
    RATE_HZ,
    Part,
    protocol,
    recorded,
    recording_of,
    recovered,
    wearer_of,
)
from thenar.fit.found import Fit
from thenar.fit.recording import Recording
from thenar.fit.wearer import fit_wearer
from thenar.fit.wearer_known import ALL
from thenar.fit.wearer_notes import exhausted
from thenar.fit.wearer_search import Held
from thenar.fit.wearer_steps import DRIVE, FATIGUED
from thenar.fit.wearer_ticks import on_ticks
from thenar.plant_models.settings import Wearer
from thenar.report.fit_wearer_picture import fit_wearer_picture
from thenar.shared.errors import InputError

STRONG_N = 90.0
DEFAULT = wearer_of({}, STRONG_N)
FIRST_SEED = 20_000
BOUNDED, CAMPAIGN = 5, 100
CAMPAIGN_SEED = 5000


def coverage(seeds: range) -> tuple[Counter[str], Counter[str]]:
    """How often each number was called identifiable, and how often its interval then held the truth."""
    told: Counter[str] = Counter()
    held: Counter[str] = Counter()
    for seed in seeds:
        inside = recovered(seed).inside()
        told.update(inside.keys())
        held.update(key for key, is_inside in inside.items() if is_inside)
    return told, held


def test_truths_of_a_few_drawn_wearers_come_back_inside_their_intervals() -> None:
    # 95 % intervals, about 70 of them: fewer than 85 % inside would be a chance of less than 1 in 1000.
    told, held = coverage(range(FIRST_SEED, FIRST_SEED + BOUNDED))
    print(f"seeds from {FIRST_SEED}: {held} of {told}")
    assert sum(told.values()) > 10 * BOUNDED
    assert sum(held.values()) >= 0.85 * sum(told.values())


@pytest.mark.campaign
def test_intervals_of_each_identifiable_number_cover_100_drawn_truths_in_90_to_99_percent() -> None:
    seeds = range(CAMPAIGN_SEED, CAMPAIGN_SEED + CAMPAIGN)
    told, held = coverage(seeds)
    print(f"seeds {seeds.start} to {seeds.stop - 1}")
    for key in RANGES:
        print(f"{key:32} told {told[key]:3} held {held[key]:3} {100.0 * held[key] / max(1, told[key]):6.1f} %")
    assert outside_90_to_99(told, held) == {}


def holds(*parts: Part, wearer: Wearer = DEFAULT, seed: int = 3) -> Recording:
    """Each part after two seconds of rest."""
    return recorded(wearer, [one for part in parts for one in (Part(0.0, 2.0, part.shown), part)], seed)


def notes_of(fit: Fit) -> dict[str, str]:
    """Why each number that isn't told isn't."""
    return {one.key: one.note for one in fit.parameters if not one.identifiable}


@pytest.fixture(scope="module")
def one_level() -> Fit:
    """Four hidden productions at one level."""
    return fit_wearer(holds(*[Part(15.0, 12.0, False)] * 4), None, STRONG_N)


@pytest.fixture(scope="module")
def always_shown() -> Fit:
    """Two levels, own force shown throughout."""
    return fit_wearer(holds(*[Part(level, 15.0, True) for level in (8.0, 20.0, 8.0, 20.0)]), "shown", STRONG_N)


def test_one_level_cannot_tell_gain_from_offset_nor_few_productions_the_scatter(one_level: Fit) -> None:
    notes = notes_of(one_level)
    assert "one target level" in notes["production.gain"]
    assert "one target level" in notes["production.offset_N"]
    assert "4 productions" in notes["production.scatter_share"]
    assert "never shown" in notes["visual_gain_per_s"]
    assert "high force" in notes["noise.quadratic"]


def test_a_force_that_is_always_shown_tells_sight_and_noise_but_no_drift(always_shown: Fit) -> None:
    notes = notes_of(always_shown)
    for key in ("drift_depth", "drift_tau_s", "drift_neutral_share", "wander_share", "wander_tau_s"):
        assert "always shown" in notes[f"production.{key}"]
    assert "visual_gain_per_s" not in notes
    assert "noise.linear" not in notes


@pytest.mark.parametrize("which", ["one_level", "always_shown"])
def test_the_table_holds_what_is_told_alone_and_a_wearer_can_be_made_of_it(
    which: str, request: pytest.FixtureRequest
) -> None:
    fit: Fit = request.getfixturevalue(which)
    made = Wearer.model_validate(fit.table)
    for one in fit.parameters:
        *parts, last = one.key.split(".")
        place = fit.table
        for part in parts:
            place = place.get(part, {})
        assert (last in place) == one.identifiable
        if one.identifiable and math.isfinite(one.low):
            assert one.low <= one.value <= one.high
    assert made.max_pinch_N == STRONG_N


def test_the_picture_says_in_its_alt_text_what_was_told(always_shown: Fit, tmp_path: Path) -> None:
    file = tmp_path / "fit.png"
    fit_wearer_picture(file, "hold.csv", always_shown)
    words = file.read_bytes().split(b"Description", 1)[1][:4000].decode("latin-1")
    assert "visual_gain_per_s" in words
    assert "drift_depth" not in words


def test_the_same_recording_and_seed_give_the_same_fit() -> None:
    recording = holds(Part(15.0, 10.0, False))
    first, second = (fit_wearer(recording, None, STRONG_N, seed=4) for _ in range(2))
    assert first.parameters == second.parameters
    assert first.qualities == second.qualities


def test_an_unknown_maximum_is_warned_of_and_shares_are_of_the_default() -> None:
    fit = fit_wearer(holds(Part(15.0, 10.0, False)))
    assert "max_pinch_N" in notes_of(fit)
    assert "max_pinch_N" not in fit.table
    assert any("maximum is unknown" in words for words in fit.warnings)


def test_a_shown_target_out_of_reach_shows_the_maximum() -> None:
    weak = wearer_of({}, 40.0)
    fit = fit_wearer(holds(Part(10.0, 10.0, True), Part(60.0, 6.0, True), wearer=weak))
    found = next(one for one in fit.parameters if one.key == "max_pinch_N")
    assert found.identifiable
    assert found.value == pytest.approx(40.0, rel=0.05)


def test_a_recording_at_1_kHz_is_fitted_like_the_same_at_100_Hz() -> None:
    slow = holds(Part(12.0, 15.0, False), Part(25.0, 15.0, False))
    t_s = np.arange(0.0, float(slow.columns["t_s"][-1]), 0.001)
    places = np.minimum(np.floor(t_s * RATE_HZ + 1e-9).astype(int), slow.rows - 1)
    force = np.interp(t_s, slow.columns["t_s"], slow.columns["force_N"])
    fast = recording_of(t_s, slow.columns["target_N"][places], force, slow.columns["own_force_shown"][places])
    ours, theirs = (fit_wearer(one, None, STRONG_N) for one in (slow, fast))
    for one, other in zip(ours.parameters, theirs.parameters, strict=True):
        assert one.identifiable == other.identifiable, one.key
        if one.identifiable and math.isfinite(one.low):
            assert other.low <= one.value <= other.high, one.key


@pytest.mark.parametrize(("share", "rest_s", "is_tired"), [(0.5, 4.0, True), (0.1, 10.0, False)])
def test_holds_that_leave_few_motor_units_are_warned_of(share: float, rest_s: float, is_tired: bool) -> None:
    level_N = share * STRONG_N
    parts = [part for _ in range(6) for part in (Part(0.0, rest_s, False), Part(level_N, 40.0, False))]
    ticks = on_ticks(recorded(DEFAULT, parts, 7), None)
    held = Held(ticks, STRONG_N)
    now = held.told_by({}, held.made_at_first())
    words = exhausted(ticks, now.told[:, FATIGUED], now.intended[:, DRIVE])
    assert words.startswith("by the model of endurance") == is_tired
    assert bool(words) == is_tired


FLAT_S = np.arange(1000) / RATE_HZ


@pytest.mark.parametrize(
    ("target_N", "force_N", "words"),
    [
        (np.full(1000, 10.0), np.full(1000, 9.0), "constant"),
        (np.zeros(1000), np.sin(FLAT_S), "never above"),
        (10.0 + 5.0 * np.sin(6.0 * FLAT_S), 10.0 + np.sin(FLAT_S), "a target above zero rests"),
        (np.full(1000, np.nan), np.sin(FLAT_S), "no numbers"),
        (np.full(1000, 10.0), np.where(np.arange(1000) % 20, np.nan, 9.0 + np.sin(FLAT_S)), "values a second"),
        (np.full(1000, 10.0), np.where(np.arange(1000) < 300, 9.0 + np.sin(FLAT_S), np.nan), "s of target and force"),
        (np.full(1000, 10.0), np.where(np.arange(1000) == 5, 9.0, np.nan), "1 values"),
    ],
)
def test_a_recording_that_cannot_be_fitted_is_refused_in_words(
    target_N: np.ndarray, force_N: np.ndarray, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        fit_wearer(recording_of(FLAT_S, target_N, force_N), "hidden", STRONG_N)


def test_whether_the_own_force_was_shown_must_be_told() -> None:
    with pytest.raises(InputError, match="--own-force"):
        fit_wearer(recording_of(FLAT_S, np.full(1000, 10.0), 9.0 + np.sin(FLAT_S)), None, STRONG_N)


@pytest.mark.parametrize("given_N", [5.0, 9.5, 300.0])
def test_a_maximum_below_the_recorded_force_or_beyond_people_is_refused(given_N: float) -> None:
    with pytest.raises(InputError, match="max_pinch_N"):
        fit_wearer(recording_of(FLAT_S, np.full(1000, 10.0), 9.0 + np.sin(FLAT_S)), "hidden", given_N)


def test_ranges_that_are_searched_are_allowed_by_the_settings() -> None:
    for known in ALL:
        for value in (known.low, known.high, known.default()):
            assert wearer_of({known.key: value}, STRONG_N)
            assert known.value(known.scaled(value)) == pytest.approx(value)


def test_the_protocol_of_the_campaign_rests_before_each_of_its_twelve_targets() -> None:
    parts = protocol(STRONG_N, np.random.default_rng(1))
    assert [one.target_N == 0.0 for one in parts] == [True, False] * 12
