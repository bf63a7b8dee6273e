"""The auditor's room: however little it keeps at a time, it says the same. Logs of a wrong shape are refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.safety.interlock_bench import changed, limits_for
from thenar.safety.audit import logs, memory
from thenar.safety.audit.edits import TWO_CHANNELS
from thenar.safety.audit.judge import Audit, Auditor, judge_log
from thenar.safety.audit.logs import DecisionLog, PulseLog
from thenar.safety.rehearsal import played
from thenar.safety.requirements import REQUIREMENTS

LIMITS = changed(limits_for(), long_window_us=1_500_000, on_gap_us=200_000, rest_us=400_000, on_us=1_500_000)
Logs = tuple[PulseLog, DecisionLog]


@pytest.fixture(scope="module")
def both_logs() -> Logs:
    """Both logs of some seconds with both channels."""
    found = played(LIMITS, TWO_CHANNELS)
    assert int((found[0].channel == 0).sum()) > 128
    return found


@pytest.fixture(scope="module")
def wide(both_logs: Logs) -> Audit:
    """The audit with room for everything."""
    return judge_log(LIMITS, *both_logs)


@pytest.mark.parametrize("room", [1, 8, 128])
def test_an_auditor_short_of_room_drops_what_no_window_needs_and_says_the_same(
    room: int, both_logs: Logs, wide: Audit, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(memory, "PAST_AT_LEAST", room)
    auditor = Auditor(LIMITS)
    assert auditor._memory.past.shape == (2, room)
    auditor.feed(*both_logs)
    assert auditor.result() == wide
    # 1.5 s at 40 Hz are 60 pulses: 128 places are enough for them twice, however long the log.
    assert auditor._memory.past.shape == (2, 128)


@pytest.mark.parametrize("piece", [1, 7, 100])
def test_a_log_read_in_pieces_of_any_size_gives_the_same_audit(
    piece: int, both_logs: Logs, wide: Audit, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logs, "PIECE", piece)
    assert judge_log(LIMITS, *both_logs) == wide


def test_pulses_without_their_places_stand_between_the_decisions_by_their_times(both_logs: Logs, wide: Audit) -> None:
    pulses, decisions = both_logs
    by_time = pulses._replace(decisions_before=None)
    assert judge_log(LIMITS, by_time, decisions) == wide
    # A decision comes before a pulse of the same microsecond: 1 us earlier, the first one stands before its command.
    assert pulses.t_us[0] == decisions.t_us[1]
    early = pulses.t_us.copy()
    early[0] -= 1
    assert "R37" in judge_log(LIMITS, by_time._replace(t_us=early), decisions).broken


def test_trials_are_judged_one_after_the_other_each_from_power_on(both_logs: Logs, wide: Audit) -> None:
    pulses, decisions = both_logs
    quiet = type(decisions)(*(column[:1] for column in decisions))  # a trial of one tick, without a pulse
    trials = ((pulses, decisions), (type(pulses)(*(c if c is None else c[:0] for c in pulses)), quiet), both_logs)
    columns: list[list[Any]] = [[], []]
    for number, logs_of_trial in enumerate(trials):
        for place, log in enumerate(logs_of_trial):
            columns[place].append(log._replace(trial=np.full_like(log.trial, number)))
    joined = PulseLog(*(None if of[0] is None else np.concatenate(of) for of in zip(*columns[0], strict=True)))
    found = judge_log(LIMITS, joined, DecisionLog(*(np.concatenate(of) for of in zip(*columns[1], strict=True))))
    assert found.broken == ()
    assert (found.trials, found.pulses, found.decisions) == (3, 2 * wide.pulses, 2 * wide.decisions + 1)
    alone = judge_log(LIMITS, trials[1][0], quiet)
    for row, once, still in zip(found.rows, wide.rows, alone.rows, strict=True):
        assert row.exercised == 2 * once.exercised + still.exercised, row.rule


def test_an_auditor_made_for_pulses_alone_takes_no_decisions(both_logs: Logs) -> None:
    auditor = Auditor(LIMITS, decisions=False)
    with pytest.raises(ValueError, match="without a decision log"):
        auditor.feed(*both_logs)
    assert auditor.result().pulses == 0


def test_a_column_of_another_type_or_length_is_refused(both_logs: Logs) -> None:
    pulses, decisions = both_logs
    with pytest.raises(ValueError, match=r"column width_us must be int64.*not int32"):
        judge_log(LIMITS, pulses._replace(width_us=pulses.width_us.astype(np.int32)), decisions)
    with pytest.raises(ValueError, match="column state must be int64"):
        judge_log(LIMITS, pulses, decisions._replace(state=decisions.state[1:]))


def test_a_requirement_that_does_not_exist_has_no_row(wide: Audit) -> None:
    last, next_one = REQUIREMENTS[-1].name, f"R{len(REQUIREMENTS) + 1}"
    assert wide.row(last).rule == last
    with pytest.raises(KeyError, match=next_one):
        wide.row(next_one)
