"""What a channel may use up: RMS, average, power, on-time, charge, session, compliance (R12 to R17, R23, R24)."""

from __future__ import annotations

import math

import pytest

from tests.safety.brute_judge import on_us
from tests.safety.interlock_bench import (
    LIFTED,
    PLAIN,
    STRONG,
    Bench,
    Left,
    ask,
    both,
    changed,
    gaps_us,
    limits_for,
    rule,
)
from thenar.safety.budget import Command, budget_of
from thenar.safety.memory import unpack_memory
from thenar.shared.compiled import flat_integers
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


def times_us(bench: Bench, channel: int = 0) -> list[int]:
    """When the pulses of a channel left."""
    return [pulse.t_us for pulse in bench.pulses if pulse.channel == channel]


def breaks(bench: Bench) -> list[int]:
    """Places of the pulses after which the agonist rested."""
    return [place for place, gap in enumerate(gaps_us(bench.pulses)) if gap >= bench.limits.loop.rest_us]


def test_a_share_of_1_never_stops_and_the_longest_run_has_no_gap_in_300_s() -> None:
    bench = Bench(changed(limits_for(), run_us=300_000_000, on_us=60_000_000)).armed()
    bench.run(310.0 if not PLAIN else 62.0, PUSH)
    last = breaks(bench)[0] if breaks(bench) else len(bench.pulses) - 1
    assert set(gaps_us(bench.pulses[: last + 1])) == {25_000}
    whole_us = bench.pulses[last].t_us - bench.pulses[0].t_us
    assert whole_us > (299_900_000 if not PLAIN else 61_900_000)
    assert whole_us <= 300_000_000


def test_a_run_ends_by_the_ramp_of_a_planned_stop_and_comes_back_softly_after_its_recovery() -> None:
    bench = Bench(changed(limits_for(), run_us=3_000_000)).armed()
    bench.run(15.0, PUSH)
    assert bench.trip == 0
    assert not bench.gate_seen & rule(23)
    (end,) = breaks(bench)
    assert 2_900_000 < bench.pulses[end].t_us - bench.pulses[0].t_us <= 3_000_000
    assert bench.limits.loop.recovery_us <= gaps_us(bench.pulses)[end] < bench.limits.loop.recovery_us + 50_000
    assert bench.pulses[end + 1].current_uA == 800
    levels = [fields[2] for _, fields, _ in bench.history]
    first = next(place for place, (_, _, reasons) in enumerate(bench.history) if reasons & rule(23))

    stopping = Bench(bench.limits).armed()
    stopping.run(2.0, PUSH)
    begun = len(stopping.history)
    stopping.run(0.6, PUSH, arm=0)
    planned = [fields[2] for _, fields, _ in stopping.history[begun:]]
    assert levels[first : first + len(planned)] == planned
    assert planned[0] == 14_400
    assert planned[25] == 0


def test_a_run_that_ran_out_stays_silent_while_the_loop_is_disarmed_and_armed_again() -> None:
    bench = Bench(changed(limits_for(), run_us=3_000_000)).armed()
    bench.run(3.2, PUSH)
    last_us = bench.pulses[-1].t_us
    bench.run(0.5, both(), arm=0)
    assert not bench.is_armed
    bench.run(11.0, PUSH)
    assert min(at for at in times_us(bench) if at > last_us) - last_us >= bench.limits.loop.recovery_us


def test_a_law_that_rests_by_itself_in_time_needs_no_recovery() -> None:
    bench = Bench(changed(limits_for(), run_us=3_000_000, on_us=60_000_000)).armed()
    for _ in range(4):
        bench.run(2.0, PUSH)
        bench.run(1.1, both())
    assert not bench.seen & rule(23)
    assert len(breaks(bench)) == 3


def test_short_breaks_do_not_end_a_run() -> None:
    bench = Bench(changed(limits_for(), run_us=3_000_000)).armed()
    for _ in range(6):
        bench.run(0.5, PUSH)
        bench.run(0.5, both())
    assert bench.seen & rule(23)
    assert times_us(bench)[-1] - times_us(bench)[0] <= 3_000_000


def test_no_window_holds_more_than_its_share_and_what_has_left_it_may_be_used_again() -> None:
    limits = changed(limits_for(), on_us=4_000_000, long_window_us=10_000_000, recovery_us=2_000_000)
    bench = Bench(limits).armed()
    bench.run(40.0, PUSH)
    assert not bench.gate_seen & rule(23)
    times = times_us(bench)
    most = max(on_us(times[: place + 1], at + 200_000, limits.loop) for place, at in enumerate(times))
    assert 3_900_000 < most <= 4_000_000
    ends = breaks(bench)
    assert len(ends) == 4
    assert all(bench.pulses[place + 1].current_uA == 800 for place in ends)
    assert all(bench.pulses[place].current_uA <= 1_800 for place in ends)
    assert all(5_900_000 < gaps_us(bench.pulses)[place] < 6_300_000 for place in ends)


