"""Steps of the interlock alone: what is asked, how a ramp runs on, what the last check sees, what is remembered."""

from __future__ import annotations

import os

import numpy as np
import pytest

from tests.safety.interlock_bench import LIFTED, changed, limits_for, rule
from thenar.safety import interlock
from thenar.safety.budget import runs_out
from thenar.safety.ceilings import Bounded, BoundedPair, bound_both, cut, energy_trip, keeps_ceilings, most_pulses
from thenar.safety.inputs import (
    TIME_RANGE_US,
    Asked,
    ChannelAsked,
    Senses,
    bounded,
    in_type_range,
)
from thenar.safety.limits import Limits, limits_mark
from thenar.safety.memory import (
    ARMED,
    CHANNEL_AT,
    CHANNEL_SIZE,
    INTENSITY_SIZE,
    NEVER,
    SLOTS_AT,
    TRAIN_AT,
    TRAIN_SIZE,
    ChannelMemory,
    Memory,
    start_memory,
    store_decision,
    store_pulse,
    unpack_memory,
)
from thenar.shared.compiled import flat_integers

if os.environ.get("NUMBA_DISABLE_JIT") != "1":
    pytest.skip("run without the compiler by test_steps_without_the_compiler.py", allow_module_level=True)

LIMITS = limits_for()
LOOP = LIMITS.loop
NOW_US = 10_000_000
REST = ChannelAsked(0, 0, 0)
NOTHING = Bounded(0, 0, 0, 0)


def numbered() -> Memory:
    """A memory in which no two numbers are alike."""
    array = start_memory()
    array[:SLOTS_AT] = np.arange(1, SLOTS_AT + 1)
    return unpack_memory(array)


def remembering(loop: dict[str, int] | None = None, **command: int) -> Memory:
    """Armed memory; the loop's fields and both commands' as named."""
    start = unpack_memory(start_memory())

    def channel(memory: ChannelMemory) -> ChannelMemory:
        return memory._replace(command=memory.command._replace(**command))

    return start._replace(
        latch=start.latch._replace(state=ARMED, armed_us=0, session_us=NOW_US - 1_000, mark=limits_mark(LIMITS)),
        loop=start.loop._replace(**(loop or {})),
        agonist=channel(start.agonist),
        antagonist=channel(start.antagonist),
    )


def test_a_late_law_is_held_to_its_last_command_and_an_unreadable_one_to_nothing() -> None:
    command = numbered().agonist.command
    wanted = ChannelAsked(7, 8, 9)
    assert interlock._asked(wanted, command, True, False) == wanted
    assert interlock._asked(wanted, command, True, True) == wanted
    assert interlock._asked(wanted, command, False, True) == command[:3]
    assert interlock._asked(wanted, command, False, False) == (0, 0, 0)


@pytest.mark.parametrize(
    ("given", "contact_ohm", "saturates"),
    [
        (Bounded(900, 200, 25_000, rule(17)), 1_001, 1),
        (Bounded(900, 200, 25_000, rule(17)), 1_000, 0),
        (Bounded(900, 200, 25_000, rule(17) | rule(6)), 1_001, 1),
        (Bounded(900, 200, 25_000, rule(6)), 1_001, 0),
        (Bounded(0, 0, 0, rule(17)), 10**6, 0),
    ],
)
def test_compliance_saturates_when_one_more_device_step_would_need_too_much_voltage(
    given: Bounded, contact_ohm: int, saturates: int
) -> None:
    limits = changed(LIMITS, compliance_uV=1_000_000, device_step_uA=100)
    assert interlock._saturates(limits.agonist, limits.loop, given, contact_ohm) == saturates


def test_a_device_without_steps_saturates_at_the_next_microampere() -> None:
    limits = changed(LIMITS, compliance_uV=1_000_000, device_step_uA=0)
    given = Bounded(999, 200, 25_000, rule(17))
    assert interlock._saturates(limits.agonist, limits.loop, given, 1_000) == 0
    assert interlock._saturates(limits.agonist, limits.loop, given, 1_001) == 1


