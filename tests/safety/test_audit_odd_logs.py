"""Logs that no interlock of ours would leave: times past every range, charges past every bound, phases that differ."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.safety.interlock_bench import limits_for
from thenar.safety.audit.edits import ONE_CHANNEL, STEADY, Case, all_of, latched_from, stray_pulse
from thenar.safety.audit.judge import judge_log
from thenar.safety.audit.logs import DecisionLog, PulseLog
from thenar.safety.audit.verdicts import Verdict
from thenar.safety.rehearsal import played

LIMITS = limits_for()
NO_PULSES = PulseLog(*(np.empty(0, dtype=np.int64) for _ in range(6)))


@cache
def clean() -> Case:
    """A clean trial of one channel."""
    return Case(LIMITS, *played(LIMITS, ONE_CHANNEL))


@pytest.mark.parametrize(
    ("t_us", "broken"), [(-1, ("R04",)), (0, ()), (10**15, ()), (10**15 + 1, ("R04",)), (-(2**63), ("R04",))]
)
def test_a_loop_that_opens_at_a_time_out_of_range_breaks_r04(t_us: int, broken: tuple[str, ...]) -> None:
    first = DecisionLog(*(column[:1].copy() for column in clean().decisions))
    assert first.state.tolist() == [1]
    row = first._replace(t_us=np.array([t_us], dtype=np.int64))
    assert judge_log(LIMITS, NO_PULSES, row).broken == broken


def test_a_pulse_while_a_trip_is_latched_breaks_r34() -> None:
    latched = latched_from(STEADY, 30)(clean())
    assert judge_log(LIMITS, latched.pulses, latched.decisions).broken == ()
    stray = all_of(latched_from(STEADY, 30), stray_pulse)(clean())
    found = judge_log(LIMITS, stray.pulses, stray.decisions)
    assert found.broken == ("R34",)
    assert found.row("R34").offences[0].t_us == int(stray.pulses.t_us[-1])


def with_second_phases(**last: int) -> PulseLog:
    """The clean pulses with second phases measured as large as the first, but for those named of a steady pulse."""
    pulses = clean().pulses
    measured = {"second_current_uA": pulses.current_uA.copy(), "second_width_us": pulses.width_us.copy()}
    place = int(np.flatnonzero(pulses.decisions_before == STEADY)[0])  # type: ignore[arg-type]
    for name, value in last.items():
        measured[name][place] = value
    return pulses._replace(**measured)


def test_second_phases_that_equal_the_first_pass_beside_a_decision_log() -> None:
    found = judge_log(LIMITS, with_second_phases(), clean().decisions)
    assert found.broken == ()
    assert found.row("R18").verdict != Verdict.CANT_JUDGE


def test_a_second_phase_that_is_missing_must_be_answered_at_the_next_tick() -> None:
    # The trip owes a latch at that tick (R19); the phase's whole charge is left as well (R18).
    found = judge_log(LIMITS, with_second_phases(second_current_uA=0), clean().decisions)
    assert set(found.broken) == {"R18", "R19"}
    assert found.row("R19").offences[0].t_us == int(clean().decisions.t_us[STEADY])


def test_a_second_phase_that_is_smaller_must_be_answered_at_the_next_tick() -> None:
    found = judge_log(LIMITS, with_second_phases(second_width_us=200), clean().decisions)
    assert set(found.broken) == {"R18"}
    assert found.row("R18").offences[0].t_us == int(clean().decisions.t_us[STEADY])


@pytest.mark.parametrize(("pulses", "square"), [(230, 230 * 2 * 10**16), (231, 2**62), (900, 2**62)])
def test_a_sum_of_squares_past_62_bits_counts_as_two_to_the_62_and_never_wraps(pulses: int, square: int) -> None:
    """The largest pulse that a log may hold: 1 A for 10 ms, twice 10^16 uA2 us. 231 of them pass 2^62."""
    values = {"current_uA": 1_000_000, "width_us": 10_000, "gap_us": 50}
    columns = {name: np.full(pulses, values.get(name, 0), dtype=np.int64) for name in PulseLog._fields[:6]}
    found = judge_log(LIMITS, PulseLog(**columns | {"t_us": np.arange(pulses, dtype=np.int64) * 1_000}))
    closest = found.row("R12").closest
    assert closest is not None
    assert closest.value == square
    assert "R12" in found.broken
