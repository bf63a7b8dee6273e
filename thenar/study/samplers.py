"""Where the values of a try come from: the named samplers, each made anew for a batch from (seed, batch) alone."""

from __future__ import annotations

from typing import Any

import numpy as np
from optuna import samplers
from optuna.distributions import BaseDistribution, FloatDistribution, IntDistribution
from optuna.study import Study
from optuna.trial import FrozenTrial
from scipy.stats import qmc

from thenar.study.ranges import Range


def sampler_for(name: str, ranges: tuple[Range, ...], seed: int, batch: int, size: int) -> samplers.BaseSampler:
    """A fresh sampler for one batch of `size` tries.

    Every choice is spelt out, because the library's defaults change. Raises ValueError on an unknown name.
    """
    own = sampler_seed(seed, batch)
    match name:
        case "tpe":
            return samplers.TPESampler(
                seed=own, n_startup_trials=10, n_ei_candidates=24, multivariate=True, group=False, constant_liar=True
            )
        case "nsga2":
            return samplers.NSGAIISampler(
                seed=own,
                population_size=size,
                mutation=samplers.nsgaii.PolynomialMutation(),
                crossover=samplers.nsgaii.SBXCrossover(),
                crossover_prob=0.9,
                swapping_prob=0.5,
            )
        case "random":
            return samplers.RandomSampler(seed=own)
        case "quasi-random":
            # One scrambled sequence for the whole search: a point's place in it is its try's number.
            return QuasiRandomSampler(ranges, sampler_seed(seed, 0))
        case _:
            raise ValueError(f"no sampler called {name!r}")


def sampler_seed(seed: int, batch: int) -> int:
    """The 32-bit seed of one batch's sampler, from the search's seed (at least 0) and the batch's number."""
    return int(np.random.SeedSequence((seed, batch)).generate_state(1)[0])


def distribution_of(one: Range) -> BaseDistribution:
    """A range as the library knows it."""
    if one.whole:
        return IntDistribution(int(one.low), int(one.high))
    return FloatDistribution(one.low, one.high, log=one.log)


class QuasiRandomSampler(samplers.BaseSampler):
    """Gives try n the n-th point of the Sobol sequence that `seed` scrambles, so that it has no memory of its own.

    (The library's own sampler counts its points in the study and draws the first batch at random.)
    """

    def __init__(self, ranges: tuple[Range, ...], seed: int) -> None:
        self._ranges, self._seed = ranges, seed

    def infer_relative_search_space(
        self,
        study: Study,  # noqa: ARG002
        trial: FrozenTrial,  # noqa: ARG002
    ) -> dict[str, BaseDistribution]:
        """All keys: they are drawn together."""
        return {one.key: distribution_of(one) for one in self._ranges}

    def sample_relative(
        self,
        study: Study,  # noqa: ARG002
        trial: FrozenTrial,
        search_space: dict[str, BaseDistribution],  # noqa: ARG002
    ) -> dict[str, Any]:
        """The values of one try by key, each in its own unit."""
        sequence = qmc.Sobol(len(self._ranges), scramble=True, rng=np.random.default_rng(self._seed))
        if trial.number:
            sequence.fast_forward(trial.number)
        shares = sequence.random(1)[0]
        return {one.key: one.plain(one.at(float(share))) for one, share in zip(self._ranges, shares, strict=True)}

    def sample_independent(
        self,
        study: Study,  # noqa: ARG002
        trial: FrozenTrial,  # noqa: ARG002
        param_name: str,
        param_distribution: BaseDistribution,  # noqa: ARG002
    ) -> Any:
        """Never asked, as every key is in the joint draw. Raises KeyError."""
        raise KeyError(param_name)
