"""What the two agency-aware laws give and take beside the plain ones, over drawn wearers and several draws of them.

Each claim is a paired difference (the same wearers, targets and noise) whose 95 % interval leaves zero out. The table:
`python -m tests.loop.agency_runs 200 1`.
"""

from __future__ import annotations

from functools import cache

import pytest

from tests.loop.agency_runs import LAWS, PLAIN, less_plain, mean_of, scores_of
from thenar.study.scores import Wearers

WEARERS = 40
SEEDS = (1, 2, 3)


@cache
def scores(law: str, seed: int, condition: str = "assisted") -> Wearers:
    """Scores of the wearers of one draw."""
    return scores_of(law, WEARERS, seed, condition)


@pytest.mark.parametrize("seed", SEEDS)
def test_yielding_pushes_less_against_the_wearer_and_leaves_more_to_the_wearer_at_a_cost_in_error(seed: int) -> None:
    yielding, plain = scores("yielding", seed), scores(PLAIN, seed)
    for name, sign in (("against_own_percent", -1), ("refusals_per_min", -1), ("own_impulse_percent", 1)):
        found, _ = less_plain(yielding, plain, name)
        assert min(sign * found.low, sign * found.high) > 0.0, (name, found)
    cost, _ = less_plain(yielding, plain, "mean_abs_error_N")
    # Over 200 wearers 0.16 N, interval 0.13 to 0.19: twice that at most.
    assert cost.low > 0.0
    assert cost.value < 0.32


@pytest.mark.parametrize("seed", SEEDS)
def test_confidence_leaves_more_to_the_wearer_and_asks_fewer_refusals_at_a_small_cost_in_error(seed: int) -> None:
    confident, plain = scores("confident", seed), scores(PLAIN, seed)
    for name, sign in (("refusals_per_min", -1), ("own_impulse_percent", 1)):
        found, _ = less_plain(confident, plain, name)
        assert min(sign * found.low, sign * found.high) > 0.0, (name, found)
    cost, _ = less_plain(confident, plain, "mean_abs_error_N")
    # Over 200 wearers 0.04 N, interval 0.03 to 0.07 (a few wearers pay most of it): 0.12 N at most.
    assert abs(cost.value) < 0.12


@pytest.mark.parametrize("law", LAWS)
def test_every_law_still_beats_no_help(law: str) -> None:
    for seed in SEEDS:
        alone = scores(PLAIN, seed, "unassisted")
        gain, _ = less_plain(scores(law, seed), alone, "mean_abs_error_N")
        assert gain.high < 0.0


def test_without_stimulation_all_is_the_wearers_own_and_nothing_is_to_refuse() -> None:
    alone = scores(PLAIN, SEEDS[0], "unassisted")
    for name, value in (("own_impulse_percent", 100.0), ("against_own_percent", 0.0), ("refusals_per_min", 0.0)):
        found, count = mean_of(alone, name)
        assert (found.value, count) == (value, WEARERS)
