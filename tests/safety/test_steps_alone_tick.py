"""One tick taken apart: each source of a finding alone, reports that lose no rule, ramps that do not come back."""

from __future__ import annotations

import os

import pytest

from tests.safety.interlock_bench import LIFTED, PERIOD_US, changed, contact_of, limits_for, rule
from thenar.safety import judgement
from thenar.safety.arming import Findings
from thenar.safety.balance import judge_balance
from thenar.safety.ceilings import Bounded, _steady_bound_uA, keeps_ceilings, whole_root
from thenar.safety.inputs import Asked, ChannelAsked, Senses
from thenar.safety.interlock import Admitted, admit
from thenar.safety.limits import Limits, limits_mark
from thenar.safety.memory import (
    ARMED,
    DISARMED,
    EMPTY,
    NEVER,
    STOPPING,
    BalanceMemory,
    CommandMemory,
    EstimateMemory,
    LoopMemory,
    Lowest,
    Memory,
    start_memory,
    unpack_memory,
)
from thenar.safety.plausibility import judge_contact
from thenar.safety.step_limits import limit_rise, rounded

if os.environ.get("NUMBA_DISABLE_JIT") != "1":
    pytest.skip("run without the compiler by test_steps_without_the_compiler.py", allow_module_level=True)

LIMITS = limits_for()
NOW_US = 10_000_000
LAST_US = NOW_US - PERIOD_US
REST = ChannelAsked(0, 0, 0)
WISH = Asked(0, ChannelAsked(5_000, 200, 25_000), ChannelAsked(5_000, 200, 25_000))
SENSES = Senses(3_001, 1, 30_000, 8, 0, 0, 1, 0, 1_000, -1, 1_000, -1, 0, 0, 0, 0)
SAMPLED_US = NOW_US - 30_000


LOWS = Lowest(SAMPLED_US, 3_000, 3_000, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY)


def delivering(limits: Limits = LIMITS, agonist_uA: int = 2_000, antagonist_uA: int = 2_000, **loop: int) -> Memory:
    """Armed and delivering on both channels for seconds; both fired within the last period."""
    start = unpack_memory(start_memory())
    channels = []
    for channel, level_uA in ((start.agonist, agonist_uA), (start.antagonist, antagonist_uA)):
        channels.append(
            channel._replace(
                command=CommandMemory(level_uA, 200, 25_000, 1, LAST_US, 0, -1, 0, NEVER, 0),
                contact=contact_of(LAST_US, 1_000, 1_000, 1_000, 1_000),
                balance=BalanceMemory(0, 0, 0, LAST_US),
                train=channel.train._replace(pulse_us=LAST_US, run_since_us=LAST_US, end_us=LAST_US + 500),
            )
        )
    return Memory(
        start.latch._replace(state=ARMED, armed_us=1, session_us=1, mark=limits_mark(limits), busy=1),
        LoopMemory(LAST_US, LAST_US, 0, NEVER, LAST_US + 50_000)._replace(**loop),
        EstimateMemory(7, 3_000, SAMPLED_US - PERIOD_US, SAMPLED_US, 0, 0, NEVER, LOWS),
        *channels,
    )


def findings(memory: Memory, senses: Senses = SENSES, demand: Asked = WISH, t_us: int = NOW_US) -> Findings:
    """All that one tick finds wrong."""
    return judgement.judge(LIMITS, memory, demand, senses, t_us, t_us).findings


@pytest.mark.parametrize(
    ("senses", "memory", "found"),
    [
        ({}, {}, (0, 0, 0)),
        ({"agonist_net_pC": 10**9}, {}, (18, 0, 18)),
        ({"antagonist_net_pC": 10**9}, {}, (18, 0, 18)),
        ({"agonist_net_pC": 1}, {}, (18, 0, 0)),
        ({"antagonist_net_pC": 1}, {}, (18, 0, 0)),
        ({"agonist_cut_short": 1}, {}, (0, 0, 19)),
        ({"antagonist_cut_short": 1}, {}, (0, 0, 19)),
        ({"agonist_contact_ohm": 1}, {}, (0, 0, 28)),
        ({"antagonist_contact_ohm": 1}, {}, (0, 0, 28)),
        ({"law_fault": 1}, {}, (1, 0, 0)),
        ({"law_fault": 1}, {"faults": 99}, (1, 0, 1)),
        ({"law_fault": 2}, {"heard_us": NOW_US - 100_000}, (0, 32, 0)),
        (
            {"estimate_age_us": LIMITS.loop.estimate_ramp_us + 1, "estimate_count": 7, "estimate_mN": 3_000},
            {},
            (0, 30, 0),
        ),
        ({"estimate_mN": 50_000}, {}, (0, 30, 31)),
        ({}, {"tick_us": NOW_US - 200_000}, (4, 0, 0)),
        ({}, {"tick_us": NOW_US + 1}, (4, 0, 4)),
    ],
)
def test_every_source_of_a_finding_is_heard_when_it_is_the_only_one(
    senses: dict[str, int], memory: dict[str, int], found: tuple[int, int, int]
) -> None:
    told = findings(delivering(**memory), SENSES._replace(**senses))
    assert told == Findings(*(rule(number) if number else 0 for number in found))


