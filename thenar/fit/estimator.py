"""`thenar fit estimator`: from measured and estimated force to a force estimator that the simulator runs.

The model is the simulator's own (`plant_models/estimator.py`); nothing else is assumed of the sensor. Where the
recording can't tell a number, the fit says so and leaves it to the scenario.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.fit.estimator_bursts import Bursts, Outliers, bursts_of, dropout_runs, outliers_in, stuck_in
from thenar.fit.estimator_clock import Clock, clock_of
from thenar.fit.estimator_curve import jump_blocks
from thenar.fit.estimator_errors import Level, error_qualities, held_out_qualities, misfits_of, stretches
from thenar.fit.estimator_jumps import JumpSizes, jump_sizes
from thenar.fit.estimator_pairs import Pairs, paired
from thenar.fit.estimator_search import Found, cleared, curve_se_N, searched
from thenar.fit.estimator_timing import timing
from thenar.fit.estimator_words import (
    cuts_told,
    noise_told,
    others_told,
    outliers_told,
    stated_told,
    table_of,
    warnings_of,
)
from thenar.fit.found import Fit
from thenar.fit.recording import Recording
from thenar.plant_models.settings import Estimator
from thenar.shared.errors import InputError, Problem, validated

MOST_HELD_OUT: Final = 0.5
SHOWN: Final = 20_000


class Parts(NamedTuple):
    """All that was found, before it is put into words."""

    pairs: Pairs
    clock: Clock
    found: Found
    dropouts: Bursts
    stucks: Bursts
    outliers: Outliers
    jumps: JumpSizes
    long_min: float


def fit_estimator(recording: Recording, held_out: float = 0.2, seed: int = 0) -> Fit:
    """Fit a force estimator to `recording` (columns t_s, force_N, estimate_N and, if known, stated_sd_N).

    `held_out`: share of the time that is never fitted on, 0 to 0.5; `seed`: of the choice of those stretches and of
    resampling. Raises InputError for a recording that can't tell an estimator.
    """
    if not 0.0 <= held_out <= MOST_HELD_OUT:
        raise InputError([Problem(recording.file, "held_out", str(held_out), f"a share from 0 to {MOST_HELD_OUT:g}")])
    pairs = paired(recording)
    clock = clock_of(pairs.t_s, seed)
    stuck = stuck_in(pairs.estimate_N, clock.slot)
    outliers = outliers_in(pairs.estimate_N, pairs.force.at(pairs.t_s - pairs.lag_s))
    held = stretches(pairs.t_s, held_out, seed)
    found = searched(pairs, clock, ~stuck.at & ~outliers.at & (held < 0))
    long_min = float(pairs.t_s[-1] - pairs.t_s[0]) / 60.0
    guess = found.guess
    blocks = jump_blocks(found.covariance, guess.true_N.size, guess.jumps.first.size)
    parts = Parts(
        pairs,
        clock,
        found,
        bursts_of(dropout_runs(clock.slot), clock.gap_s, long_min),
        bursts_of(stuck.runs, clock.gap_s, long_min),
        outliers,
        jump_sizes(guess.jumps.offset_N, guess.jumps.gain, blocks, long_min),
        long_min,
    )
    fresh, stretch = ~stuck.at[:: found.stride], held[:: found.stride]
    qualities, by_level = error_qualities(found, fresh, seed)
    qualities += held_out_qualities(found, stretch, cleared(found, fresh & ~outliers.at[:: found.stride]))
    parameters = (
        *timing(clock, found),
        *noise_told(found, long_min),
        *others_told(parts.jumps, parts.dropouts, parts.stucks, clock),
        *outliers_told(parts.outliers),
        *stated_told(recording, found),
        *cuts_told(found),
    )
    parameters = tuple(
        one._replace(value=float(one.value), low=float(one.low), high=float(one.high)) for one in parameters
    )
    table = table_of(parameters, found)
    validated(Estimator, table, f"the fit of {recording.file}")
    return Fit(
        "estimator", "estimator", table, parameters, tuple(qualities), warnings_of(pairs, clock, found, long_min),
        {"held_out": held_out, "seed": seed}, _drawn(pairs, found, by_level, stretch), misfits_of(found),
    )  # fmt: skip


def _drawn(pairs: Pairs, found: Found, by_level: list[Level], held: NDArray[np.int64]) -> dict[str, object]:
    """What the picture needs: the recording, what the fit foretells, the curve with its interval, what is left."""
    linear, guess = found.linear, found.guess
    every = slice(None, None, max(1, pairs.force.t_s.size // SHOWN))
    return {
        "force_s": pairs.force.t_s[every],
        "force_N": pairs.force.force_N[every],
        "estimate_s": found.data.t_s,
        "estimate_N": found.data.estimate_N,
        "sampled_N": linear.course.force_N,
        "predicted_N": linear.predicted_N,
        "residual_N": linear.residual_N,
        "counts": found.counts,
        "held": held >= 0,
        "lag_s": guess.lag_s,
        "gap_s": found.data.gap_s,
        "true_N": guess.true_N,
        "reads_N": guess.reads_N,
        "reads_se_N": curve_se_N(found),
        "noise": (guess.spread.floor_N, guess.spread.share, guess.spread.tau_s),
        "jumps_s": found.data.t_s[guess.jumps.first],
        "levels": tuple(by_level),
    }
