"""Trial results written by hand, so that every measure of them can be worked out with a pencil."""

from __future__ import annotations

from typing import Any

import numpy as np

from thenar.engine.result import TrialLabel, TrialResult
from thenar.shared.columns import DECISIONS, PULSES, TRACE
from thenar.shared.ticks import US_PER_S


def label(index: int = 0, wearer: int = 0, condition: str = "assisted", repeat: int = 0) -> TrialLabel:
    """A label of an invented wearer."""
    return TrialLabel(index, wearer, f"engraver {wearer}", condition, repeat)


def made_trial(
    target_N: Any,
    force_N: Any,
    *,
    step_us: int = 100_000,
    named: TrialLabel | None = None,
    pulses: list[tuple[int, int, float, int]] | None = None,
    events: list[dict[str, object]] | None = None,
    **columns: Any,
) -> TrialResult:
    """A trial with a row every `step_us` and the given columns; what isn't given is zero.

    `pulses`: (t_us, channel, current_mA, width_us) each.
    """
    rows = len(target_N)
    trace: dict[str, Any] = {c.name: np.zeros(rows, dtype=c.kind) for c in TRACE if c.name != "trial"}
    given = {"t_us": np.arange(rows) * step_us, "target_N": target_N, "force_N": force_N} | columns
    trace |= {name: np.asarray(values, dtype=trace[name].dtype) for name, values in given.items()}
    fired = np.array([(*pulse, 50, pulse[3]) for pulse in pulses or []]).reshape(-1, 6)
    names = [c for c in PULSES if c.name != "trial"]
    table = {c.name: fired[:, place].astype(c.kind) for place, c in enumerate(names)}
    decisions = {c.name: np.zeros(0, np.int64) for c in DECISIONS if c.name != "trial"}
    return TrialResult(named or label(), rows * step_us, 90.0, trace, table, decisions, tuple(events or ()), {})


def lively_trial(named: TrialLabel, seconds: int = 4, seed: int = 1) -> TrialResult:
    """A trial with noise, pulses, events, a trip and a NaN: everything that files must carry. Invented numbers."""
    random = np.random.default_rng(seed + named.index)
    rows = seconds * 100
    force = 5 + np.cumsum(random.normal(0, 0.05, rows))
    estimate = force + random.normal(0, 0.3, rows)
    estimate[:10] = np.nan
    target = np.where(np.arange(rows) < rows // 2, 4.0, 7.0)
    half_us = seconds * US_PER_S // 2
    pulses = [(t_us, int(t_us >= half_us), 6.25, 200) for t_us in range(0, seconds * US_PER_S, 25_000)]
    events: list[dict[str, object]] = [
        {"t_us": 0, "kind": "target", "target_N": 4.0},
        {"t_us": 10_000, "kind": "armed"},
        {"t_us": half_us, "kind": "target", "target_N": 7.0},
        {"t_us": half_us + 5, "kind": "fault", "fault": "dropout", "depth": float("nan")},
        {"t_us": half_us + 10, "kind": "trip", "cause": "R31"},
    ]
    reasons = np.where(np.arange(rows) % 7 == 0, 1 << 19, 0)
    trip = np.where(np.arange(rows) > rows // 2, 31, 0)
    return made_trial(
        target, force, step_us=10_000, named=named, pulses=pulses, events=events,
        estimate_N=estimate, reasons=reasons, trip=trip,
    )  # fmt: skip
