"""R40: what a channel delivers per second rises no faster than an ordinary ramp, whatever is combined."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.safety.interlock_bench import PERIOD_US, PLAIN, Bench, ask, both, changed, limits_for, rule
from thenar.safety.budget import Command
from thenar.safety.intensity import counted_pC, intensity_of, next_top_pC_per_s, rises_too_fast, soonest_us
from thenar.safety.limits import ChannelLimits
from thenar.safety.memory import ChannelMemory, IntensityMemory, unpack_memory
from thenar.safety.vectors.layout import memory_names

LIMITS = limits_for()
OWN, LOOP = LIMITS.agonist, LIMITS.loop
LIFTED = changed(LIMITS, intensity_slew_pC_per_s2=10**12)


def delivered(bench: Bench, limits: ChannelLimits = OWN) -> list[tuple[int, int]]:
    """(time in us, pC per second) of every pulse after the first, in the requirement's words."""
    return [
        (
            after.t_us,
            max(after.current_uA - limits.first_step_uA, 0)
            * max(after.width_us, limits.intensity_width_us)
            * 1_000_000
            // (after.t_us - before.t_us),
        )
        for before, after in zip(bench.pulses[:-1], bench.pulses[1:], strict=True)
    ]


def steepest(bench: Bench) -> float:
    """Largest excess of a pulse over the line from 11/10 of any earlier one since the start, in pC per second."""
    seen = delivered(bench)
    free, worst = OWN.intensity_slew_pC_per_s2 * PERIOD_US / 1e6, -np.inf
    for place, (t_us, amount) in enumerate(seen):
        lines = [0.0 + OWN.intensity_slew_pC_per_s2 * (t_us - bench.pulses[0].t_us) / 1e6]
        lines += [
            1.1 * earlier + OWN.intensity_slew_pC_per_s2 * (t_us - at_us) / 1e6 for at_us, earlier in seen[:place]
        ]
        worst = max(worst, amount - min(lines) - free)
    return worst


def slow_then_fast(bench: Bench, width_us: float = 300.0, slow_Hz: float = 1.1, seconds: float = 3.0) -> Bench:
    """Current that rises at a slow rate, then 50 Hz."""
    bench.armed().run(seconds, ask(40.0, width_us, slow_Hz))
    bench.run(4.0, ask(40.0, width_us, 50.0))
    return bench


def test_an_ordinary_ramp_at_300_us_and_40_Hz_leaves_pulse_for_pulse_as_if_there_were_no_bound() -> None:
    for width_us, rate_Hz in ((300.0, 40.0), (250.0, 40.0), (200.0, 40.0), (300.0, 30.0)):
        held, free = Bench(LIMITS).armed(), Bench(LIFTED).armed()
        for bench in (held, free):
            bench.run(3.0, ask(40.0, width_us, rate_Hz))
        assert held.pulses == free.pulses
        assert held.gate_seen & rule(40) == 0


def test_a_train_made_strong_at_a_slow_rate_reaches_the_fast_one_no_faster_than_the_ramp() -> None:
    held, free = slow_then_fast(Bench(LIMITS)), slow_then_fast(Bench(LIFTED))
    assert steepest(held) <= 1
    assert steepest(free) > 10**8
    assert held.gate_seen & rule(40)
    assert free.gate_seen & rule(40) == 0
    # It gets there all the same: some 2 s for 39.2 mA, 300 us and 50 Hz at 240 uC/s per second.
    assert held.pulses[-1].t_us - held.pulses[-2].t_us < 22_000


