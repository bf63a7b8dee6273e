"""Staircases that can't be fitted are refused with the column, what was found and what is needed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.thenar.made_staircases import Plan, drawn_truth, recorded, recording_of
from thenar.fit.recruitment import fit_recruitment
from thenar.shared.errors import InputError


def columns() -> dict[str, Any]:
    """A good staircase."""
    random = np.random.default_rng(1)
    return recorded(drawn_truth(random), Plan(), random)


def changed(name: str, place: int, value: float) -> dict[str, Any]:
    """The good staircase with one cell changed."""
    found = columns()
    found[name][place] = value
    return found


def noise(count: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Force of a muscle that doesn't answer, N."""
    return np.asarray(0.1 * np.random.default_rng(2).standard_normal(count))


GOOD = columns()
COUNT = GOOD["force_N"].size


@pytest.mark.parametrize(
    ("spoiled", "key", "words"),
    [
        ({name: values[:7] for name, values in GOOD.items()}, "", "7 steps with current, width and force"),
        ({name: values for name, values in GOOD.items() if name != "width_us"}, "width_us", "no numbers"),
        (GOOD | {"force_N": np.full(COUNT, np.nan)}, "force_N", "no numbers"),
        (GOOD | {"force_N": np.full(COUNT, 3.0)}, "force_N", "3 N at every step"),
        (
            GOOD | {"current_mA": np.full(COUNT, 5.0), "width_us": np.full(COUNT, 200.0)},
            "current_mA",
            "every pulse is 5 mA, 200 us",
        ),
        (GOOD | {"force_N": noise(COUNT)}, "force_N", "no growth"),
        (GOOD | {"force_N": -GOOD["force_N"]}, "force_N", "no growth"),
        (changed("current_mA", 3, -2.0), "current_mA, row 4", "-2"),
        (changed("width_us", 5, 0.0), "width_us, row 6", "0"),
        (changed("rate_Hz", 0, 30.0), "rate_Hz", "2 rates from 30 to 100 Hz"),
        (changed("response", 8, 2.0), "response, row 9", "2"),
    ],
)
def test_a_staircase_that_cannot_be_fitted_says_where_and_why(spoiled: dict[str, Any], key: str, words: str) -> None:
    with pytest.raises(InputError) as refused:
        fit_recruitment(recording_of(spoiled))
    problem = refused.value.problems[0]
    assert problem.key == key
    assert words in problem.found
    assert problem.allowed


def test_empty_cells_are_no_steps_and_do_no_harm() -> None:
    found = columns()
    found["force_N"][[2, 20, 40]] = np.nan
    fit = fit_recruitment(recording_of(found))
    assert sum(one.identifiable for one in fit.parameters) == 5