def test_the_session_and_both_clocks_are_heard_too() -> None:
    assert findings(delivering(), t_us=LIMITS.loop.session_us + 1).trip & rule(24)
    memory = delivering()
    for name in ("agonist", "antagonist"):
        channel = getattr(memory, name)
        later = memory._replace(**{name: channel._replace(train=channel.train._replace(pulse_us=NOW_US + 1))})
        assert findings(later) == Findings(rule(4), 0, rule(4))


@pytest.mark.parametrize(
    ("agonist_uA", "antagonist_uA", "stuck"),
    [(8_000, 0, True), (0, 8_000, True), (7_999, 7_999, False), (8_000, 8_000, True)],
)
def test_either_channel_alone_makes_a_repeated_estimate_suspect(
    agonist_uA: int, antagonist_uA: int, stuck: bool
) -> None:
    memory = delivering(agonist_uA=agonist_uA, antagonist_uA=antagonist_uA)
    memory = memory._replace(estimate=memory.estimate._replace(same_since_us=5))
    found = judgement.judge(LIMITS, memory, WISH, SENSES._replace(estimate_mN=3_000), NOW_US, NOW_US)
    assert found.estimate.frozen == (1 if stuck else 0)
    assert found.estimate.same_since_us == (5 if stuck else SAMPLED_US)


def tick(memory: Memory, demand: Asked = WISH, limits: Limits = LIMITS, **senses: int) -> tuple[Admitted, Memory, int]:
    """One tick."""
    return admit(limits, memory, demand, SENSES._replace(**senses), NOW_US)


def test_a_tick_that_is_withheld_ends_a_ramp_so_that_nothing_can_come_back() -> None:
    running = delivering(ramp_since_us=LAST_US)
    given, after, reasons = tick(
        running, law_fault=1, estimate_age_us=LIMITS.loop.estimate_ramp_us + 1, estimate_count=7, estimate_mN=3_000
    )
    assert reasons == rule(1) | rule(30)
    assert (given.agonist_current_uA, given.antagonist_current_uA) == (0, 0)
    assert after.loop.ramp_since_us == NEVER
    assert (after.agonist.command.ramp_from_uA, after.antagonist.command.ramp_from_uA) == (0, 0)
    _, after, reasons = tick(delivering(), law_fault=1)
    assert (reasons, after.loop.ramp_since_us) == (rule(1), NEVER)


@pytest.mark.parametrize(("agonist_uA", "antagonist_uA"), [(2_000, 0), (0, 2_000), (2_000, 2_000)])
def test_a_stop_is_a_ramp_while_either_channel_still_delivers(agonist_uA: int, antagonist_uA: int) -> None:
    memory = delivering(agonist_uA=agonist_uA, antagonist_uA=antagonist_uA)
    given, after, reasons = tick(memory, arm=0)
    assert after.latch.state == STOPPING
    assert reasons & rule(22)
    assert after.loop.ramp_since_us == LAST_US
    assert max(given.agonist_current_uA, given.antagonist_current_uA) > 0
    given, after, reasons = tick(delivering(agonist_uA=0, antagonist_uA=0), arm=0)
    assert after.latch.state == DISARMED
    assert reasons == rule(5)


@pytest.mark.parametrize(
    ("state", "law", "heard_us", "expires_us", "until_us"),
    [
        (ARMED, 0, LAST_US, NOW_US + 7, NOW_US + LIMITS.loop.valid_us),
        (ARMED, 2, LAST_US, NOW_US + 7, NOW_US + 7),
        (ARMED, 2, LAST_US, NOW_US + 10**6, NOW_US + LIMITS.loop.valid_us),
        (ARMED, 2, NOW_US - 100_000, NOW_US + 7, NOW_US + LIMITS.loop.valid_us),
        (DISARMED, 2, LAST_US, NOW_US + 7, NOW_US + 7),
    ],
)
def test_a_late_law_lives_on_its_old_time_unless_it_is_being_ramped_down(
    state: int, law: int, heard_us: int, expires_us: int, until_us: int
) -> None:
    memory = delivering(heard_us=heard_us, expires_us=expires_us)
    memory = memory._replace(latch=memory.latch._replace(state=state))
    given, after, _ = tick(memory, law_fault=law, arm=1 if state == ARMED else 0)
    assert given.expires_us == after.loop.expires_us == until_us


