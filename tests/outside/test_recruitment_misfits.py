"""Staircases made without thenar: wrong ones are not believed, right ones are, and their intervals hold the truth."""

from __future__ import annotations

import secrets

import numpy as np
import pytest

from tests.outside.staircases import WRONG, staircase
from thenar.fit.recording import Recording
from thenar.fit.recruitment import fit_recruitment


def misfits(seed: int, number: int, wrong: str) -> tuple[str, ...]:
    """What the fit of a drawn staircase says against itself."""
    columns = staircase(np.random.default_rng([seed, number]), wrong)
    rows = columns["force_N"].size
    return fit_recruitment(Recording("recruitment", "key-pinch.csv", "0" * 64, rows, "", "", columns)).misfits


@pytest.mark.parametrize("wrong", WRONG)
def test_a_wrong_staircase_is_not_believed(wrong: str) -> None:
    told = [misfits(20261207, number, wrong) for number in range(6)]
    assert all(told), told


def test_right_staircases_are_believed() -> None:
    told = [misfits(20261208, number, "") for number in range(12)]
    assert sum(map(bool, told)) <= 1, told


@pytest.mark.campaign
@pytest.mark.parametrize("wrong", WRONG)
def test_every_one_of_twenty_wrong_staircases_is_not_believed(wrong: str) -> None:
    seed = secrets.randbits(32)
    print("seed", seed)
    assert [number for number in range(20) if not misfits(seed, number, wrong)] == []


@pytest.mark.campaign
def test_of_two_hundred_right_staircases_at_most_a_twentieth_raises_an_alarm() -> None:
    seed = secrets.randbits(32)
    print("seed", seed)
    assert sum(bool(misfits(seed, number, "")) for number in range(200)) <= 10