@pytest.mark.parametrize(
    ("loop", "ramp", "found"),
    [
        ({"ramp_since_us": 5}, 0, (NEVER, 0, 0)),
        ({"ramp_since_us": 5}, rule(22), (5, 600, 600)),
        ({"tick_us": NOW_US - 3_000, "expires_us": NOW_US}, rule(22), (NOW_US - 3_000, 900, 900)),
        ({"tick_us": NOW_US - 70_000, "expires_us": NOW_US}, rule(22), (NOW_US - 20_000, 900, 900)),
        ({"tick_us": NOW_US - 3_000, "expires_us": NOW_US - 1}, rule(22), (NOW_US - 3_000, 0, 0)),
    ],
)
def test_a_ramp_runs_on_or_begins_at_what_was_delivered_last(
    loop: dict[str, int], ramp: int, found: tuple[int, int, int]
) -> None:
    memory = remembering(loop, current_uA=900, ramp_from_uA=600)
    assert interlock._ramp(LOOP, memory, ramp, NOW_US) == found


def test_each_channel_ramps_from_its_own_level() -> None:
    memory = remembering({"tick_us": NOW_US - 3_000, "expires_us": NOW_US}, current_uA=900, ramp_from_uA=600)
    other = memory.antagonist._replace(command=memory.antagonist.command._replace(current_uA=400, ramp_from_uA=300))
    memory = memory._replace(antagonist=other)
    assert interlock._ramp(LOOP, memory, 1, NOW_US) == (NOW_US - 3_000, 900, 400)
    running = memory._replace(loop=memory.loop._replace(ramp_since_us=5))
    assert interlock._ramp(LOOP, running, 1, NOW_US) == (5, 600, 300)


ON = interlock.Ending(NEVER, 0)


def stepped(
    hold_until_us: int,
    hold_reasons: int,
    ramping: interlock.Ramp,
    channel: int = 0,
    ending: interlock.Ending = ON,
) -> Bounded:
    """A command of 800 uA (the first step) after what its own past allows."""
    memory = remembering(current_uA=800, width_us=200, period_us=25_000, risen_us=0).agonist
    train = memory.train._replace(pulse_us=NOW_US - 25_000, hold_until_us=hold_until_us, hold_reasons=hold_reasons)
    latch = remembering().latch
    given = Bounded(800, 200, 25_000, rule(6))
    return interlock._stepped(
        LIMITS.agonist, LOOP, memory._replace(train=train), latch, given, ramping, ending, channel, NOW_US
    )


@pytest.mark.parametrize(
    ("hold_until_us", "hold_reasons", "left"),
    [
        (NOW_US + 1, rule(23), (0, 0, 0, rule(6) | rule(23))),
        (NOW_US + 1, rule(23) | rule(12), (0, 0, 0, rule(6) | rule(12) | rule(23))),
        (NOW_US, rule(23), (800, 200, 25_000, rule(6))),
        (NOW_US + 1, rule(12) | rule(16), (800, 200, 25_000, rule(6))),
    ],
)
def test_only_a_used_up_on_time_takes_the_command_itself_to_zero(
    hold_until_us: int, hold_reasons: int, left: tuple[int, int, int, int]
) -> None:
    assert stepped(hold_until_us, hold_reasons, interlock.Ramp(NEVER, 0, 0)) == left


