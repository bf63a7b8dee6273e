"""Noise streams: the same numbers everywhere, and none that knows of another."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from thenar.shared.noise import normals, stream, uniforms

KEYS = st.tuples(st.integers(0, 2**63 - 1), st.integers(0, 10**5), st.integers(0, 10**5), st.text(max_size=30))


@given(KEYS)
def test_a_stream_gives_the_same_numbers_each_time(key: tuple[int, int, int, str]) -> None:
    assert normals(*key, 50).tobytes() == normals(*key, 50).tobytes()
    assert uniforms(*key, 50).tobytes() == uniforms(*key, 50).tobytes()


def test_a_stream_gives_the_same_numbers_in_another_process() -> None:
    script = "from thenar.shared.noise import normals; print(normals(7, 1, 2, 'estimator noise', 1000).tobytes().hex())"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert bytes.fromhex(done.stdout.strip()) == normals(7, 1, 2, "estimator noise", 1000).tobytes()


@given(KEYS, KEYS)
def test_streams_of_different_names_share_no_number(
    one: tuple[int, int, int, str], other: tuple[int, int, int, str]
) -> None:
    if one != other:
        assert not set(normals(*one, 20).tolist()) & set(normals(*other, 20).tolist())


def test_seed_wearer_and_trial_are_not_run_together() -> None:
    """1, 11, 1 and 11, 1, 1 would be one text without something between the numbers."""
    keys = [(1, 11, 1), (11, 1, 1), (1, 1, 11), (1, 1, 1), (111, 1, 1)]
    assert len({normals(*key, "x", 3).tobytes() for key in keys}) == len(keys)


@given(KEYS, st.integers(1, 100), st.integers(0, 100))
def test_a_longer_draw_begins_with_the_shorter_one(key: tuple[int, int, int, str], few: int, more: int) -> None:
    """So a longer trial meets the same beginning."""
    assert normals(*key, few + more)[:few].tobytes() == normals(*key, few).tobytes()
    assert uniforms(*key, few + more)[:few].tobytes() == uniforms(*key, few).tobytes()


def test_drawing_from_one_stream_does_not_move_another() -> None:
    first, second = stream(1, 0, 0, "first"), stream(1, 0, 0, "second")
    first.random(1_000)
    assert second.random(5).tolist() == uniforms(1, 0, 0, "second", 5).tolist()


def test_a_draw_of_nothing_is_empty() -> None:
    assert normals(1, 0, 0, "x", 0).shape == uniforms(1, 0, 0, "x", 0).shape == (0,)


def test_numbers_have_the_distribution_that_their_name_says() -> None:
    """One fixed stream of 100 000, so this can't fail by chance; 1e-3 is the usual level of such tests."""
    assert stats.kstest(normals(5, 0, 0, "check", 100_000), "norm").pvalue > 1e-3
    assert stats.kstest(uniforms(5, 0, 0, "check", 100_000), "uniform").pvalue > 1e-3
    assert uniforms(5, 0, 0, "check", 100_000).max() < 1.0


def test_neighbouring_streams_are_uncorrelated() -> None:
    """200 streams that differ by one in one key: no pair of 2000 numbers correlates beyond five standard errors."""
    keys = [
        (1, wearer, trial, name)
        for wearer in range(10)
        for trial in range(10)
        for name in ("wearer slow", "wearer fast")
    ]
    table = np.corrcoef([normals(*key, 2_000) for key in keys])
    np.fill_diagonal(table, 0.0)
    assert np.abs(table).max() < 5 / np.sqrt(2_000)
