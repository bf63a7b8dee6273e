"""The pulse gate: expiry, gaps, both channels, budgets, and what it refuses to fire (R03, R11 to R17, R23 to R26)."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from tests.safety.interlock_bench import PERIOD_US, Bench, Left, ask, both, changed, limits_for, rule
from thenar.safety.inputs import TIME_RANGE_US
from thenar.safety.limits import Limits
from thenar.shared.signals import Stimulus

PUSH = ask(15.0)
LIFTED = changed(
    limits_for(), peak_uA=100_000, ceiling_uA=100_000, charge_pC=50_000_000, density_charge_pC=50_000_000,
    width_max_us=500, period_min_us=10_000, slew_uA_per_s=500_000, rise_uA=10_000, density_rms_uA_per_cm2=2_000,
    area_mm2=20_000, rms_uA=50_000, energy_aJ=3 * 10**17, run_us=10**9, on_us=10**9, summed_share_per_mille=2_000,
    estimate_frozen_us=10**9, compliance_uV=500_000_000,
)  # fmt: skip
"""Backstops bind only once what lies before them is lifted."""
STRONG = ask(100.0, 500.0, 100.0)


def pushing(limits: Limits | None = None, seconds: float = 1.0) -> Bench:
    """A bench that has delivered for a while."""
    bench = Bench(limits).armed()
    bench.run(seconds, PUSH)
    assert bench.pulses
    return bench


def gaps_us(pulses: list[Left]) -> list[int]:
    """Times between the starts of neighbouring pulses."""
    return [after.t_us - before.t_us for before, after in pairwise(pulses)]


def test_a_pulse_carries_the_admitted_current_width_and_pause() -> None:
    bench = pushing()
    last = bench.pulses[-1]
    assert (last.current_uA, last.width_us, last.gap_us) == (15_000, 250, 50)
    assert set(gaps_us(bench.pulses)) == {25_000}


def test_at_rest_there_is_nothing_to_do_and_no_reason() -> None:
    bench = Bench().armed()
    assert bench.due_us() == -1
    assert bench.gate() == 0
    assert bench.out.tolist() == [0, 0, 0]


@pytest.mark.parametrize(("after_us", "fires"), [(59_999, True), (60_000, False), (60_001, False)])
def test_a_command_lives_for_three_control_periods_to_the_microsecond(after_us: int, fires: bool) -> None:
    bench = pushing()
    bench.tick(PUSH)
    count = len(bench.pulses)
    reasons = bench.gate(at=bench.t_us + after_us)
    assert (len(bench.pulses) > count) is fires
    assert bool(reasons & rule(3)) is not fires
    assert bench.trip == 0


def test_asking_for_a_pulse_long_after_the_last_tick_trips() -> None:
    bench = pushing()
    assert bench.gate(at=bench.t_us + 250_000) & rule(3)
    assert bench.trip == 0
    assert bench.gate(at=bench.t_us + 250_001) == rule(3)
    assert bench.trip == 3


@pytest.mark.parametrize(("after_us", "fires"), [(24_999, False), (25_000, True), (25_001, True)])
def test_a_pulse_earlier_than_the_admitted_period_is_left_out(after_us: int, fires: bool) -> None:
    bench = pushing(seconds=1.02)
    bench.tick(PUSH)
    count = len(bench.pulses)
    reasons = bench.gate(at=bench.pulses[-1].t_us + after_us)
    assert (len(bench.pulses) > count) is fires
    assert reasons == (0 if fires else rule(11))


def test_a_burst_of_requests_gets_one_pulse() -> None:
    bench = pushing()
    bench.tick(PUSH)
    due_us = bench.due_us()
    count = len(bench.pulses)
    for offset_us in range(0, 20_000, 100):
        bench.gate(at=due_us + offset_us)
    assert len(bench.pulses) == count + 1


@pytest.mark.parametrize("offset_us", [-1, -1_000_000])
def test_a_clock_that_runs_back_under_a_pulse_trips(offset_us: int) -> None:
    bench = pushing()
    bench.tick(PUSH)
    assert bench.gate(at=bench.t_us + offset_us) == rule(4)
    assert bench.trip == 4


def test_a_pulse_before_the_last_one_trips_even_when_the_command_is_older() -> None:
    bench = pushing()
    bench.tick(PUSH)
    due_us = bench.due_us()
    bench.gate(at=due_us)
    assert bench.gate(at=due_us - 1) == rule(4)
    assert bench.trip == 4


def test_a_time_past_the_range_trips() -> None:
    bench = pushing()
    assert bench.gate(at=TIME_RANGE_US + 1) & rule(4)
    assert bench.trip == 3


@pytest.mark.parametrize("place", range(10))
def test_a_command_that_something_else_has_written_is_refused(place: int) -> None:
    bench = pushing()
    bench.tick(PUSH)
    bench.admitted[place] += 1
    count = len(bench.pulses)
    assert bench.gate(at=bench.t_us + 30_000) & rule(39)
    assert len(bench.pulses) == count
    assert bench.trip > 0


@pytest.mark.parametrize(("place", "value"), [(2, 40_100), (2, 15_050), (3, 401), (3, 49), (4, 19_999)])
def test_even_a_well_sealed_command_is_checked_against_the_fixed_bounds(place: int, value: int) -> None:
    bench = pushing()
    bench.tick(PUSH)
    change = value - int(bench.admitted[place])
    bench.admitted[place] = value
    bench.admitted[9] += (2 * place + 1) * change
    assert bench.gate(at=bench.t_us + 30_000) == rule(37)
    assert bench.trip == 37


def test_latched_and_disarmed_loops_fire_nothing() -> None:
    bench = pushing()
    bench.tick(PUSH)
    kept = bench.admitted.copy()
    bench.tick(PUSH, stop=1)
    bench.admitted[:] = kept
    assert bench.gate(at=bench.t_us + 5) == rule(34)
    assert bench.due_us() == -1
    idle = Bench()
    idle.tick(PUSH, arm=0)
    idle.admitted[:] = kept
    assert idle.gate(at=int(kept[0]) + 5) == rule(5)
    assert idle.due_us() == -1


def test_the_first_pulse_of_a_channel_waits_for_the_changeover_gap() -> None:
    bench = pushing()
    last = bench.pulses[-1]
    bench.tick(both(antagonist=PUSH.agonist))
    due_us = bench.due_us(1)
    assert due_us == max(last.end_us + 20_000, bench.t_us)
    if due_us > bench.t_us:
        assert bench.gate(1, at=due_us - 1) == rule(26)
    assert bench.gate(1, at=due_us) == 0
    assert bench.pulses[-1].channel == 1


def test_both_channels_together_never_overlap_and_keep_a_millisecond() -> None:
    bench = Bench().armed()
    bench.run(4.0, both(Stimulus(10.0, 400.0, 47.0), Stimulus(10.0, 350.0, 31.0)))
    channels = [pulse.channel for pulse in bench.pulses]
    assert min(channels.count(0), channels.count(1)) > 50
    for before, after in pairwise(bench.pulses):
        if before.channel != after.channel:
            assert after.t_us - before.end_us >= 1_000


@pytest.mark.parametrize(("offset_us", "fires"), [(999, False), (1_000, True)])
def test_a_running_channel_keeps_a_millisecond_from_the_end_of_the_others_pulse(offset_us: int, fires: bool) -> None:
    bench = Bench().armed()
    demand = both(Stimulus(0.5, 200.0, 20.0), Stimulus(0.5, 200.0, 20.0))
    bench.run(1.0, demand)
    bench.tick(demand)
    while True:
        own = [pulse for pulse in bench.pulses if pulse.channel == 0][-1]
        other = bench.pulses[-1]
        if other.channel == 1 and other.end_us + offset_us >= own.t_us + 50_000:
            break
        bench.gate(1, at=max(bench.due_us(1), own.t_us + 50_000 - offset_us))
    count = len(bench.pulses)
    reasons = bench.gate(0, at=other.end_us + offset_us)
    assert (len(bench.pulses) > count) is fires
    assert reasons == (0 if fires else rule(26))


def test_simultaneous_requests_fire_one_channel() -> None:
    bench = Bench().armed()
    bench.tick(both(PUSH.agonist, PUSH.agonist))
    bench.gate(0)
    assert bench.gate(1) == rule(26)
    assert [pulse.channel for pulse in bench.pulses] == [0]


def test_a_command_from_before_a_rest_is_not_fired_at_full_strength_after_it() -> None:
    bench = Bench(changed(limits_for(), valid_us=10**7, command_trip_us=10**7)).armed()
    bench.run(1.0, PUSH)
    bench.tick(PUSH)
    count = len(bench.pulses)
    late_us = bench.pulses[-1].t_us + 1_000_000
    assert bench.gate(at=late_us) == rule(21)
    assert bench.due_us(at=late_us) == -1
    assert len(bench.pulses) == count


def window_sums(pulses: list[Left], window_us: int) -> tuple[int, int]:
    """Largest rectified charge (pC) and squared current times time (uA2 us) in any closed window."""
    charge = square = 0
    for last in pulses:
        inside = [pulse for pulse in pulses if last.t_us - window_us <= pulse.t_us <= last.t_us]
        charge = max(charge, sum(2 * pulse.current_uA * pulse.width_us for pulse in inside))
        square = max(square, sum(2 * pulse.current_uA**2 * pulse.width_us for pulse in inside))
    return charge, square


def test_average_rectified_current_is_held_by_leaving_pulses_out() -> None:
    bench = Bench(changed(LIFTED, rectified_pC=5 * 10**9)).armed()
    bench.run(3.0, STRONG)
    charge, _ = window_sums(bench.pulses, 1_000_000)
    assert bench.seen & rule(16)
    assert bench.trip == 0
    assert 4.8e9 < charge <= 5e9


def test_a_steady_train_at_the_rms_bound_has_no_pulse_left_out() -> None:
    bench = Bench(changed(LIFTED, rms_uA=10_000)).armed()
    bench.run(3.0, ask(100.0, 500.0, 50.0))
    _, square = window_sums(bench.pulses, 1_000_000)
    assert set(gaps_us(bench.pulses)) == {20_000}
    assert bench.level()[0] == 43_800
    assert 9_800 < math.sqrt(square / 1e6) <= 10_000


def test_rms_over_a_second_is_held_when_width_and_rate_change_within_it() -> None:
    bench = Bench(changed(LIFTED, rms_uA=10_000)).armed()
    for index in range(300):
        bench.step(ask(100.0, 500.0, 50.0) if index % 70 < 45 else ask(100.0, 500.0, 8.0))
    _, square = window_sums(bench.pulses, 1_000_000)
    assert max(gaps_us(bench.pulses)) < 300_000
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
    bench = Bench(changed(limits_for(), session_us=1_030_000)).armed()
    bench.run(1.0, PUSH)
    bench.tick(PUSH)
    assert bench.t_us == 1_020_000
    bench.gate(at=1_029_999)
    assert bench.trip == 0
    assert bench.gate(at=1_030_000) == rule(24)
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


def test_the_gate_is_never_sent_to_an_instant_at_which_it_has_spoken() -> None:
    bench = Bench(changed(LIFTED, rectified_pC=10**9, run_us=1_500_000, on_us=4_000_000)).armed()
    for index in range(600):
        bench.tick(both(STRONG.agonist, STRONG.agonist) if index % 7 else STRONG)
        for channel in (0, 1):
            asked_us = bench.t_us
            for _ in range(20):
                due_us = bench.due_us(channel, at=asked_us)
                if due_us < 0 or due_us >= bench.t_us + PERIOD_US:
                    break
                assert due_us >= asked_us
                bench.gate(channel, at=due_us)
                assert bench.due_us(channel, at=due_us) != due_us
                asked_us = due_us
    assert bench.seen & rule(23)
    assert bench.seen & rule(16)


def test_asking_when_a_channel_may_fire_changes_nothing() -> None:
    bench = pushing()
    before = bench.memory.copy(), bench.admitted.copy(), bench.limits_array.copy()
    for at in range(0, 200_000, 777):
        bench.due_us(0, at=at)
        bench.due_us(1, at=at)
    after = bench.memory, bench.admitted, bench.limits_array
    assert all(np.array_equal(old, new) for old, new in zip(before, after, strict=True))
