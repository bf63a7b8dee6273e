"""How fast output may rise (R20, R21), the device step (R36), and the delivered value as the only reference."""

from __future__ import annotations

import pytest

from tests.safety.interlock_bench import CLEAR, PERIOD_US, Bench, ask, both, changed, limits_for, rule
from thenar.safety.profile import load_profile
from thenar.shared.signals import Calibration, ChannelCalibration, Stimulus

PUSH = ask(15.0)


def levels(bench: Bench, ticks: int, demand: object = PUSH) -> list[int]:
    """Admitted current after each of some ticks with pulses."""
    found = []
    for _ in range(ticks):
        bench.step(demand)
        found.append(bench.level()[0])
    return found


def test_output_starts_at_the_first_step_and_rises_by_0_4_mA_a_tick() -> None:
    bench = Bench().armed()
    assert levels(bench, 6) == [800, 1_200, 1_600, 2_000, 2_400, 2_800]
    assert bench.seen == rule(20) | rule(21)


def test_full_scale_takes_at_least_two_seconds() -> None:
    bench = Bench().armed()
    start_us = bench.t_us
    while bench.level()[0] < 40_000:
        bench.step(ask(40.0))
    assert bench.t_us - start_us >= 39_200 / 20_000 * 1e6


def test_a_channel_that_has_not_fired_yet_stays_at_the_first_step() -> None:
    bench = Bench().armed()
    for _ in range(10):
        bench.tick(PUSH)
        assert bench.level()[0] == 800


def test_falling_is_never_held_up() -> None:
    bench = Bench().armed()
    levels(bench, 40)
    bench.step(ask(0.3))
    assert bench.level()[0] == 300


def test_a_blocked_rise_goes_on_from_the_delivered_value_not_from_the_request() -> None:
    bench = Bench().armed()
    high_uA = levels(bench, 40)[-1]
    bench.step(None)
    assert bench.level()[0] == 0
    assert levels(bench, 3) == [800, 1_200, 1_600]
    assert high_uA > 10_000


@pytest.mark.parametrize(("silence_us", "start_uA"), [(1_000_000, 800), (940_000, 1_200)])
def test_after_a_second_of_silence_the_output_starts_softly_again(silence_us: int, start_uA: int) -> None:
    bench = Bench().armed()
    levels(bench, 100)
    last_us = bench.pulses[-1].t_us
    while bench.t_us + PERIOD_US < last_us + silence_us:
        bench.step(both())
    bench.step(PUSH)
    reasons = bench.step(PUSH)
    assert bench.level()[0] == 1_200
    assert reasons & rule(20)
    assert bench.pulses[-1].current_uA >= start_uA - 400


def test_ticks_that_come_faster_gain_nothing() -> None:
    limits = load_profile("forearm-25cm2").limits_for(
        Calibration(*[ChannelCalibration(3.0, 8.0, 40.0, 200.0, 40.0, 14.0, 0.3, 30.0)] * 2, 60.0), 4_000, CLEAR
    )
    bench = Bench(limits)
    bench.tick(both(), at=0)
    rising = []
    for index in range(1, 251):
        bench.tick(PUSH, at=4_000 * index)
        bench.fire_until(4_000 * (index + 1))
        rising.append((bench.t_us, bench.level()[0]))
    assert bench.trip == 0
    assert 10_000 < rising[-1][1] <= 15_000
    for earlier, later in zip(rising, rising[25:], strict=False):
        assert later[1] - earlier[1] <= 20_000 * (later[0] - earlier[0] + 4_000) // 1_000_000


def test_a_width_that_jumps_rises_by_its_share_of_full_scale_a_tick() -> None:
    bench = Bench().armed()
    bench.run(1.5, ask(15.0, 100.0))
    assert bench.level()[:2] == (15_000, 100)
    bench.step(ask(15.0, 300.0))
    assert bench.level()[:2] == (15_000, 104)
    bench.run(1.0, ask(15.0, 300.0))
    assert bench.level()[:2] == (15_000, 300)
    bench.step(ask(15.0, 60.0))
    assert bench.level()[:2] == (15_000, 60)


def test_a_start_may_choose_its_width_freely() -> None:
    bench = Bench().armed()
    bench.step(ask(15.0, 380.0))
    assert bench.level()[:2] == (800, 380)


@pytest.mark.parametrize(("asked_mA", "given_uA"), [(0.099, 0), (0.1, 100), (0.1994, 100), (0.2, 200), (0.799, 700)])
def test_current_is_rounded_toward_zero_to_the_device_step(asked_mA: float, given_uA: int) -> None:
    bench = Bench().armed()
    reasons = bench.step(ask(asked_mA))
    assert bench.level()[0] == given_uA
    assert bool(reasons & rule(36)) is (round(asked_mA * 1_000) != given_uA)
    if given_uA == 0:
        assert bench.level() == (0, 0, 0)


def test_a_device_step_that_does_not_divide_a_limit_never_rounds_above_it() -> None:
    bench = Bench(changed(limits_for(), device_step_uA=700, rise_uA=700, peak_uA=10_000)).armed()
    bench.run(2.0, ask(30.0))
    assert bench.level()[0] == 9_800


def test_each_channel_rises_on_its_own() -> None:
    bench = Bench().armed()
    bench.run(0.4, PUSH)
    bench.step(both(PUSH.agonist, Stimulus(10.0, 200.0, 40.0)))
    assert bench.level(1)[0] == 800
    assert bench.level(0)[0] > 5_000
