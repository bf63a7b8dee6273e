"""Wearers drawn around fitted people: by their intervals, within the settings, whoever else is drawn."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kstest, norm

from thenar.plant_models.fitted_people import FittedPerson, range_of
from thenar.plant_models.population import draw_wearers, drawn_wearer
from thenar.plant_models.settings import Population, Wearer

BASE = Wearer(name="engraver")
POPULATION = Population(count=2000)
STRONG = FittedPerson(
    ("strong.toml",),
    {
        "max_pinch_N": 120.0,
        "production": {"gain": 1.3, "offset_N": 1.0},
        "cue": {"trust": 0.95},
        "noise": {"linear": 0.02},
        "agonist": {"muscle": {"model": "twitch"}, "recruitment": {"rheobase_mA": 6.0}},
    },
    {
        "max_pinch_N": (100.0, 140.0),
        "production.gain": (1.0, 1.69),
        "production.offset_N": (0.5, 1.5),
        "cue.trust": (0.8, 1.1),
        "noise.linear": (-0.01, 0.05),
        "agonist.recruitment.rheobase_mA": (5.0, 7.2),
    },
)
WEAK = FittedPerson(("weak.toml",), {"max_pinch_N": 40.0}, {"max_pinch_N": (38.0, 42.0)})
MANY = draw_wearers(BASE, POPULATION, 8, [STRONG])
WITHOUT = draw_wearers(BASE, POPULATION, 8)


def test_without_people_a_drawn_wearer_is_that_of_earlier_versions() -> None:
    third = draw_wearers(Wearer(), Population(count=3, norms="healthy-adults"), 8)[2]
    found = (third.max_pinch_N, third.production.gain, third.production.offset_N, third.cue.trust, third.cue.delay_ms)
    found += (third.visual_delay_ms, third.motor_delay_ms, third.agonist.recruitment.rheobase_mA)
    found += (third.agonist.muscle.reachable_N, third.antagonist.muscle.reachable_N)
    # Written down before there were people to draw around.
    assert found == pytest.approx(
        (
            83.86472533299525, 0.7498735188859282, -0.5552674899905438, 0.3490595037386992, 147.6045665201563,
            182.6234881715961, 64.37775574841447, 3.1629752956393453, 31.45264395410157, 14.226574711976278,
        ),
        rel=1e-14,
    )  # fmt: skip


def test_what_was_not_fitted_is_drawn_as_without_people() -> None:
    for drawn, before in zip(MANY[:200], WITHOUT[:200], strict=True):
        assert (drawn.name, drawn.visual_delay_ms, drawn.motor_delay_ms) == (
            before.name,
            before.visual_delay_ms,
            before.motor_delay_ms,
        )
        assert drawn.cue.delay_ms == before.cue.delay_ms
        assert drawn.agonist.recruitment.chronaxie_us == before.agonist.recruitment.chronaxie_us
        assert drawn.antagonist.recruitment == before.antagonist.recruitment
        # A muscle's reach goes with strength, and strength is the fitted one here.
        stronger = drawn.max_pinch_N / before.max_pinch_N
        assert drawn.antagonist.muscle.reachable_N == pytest.approx(before.antagonist.muscle.reachable_N * stronger)


def _agreement(values: list[float], low: float, high: float) -> float:
    """p of a Kolmogorov-Smirnov test against the normal distribution with these 2.5 % and 97.5 % points."""
    sd = (high - low) / (norm.ppf(0.975) - norm.ppf(0.025))
    return float(kstest(values, norm(0.5 * (low + high), sd).cdf).pvalue)


def test_positive_settings_are_drawn_lognormal_and_the_others_normal_by_their_intervals() -> None:
    logs = {
        "max_pinch_N": ([w.max_pinch_N for w in MANY], 100.0, 140.0),
        "gain": ([w.production.gain for w in MANY], 1.0, 1.69),
        "rheobase_mA": ([w.agonist.recruitment.rheobase_mA for w in MANY], 5.0, 7.2),
    }
    for key, (values, low, high) in logs.items():
        assert _agreement(np.log(values).tolist(), math.log(low), math.log(high)) > 0.001, key
        outside = np.mean([not low <= value <= high for value in values])
        assert 0.03 < outside < 0.07, key
    offsets = [w.production.offset_N for w in MANY]
    assert _agreement(offsets, 0.5, 1.5) > 0.001
    assert _agreement(np.log(np.maximum(offsets, 1e-9)).tolist(), math.log(0.5), math.log(1.5)) < 0.001


def test_an_interval_that_reaches_below_zero_is_linear_and_cut_at_the_range_of_the_setting() -> None:
    linear = np.array([w.noise.linear for w in MANY])
    sd = 0.06 / (2 * norm.ppf(0.975))
    assert linear.min() == 0.0
    assert np.mean(linear == 0.0) == pytest.approx(norm.cdf(-0.02 / sd), abs=0.03)
    assert np.median(linear) == pytest.approx(0.02, abs=0.002)
    trusts = np.array([w.cue.trust for w in MANY])
    assert trusts.max() == 1.0
    assert 0.1 < np.mean(trusts == 1.0) < 0.4


def test_a_fitted_value_without_interval_is_taken_as_it_is() -> None:
    assert {wearer.agonist.muscle.model for wearer in MANY} == {"twitch"}
    assert {wearer.antagonist.muscle.model for wearer in MANY} == {"calcium"}


def test_drawn_values_pass_the_settings_that_a_person_could_write() -> None:
    for wearer in MANY[:300]:
        assert Wearer.model_validate(wearer.model_dump()) == wearer


def test_each_person_is_equally_likely_and_named_by_files() -> None:
    drawn = draw_wearers(BASE, POPULATION, 4, [STRONG, WEAK])
    counts = Counter(wearer.files for wearer in drawn)
    assert set(counts) == {("strong.toml",), ("weak.toml",)}
    assert abs(counts["weak.toml",] - 1000) < 4 * math.sqrt(500)
    for wearer in drawn:
        assert (wearer.max_pinch_N < 60) == (wearer.files == ("weak.toml",))


@given(st.integers(0, 2**31), st.integers(0, 40))
def test_a_draw_depends_on_nothing_else_that_is_fitted_or_drawn(seed: int, index: int) -> None:
    two = drawn_wearer(BASE, POPULATION, seed, index, [STRONG, WEAK])
    assert draw_wearers(BASE, Population(count=index + 1), seed, [STRONG, WEAK])[index] == two
    alone = FittedPerson(
        STRONG.files, {"production": {"gain": 1.3}}, {"production.gain": STRONG.intervals["production.gain"]}
    )
    fewer = drawn_wearer(BASE, POPULATION, seed, index, [alone, WEAK])
    spread = Population(count=3, production_gain_sd=0.9, trust_sd=0.9, women_share=0.1)
    other = drawn_wearer(Wearer(max_pinch_N=50.0), spread, seed, index, [STRONG, WEAK])
    assert two.files == fewer.files == other.files
    if two.files == STRONG.files:
        assert two.production.gain == fewer.production.gain == other.production.gain
        assert (two.max_pinch_N, two.noise, two.cue.trust) == (other.max_pinch_N, other.noise, other.cue.trust)


def test_ranges_are_those_of_the_settings() -> None:
    assert range_of("production.offset_N") == (-20.0, 20.0)
    assert range_of("agonist.muscle.alpha_A_per_ms2") == (-1e-4, 0.0)
    low, high = range_of("agonist.recruitment.sensory_over_motor")
    assert 0.05 < low < 0.0500001
    assert 0.9999999 < high < 1.0
