"""The rehearsal that the auditor is proved on: its logs hold what was decided and what left, and no more."""

from __future__ import annotations

from tests.safety.interlock_bench import limits_for
from thenar.safety.audit.edits import AGONIST
from thenar.safety.audit.judge import judge_log
from thenar.safety.rehearsal import Rehearsal


def test_a_pulse_that_the_gate_withholds_stands_in_no_log() -> None:
    limits = limits_for()
    rehearsal = Rehearsal(limits, trial=3)
    rehearsal.fire(0, 0)  # nothing is armed yet
    rehearsal.tick()
    rehearsal.fire(0, 10_000)  # nothing is asked for
    rehearsal.tick(AGONIST)
    rehearsal.fire(1, 21_000)  # the other channel rests
    rehearsal.fire(0, 21_000)
    rehearsal.fire(0, 21_000 + limits.agonist.period_min_us - 1)  # R11
    pulses, decisions = rehearsal.pulses, rehearsal.decisions
    assert [column.tolist() for column in pulses[:3]] == [[3], [21_000], [0]]
    assert pulses.decisions_before is not None
    assert pulses.decisions_before.tolist() == [2]
    assert decisions.t_us.tolist() == [0, 20_000]
    assert judge_log(limits, pulses, decisions).broken == ()