@pytest.mark.parametrize(
    ("demand", "law", "reasons"),
    [
        (Asked(0, REST, REST), 0, 0),
        (Asked(0, WISH.agonist, REST), 0, rule(5)),
        (Asked(0, REST, WISH.antagonist), 0, rule(5)),
        (Asked(1, REST, REST), 0, rule(5)),
        (Asked(0, REST, REST), 1, rule(5)),
        (WISH, 2, 0),
    ],
)
def test_while_disarmed_only_a_wish_or_an_unreadable_answer_is_told(demand: Asked, law: int, reasons: int) -> None:
    memory = delivering(agonist_uA=0, antagonist_uA=0)
    memory = memory._replace(latch=memory.latch._replace(state=DISARMED))
    assert tick(memory, demand, arm=0, law_fault=law)[2] == reasons


@pytest.mark.parametrize(
    ("demand", "clears"),
    [(Asked(0, REST, REST), True), (Asked(0, WISH.agonist, REST), False), (Asked(0, REST, WISH.antagonist), False)],
)
def test_a_latched_trip_clears_only_while_both_channels_are_asked_for_nothing(demand: Asked, clears: bool) -> None:
    memory = delivering(agonist_uA=0, antagonist_uA=0)
    memory = memory._replace(latch=memory.latch._replace(state=DISARMED, trip=33, trip_us=5))
    _, after, reasons = tick(memory, demand, rearm_cause=33, arm=0)
    assert after.latch.trip == (0 if clears else 33)
    assert reasons == (0 if clears else rule(34))


def test_a_trip_at_the_very_end_is_told_beside_what_was_clamped_and_leaves_nothing() -> None:
    limits = changed(LIFTED, energy_aJ=1, peak_uA=3_000)
    memory = delivering(limits, agonist_uA=3_000)
    given, after, reasons = tick(memory, limits=limits)
    assert reasons & (rule(6) | rule(14)) == rule(6) | rule(14)
    assert given[2:8] == (0,) * 6
    assert after.latch[:3] == (DISARMED, 14, NOW_US)
    assert after.agonist.command[:3] == (0, 0, 0)


def test_the_device_step_of_zero_or_one_takes_every_microampere() -> None:
    for step_uA in (0, 1):
        limits = changed(LIFTED, device_step_uA=step_uA)
        assert rounded(limits.loop, Bounded(1_235, 200, 25_000, 0)) == (1_235, 200, 25_000, 0)
        assert keeps_ceilings(limits.agonist, limits.loop, 1_235, 200, 25_000)
        assert keeps_ceilings(limits.agonist, limits.loop, 1, 200, 25_000)


