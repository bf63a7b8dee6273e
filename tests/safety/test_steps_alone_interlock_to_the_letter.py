"""Readings of the interlock's lines that whole runs seldom reach: odd law faults, spent holds, impossible commands."""

from __future__ import annotations

import os

import pytest

from tests.safety.interlock_bench import PERIOD_US, limits_for, rule
from thenar.safety import interlock
from thenar.safety.ceilings import Bounded
from thenar.safety.inputs import Asked, ChannelAsked, Senses
from thenar.safety.limits import limits_mark
from thenar.safety.memory import (
    ARMED,
    DISARMED,
    NEVER,
    STOPPING,
    CommandMemory,
    LoopMemory,
    Memory,
    start_memory,
    unpack_memory,
)
from thenar.safety.reasons import RULES

if os.environ.get("NUMBA_DISABLE_JIT") != "1":
    pytest.skip("run without the compiler by test_steps_without_the_compiler.py", allow_module_level=True)

LIMITS = limits_for()
NOW_US = 10_000_000
LAST_US = NOW_US - PERIOD_US
WISH = Asked(0, ChannelAsked(2_000, 200, 25_000), ChannelAsked(2_000, 200, 25_000))
SENSES = Senses(3_001, 1, 30_000, 8, 0, 0, 1, 0, -1, -1, -1, -1, 0, 0, 0, 0)
NOTHING = Bounded(0, 0, 0, 0)


def delivering(state: int = ARMED, level_uA: int = 2_000, **loop: int) -> Memory:
    """Both channels at `level_uA`, admitted and fired a control period ago."""
    start = unpack_memory(start_memory())
    command = CommandMemory(level_uA, 200, 25_000, 1, LAST_US, 0, -1, 0, NEVER, 0)
    train = start.agonist.train._replace(pulse_us=LAST_US, run_since_us=LAST_US)
    return start._replace(
        latch=start.latch._replace(state=state, armed_us=1, session_us=1, mark=limits_mark(LIMITS)),
        loop=LoopMemory(LAST_US, LAST_US, 0, NEVER, NOW_US + 7)._replace(**loop),
        agonist=start.agonist._replace(command=command, train=train),
        antagonist=start.antagonist._replace(command=command, train=train),
    )


@pytest.mark.parametrize("law_fault", [1, 3, 4, 255, 2**40, -1, -(2**62)])
def test_only_a_late_law_is_late_and_every_other_fault_is_an_unreadable_answer(law_fault: int) -> None:
    senses = SENSES._replace(law_fault=law_fault)
    given, after, reasons = interlock.admit(LIMITS, delivering(), WISH, senses, NOW_US)
    assert given[2:8] == (0,) * 6
    assert given.expires_us == after.loop.expires_us == NOW_US + LIMITS.loop.valid_us
    assert reasons == rule(1)
    resting = delivering(DISARMED, 0)
    assert interlock.admit(LIMITS, resting, WISH, senses._replace(arm=0), NOW_US)[2] == rule(5)


def stepped(given: Bounded, hold_until_us: int, hold_reasons: int) -> Bounded:
    """A channel after a hold; no ramp runs."""
    memory = delivering().agonist
    train = memory.train._replace(pulse_us=NOW_US - 25_000, hold_until_us=hold_until_us, hold_reasons=hold_reasons)
    memory = memory._replace(train=train)
    still, on = interlock.Ramp(NEVER, 0, 0), interlock.Ending(NEVER, 0)
    return interlock._stepped(LIMITS.agonist, LIMITS.loop, memory, delivering().latch, given, still, on, 0, NOW_US)


@pytest.mark.parametrize("ago_us", [0, 1, 25_000, 10**9])
def test_a_hold_that_has_passed_holds_nothing(ago_us: int) -> None:
    given = Bounded(800, 200, 25_000, rule(6))
    assert stepped(given, NOW_US - ago_us, rule(23)) == given


@pytest.mark.parametrize("number", [number for number in range(1, RULES + 1) if number != 23])
def test_no_rule_but_the_on_time_takes_the_command_to_zero_whatever_its_number(number: int) -> None:
    given = Bounded(800, 200, 25_000, rule(6))
    assert stepped(given, NOW_US + 1, rule(number)) == given
    assert stepped(given, NOW_US + 1, rule(number) | rule(23)) == (0, 0, 0, rule(6) | rule(23) | rule(number))


