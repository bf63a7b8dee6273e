"""The auditor's windows: equal to a brute-force judge, the same whatever the chunks, quick and in flat memory."""

from __future__ import annotations

import time
from itertools import accumulate, pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.safety.attacks import LIMIT_SETS, attack
from tests.safety.brute_judge import Shot, bounds_at, worst
from tests.safety.interlock_bench import PLAIN, changed, limits_for
from tests.safety.logged_bench import LoggedBench
from thenar.safety.audit.judge import Audit, Auditor, judge_log
from thenar.safety.audit.logs import DecisionLog, PulseLog

LIMITS = changed(
    limits_for(), long_window_us=1_500_000, on_gap_us=200_000, rest_us=400_000, short_window_us=1_000_000
)  # fmt: skip
WINDOWED = ("R16", "R23", "R24")


SHOTS = st.lists(
    st.tuples(
        st.sampled_from([1, 25_000, 199_999, 200_000, 200_001, 399_999, 400_000, 900_000, 1_000_000, 1_500_000]),
        st.integers(1, 1_000_000),
        st.integers(1, 10_000),
    ),
    min_size=1,
    max_size=25,
)


def log_of(shots: list[Shot], channel: int = 0) -> PulseLog:
    """A pulse log of one channel."""
    columns = np.array([(0, shot.t_us, channel, shot.current_uA, shot.width_us, 50) for shot in shots], dtype=np.int64)
    return PulseLog(*(column.copy() for column in columns.T))


@settings(deadline=None, max_examples=60 if PLAIN else 150)
@given(SHOTS)
def test_windowed_sums_equal_a_brute_force_judge_to_the_last_unit(drawn: list[tuple[int, int, int]]) -> None:
    times = accumulate(gap for gap, _, _ in drawn)
    shots = [Shot(t_us, current, width) for t_us, (_, current, width) in zip(times, drawn, strict=True)]
    found = worst(shots, LIMITS.loop)
    exact = LIMITS._replace(agonist=bounds_at(found, LIMITS.agonist))
    audit = judge_log(exact, log_of(shots))
    assert not set(audit.broken) & set(WINDOWED)
    for name in ("rectified_pC", "run_us", "on_us", "total_pC"):
        bound = getattr(exact.agonist, name)
        if bound > 0:
            tight = exact._replace(agonist=exact.agonist._replace(**{name: bound - 1}))
            rule = {"rectified_pC": "R16", "total_pC": "R24"}.get(name, "R23")
            assert judge_log(tight, log_of(shots)).row(rule).failed > 0
    closest = audit.row("R12").closest
    assert closest is not None
    assert closest.value == min(found["square"], 2**62)


def attacked(name: str, seed: int, ticks: int = 400) -> tuple[PulseLog, DecisionLog]:
    """Both logs of a drawn attack."""
    bench = LoggedBench(LIMIT_SETS[name])
    attack(bench, np.random.default_rng([seed, 5]), ticks)
    return bench.left(), bench.decisions()


def cut(log: Any, begin: int, end: int) -> Any:
    """Rows of a log."""
    return type(log)(*(None if column is None else column[begin:end] for column in log))


def in_chunks(limits: Any, pulses: PulseLog, decisions: DecisionLog, cuts: list[int]) -> Audit:
    """The audit when the log is fed in stretches that begin after so many decisions."""
    auditor = Auditor(limits)
    places = [0, *sorted(cuts), len(decisions.t_us)]
    for begin, end in pairwise(places):
        last = end == len(decisions.t_us)
        inside = (pulses.decisions_before > begin) & ((pulses.decisions_before <= end) | last)  # type: ignore[operator]
        stretch = PulseLog(*(None if column is None else column[inside] for column in pulses))
        auditor.feed(stretch, cut(decisions, begin, end))
    return auditor.result()


@settings(deadline=None, max_examples=5 if PLAIN else 15)
@given(st.integers(0, 2**31), st.lists(st.integers(0, 400), max_size=6), st.sampled_from(sorted(LIMIT_SETS)))
def test_the_size_of_chunks_never_changes_an_audit(seed: int, cuts: list[int], name: str) -> None:
    pulses, decisions = attacked(name, seed)
    whole = judge_log(LIMIT_SETS[name], pulses, decisions)
    assert in_chunks(LIMIT_SETS[name], pulses, decisions, cuts) == whole


def test_no_drawn_attack_makes_the_real_interlock_fail_the_audit() -> None:
    seed = int(np.random.SeedSequence().generate_state(1)[0])
    exercised: set[str] = set()
    for index in range(1 if PLAIN else 3):
        for name, limits in LIMIT_SETS.items():
            pulses, decisions = attacked(name, seed + index, 700)
            # An attack may overwrite a limit and arm again with it: the mark at arming is not judged (R27 unknown).
            audit = judge_log(limits, pulses, decisions, cannot={"R27"})
            failed = set(audit.broken)
            assert failed == set(), f"seed {seed + index}, limits {name}"
            exercised |= {row.rule for row in audit.rows if row.exercised}
    print(f"seed {seed}: exercised {sorted(exercised)}")
    assert {"R03", "R05", "R06", "R20", "R21", "R34", "R36", "R37", "R38"} <= exercised


@pytest.mark.campaign
def test_ten_million_pulses_are_judged_in_flat_memory() -> None:
    resource = pytest.importorskip("resource", reason="peak memory is told on POSIX only")
    rows, batch = 10_000_000, 500_000
    auditor = Auditor(LIMITS, decisions=False)
    rng = np.random.default_rng(1)
    spent, end_us, before = 0.0, 0, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for _ in range(rows // batch):
        times = end_us + np.cumsum(rng.integers(25_000, 26_000, batch))
        end_us = int(times[-1])
        same = [np.full(batch, value, dtype=np.int64) for value in (0, 0, 800, 200, 50)]
        begun = time.perf_counter()
        auditor.feed(PulseLog(same[0], times, *same[1:]))
        spent += time.perf_counter() - begun
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1_024
    print(f"{rows} pulses in {spent:.1f} s; peak memory grew by {grown:.0f} MiB")
    assert auditor.result().pulses == rows
    assert grown < 300