def test_each_pulse_held_back_leaves_at_the_very_microsecond_that_the_bound_allows() -> None:
    bench = slow_then_fast(Bench(LIMITS))
    top = 0
    tight = 0
    for before, after in zip(bench.pulses[:-1], bench.pulses[1:], strict=True):
        since = after.t_us - before.t_us
        counted = max(after.current_uA - OWN.first_step_uA, 0) * max(after.width_us, OWN.intensity_width_us)
        assert not rises_too_fast(OWN, LOOP, top, counted, since)
        tight += rises_too_fast(OWN, LOOP, top, counted, since - 1)
        top = min(top + OWN.intensity_slew_pC_per_s2 * since // 1_000_000, 11 * counted * 1_000_000 // (10 * since))
    assert tight > 20


def test_wide_pulses_count_by_their_charge_and_narrow_ones_as_of_the_reference_width() -> None:
    assert counted_pC(OWN, Command(10_800, 300, 25_000)) == 10_000 * 300
    assert counted_pC(OWN, Command(10_800, 301, 25_000)) == 10_000 * 301
    assert counted_pC(OWN, Command(10_800, 50, 25_000)) == 10_000 * 300
    assert counted_pC(OWN, Command(801, 300, 25_000)) == 300
    assert counted_pC(OWN, Command(800, 400, 25_000)) == 0
    assert counted_pC(OWN, Command(700, 400, 25_000)) == 0


def of(pulse_us: int, top: int) -> ChannelMemory:
    """A channel's memory with its last pulse at `pulse_us`."""
    own = unpack_memory(Bench(LIMITS).memory).agonist
    return own._replace(train=own.train._replace(pulse_us=pulse_us), intensity=IntensityMemory(top))


def test_the_last_value_inside_leaves_the_first_outside_waits_one_microsecond() -> None:
    # 25 ms after a pulse, from 100 uC/s: 100 + 240 * (0.025 + 0.020) = 110.8 uC/s, so 2.77 uC counted.
    fits, over = Command(800 + 27_700, 100, 25_000), Command(800 + 27_701, 100, 25_000)
    limits = OWN._replace(intensity_width_us=100)
    inside = intensity_of(limits, LOOP, of(1_000, 10**8), fits, False, 26_000)
    assert (inside.withhold, inside.hold_until_us) == (0, 26_000)
    assert inside.memory.top_pC_per_s == 106_000_000
    outside = intensity_of(limits, LOOP, of(1_000, 10**8), over, False, 26_000)
    assert (outside.withhold, outside.hold_until_us) == (rule(40), 26_001)
    assert outside.memory.top_pC_per_s == 10**8
    removed = intensity_of(
        limits._replace(intensity_slew_pC_per_s2=10**12), LOOP, of(1_000, 10**8), over, False, 26_000
    )
    assert removed.withhold == 0


def test_a_pulse_that_delivers_less_lowers_what_the_next_may_deliver_but_for_a_tenth() -> None:
    limits = OWN._replace(intensity_width_us=100)
    for counted, top in ((24_100, 106_000_000), (24_000, 105_600_000), (10_000, 44_000_000), (0, 0)):
        found = intensity_of(limits, LOOP, of(1_000, 10**8), Command(800 + counted, 100, 25_000), False, 26_000)
        assert (found.withhold, found.memory.top_pC_per_s) == (0, top)


def test_fractions_of_a_picocoulomb_per_second_fall_away() -> None:
    slow = OWN._replace(intensity_slew_pC_per_s2=7)
    assert next_top_pC_per_s(slow, 10**8, 10**7, 25_001) == 10**8
    assert next_top_pC_per_s(OWN, 10**8, 1, 3) == 366_666
    slow = OWN._replace(intensity_slew_pC_per_s2=2)  # 1.64 pC/s over 0.82 s
    assert rises_too_fast(slow, LOOP, 0, 1, 800_000)
    assert not rises_too_fast(slow, LOOP, 0, 1, 1_000_000)


@pytest.mark.parametrize("silence_us", [0, 1])
def test_two_pulses_at_once_count_as_a_microsecond_apart(silence_us: int) -> None:
    limits = OWN._replace(intensity_width_us=100)
    own = of(26_000 - silence_us, 10**12)
    assert intensity_of(limits, LOOP, own, Command(801, 100, 25_000), False, 26_000) == (
        IntensityMemory(110_000_000), 0, 26_000,
    )  # fmt: skip


def test_a_silent_channel_starts_from_nothing_and_is_never_held_up() -> None:
    found = intensity_of(OWN, LOOP, of(1_000, 10**8), Command(800, 300, 25_000), True, 2_000_000)
    assert found == (IntensityMemory(0), 0, 2_000_000)
    assert intensity_of(OWN, LOOP, of(1_000, 10**8), Command(40_000, 400, 20_000), True, 21_000)[1] == 0


def test_a_pulse_at_the_instant_of_the_last_one_is_reckoned_a_microsecond_later() -> None:
    found = intensity_of(OWN, LOOP, of(1_000, 0), Command(10_800, 300, 25_000), False, 1_000)
    assert found.withhold == rule(40)
    assert intensity_of(OWN, LOOP, of(1_000, 0), Command(800, 300, 25_000), False, 1_000) == (
        IntensityMemory(0),
        0,
        1_000,
    )


@given(
    st.integers(0, 6 * 10**8), st.integers(0, 5 * 10**9), st.integers(1, 5 * 10**7), st.integers(1, 999_999),
    st.integers(500_000, 10_000_000),
)  # fmt: skip
def test_the_instant_named_is_the_first_that_is_allowed_or_the_end_of_a_rest(
    slew: int, top: int, counted: int, since_us: int, rest_us: int
) -> None:
    limits, loop = OWN._replace(intensity_slew_pC_per_s2=slew), LOOP._replace(rest_us=rest_us)
    if since_us >= rest_us or not rises_too_fast(limits, loop, top, counted, since_us):
        return
    named = soonest_us(limits, loop, top, counted, since_us)
    assert since_us < named <= rest_us
    assert rises_too_fast(limits, loop, top, counted, named - 1)
    assert named == rest_us or not rises_too_fast(limits, loop, top, counted, named)


steps = st.tuples(
    st.integers(1, 40),
    st.sampled_from([0.0, 0.8, 2.0, 10.0, 25.0, 40.0]),
    st.sampled_from([50.0, 100.0, 200.0, 300.0, 400.0]),
    st.sampled_from([1.01, 1.1, 2.0, 5.0, 10.0, 20.0, 40.0, 50.0]),
)


@settings(max_examples=25 if PLAIN else 120, deadline=None)
@given(st.lists(steps, min_size=1, max_size=8))
def test_no_path_through_current_width_and_rate_rises_faster_and_an_engine_never_asks_twice(
    path: list[tuple[int, float, float, float]],
) -> None:
    """The bench's engine asserts that no instant is named twice. Each rest begins a train of its own."""
    bench = Bench(LIMITS).armed()
    for ticks, *demand in path:
        for _ in range(ticks):
            bench.step(ask(*demand))
    whole = bench.pulses
    starts = [0] + [n + 1 for n in range(len(whole) - 1) if whole[n + 1].t_us - whole[n].t_us >= LOOP.rest_us]
    for begin, end in zip(starts, [*starts[1:], len(whole)], strict=True):
        bench.pulses = whole[begin:end]
        if bench.pulses:
            assert bench.pulses[0].current_uA <= OWN.first_step_uA
            assert steepest(bench) <= 1


def test_it_begins_at_nothing_again_after_arming_anew() -> None:
    bench = slow_then_fast(Bench(LIMITS))
    assert unpack_memory(bench.memory).agonist.intensity.top_pC_per_s > 10**8
    bench.run(1.0, both(), arm=0)
    bench.armed()
    bench.step(ask(0.8))
    assert unpack_memory(bench.memory).agonist.intensity.top_pC_per_s == 0


def test_the_other_channel_has_a_memory_and_a_bound_of_its_own() -> None:
    limits = LIMITS._replace(antagonist=LIMITS.antagonist._replace(intensity_slew_pC_per_s2=10**12))
    seen = {}
    for channel in (0, 1):
        bench = Bench(limits).armed()
        for ticks, rate_Hz in ((150, 1.1), (60, 50.0)):
            push = ask(40.0, 300.0, rate_Hz)
            for _ in range(ticks):
                bench.step(push if channel == 0 else both(antagonist=push.agonist))
        seen[channel] = bench.gate_seen & rule(40)
        tops = [unpack_memory(bench.memory)[3 + place].intensity.top_pC_per_s for place in (0, 1)]
        assert tops[channel] > 0
        assert tops[1 - channel] == 0
    assert seen == {0: rule(40), 1: 0}


@pytest.mark.parametrize("short_us", [1, 30_000])
def test_a_pulse_that_a_window_and_the_rise_both_hold_waits_for_the_later_and_names_both(short_us: int) -> None:
    bench = Bench(LIMITS).armed()
    bench.run(2.5, ask(20.0, 300.0, 10.0))
    bench.tick(ask(20.0, 300.0, 50.0))
    own = unpack_memory(bench.memory).agonist
    soonest = soonest_us(OWN, LOOP, own.intensity.top_pC_per_s, 19_200 * 300, 1)
    at_us, places = bench.t_us, memory_names()
    bench.memory[places.index("agonist.train.pulse_us")] = at_us - soonest + short_us
    bench.memory[places.index("agonist.train.window_pC")] = 2 * OWN.rectified_pC
    assert bench.gate(at=at_us) == rule(16) | rule(40)
    held = unpack_memory(bench.memory).agonist
    assert held.intensity == own.intensity
    assert held.train.hold_until_us == at_us + max(short_us, 20_000)