def test_a_ramp_holds_each_channel_under_its_own_line() -> None:
    half_way = interlock.Ramp(NOW_US - LIMITS.agonist.ramp_us // 2, 1_000, 600)
    assert stepped(0, 0, half_way, 0) == (500, 200, 25_000, rule(6))
    assert stepped(0, 0, half_way, 1) == (300, 200, 25_000, rule(6))


def test_the_ramp_at_the_end_of_an_on_time_is_reported_never_rises_and_the_lower_of_two_ramps_holds() -> None:
    half_us = NOW_US - LIMITS.agonist.ramp_us // 2
    still = interlock.Ramp(NEVER, 0, 0)
    assert stepped(0, 0, still, ending=interlock.Ending(half_us, 1_000)) == (500, 200, 25_000, rule(6) | rule(23))
    assert stepped(0, 0, still, ending=interlock.Ending(half_us, 3_000)) == (800, 200, 25_000, rule(6))
    above = interlock.Ramp(half_us, 1_200, 1_200)
    assert stepped(0, 0, above, ending=interlock.Ending(half_us, 1_000)) == (500, 200, 25_000, rule(6) | rule(23))
    below = interlock.Ramp(half_us, 800, 800)
    assert stepped(0, 0, below, ending=interlock.Ending(half_us, 1_000))[0] == 400
    over = interlock.Ending(NOW_US - LIMITS.agonist.ramp_us, 1_000)
    assert stepped(0, 0, still, ending=over) == (0, 0, 0, rule(6) | rule(23))


RUN_US = LIMITS.agonist.run_us
ROOM_US = LIMITS.agonist.ramp_us + 3 * LOOP.control_period_us


def running(
    began_us: int, silence_us: int = 25_000, current_uA: int = 900, on_us: int = 0, **command: int
) -> ChannelMemory:
    """A channel whose run began, and last fired, so long ago."""
    memory = remembering(current_uA=current_uA, **command).agonist
    train = memory.train._replace(
        run_since_us=NOW_US - began_us, pulse_us=NOW_US - silence_us, on_us=on_us, gone_us=0, run=0
    )
    return memory._replace(train=train)


@pytest.mark.parametrize(
    ("own", "out"),
    [
        (running(RUN_US - ROOM_US), False),
        (running(RUN_US - ROOM_US + 1), True),
        (running(RUN_US - ROOM_US - LIMITS.agonist.ramp_us, current_uA=0), False),
        (running(RUN_US - ROOM_US - LIMITS.agonist.ramp_us + 1, current_uA=0), True),
        (running(RUN_US, LOOP.rest_us - 1), True),
        (running(RUN_US, LOOP.rest_us), False),
        (running(10**6, on_us=30_000_000 - ROOM_US - 25_000), False),
        (running(10**6, on_us=30_000_000 - ROOM_US - 25_000 + 1), True),
        (running(10**6, LOOP.rest_us, on_us=30_000_000 - ROOM_US - 200_000), False),
        (running(10**6, LOOP.rest_us, on_us=30_000_000 - ROOM_US - 200_000 + 1), True),
    ],
)
def test_a_channel_runs_out_when_what_is_left_no_longer_covers_its_ramp(own: ChannelMemory, out: bool) -> None:
    assert runs_out(LIMITS.agonist, LOOP, own, NOW_US) is out
    moved = own._replace(train=own.train._replace(on_us=own.train.on_us + 7, gone_us=7))
    assert runs_out(LIMITS.agonist, LOOP, moved, NOW_US) is out


FRESH, SPENT = running(10**6), running(RUN_US)
PUSHED = Bounded(900, 200, 25_000, 0)


@pytest.mark.parametrize(
    ("loop", "own", "given", "found"),
    [
        ({}, FRESH, PUSHED, (NEVER, 0)),
        ({}, SPENT, NOTHING, (NEVER, 0)),
        ({"tick_us": NOW_US - 3_000, "expires_us": NOW_US}, SPENT, PUSHED, (NOW_US - 3_000, 900)),
        ({"tick_us": NOW_US - 70_000, "expires_us": NOW_US}, SPENT, PUSHED, (NOW_US - 20_000, 900)),
        ({"tick_us": NOW_US - 3_000, "expires_us": NOW_US - 1}, SPENT, PUSHED, (NOW_US - 3_000, 0)),
    ],
)
def test_a_ramp_at_the_end_of_an_on_time_begins_at_what_was_delivered_last(
    loop: dict[str, int], own: ChannelMemory, given: Bounded, found: tuple[int, int]
) -> None:
    before = remembering(loop).loop
    assert interlock._ending(LIMITS.agonist, LOOP, before, own, given, NOW_US) == found


@pytest.mark.parametrize(
    ("silence_us", "on_us", "found"),
    [
        (LOOP.recovery_us, 0, (NEVER, 0)),
        (LOOP.recovery_us - 1, 0, (5, 700)),
        (LOOP.recovery_us, 30_000_000, (5, 700)),
    ],
)
def test_a_channel_that_ran_out_comes_back_after_its_recovery_and_with_room_in_the_window(
    silence_us: int, on_us: int, found: tuple[int, int]
) -> None:
    own = running(10**6, silence_us, 0, on_us, ending_us=5, ending_from_uA=700)
    for given in (PUSHED, NOTHING):
        assert interlock._ending(LIMITS.agonist, LOOP, remembering().loop, own, given, NOW_US) == found


STRONG = Bounded(5_000, 400, 25_000, 0)
TIGHT = changed(LIMITS, energy_aJ=1)
ASKED = ChannelAsked(5_000, 400, 25_000)


@pytest.mark.parametrize(
    ("agonist", "antagonist", "found"),
    [
        (NOTHING, NOTHING, 0),
        (STRONG, NOTHING, rule(14)),
        (NOTHING, STRONG, rule(14)),
        (STRONG, STRONG, rule(14)),
    ],
)
def test_the_energy_of_either_pulse_or_of_both_trips(agonist: Bounded, antagonist: Bounded, found: int) -> None:
    limits = changed(TIGHT, charge_pC=10**9, density_charge_pC=10**9)
    assert interlock._last_check(limits, ASKED, ASKED, agonist, antagonist) == found
    more = ChannelAsked(4_900, 400, 25_000)
    beyond = rule(37) if agonist.current_uA > 0 else 0
    assert interlock._last_check(limits, more, ASKED, agonist, antagonist) == found | beyond


def test_energy_is_that_of_both_phases_into_500_ohm() -> None:
    energy_aJ = 5_000 * 5_000 * 500 * 2 * 400
    assert energy_trip(changed(LIMITS, energy_aJ=energy_aJ).agonist, STRONG) == 0
    assert energy_trip(changed(LIMITS, energy_aJ=energy_aJ - 1).agonist, STRONG) == rule(14)


@pytest.mark.parametrize(
    ("given", "started_us", "risen_us"),
    [
        ((0, 0, 0), 41, 42),
        ((900, 200, 25_000), 41, 42),
        ((901, 200, 25_000), 41, NOW_US),
        ((900, 201, 25_000), 41, NOW_US),
        ((100, 201, 25_000), 41, NOW_US),
        ((100, 100, 25_000), 41, 42),
    ],
)
def test_what_is_remembered_of_a_channel(given: tuple[int, int, int], started_us: int, risen_us: int) -> None:
    before = remembering(current_uA=900, width_us=200, started_us=41, risen_us=42).agonist
    contact, balance = numbered().antagonist.contact, numbered().antagonist.balance
    after = interlock._after(
        before, Bounded(*given, 0), contact, balance, 700, interlock.Ending(43, 44), 800, 1, NOW_US
    )
    assert after.command == (*given, started_us, risen_us, 700, 800, 1, 43, 44)
    assert after[1:] == (contact, balance, before.train, before.intensity)


def test_a_start_from_zero_is_noted_only_when_current_flows() -> None:
    before = remembering(current_uA=0, width_us=0, started_us=41, risen_us=42).agonist
    contact, balance = before.contact, before.balance
    idle = interlock._after(before, NOTHING, contact, balance, 0, ON, -1, 0, NOW_US)
    assert (idle.command.started_us, idle.command.risen_us) == (41, 42)
    begun = interlock._after(before, Bounded(1, 200, 25_000, 0), contact, balance, 0, ON, -1, 0, NOW_US)
    assert (begun.command.started_us, begun.command.risen_us) == (NOW_US, NOW_US)


def test_the_seal_weighs_every_field_by_its_place() -> None:
    assert interlock.seal_of((0,) * 9) == 1
    for place in range(9):
        fields = tuple(int(index == place) for index in range(9))
        assert interlock.seal_of(fields) == 1 + 2 * place + 1
        assert interlock.seal_of((*fields, 12_345)) == 1 + 2 * place + 1


@pytest.mark.parametrize(("t_us", "now_us"), [(-1, 0), (0, 0), (TIME_RANGE_US, TIME_RANGE_US), (2**62, TIME_RANGE_US)])
def test_a_command_is_stamped_with_a_time_inside_the_range(t_us: int, now_us: int) -> None:
    demand = Asked(0, REST, REST)
    senses = Senses(3_000, 1, 30_000, 8, 0, 0, 0, 0, -1, -1, -1, -1, 0, 0, 0, 0)
    given, after, _ = interlock.admit(LIMITS, unpack_memory(start_memory()), demand, senses, t_us)
    assert given[:2] == (now_us, now_us + LOOP.valid_us)
    assert (after.loop.tick_us, after.loop.expires_us) == given[:2]
    assert given.seal == interlock.seal_of(given)


def test_storing_a_tick_leaves_the_trains_and_storing_a_pulse_leaves_all_but_one_train() -> None:
    array = start_memory()
    store_decision(array, numbered())
    written = np.flatnonzero(array[:SLOTS_AT] == np.arange(1, SLOTS_AT + 1)).tolist()
    trains = [CHANNEL_AT + channel * CHANNEL_SIZE + TRAIN_AT for channel in (0, 1)]
    kept = {place for start in trains for place in range(start, start + TRAIN_SIZE + INTENSITY_SIZE)}
    assert written == [place for place in range(SLOTS_AT) if place not in kept]
    for channel, start in enumerate(trains):
        array = start_memory()
        store_pulse(array, numbered(), channel)
        written = np.flatnonzero(array[:SLOTS_AT] == np.arange(1, SLOTS_AT + 1)).tolist()
        assert written == [*range(7), *range(start, start + TRAIN_SIZE + INTENSITY_SIZE)]
    assert flat_integers(numbered()).tolist() == list(range(1, SLOTS_AT + 1))


@pytest.mark.parametrize(
    ("asked", "fits"),
    [
        ((0, 0, 0), True),
        ((-1, 0, 0), False),
        ((0, -1, 0), False),
        ((1_000_000, 10_000, 1_000), True),
        ((1_000_001, 10_000, 1_000), False),
        ((1_000_000, 10_001, 1_000), False),
        ((1_000_000, 10_000, 999), False),
        ((1_000_000, 10_000, 10_000_000), True),
        ((1_000_000, 10_000, 10_000_001), False),
        ((1_000_000, 10_000, 1), False),
        ((1_000_000, 10_000, -1), False),
    ],
)
def test_the_type_range_has_its_edges(asked: tuple[int, int, int], fits: bool) -> None:
    assert in_type_range(ChannelAsked(*asked)) is fits


@pytest.mark.parametrize("sign", [-1, 1])
def test_senses_are_brought_into_ranges_field_by_field(sign: int) -> None:
    huge = sign * 2**62
    low, high = (sign < 0), (sign > 0)
    expected = (
        sign * 10**9, huge, 10**15 if high else -1, huge, huge, huge, huge, huge,
        10**9 if high else -1, 1_000 if high else -1, 10**9 if high else -1, 1_000 if high else -1,
        sign * 10**12, huge, sign * 10**12, huge,
    )  # fmt: skip
    assert low is not high
    assert bounded(Senses(*[huge] * 16)) == expected
    inside = Senses(5, 1, 0, 3, 2, 1, 1, 33, 0, 0, 700, 999, -4, 1, 4, 1)
    assert bounded(inside) == inside


@pytest.mark.parametrize(
    ("change", "kept"),
    [
        ({}, True),
        ({"current_uA": 100}, True),
        ({"current_uA": 0}, True),
        ({"current_uA": -100}, False),
        ({"current_uA": 40_100}, False),
        ({"current_uA": 5_050}, False),
        ({"current_uA": 5_100}, False),
        ({"width_us": 49}, False),
        ({"width_us": 50}, True),
        ({"width_us": 401}, False),
        ({"period_us": 19_999}, False),
        ({"period_us": 20_000}, True),
    ],
)
def test_the_fixed_bounds_have_their_edges(change: dict[str, int], kept: bool) -> None:
    limits = changed(
        LIMITS, peak_uA=40_000, ceiling_uA=40_000, charge_pC=2_000_000, density_charge_pC=2_000_000, width_min_us=50,
        width_max_us=400, period_min_us=20_000, device_step_uA=100,
    )  # fmt: skip
    command = {"current_uA": 5_000, "width_us": 400, "period_us": 25_000, **change}
    assert keeps_ceilings(limits.agonist, limits.loop, **command) is kept


@pytest.mark.parametrize("bound", ["peak_uA", "ceiling_uA", "charge_pC", "density_charge_pC"])
def test_each_of_two_bounds_holds_alone(bound: str) -> None:
    value = 2_000_000 if "charge" in bound else 5_000
    limits: Limits = changed(LIFTED, **{bound: value})
    assert keeps_ceilings(limits.agonist, limits.loop, 5_000, 400, 25_000)
    assert not keeps_ceilings(limits.agonist, limits.loop, 5_100, 400, 25_000)


def test_a_cut_takes_a_channel_to_zero_at_a_bound_of_zero_and_keeps_the_rest_at_one() -> None:
    given = Bounded(5, 200, 25_000, rule(6))
    assert cut(given, 5, rule(25)) == given
    assert cut(given, 4, rule(25)) == (4, 200, 25_000, rule(6) | rule(25))
    assert cut(given, 1, rule(25)) == (1, 200, 25_000, rule(6) | rule(25))
    assert cut(given, 0, rule(25)) == (0, 0, 0, rule(6) | rule(25))
    assert cut(given, -1, rule(6)) == (0, 0, 0, rule(6))
    assert cut(NOTHING, 0, rule(25)) == NOTHING


def test_the_ring_holds_a_window_a_bucket_and_the_pulse_at_its_edge() -> None:
    loop = LOOP._replace(short_window_us=1_000_000)
    assert most_pulses(loop, 25_000) == 1_020_000 // 25_000 + 1
    assert most_pulses(loop, 1) == 1_020_001
    assert most_pulses(loop, 0) == 1_020_001
    assert most_pulses(loop, 1_020_001) == 1


def shared(agonist_uA: int, antagonist_uA: int, share: int, caps_uA: tuple[int, int] = (1_000, 500)) -> BoundedPair:
    """R25 on a pair asked for on channels with these ceilings."""
    limits = Limits(
        LIMITS.agonist._replace(peak_uA=10_000, ceiling_uA=caps_uA[0]),
        LIMITS.antagonist._replace(peak_uA=caps_uA[1], ceiling_uA=10_000),
        LOOP._replace(summed_share_per_mille=share),
    )
    pair = [ChannelAsked(agonist_uA, 200, 25_000), ChannelAsked(antagonist_uA, 200, 25_000)]
    return bound_both(limits, *pair, *(Bounded(*one, rule(6)) for one in pair))


@pytest.mark.parametrize(
    ("asked", "share", "left", "acts"),
    [
        ((600, 300), 1_200, (600, 300), False),
        ((600, 300), 1_199, (599, 299), True),
        ((600, 302), 1_200, (598, 300), True),
        ((5_000, 5_000), 1_000, (500, 250), True),
        ((1_000, 0), 500, (1_000, 0), False),
        ((0, 500), 500, (0, 500), False),
    ],
)
def test_two_channels_share_their_ceilings_in_proportion(
    asked: tuple[int, int], share: int, left: tuple[int, int], acts: bool
) -> None:
    pair = shared(*asked, share)
    assert (pair.agonist.current_uA, pair.antagonist.current_uA) == left
    for channel in pair:
        assert channel.reasons == rule(6) | (rule(25) if acts else 0)


def test_a_ceiling_of_zero_shares_as_one_microampere() -> None:
    pair = shared(600, 300, 1_000, (0, 500))
    assert pair.agonist.current_uA == 0
    assert pair.antagonist.current_uA == 300 * 500 // 800