def test_a_root_and_what_is_made_of_it_stay_whole_numbers() -> None:
    found = _steady_bound_uA(LIFTED.loop, 10_000, 10**6, 333, 7)
    assert type(found) is int
    assert found == whole_root(10_000 * 10_000 * LIFTED.loop.short_window_us // (2 * 333 * 7))


def test_the_root_of_every_small_number_is_the_largest_whose_square_fits() -> None:
    for value in range(-3, 200):
        root = whole_root(value)
        assert root * root <= max(value, 0) < (root + 1) * (root + 1)


def test_net_charge_without_any_pulse_is_uneven_however_wide_the_share() -> None:
    wide = changed(LIMITS, net_per_mille=2_000).agonist
    past = BalanceMemory(500, 0, 0, LAST_US)
    assert judge_balance(wide, past, 500, 1, 0, 1_000_000, NOW_US)[1].withhold == rule(18)
    assert judge_balance(wide, past, 500, 0, 0, 1_000_000, NOW_US)[1].withhold == 0


def test_a_late_law_leaves_each_channel_at_its_own_last_level() -> None:
    given, _, _ = tick(delivering(agonist_uA=2_000, antagonist_uA=1_500), law_fault=2)
    assert given[2:8] == (2_000, 200, 25_000, 1_500, 200, 25_000)


@pytest.mark.parametrize(("agonist_ohm", "antagonist_ohm"), [(2_000, 1_000), (1_000, 2_000), (2_000, 2_000)])
def test_each_channel_saturates_at_its_own_impedance(agonist_ohm: int, antagonist_ohm: int) -> None:
    limits = changed(LIFTED, compliance_uV=4_000_000)
    memory = delivering(limits, agonist_uA=5_000, antagonist_uA=5_000)
    sensed = {"agonist_contact_ohm": agonist_ohm, "antagonist_contact_ohm": antagonist_ohm}
    contact = contact_of(LAST_US, 2_000, 2_000, 1_000, 1_000)
    memory = memory._replace(
        agonist=memory.agonist._replace(contact=contact), antagonist=memory.antagonist._replace(contact=contact)
    )
    small = Asked(0, ChannelAsked(3_000, 200, 25_000), ChannelAsked(3_000, 200, 25_000))
    given, after, reasons = tick(memory, small, limits, **sensed)
    assert reasons == rule(17)
    found = [after.agonist.command.saturated, after.antagonist.command.saturated]
    assert found == [int(agonist_ohm == 2_000), int(antagonist_ohm == 2_000)]
    assert (given.agonist_current_uA, given.antagonist_current_uA) == tuple(3_000 - 1_000 * flag for flag in found)


def test_a_rule_that_acts_on_both_channels_is_told_once_and_one_of_each_is_told_too() -> None:
    for channel in (0, 1, 2):
        limits = changed(LIFTED, peak_uA=3_000)
        if channel < 2:
            name = ("agonist", "antagonist")[channel]
            limits = limits._replace(**{name: getattr(limits, name)._replace(peak_uA=10_000)})
        memory = delivering(limits, agonist_uA=10_000, antagonist_uA=10_000)
        assert tick(memory, limits=limits)[2] & rule(6) == rule(6)


def rise(given: Bounded, since_us: int, **limits: int) -> Bounded:
    """R20 from 1 mA and 200 us."""
    slow = {"rise_uA": 500, "slew_uA_per_s": 20_000, "width_rise_us": 8, "width_slew_us_per_s": 200}
    memory = delivering(agonist_uA=1_000).agonist
    command = memory.command._replace(risen_us=NOW_US - since_us)
    channel = changed(LIMITS, first_step_uA=800, **{**slow, **limits}).agonist
    return limit_rise(channel, LIMITS.loop, command, memory.train, 0, given, NOW_US)


def test_a_part_of_a_microampere_or_a_microsecond_is_not_earned_yet() -> None:
    found = rise(Bounded(5_000, 400, 25_000, 0), 19_999)
    assert found == (1_399, 203, 25_000, rule(20))
    assert all(type(value) is int for value in found)
    assert rise(Bounded(5_000, 400, 25_000, 0), 0, slew_uA_per_s=2_000_000)[:2] == (1_000, 200)
    assert rise(Bounded(5_000, 400, 25_000, 0), 0, width_slew_us_per_s=2_000_000)[:2] == (1_000, 200)
    assert rise(Bounded(5_000, 400, 25_000, 0), 1, slew_uA_per_s=999_999, width_slew_us_per_s=999_999)[:2] == (
        1_000,
        200,
    )
    assert rise(Bounded(5_000, 400, 25_000, 0), 1, slew_uA_per_s=10**6, width_slew_us_per_s=10**6)[:2] == (1_001, 201)
    assert rise(Bounded(1, 400, 25_000, 0), 20_000) == (1, 204, 25_000, rule(20))


def test_a_seventh_of_a_window_is_rounded_up_to_whole_microseconds() -> None:
    limits = changed(LIMITS, contact_window_us=20_001)
    kept = judge_contact(limits.agonist, limits.loop, contact_of(NOW_US - 2_857, 900, 900), 1_000, NOW_US)[0]
    assert kept == contact_of(NOW_US - 2_857, 900, 1_000)
    kept = judge_contact(limits.agonist, limits.loop, contact_of(NOW_US - 2_858, 900, 900), 1_000, NOW_US)[0]
    assert kept == contact_of(NOW_US, 1_000, 1_000, 900, 900)


def test_a_short_circuit_is_remembered_as_a_reading() -> None:
    shorted = contact_of(NOW_US - 10, 0, 0)
    after, trips = judge_contact(LIMITS.agonist, LIMITS.loop, shorted, 150, NOW_US)
    assert (after, trips) == (contact_of(NOW_US - 10, 0, 150), rule(28))
