"""Recovery of known truths: which intervals of a fit cover the truth, and how far the lag and the curve are off.

Truths (`drawn_truth`): 20 to 100 readings a second, latency 40 to 300 ms with 1 to 7 ms of jitter, sampling jitter of
0.5 to 4 ms, a bent curve of slope 0.7 to 1.2 (three in ten saturate at 14 to 22 N), noise of 0.1 to 0.5 N plus 1 to
10 % of force that forgets itself in 40 to 400 ms; in half of the truths each: drift of 0.05 to 0.6 N/sqrt(min), 0.3 to
1.2 re-seating jumps a minute (1 to 3 N and 8 to 25 % of gain), 0.5 to 5 dropouts a minute of 0.1 to 0.8 s, 0.3 to 2
stuck stretches a minute of 0.4 to 2.5 s. Force of 0 to 30 N for eight minutes, a transducer's noise of 0.01 N.

The curve that a fit should find is that of the placement in which most readings before the first jump it names lie:
of a placement that ended after two seconds the recording holds next to nothing (`as_placed`).

Not counted in coverage: `rate_Hz` and `range_N`. They are known exactly but for rounding, so their intervals must
always hold the truth.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

import numpy as np

from tests.thenar.estimator_recordings import drawn_truth, recorded
from thenar.fit.estimator import fit_estimator
from thenar.fit.found import Fit
from thenar.fit.recording import Recording
from thenar.plant_models.estimator import plan_readings
from thenar.plant_models.settings import Estimator

MINUTES = 8.0
EXACT = ("rate_Hz", "range_N")


class Checked(NamedTuple):
    """One truth's outcome: (key, covered) of all that was called identifiable, lag error (ms), curve's errors (N).

    `told`: where the knots on both sides were called identifiable; `steady`: no drift and no jumps in this truth.
    """

    seed: int
    covered: tuple[tuple[str, bool], ...]
    lag_ms: float
    curve_N: tuple[float, ...]
    told: tuple[bool, ...]
    steady: bool


def truth_of(key: str, truth: Estimator, fit: Fit) -> float:
    """What the interval of a parameter should cover."""
    if key.startswith("reads_N["):
        knot = int(key.removeprefix("reads_N[").rstrip("]"))
        return float(np.interp(fit.table["true_N"][knot], truth.true_N, truth.reads_N))
    return float(getattr(truth, key))


def checked(seed: int) -> Checked:
    """Draw a truth, record it, fit it, compare."""
    truth = drawn_truth(seed)
    recording = recorded(truth, MINUTES, seed)
    fit = fit_estimator(recording, seed=seed)
    named_s = fit.drawn["jumps_s"]
    return compared(
        seed, as_placed(truth, MINUTES, seed, float(named_s[0]) if named_s.size else 60 * MINUTES), recording, fit
    )


def as_placed(truth: Estimator, minutes: float, seed: int, until_s: float) -> Estimator:
    """`truth` with the curve of the placement in which most of its readings before `until_s` lie."""
    plan = plan_readings(truth, round(60e6 * minutes) - 1, seed, 0, 0)
    placements = np.split(np.arange(plan.gain.size), np.flatnonzero(np.diff(plan.gain)) + 1)
    before = [np.count_nonzero(plan.sampled_us[these] < 1e6 * until_s) for these in placements]
    chosen = int(np.argmax(before))
    first = placements[chosen][0]
    # Drift is no part of a placement: only what its jumps added counts.
    added_N = sum(plan.offset_N[these[0]] - plan.offset_N[these[0] - 1] for these in placements[1 : chosen + 1])
    reads_N = np.maximum(0.0, plan.gain[first] * np.array(truth.reads_N) + added_N)
    return truth.model_copy(update={"reads_N": tuple(reads_N)})


def compared(seed: int, truth: Estimator, recording: Recording, fit: Fit) -> Checked:
    """The outcome of one fit."""
    covered = tuple(
        (one.key, bool(one.low <= truth_of(one.key, truth, fit) <= one.high))
        for one in fit.parameters
        if one.identifiable
    )
    force_N = recording.series("force_N").values
    low, high = np.quantile(force_N, [0.005, 0.995])
    at = np.linspace(low, high, 60)
    off = np.interp(at, fit.table["true_N"], fit.table["reads_N"]) - np.interp(at, truth.true_N, truth.reads_N)
    lag_ms = 1e3 * float(fit.drawn["lag_s"]) - truth.latency_ms - 0.5 * truth.latency_jitter_ms
    steady = truth.drift_N_per_sqrt_min == 0.0 and truth.jumps_per_min == 0.0
    knots = [one.identifiable for one in fit.parameters if one.key.startswith("reads_N[")]
    told = np.interp(at, fit.table["true_N"], np.array(knots, dtype=float)) > 1.0 - 1e-9
    return Checked(seed, covered, lag_ms, tuple(np.abs(off)), tuple(told), steady)


def all_checked(seeds: range, jobs: int) -> list[Checked]:
    """`checked` for every seed, in as many processes as `jobs`."""
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(checked, seeds))


def shares(found: list[Checked]) -> dict[str, tuple[int, int]]:
    """By parameter (the curve's knots as one): how many intervals cover, of how many."""
    counts: dict[str, tuple[int, int]] = {}
    for one in found:
        for key, covered in one.covered:
            name = key.split("[")[0]
            inside, among = counts.get(name, (0, 0))
            counts[name] = (inside + covered, among + 1)
    return counts


def told(found: list[Checked]) -> str:
    """The figures of a campaign, as a table of text."""
    lines = [
        f"{name:22s} {inside:5d} of {among:5d} {100 * inside / among:6.1f} %"
        for name, (inside, among) in shares(found).items()
    ]
    lag = np.abs([one.lag_ms for one in found])
    lines.append(
        f"lag error, ms: median {np.median(lag):.2f}, largest {lag.max():.2f}; within 5 ms {np.mean(lag <= 5):.3f}"
    )
    for name, some in (
        ("steady", [one for one in found if one.steady]),
        ("drift or jumps", [one for one in found if not one.steady]),
        ("all", found),
    ):
        if some:
            off, knots = np.concatenate([one.curve_N for one in some]), np.concatenate([one.told for one in some])
            lines.append(f"curve, {name} ({len(some)}): told for {100 * knots.mean():.0f} % of force")
            lines += [
                f"  {where}: within 0.2 N {np.mean(these <= 0.2):.3f}, median {np.median(these):.3f} N, "
                f"largest {these.max():.2f} N"
                for where, these in (("there", off[knots]), ("elsewhere", off[~knots]))
                if these.size
            ]
    return "\n".join(lines)


if __name__ == "__main__":
    outcome = all_checked(range(int(sys.argv[1]), int(sys.argv[2])), int(sys.argv[3]))
    for each in outcome:
        missed = [key for key, covered in each.covered if not covered]
        print(
            each.seed,
            "steady" if each.steady else "",
            f"lag {each.lag_ms:+.2f} ms, curve {max(each.curve_N):.2f} N",
            *missed,
        )
    print(told(outcome))
