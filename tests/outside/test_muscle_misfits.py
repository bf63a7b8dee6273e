"""Muscle sessions made without thenar: those of other model classes are not believed, right ones are."""

from __future__ import annotations

import secrets

import numpy as np
import pytest

from tests.outside.muscles import WRONG, muscle_session
from thenar.fit.muscle import fit_muscle
from thenar.fit.recording import Recording


def misfits(seed: int, number: int, wrong: str) -> tuple[str, ...]:
    """What the fit of a drawn session says against itself."""
    columns = muscle_session(np.random.default_rng([seed, number]), wrong)
    return fit_muscle(Recording("muscle", "trains.csv", "0" * 64, columns["t_s"].size, "", "", columns)).misfits


@pytest.mark.parametrize("wrong", WRONG)
def test_a_muscle_of_another_class_is_not_believed(wrong: str) -> None:
    assert misfits(20261205, 0, wrong)


def test_a_right_muscle_is_believed() -> None:
    assert misfits(20261206, 0, "") == ()


@pytest.mark.campaign
@pytest.mark.parametrize("wrong", WRONG)
def test_every_muscle_of_another_class_is_not_believed(wrong: str) -> None:
    seed = secrets.randbits(32)
    print("seed", seed)
    assert [number for number in range(5) if not misfits(seed, number, wrong)] == []


@pytest.mark.campaign
def test_of_two_hundred_right_muscles_at_most_a_twentieth_raises_an_alarm() -> None:
    seed = secrets.randbits(32)
    print("seed", seed)
    assert sum(bool(misfits(seed, number, "")) for number in range(200)) <= 10
