"""Drawn wearers: repeatable, each by itself, and inside bounds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import spearmanr

from thenar.plant_models.population import draw_wearers
from thenar.plant_models.settings import Channel, Cue, Muscle, Population, Production, Wearer

BASE = Wearer(name="engraver", sees_own_force=True, cue=Cue(trust=-0.4), production=Production(gain=1.2, offset_N=0.5))
MANY = draw_wearers(BASE, Population(count=2000), 8)


@given(st.integers(0, 2**31), st.integers(1, 6), st.integers(0, 6))
def test_a_wearer_does_not_depend_on_how_many_are_drawn(seed: int, count: int, more: int) -> None:
    few = draw_wearers(BASE, Population(count=count), seed)
    many = draw_wearers(BASE, Population(count=count + more), seed)
    assert few == many[:count]
    assert [wearer.name for wearer in few] == [f"engraver {index + 1}" for index in range(count)]


def test_another_seed_draws_other_wearers() -> None:
    strengths = {wearer.max_pinch_N for seed in range(20) for wearer in draw_wearers(BASE, Population(count=3), seed)}
    assert len(strengths) == 60


def test_what_is_not_drawn_stays_as_in_the_base_wearer() -> None:
    for wearer in MANY[:50]:
        assert wearer.sees_own_force
        assert wearer.noise == BASE.noise
        assert wearer.agonist.electrode == BASE.agonist.electrode
        assert wearer.agonist.muscle.model_copy(update={"reachable_N": 35.0}) == BASE.agonist.muscle


def test_drawn_values_pass_the_settings_that_a_person_could_write() -> None:
    for wearer in MANY:
        assert Wearer.model_validate(wearer.model_dump()) == wearer


def test_medians_are_those_of_the_base_wearer_and_spreads_those_asked_for() -> None:
    gains = np.log([wearer.production.gain for wearer in MANY])
    assert np.median(gains) == pytest.approx(np.log(1.2), abs=0.03)
    assert gains.std() == pytest.approx(0.30, abs=0.02)
    trusts = np.array([wearer.cue.trust for wearer in MANY])
    assert np.median(trusts) == pytest.approx(-0.4, abs=0.02)
    assert trusts.min() >= -1.0
    offsets = np.array([wearer.production.offset_N for wearer in MANY])
    assert offsets.mean() == pytest.approx(0.5, abs=0.06)
    assert offsets.std() == pytest.approx(0.8, abs=0.05)
    rheobases = np.log([wearer.agonist.recruitment.rheobase_mA for wearer in MANY])
    assert np.median(rheobases) == pytest.approx(np.log(4.0), abs=0.02)
    assert rheobases.std() == pytest.approx(0.25, abs=0.02)


@pytest.mark.parametrize("seed", [31, 32, 33])
def test_people_are_as_strong_as_the_wearer_whom_they_are_drawn_around(seed: int) -> None:
    weak = Wearer(max_pinch_N=20.0)
    weak = weak.model_copy(update={"agonist": Channel(muscle=Muscle(reachable_N=8.0))})
    drawn = draw_wearers(weak, Population(count=400), seed)
    strength = np.array([wearer.max_pinch_N for wearer in drawn])
    assert abs(strength.mean() - 20.0) < 2 * strength.std() / 20
    assert strength.std() == pytest.approx(0.18 * 20.0, rel=0.12)
    reach = np.log([wearer.agonist.muscle.reachable_N for wearer in drawn])
    assert np.exp(np.median(reach)) == pytest.approx(8.0, rel=0.06)
    other = np.log([wearer.antagonist.muscle.reachable_N for wearer in drawn])
    # As docs/sensor-and-people.md states them; the interval of a correlation over 400 people is some 0.07 wide.
    assert np.corrcoef(np.log(strength), reach)[0, 1] == pytest.approx(0.58, abs=0.12)
    assert np.corrcoef(reach, other)[0, 1] == pytest.approx(0.34, abs=0.14)


def test_a_norm_is_drawn_whoever_is_described() -> None:
    for norms, mean_N, sd_N in (("after-spinal-cord-injury", 14.6, 5.6), ("after-stroke", 42.4, 25.9)):
        population = Population(count=400, norms=norms)
        strength = np.array([one.max_pinch_N for one in draw_wearers(Wearer(max_pinch_N=60.0), population, 12)])
        assert abs(strength.mean() - mean_N) < 2 * strength.std() / 20
        assert strength.std() == pytest.approx(sd_N, rel=0.12)


def test_a_population_without_spread_differs_in_strength_alone() -> None:
    same = Population(
        count=20, production_gain_sd=0.0, production_offset_sd_N=0.0, trust_sd=0.0, threshold_sd=0.0, chronaxie_sd=0.0,
        reach_sd=0.0, delay_sd=0.0, norms="healthy-adults",
    )  # fmt: skip
    for wearer in draw_wearers(BASE, same, 3):
        reach_N = wearer.agonist.muscle.reachable_N
        assert reach_N == pytest.approx(BASE.agonist.muscle.reachable_N * wearer.max_pinch_N / BASE.max_pinch_N)
        assert (wearer.production, wearer.cue) == (BASE.production, BASE.cue)
        assert wearer.agonist.recruitment == BASE.agonist.recruitment
        assert (wearer.visual_delay_ms, wearer.motor_delay_ms) == (BASE.visual_delay_ms, BASE.motor_delay_ms)


def test_stronger_wearers_have_muscles_that_reach_further_and_nothing_else_goes_with_strength() -> None:
    strength = [wearer.max_pinch_N for wearer in MANY]
    assert spearmanr(strength, [wearer.agonist.muscle.reachable_N for wearer in MANY])[0] > 0.5
    for other in (
        [wearer.production.gain for wearer in MANY],
        [wearer.cue.trust for wearer in MANY],
        [wearer.agonist.recruitment.rheobase_mA for wearer in MANY],
        [wearer.antagonist.recruitment.chronaxie_us for wearer in MANY],
        [wearer.visual_delay_ms for wearer in MANY],
    ):
        assert abs(spearmanr(strength, other)[0]) < 0.08
