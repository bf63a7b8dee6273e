"""How fast the auditor judges: ten million pulses fed in batches, and decisions of a played trial over and over."""

from __future__ import annotations

import sys
import time

import numpy as np

from thenar.safety.audit.edits import TWO_CHANNELS
from thenar.safety.audit.judge import Auditor
from thenar.safety.audit.logs import DecisionLog, PulseLog
from thenar.safety.invented import CLEAR
from thenar.safety.limits import Limits
from thenar.safety.profile import load_profile
from thenar.safety.rehearsal import played
from thenar.shared.signals import Calibration, ChannelCalibration

PULSES = 10_000_000
BATCH = 500_000
TRIALS = 4_000
CHANNEL = ChannelCalibration(3.0, 8.0, 40.0, 200.0, 40.0, 14.0, 0.3, 30.0)


def peak_MiB() -> float:
    """Most memory that this process has held, in MiB; NaN where the system doesn't tell."""
    try:
        import resource
    except ImportError:
        return float("nan")
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 ** (2 if sys.platform == "darwin" else 1)


def pulses_line(limits: Limits) -> str:
    """Ten million pulses without a decision log."""
    rng = np.random.default_rng(1)
    same = [np.full(BATCH, value, dtype=np.int64) for value in (0, 0, 800, 200, 50)]
    warm, auditor = Auditor(limits, decisions=False), Auditor(limits, decisions=False)
    warm.feed(PulseLog(same[0], np.arange(BATCH, dtype=np.int64) * 25_000, *same[1:]))
    before, spent, end_us = peak_MiB(), 0.0, 0
    for _ in range(PULSES // BATCH):
        times = end_us + np.cumsum(rng.integers(25_000, 26_000, BATCH))
        end_us = int(times[-1])
        begun = time.perf_counter()
        auditor.feed(PulseLog(same[0], times, *same[1:]))
        spent += time.perf_counter() - begun
    if auditor.result().pulses != PULSES:
        raise AssertionError("pulses were lost")
    return (
        f"audit of {PULSES} pulses: {spent:.2f} s ({1e6 * spent / PULSES:.2f} us each), "
        f"peak memory {peak_MiB():.0f} MiB, "
        f"{peak_MiB() - before:.0f} more than after one batch (bar: 30 s, target 10 s)"
    )


def decisions_line(limits: Limits) -> str:
    """A played trial, repeated as trials of their own, with its pulses."""
    pulses, decisions = played(limits, TWO_CHANNELS)
    rows, shots = len(decisions.t_us), len(pulses.t_us)
    trials = np.arange(TRIALS, dtype=np.int64)
    many = DecisionLog(*(np.tile(column, TRIALS) for column in decisions))._replace(trial=np.repeat(trials, rows))
    left = {name: np.tile(column, TRIALS) for name, column in pulses._asdict().items() if column is not None}
    auditor = Auditor(limits, reconciled=True)
    begun = time.perf_counter()
    auditor.feed(PulseLog(**(left | {"trial": np.repeat(trials, shots)})), many)
    spent = time.perf_counter() - begun
    judged = auditor.result()
    if judged.decisions != rows * TRIALS or judged.pulses != shots * TRIALS or not shots or judged.broken:
        raise AssertionError(f"decisions were lost, or a clean log fails: {judged.broken}")
    return (
        f"audit of {judged.decisions} decisions and {judged.pulses} pulses in {TRIALS} trials: {spent:.2f} s "
        f"({1e6 * spent / judged.decisions:.2f} us per decision; target 1.5)"
    )


def measure() -> str:
    """Two lines: pulses alone, and decisions with their pulses."""
    limits = load_profile("forearm-25cm2").limits_for(Calibration(CHANNEL, CHANNEL, 60.0), 20_000, CLEAR)
    return f"{pulses_line(limits)}\n{decisions_line(limits)}"


if __name__ == "__main__":
    print(measure())
