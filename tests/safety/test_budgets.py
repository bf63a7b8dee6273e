"""What a channel may use up: RMS, average, power, on-time, charge, session, compliance (R12 to R17, R23, R24)."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from tests.safety.interlock_bench import LIFTED, STRONG, Bench, Left, ask, both, changed, gaps_us, limits_for, rule
from thenar.shared.signals import Stimulus

PUSH = ask(15.0)


def window_sums(pulses: list[Left], window_us: int) -> tuple[int, int]:
    """Largest rectified charge (pC) and squared current times time (uA2 us) in any closed window."""
    charge = square = 0
    for last in pulses:
        inside = [pulse for pulse in pulses if last.t_us - window_us <= pulse.t_us <= last.t_us]
        charge = max(charge, sum(2 * pulse.current_uA * pulse.width_us for pulse in inside))
        square = max(square, sum(2 * pulse.current_uA**2 * pulse.width_us for pulse in inside))
    return charge, square


def test_average_rectified_current_is_held_for_a_steady_train() -> None:
    bench = Bench(changed(LIFTED, rectified_pC=5 * 10**9)).armed()
    bench.run(3.0, STRONG)
    charge, _ = window_sums(bench.pulses, 1_000_000)
    assert bench.seen & rule(16)
    assert set(gaps_us(bench.pulses)) == {10_000}
    assert 4.8e9 < charge <= 5e9


def test_average_rectified_current_is_held_by_leaving_pulses_out_when_the_rate_changes() -> None:
    bench = Bench(changed(LIFTED, rectified_pC=500_000_000)).armed()
    for index in range(300):
        bench.step(ask(100.0, 500.0, 50.0) if index % 80 < 30 else ask(100.0, 500.0, 6.0))
    charge, _ = window_sums(bench.pulses, 1_000_000)
    assert bench.gate_seen & rule(16)
    assert bench.trip == 0
    assert 4.5e8 < charge <= 5e8


def test_a_steady_train_at_the_rms_bound_has_no_pulse_left_out() -> None:
    bench = Bench(changed(LIFTED, rms_uA=10_000)).armed()
    bench.run(3.0, ask(100.0, 500.0, 50.0))
    _, square = window_sums(bench.pulses, 1_000_000)
    assert set(gaps_us(bench.pulses)) == {20_000}
    assert bench.level()[0] == 43_800
    assert 9_800 < math.sqrt(square / 1e6) <= 10_000


def test_rms_over_a_second_is_held_when_width_and_rate_change_within_it() -> None:
    bench = Bench(changed(LIFTED, rms_uA=10_000))
    bench.tick(both(), at=7_000)  # so that ticks and buckets don't fall together
    for index in range(300):
        bench.step(ask(100.0, 500.0, 50.0) if index % 70 < 45 else ask(100.0, 500.0, 8.0))
    _, square = window_sums(bench.pulses, 1_000_000)
    assert max(gaps_us(bench.pulses)) < 300_000
    assert all(fields[2] > 0 for t_us, fields, _ in bench.history if t_us > 30_000)
    assert bench.gate_seen & rule(12)
    assert bench.trip == 0
    assert math.sqrt(square / 1e6) <= 10_000


def test_rms_density_is_held_over_a_second_and_trips_when_the_contact_shrinks_to_far_less() -> None:
    limits = changed(LIFTED, area_mm2=800, density_rms_uA_per_cm2=1_000, density_trip_uA_per_cm2=2_000)
    bench = Bench(limits).armed()
    bench.run(2.0, ask(40.0, 300.0, 50.0), agonist_contact_share=1.0, antagonist_contact_share=1.0)
    assert bench.trip == 0
    _, square = window_sums(bench.pulses, 1_000_000)
    assert 6_500 < math.sqrt(square / 1e6) <= 8_000
    bench.step(ask(40.0, 300.0, 50.0), agonist_contact_share=0.6)
    assert bench.trip == 0
    bench.run(0.3, ask(40.0, 300.0, 50.0), agonist_contact_share=0.2)
    assert bench.trip == 13
    assert bench.tick(both(), rearm_cause=13) & rule(34)
    bench.run(1.0, both())
    bench.rearm(13)
    assert bench.is_armed


def test_a_share_that_shrinks_a_little_leaves_pulses_out_until_the_window_has_room() -> None:
    limits = changed(LIFTED, area_mm2=800, density_rms_uA_per_cm2=1_000, density_trip_uA_per_cm2=2_000)
    bench = Bench(limits).armed()
    bench.run(2.0, ask(40.0, 300.0, 50.0), agonist_contact_share=1.0)
    count, bench.seen = len(bench.pulses), 0
    bench.run(0.3, ask(40.0, 300.0, 50.0), agonist_contact_share=0.7)
    assert bench.seen & rule(13)
    assert bench.trip == 0
    assert len(bench.pulses) == count


def test_power_density_trips_once_everything_before_it_is_lifted() -> None:
    bench = Bench(changed(LIFTED, power_rms_uA=15_000)).armed()
    bench.run(2.0, STRONG)
    assert bench.trip == 15
    _, square = window_sums(bench.pulses, 1_000_000)
    assert math.sqrt(square / 1e6) <= 15_000


def test_at_the_defaults_none_of_the_backstops_can_bind() -> None:
    channel = limits_for().agonist
    square = max(
        min(channel.peak_uA, channel.charge_pC // width) ** 2 * 2 * width * 51
        for width in range(channel.width_min_us, channel.width_max_us + 1)
    )
    assert square < channel.rms_uA**2 * 1_000_000
    assert square < channel.power_rms_uA**2 * 1_000_000
    assert 2 * channel.charge_pC * 51 < channel.rectified_pC


def test_five_pulses_that_compliance_had_to_lower_trip() -> None:
    bench = Bench(changed(limits_for(), ohm_max=20_000, ohm_jump_percent=10_000)).armed()
    bench.run(1.0, PUSH, agonist_contact_ohm=8_000)
    assert bench.trip == 0
    for _ in range(20):
        count = len(bench.pulses)
        bench.step(PUSH, agonist_contact_ohm=12_000)
        if bench.trip:
            break
        bench.step(PUSH, agonist_contact_ohm=8_000)
    bench.run(0.2, PUSH, agonist_contact_ohm=8_000)
    assert bench.trip == 0
    count = len(bench.pulses)
    for _ in range(20):
        bench.step(PUSH, agonist_contact_ohm=12_000)
    assert bench.trip == 17
    assert len(bench.pulses) - count == 5
    assert all(pulse.current_uA == 10_000 for pulse in bench.pulses[count:])


def test_the_charge_of_a_session_trips_before_it_is_exceeded() -> None:
    bench = Bench(changed(limits_for(), total_pC=500_000_000)).armed()
    bench.run(5.0, PUSH)
    spent = sum(2 * pulse.current_uA * pulse.width_us for pulse in bench.pulses)
    assert bench.trip == 24
    assert bench.seen & rule(24)
    assert 490_000_000 < spent <= 500_000_000


def test_the_session_ends_at_a_pulse_too() -> None:
    bench = Bench(changed(limits_for(), session_us=1_030_000))
    bench.tick(both(), at=500_000)
    bench.run(1.0, PUSH)
    bench.tick(PUSH)
    assert bench.t_us == 1_520_000
    bench.gate(at=1_529_999)
    assert bench.trip == 0
    assert bench.gate(at=1_530_000) == rule(24)
    assert bench.trip == 24


def on_time_us(pulses: list[Left], end_us: int, window_us: int) -> int:
    """On-time in a window: time between pulses at most 200 ms apart that lies inside it."""
    total = 0
    for before, after in pairwise(pulses):
        if after.t_us - before.t_us <= 200_000:
            total += max(0, min(after.t_us, end_us) - max(before.t_us, end_us - window_us))
    return total


def test_after_20_s_without_a_rest_the_channel_rests_for_a_second() -> None:
    bench = Bench(changed(limits_for(), on_us=10**9)).armed()
    bench.run(43.0, PUSH)
    breaks = [index for index, gap in enumerate(gaps_us(bench.pulses)) if gap > 200_000]
    assert len(breaks) == 2
    first = bench.pulses[breaks[0]].t_us - bench.pulses[0].t_us
    assert 19_970_000 < first <= 20_000_000
    assert 1_000_000 <= gaps_us(bench.pulses)[breaks[0]] < 1_050_000
    assert bench.pulses[breaks[0] + 1].current_uA == 800
    assert bench.seen & rule(23)
    assert bench.trip == 0


def test_short_breaks_do_not_end_a_run() -> None:
    bench = Bench(changed(limits_for(), on_us=10**9, run_us=2_000_000)).armed()
    rests = 0
    for _ in range(10):
        bench.run(0.5, PUSH)
        bench.run(0.5, both())
        rests += bool(bench.seen & rule(23))
        bench.seen = 0
    assert rests >= 2


def test_no_minute_holds_more_than_half_of_on_time() -> None:
    bench = Bench(changed(limits_for(), run_us=10**9)).armed()
    bench.run(70.0, PUSH)
    assert bench.seen & rule(23)
    ends = [pulse.t_us for pulse in bench.pulses]
    most = max(on_time_us(bench.pulses, end_us, 60_000_000) for end_us in ends)
    assert 29_000_000 < most <= 30_000_000
    quiet = max(gaps_us(bench.pulses))
    assert 29_000_000 < quiet <= 33_000_000


def test_while_a_budget_is_used_up_the_law_is_told_that_nothing_is_delivered() -> None:
    bench = Bench(changed(limits_for(), run_us=1_000_000)).armed()
    while not bench.seen & rule(23):
        bench.step(PUSH)
    assert bench.tick(PUSH) & rule(23)
    assert bench.level() == (0, 0, 0)
    assert bench.gate(at=bench.t_us + 1) == 0


def test_a_budget_used_up_between_ticks_silences_the_command_that_is_still_in_force() -> None:
    bench = Bench(changed(limits_for(), run_us=1_000_000)).armed()
    while not bench.seen & rule(23):
        bench.step(PUSH)
    assert bench.level()[0] > 0
    assert bench.gate(at=bench.t_us + 19_999) & rule(23)
    assert bench.due_us(at=bench.t_us + 19_999) == -1


def test_one_channel_used_up_leaves_the_other_running() -> None:
    bench = Bench(changed(limits_for(), run_us=1_000_000)).armed()
    bench.run(0.6, PUSH)
    bench.run(0.8, both(PUSH.agonist, Stimulus(10.0, 200.0, 40.0)))
    late = [pulse.channel for pulse in bench.pulses if pulse.t_us > bench.t_us - 200_000]
    assert set(late) == {1}


@pytest.mark.parametrize(("rate_Hz", "rests"), [(5.0, True), (4.999, False)])
def test_pulses_no_more_than_200_ms_apart_count_as_on_time(rate_Hz: float, rests: bool) -> None:
    bench = Bench(changed(limits_for(), run_us=2_000_000)).armed()
    bench.run(4.0, ask(15.0, 250.0, rate_Hz))
    assert bool(bench.seen & rule(23)) is rests


def test_a_used_up_budget_lets_not_even_single_pulses_through() -> None:
    bench = Bench(changed(limits_for(), run_us=10**9, on_us=2_000_000, long_window_us=10_000_000)).armed()
    bench.run(9.0, PUSH)
    assert max(gaps_us(bench.pulses), default=0) <= 25_000
    assert bench.t_us - bench.pulses[-1].t_us > 6_000_000


def test_what_is_left_of_a_budget_may_be_used_after_a_break() -> None:
    bench = Bench(changed(limits_for(), run_us=10**9, on_us=2_000_000)).armed()
    bench.run(1.9, PUSH)
    used_us = bench.pulses[-1].t_us - bench.pulses[0].t_us
    bench.run(0.5, both())
    count = len(bench.pulses)
    bench.run(1.0, PUSH)
    assert len(bench.pulses) - count == (2_000_000 - used_us) // 25_000 + 1


def test_a_session_may_use_its_charge_to_the_last_picocoulomb() -> None:
    bench = Bench(changed(limits_for(), total_pC=2 * 250 * (800 + 1_200))).armed()
    bench.run(0.3, PUSH)
    assert [pulse.current_uA for pulse in bench.pulses] == [800, 1_200]
    assert bench.trip == 24