def test_while_an_on_time_has_run_out_the_law_is_told_that_nothing_is_delivered() -> None:
    bench = Bench(changed(limits_for(), run_us=2_000_000)).armed()
    bench.run(2.1, PUSH)
    assert bench.tick(PUSH) == rule(23)
    assert bench.level() == (0, 0, 0)
    assert bench.gate(at=bench.t_us + 1) == 0


def test_the_gate_stops_what_goes_on_without_control_ticks_at_the_exact_end() -> None:
    """No tick, no ramp: the gate itself counts. The next tick hears of it, and the channel recovers."""
    limits = changed(limits_for(), run_us=3_000_000, valid_us=10**8, command_trip_us=10**8)
    bench = Bench(limits).armed()
    bench.run(1.0, PUSH)
    bench.fire_until(6_000_000)
    assert bench.gate_seen == rule(23)
    assert times_us(bench)[-1] - times_us(bench)[0] == 3_000_000
    held_until_us = times_us(bench)[-1] + limits.loop.recovery_us
    assert bench.gate(at=held_until_us - 1) == rule(21) | rule(23)
    assert bench.due_us(at=6_000_000) == -1
    assert bench.gate(at=held_until_us) == rule(21)


def test_a_first_pulse_that_finds_no_room_is_asked_for_again_after_a_rest() -> None:
    limits = changed(limits_for(), run_us=10**9, on_us=2_000_000, long_window_us=10_000_000, recovery_us=1_000_000)
    bench = Bench(limits).armed()
    bench.run(2.0, PUSH)
    bench.run(1.0, both())
    bench.limits = changed(limits, on_us=100_000)
    bench.limits_array[:] = flat_integers(bench.limits)
    at_us = bench.t_us + 20_000
    own, loop = bench.limits.agonist, bench.limits.loop
    memory = unpack_memory(bench.memory).agonist
    budget = budget_of(own, loop, memory, Command(800, 200, 25_000), at_us)
    assert budget.withhold == rule(23)
    assert budget.hold_until_us == at_us + loop.rest_us


def test_one_channel_run_out_leaves_the_other_running() -> None:
    bench = Bench(changed(limits_for(), run_us=2_000_000)).armed()
    bench.run(1.0, PUSH)
    bench.run(1.2, both(PUSH.agonist, Stimulus(10.0, 200.0, 40.0)))
    late = [pulse.channel for pulse in bench.pulses if pulse.t_us > bench.t_us - 180_000]
    assert set(late) == {1}


@pytest.mark.parametrize(
    ("rate_Hz", "seconds", "each_us"), [(4.99, 22.0, 200_401), (1.5, 22.0, 666_667), (0.5, 30.0, 200_000)]
)
def test_on_time_counts_at_any_rate(rate_Hz: float, seconds: float, each_us: int) -> None:
    """Pulses less than a rest apart are on all the time and run out; single ones count the gap each."""
    bench = Bench().armed()
    bench.run(seconds, ask(15.0, 250.0, rate_Hz))
    pulses, run = len(bench.pulses), rate_Hz > 1.0
    assert bool(bench.seen & rule(23)) is run
    assert int(unpack_memory(bench.memory).agonist.train.on_us) == (pulses - 1) * each_us + 200_000
    assert not run or times_us(bench)[-1] - times_us(bench)[0] <= 20_000_000


def test_a_run_that_begins_with_little_room_waits_for_room_up_and_down() -> None:
    limits = changed(limits_for(), on_us=3_000_000, long_window_us=20_000_000)
    bench = Bench(limits).armed()
    bench.run(2.0, PUSH)
    bench.run(2.0, both())
    bench.run(1.0, PUSH)
    assert times_us(bench)[-1] < 2_100_000
    assert bench.seen & rule(23)


def test_a_session_may_use_its_charge_to_the_last_picocoulomb() -> None:
    bench = Bench(changed(limits_for(), total_pC=2 * 250 * (800 + 1_200))).armed()
    bench.run(0.3, PUSH)
    assert [pulse.current_uA for pulse in bench.pulses] == [800, 1_200]
    assert bench.trip == 24
