"""Handling strokes on the held tool."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thenar.plant_models.handling import handling_N
from thenar.plant_models.settings import Handling

TICK_US = 5_000
SPARSE = Handling(strokes_per_s=0.2, amplitude_N=2.0, length_ms=200.0, release_share=0.3)

seeds = st.integers(0, 2**31)


def strokes_of(force: np.ndarray) -> list[np.ndarray]:
    """Stretches without a zero, those at both ends left out."""
    edges = np.flatnonzero(np.diff((force != 0.0).astype(int)))
    return [force[start + 1 : end + 1] for start, end in pairwise(edges) if force[start + 1] != 0.0]


@given(seeds, st.integers(1, 400), st.integers(0, 400))
def test_a_longer_trial_begins_with_the_same_strokes(seed: int, count: int, more: int) -> None:
    settings = Handling(strokes_per_s=3.0)
    short = handling_N(settings, TICK_US, count, seed, 0, 0)
    long = handling_N(settings, TICK_US, count + more, seed, 0, 0)
    assert short.shape == (count,)
    assert np.array_equal(short, long[:count])


def test_no_strokes_or_no_size_is_no_handling() -> None:
    for settings in (Handling(), Handling(strokes_per_s=5.0, amplitude_N=0.0)):
        assert not handling_N(settings, TICK_US, 1_000, 1, 0, 0).any()


def test_wearers_and_repeats_meet_different_strokes() -> None:
    settings = Handling(strokes_per_s=2.0)
    runs = [tuple(handling_N(settings, TICK_US, 2_000, 1, *key)) for key in ((0, 0), (1, 0), (0, 1))]
    assert len(set(runs)) == 3


def test_strokes_are_half_sines_of_the_stated_size_length_number_and_direction() -> None:
    # Sparse, so that few overlap: 1000 s hold about 200. Sizes and lengths lie within half of their mean either way.
    strokes = strokes_of(np.concatenate([handling_N(SPARSE, TICK_US, 20_000, seed, 0, 0) for seed in range(10)]))
    lone = [stroke for stroke in strokes if 0.1 < len(stroke) * TICK_US * 1e-6 < 0.3]
    assert 150 < len(lone) < 230
    sizes = np.array([np.abs(stroke).max() for stroke in lone])
    assert np.median(sizes) == pytest.approx(2.0, abs=0.2)
    assert np.percentile(sizes, 2) > 0.98
    assert np.percentile(sizes, 95) < 3.0
    assert np.mean([len(stroke) for stroke in lone]) * TICK_US * 1e-3 == pytest.approx(200.0, abs=12.0)
    assert np.mean([stroke[0] < 0.0 for stroke in lone]) == pytest.approx(0.3, abs=0.1)
    tall = max(lone, key=len)
    share = (np.arange(len(tall)) + 0.5) / len(tall)
    assert np.corrcoef(np.abs(tall), np.sin(np.pi * share))[0, 1] > 0.999


def test_releases_alone_only_take_force_away() -> None:
    force = handling_N(Handling(strokes_per_s=4.0, release_share=1.0), TICK_US, 4_000, 5, 0, 0)
    assert force.min() < -0.5
    assert force.max() == 0.0
