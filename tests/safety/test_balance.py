"""Net charge as measured (R18) and pulses broken off half-way (R19): the last value inside, the first outside."""

from __future__ import annotations

import pytest

from tests.safety.interlock_bench import Bench, ask, both, limits_for, rule
from thenar.safety.balance import judge_balance
from thenar.safety.memory import NEVER, BalanceMemory
from thenar.safety.reasons import R18, R19

LIMITS = limits_for().agonist
SECOND_US = 1_000_000
FRESH = BalanceMemory(0, 0, 0, NEVER)


def running() -> Bench:
    """A bench that has delivered for two seconds."""
    bench = Bench().armed()
    bench.run(2.0, ask(12.0))
    assert bench.level()[0] > 0
    return bench


@pytest.mark.parametrize("side", [1, -1])
def test_net_charge_up_to_two_percent_of_a_phase_is_let_through_and_one_picocoulomb_more_is_not(side: int) -> None:
    rectified_pC = 2 * 12_000 * 250
    inside = rectified_pC // 2 * 20 // 1_000
    assert judge_balance(LIMITS, FRESH, rectified_pC, side * inside, 0, SECOND_US, 0)[1] == (0, 0)
    assert judge_balance(LIMITS, FRESH, rectified_pC, side * (inside + 1), 0, SECOND_US, 0)[1] == (R18, 0)


def test_net_charge_without_any_pulse_is_not_believed() -> None:
    assert judge_balance(LIMITS, FRESH, 0, 1, 0, SECOND_US, 0)[1].withhold == R18


def test_the_running_sum_withholds_above_ten_and_trips_above_fifty_microcoulomb_a_second() -> None:
    for sum_pC, withhold, trip in (
        (10_000_000, 0, 0),
        (10_000_001, R18, 0),
        (50_000_000, R18, 0),
        (50_000_001, R18, R18),
    ):
        past = BalanceMemory(0, sum_pC - 1_000, 0, 0)
        total_pC = 2 * 1_000 * 50
        assert judge_balance(LIMITS, past, total_pC, 1_000, 0, SECOND_US, 500_000)[1] == (withhold, trip)


def test_signs_do_not_cancel_and_what_is_older_than_two_windows_is_forgotten() -> None:
    memory = FRESH
    for index in range(4):
        memory, _ = judge_balance(LIMITS, memory, 0, 100 if index % 2 else -100, 0, SECOND_US, index * 20_000)
    assert memory.net_now_pC + memory.net_before_pC == 400
    memory, _ = judge_balance(LIMITS, memory, 0, 0, 0, SECOND_US, SECOND_US)
    assert (memory.net_now_pC, memory.net_before_pC) == (0, 400)
    memory, _ = judge_balance(LIMITS, memory, 0, 0, 0, SECOND_US, 2 * SECOND_US)
    assert (memory.net_now_pC, memory.net_before_pC) == (0, 0)
    memory, _ = judge_balance(LIMITS, memory, 0, 7, 0, SECOND_US, 9 * SECOND_US)
    assert memory == BalanceMemory(0, 7, 0, 9 * SECOND_US)


def test_a_clock_that_steps_back_forgets_nothing() -> None:
    memory, _ = judge_balance(LIMITS, BalanceMemory(0, 400, 30, 5_000_000), 0, 1, 0, SECOND_US, 100)
    assert memory == BalanceMemory(0, 401, 30, 5_000_000)


@pytest.mark.parametrize("channel", ["agonist", "antagonist"])
def test_an_uneven_pulse_is_followed_by_silence_and_the_next_rise_starts_small(channel: str) -> None:
    bench = running()
    before = bench.level()[0]
    assert bench.step(ask(12.0), **{f"{channel}_net_pC": 5_000_000}) & rule(18)
    assert (bench.level()[0], bench.trip) == (0, 0)
    bench.run(0.1, ask(12.0))
    assert 0 < bench.level()[0] < before


@pytest.mark.parametrize("channel", ["agonist", "antagonist"])
def test_a_pulse_cut_short_trips_and_clears_only_by_name_once_it_is_gone(channel: str) -> None:
    bench = running()
    assert bench.tick(ask(12.0), **{f"{channel}_cut_short": 1}) & rule(19)
    assert (bench.trip, bench.level()[0]) == (19, 0)
    bench.rearm(19, **{f"{channel}_cut_short": 1})
    assert bench.trip == 19
    bench.rearm(18)
    assert bench.trip == 19
    bench.rearm(19)
    assert bench.trip == 0


def test_a_drift_of_small_net_charges_trips_and_clears_after_the_window_has_passed() -> None:
    bench = running()
    for _ in range(12):
        bench.tick(ask(12.0), agonist_net_pC=5_000_000)
    assert bench.trip == 18
    bench.rearm(18)
    assert bench.trip == 18
    for _ in range(101):
        bench.tick(both())
    bench.rearm(18)
    assert bench.trip == 0


def test_cut_short_wins_over_net_charge_in_the_verdict_of_one_channel() -> None:
    assert judge_balance(LIMITS, FRESH, 0, 0, 1, SECOND_US, 0)[1] == (0, R19)


def test_saturation_is_told_only_while_compliance_is_what_holds_the_current_down() -> None:
    bench = Bench().armed()
    for _ in range(60):
        bench.step(ask(39.0), agonist_contact_ohm=9_000)
    assert bench.trip == 17
    slow = Bench().armed()
    for _ in range(20):
        slow.step(ask(39.0), agonist_contact_ohm=9_000)
    # 120 V over 9 kohm allow 13.3 mA; the rise has not come that far yet.
    assert 0 < slow.level()[0] < 13_000
    assert slow.seen & rule(17)
    assert slow.trip == 0
