"""The pulse gate: expiry, gaps, both channels, and what it refuses to fire (R03, R04, R11, R21, R26, R37, R39)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tests.safety.interlock_bench import LIFTED, PERIOD_US, STRONG, Bench, ask, both, changed, gaps_us, limits_for, rule
from thenar.safety.inputs import TIME_RANGE_US
from thenar.safety.limits import Limits
from thenar.safety.memory import SHORT_SLOTS
from thenar.safety.windows import bucket_us
from thenar.shared.signals import Stimulus

PUSH = ask(15.0)


def pushing(limits: Limits | None = None, seconds: float = 1.0) -> Bench:
    """A bench that has delivered for a while."""
    bench = Bench(limits).armed()
    bench.run(seconds, PUSH)
    assert bench.pulses
    return bench


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


def test_once_it_has_fired_a_channel_waits_for_the_short_gap_only() -> None:
    bench = Bench().armed()
    bench.run(0.1, both(PUSH.agonist, PUSH.agonist))
    first, second = [pulse for pulse in bench.pulses if pulse.channel == 0][:2]
    between = [pulse for pulse in bench.pulses if pulse.channel == 1 and first.t_us < pulse.t_us < second.t_us]
    assert between
    assert first.t_us == PERIOD_US
    assert second.t_us - first.t_us == 25_000


@pytest.mark.parametrize(("asked_us", "trip"), [(60_000, 0), (59_999, 4)])
def test_a_time_before_the_bucket_that_a_later_question_began_is_a_clock_that_ran_back(
    asked_us: int, trip: int
) -> None:
    # The window sums have moved on with the later time: what they let go of would be missing at the earlier one.
    bench = pushing()
    bench.tick(PUSH)
    assert (bench.t_us + 60_000) % bucket_us(bench.limits.loop.short_window_us, SHORT_SLOTS) == 0
    assert bench.gate(at=bench.t_us + 70_000) == rule(3)
    assert bench.gate(at=bench.t_us + asked_us) == rule(trip or 3)
    assert bench.trip == trip