def test_a_channel_that_is_given_nothing_is_not_told_to_be_held() -> None:
    assert stepped(NOTHING, NOW_US + 1, rule(23)) == NOTHING


@pytest.mark.parametrize("current_uA", [-1, -100, -(2**40)])
def test_a_current_below_zero_can_never_leave(current_uA: int) -> None:
    below = Bounded(current_uA, 200, 25_000, 0)
    for pair in ((below, NOTHING), (NOTHING, below), (below, below)):
        assert interlock._last_check(LIMITS, WISH.agonist, WISH.antagonist, *pair) & rule(37)


@pytest.mark.parametrize(
    ("sensed", "reasons"), [({"arm": 0}, rule(22)), ({"arm": 0, "law_fault": 2}, rule(22) | rule(32))]
)
def test_a_stop_is_told_as_a_ramp_and_as_nothing_else(sensed: dict[str, int], reasons: int) -> None:
    memory = delivering(STOPPING, heard_us=NOW_US - LIMITS.loop.heartbeat_ramp_us, ramp_since_us=LAST_US)
    commands = [channel.command._replace(ramp_from_uA=2_000) for channel in (memory.agonist, memory.antagonist)]
    memory = memory._replace(
        agonist=memory.agonist._replace(command=commands[0]), antagonist=memory.antagonist._replace(command=commands[1])
    )
    given, after, found = interlock.admit(LIMITS, memory, WISH, SENSES._replace(**sensed), NOW_US)
    assert found & ~rule(36) == reasons
    assert after.latch.state == STOPPING
    assert 0 < given.agonist_current_uA < 2_000


@pytest.mark.parametrize("number", [number for number in range(1, RULES + 1) if number != 17])
def test_no_rule_but_compliance_saturates_a_channel_whatever_its_number(number: int) -> None:
    given = Bounded(900, 200, 25_000, rule(number))
    assert interlock._saturates(LIMITS.agonist, LIMITS.loop, given, 10**8) == 0
    both = given._replace(reasons=rule(number) | rule(17))
    assert interlock._saturates(LIMITS.agonist, LIMITS.loop, both, 10**8) == 1


@pytest.mark.parametrize("since_us", [0, 1, 1_000, 10**12])
def test_a_ramp_comes_down_by_the_time_since_it_began_whenever_that_was(since_us: int) -> None:
    memory = delivering(level_uA=800).agonist
    now_us = since_us + LIMITS.agonist.ramp_us // 2
    memory = memory._replace(train=memory.train._replace(pulse_us=now_us - 1_000))
    ramping = interlock.Ramp(since_us, 800, 800)
    given = Bounded(800, 200, 25_000, 0)
    latch = delivering().latch._replace(armed_us=0)
    on = interlock.Ending(NEVER, 0)
    found = interlock._stepped(LIMITS.agonist, LIMITS.loop, memory, latch, given, ramping, on, 0, now_us)
    assert found == (400, 200, 25_000, 0)


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ((2_000, 200, 25_000), True),
        ((2_000, 200, 25_001), True),
        ((2_000, 200, 10**6), True),
        ((2_000, 200, 24_999), False),
        ((1_900, 199, 25_001), True),
        ((2_100, 200, 25_000), False),
        ((2_000, 201, 25_000), False),
    ],
)
def test_less_than_was_asked_may_leave_and_more_on_any_axis_may_not(given: tuple[int, int, int], kept: bool) -> None:
    assert interlock._kept(LIMITS.agonist, LIMITS.loop, WISH.agonist, Bounded(*given, 0)) is kept


@pytest.mark.parametrize(("force_mN", "held"), [(0, False), (1, True)])
def test_above_the_soft_force_bound_the_agonist_goes_no_further_and_the_antagonist_may(
    force_mN: int, held: bool
) -> None:
    memory = delivering(level_uA=1_000)
    senses = SENSES._replace(estimate_mN=LIMITS.loop.force_soft_mN + force_mN)
    memory = memory._replace(estimate=memory.estimate._replace(arrived=-1))
    given, _, reasons = interlock.admit(LIMITS, memory, WISH, senses, NOW_US)
    assert bool(reasons & rule(31)) is held
    assert (given.agonist_current_uA == 1_000) is held
    assert given.agonist_current_uA >= 1_000
    assert given.antagonist_current_uA > 1_000
