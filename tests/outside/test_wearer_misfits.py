"""Hands of another kind than the tool's: where the fitted one does the task otherwise, it is not believed."""

from __future__ import annotations

import secrets

import numpy as np
import pytest

from tests.outside.trackers import MAX_PINCH_N, WRONG, tracker
from tests.thenar.fit_wearer_trials import recovered
from thenar.fit.found import Fit
from thenar.fit.recording import Recording
from thenar.fit.wearer import fit_wearer

BAND = 1.3
"""A little more than the band of the fit: its own range of twenty runs moves from seed to seed."""


def fitted(seed: int, number: int, wrong: str, hold_s: float = 12.0) -> Fit:
    """The fit of a drawn tracker."""
    columns = tracker(np.random.default_rng([seed, number]), wrong, hold_s)
    recording = Recording("wearer", "holds.csv", "0" * 64, columns["t_s"].size, "", "", columns)
    return fit_wearer(recording, max_pinch_N=MAX_PINCH_N)


def is_silent(fit: Fit) -> bool:
    """Whether a wearer is believed whose error or unsteadiness at the recorded task is far from that on record."""
    told = {one.name: one for one in fit.qualities}
    far = any(
        f"{name}_again" in told
        and not told[f"{name}_again"].low / BAND <= told[name].value <= told[f"{name}_again"].high * BAND
        for name in ("error", "unsteady")
    )
    return far and not fit.misfits


@pytest.mark.parametrize("wrong", WRONG)
def test_a_hand_that_no_such_wearer_is_isnt_believed(wrong: str) -> None:
    assert fitted(20261209, 0, wrong).misfits


@pytest.mark.parametrize("hold_s", [12.0, 5.0])
def test_a_tracker_is_either_met_or_not_believed_also_in_short_holds(hold_s: float) -> None:
    fit = fitted(20261210, 1, "", hold_s)
    assert {"error", "error_again", "unsteady", "unsteady_again"} <= {one.name for one in fit.qualities}
    assert not is_silent(fit)


def test_a_wearer_of_the_model_is_believed() -> None:
    assert recovered(20261211).fit.misfits == ()


@pytest.mark.campaign
def test_none_of_twenty_trackers_is_met_badly_in_silence() -> None:
    seed = secrets.randbits(32)
    print("seed", seed)
    wrong = [WRONG[number % 3] if number % 3 < len(WRONG) else "" for number in range(20)]
    fits = [fitted(seed, number, wrong[number], (12.0, 5.0)[number % 2]) for number in range(20)]
    assert [number for number, fit in enumerate(fits) if is_silent(fit) or (wrong[number] and not fit.misfits)] == []


@pytest.mark.campaign
def test_of_sixty_wearers_of_the_model_at_most_three_raise_an_alarm() -> None:
    first = secrets.randbits(30)
    print("first seed", first)
    assert sum(bool(recovered(seed).fit.misfits) for seed in range(first, first + 60)) <= 3
