"""Which bounds can bind: what is said to be out of reach is attacked, and binds once the rules named are lifted."""

from __future__ import annotations

from itertools import pairwise, product
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.safety.interlock_bench import Bench, ask, changed, limits_for, rule
from thenar.safety.binding import (
    RULES,
    TRIPS,
    Place,
    Reach,
    amount_of,
    bound_of,
    current_bounds_uA,
    first_met,
    places,
    reaches,
    strongest_current_uA,
    worst_command,
)
from thenar.safety.ceilings import Bounded, bound_channel, energy_trip, keeps_ceilings, most_pulses
from thenar.safety.inputs import ChannelAsked
from thenar.safety.limits import Limits
from thenar.safety.memory import CHANNEL_AT, TRAIN_AT, TrainMemory

FOREARM: Final = changed(limits_for(), ceiling_uA=100_000)
THUMB: Final = changed(limits_for(name="thumb-8cm2"), ceiling_uA=100_000)
SMALL_PADS: Final = changed(FOREARM, area_mm2=800, density_charge_pC=8_000_000)
"""The forearm profile on pads of 8 cm2 ."""
CASES: Final = {"forearm": FOREARM, "thumb": THUMB, "forearm on 8 cm2": SMALL_PADS}
OUT_OF_REACH: Final = {
    "forearm": {"R10", "R12", "R13", "R14", "R15", "R16"},
    "thumb": {"R10", "R12", "R13", "R14", "R15", "R16"},
    "forearm on 8 cm2": {"R09", "R12", "R14", "R15", "R16"},
}
LIFT: Final = {
    "R06": {"peak_uA": 1_000_000, "ceiling_uA": 1_000_000},
    "R09": {"charge_pC": 10**12},
    "R10": {"density_charge_pC": 10**12},
    "R12": {"rms_uA": 1_000_000},
    "R13": {"density_rms_uA_per_cm2": 80_000, "density_trip_uA_per_cm2": 80_000},
    "R14": {"energy_aJ": 10**18},
    "R15": {"power_rms_uA": 1_000_000},
    "R16": {"rectified_pC": 10**13},
}
"""What takes a rule out of the way, far past its hard ceiling and still inside the interlock's integers."""
HUGE_UA: Final = 1_000_000
SQUARE_AT: Final = CHANNEL_AT + TRAIN_AT + TrainMemory._fields.index("window_uA2_us")


def lifted(limits: Limits, *rules: str) -> Limits:
    """The limits without these rules."""
    for name in rules:
        limits = changed(limits, **LIFT[name])
    return limits


def reach_of(limits: Limits, name: str) -> Reach:
    """How far the agonist gets towards one rule."""
    return next(found for found in reaches(limits.agonist, limits.loop) if found.rule == name)


def let_through(limits: Limits, current: int, width: int, period: int) -> Bounded:
    """What the interlock's own bounds leave of a request on the agonist, contact unknown."""
    return bound_channel(limits.agonist, limits.loop, ChannelAsked(current, width, period), -1, -1)


@pytest.mark.parametrize("case", CASES)
def test_the_rules_out_of_reach_are_the_known_ones(case: str) -> None:
    found = {reach.rule for reach in reaches(CASES[case].agonist, CASES[case].loop) if not reach.binds}
    assert found == OUT_OF_REACH[case]


@pytest.mark.parametrize("case", CASES)
def test_the_reckoned_bounds_are_the_interlock_s_own_at_every_corner(case: str) -> None:
    limits = CASES[case]
    for place in list(places(limits.agonist, limits.loop))[::97]:
        bounds = current_bounds_uA(limits.agonist, limits.loop, place)
        found = let_through(limits, HUGE_UA, place.width_us, place.period_us)
        assert found.current_uA == min(bounds.values())
        assert (found.width_us, found.period_us) == (place.width_us, place.period_us)
        for ohm in (500, 3_001, 10_000):
            asked = ChannelAsked(HUGE_UA, place.width_us, place.period_us)
            loaded = bound_channel(limits.agonist, limits.loop, asked, ohm, -1)
            assert loaded.current_uA == min(current_bounds_uA(limits.agonist, limits.loop, place, ohm).values())


def test_the_places_walk_through_every_number_of_pulses_the_window_can_hold() -> None:
    walked = list(places(FOREARM.agonist, FOREARM.loop))
    assert {place.pulses for place in walked} == set(range(1, 53))
    assert all(most_pulses(FOREARM.loop, place.period_us) == place.pulses for place in walked)
    assert {place.width_us for place in walked} == set(range(50, 401))
    shortest = sorted({place.pulses: place.period_us for place in walked}.items())
    assert all(most_pulses(FOREARM.loop, period - 1) > pulses for pulses, period in shortest[:-1])
    assert all(longer > shorter for (_, longer), (_, shorter) in pairwise(shortest))


@pytest.mark.parametrize("case", CASES)
def test_a_bound_said_to_be_out_of_reach_lowers_nothing_at_any_corner(case: str) -> None:
    limits = CASES[case]
    channel = limits.agonist
    widths = {channel.width_min_us, channel.width_min_us + 1, channel.width_max_us - 1, channel.width_max_us}
    widths |= {s + d for s in (channel.charge_pC // channel.peak_uA,) for d in (-1, 0, 1)}
    periods = (channel.period_min_us, channel.period_min_us + 1, 25_000, 100_000, 1_020_001, 10_000_000)
    currents = (1, 100, channel.peak_uA - 1, channel.peak_uA, channel.peak_uA + 1, HUGE_UA)
    for name in OUT_OF_REACH[case] - set(TRIPS):
        free = lifted(limits, name)
        for width, period, current in product(sorted(widths), periods, currents):
            assert let_through(limits, current, width, period)[:3] == let_through(free, current, width, period)[:3]


@given(st.sampled_from(sorted(CASES)), st.integers(1, HUGE_UA), st.integers(50, 300), st.integers(20_000, 2_000_000))
def test_a_bound_said_to_be_out_of_reach_lowers_nothing_anywhere(
    case: str, current: int, width: int, period: int
) -> None:
    limits = CASES[case]
    held = let_through(limits, current, width, period)
    for name in OUT_OF_REACH[case] - set(TRIPS):
        assert held[:3] == let_through(lifted(limits, name), current, width, period)[:3]
    place = Place(width, period, most_pulses(limits.loop, period))
    for name in TRIPS:
        assert amount_of(name, limits.agonist, place, held.current_uA) < bound_of(name, limits.agonist, limits.loop)
    assert energy_trip(limits.agonist, held) == 0


@pytest.mark.parametrize("case", CASES)
def test_a_bound_said_to_bind_does_where_it_is_said_to(case: str) -> None:
    limits = CASES[case]
    for name in set(RULES) - OUT_OF_REACH[case] - {"R17"}:
        reach = reach_of(limits, name)
        free = let_through(lifted(limits, name), HUGE_UA, reach.command.width_us, reach.command.period_us)
        held = let_through(limits, HUGE_UA, reach.command.width_us, reach.command.period_us)
        assert held.current_uA < free.current_uA == reach.command.current_uA
        assert held.reasons & rule(int(name[1:]))


def lifted_until_it_binds(limits: Limits, name: str) -> tuple[Limits, set[str]]:
    """The limits with the rules that hold it lifted one after the other, as they are named, and their names."""
    gone: set[str] = set()
    while not (reach := reach_of(limits, name)).binds:
        assert reach.held_by
        assert not set(reach.held_by) & gone
        gone |= set(reach.held_by)
        limits = lifted(limits, *reach.held_by)
    return limits, gone


@pytest.mark.parametrize("name", sorted(OUT_OF_REACH["forearm"]))
@pytest.mark.parametrize("case", ["forearm", "thumb"])
def test_a_bound_out_of_reach_binds_once_those_that_hold_it_are_lifted(case: str, name: str) -> None:
    limits, gone = lifted_until_it_binds(CASES[case], name)
    assert {"R06"} <= gone or {"R09"} <= gone
    command = reach_of(limits, name).command
    held = let_through(limits, HUGE_UA, command.width_us, command.period_us)
    if name == "R14":
        assert energy_trip(limits.agonist, held) == rule(14)
    elif name == "R15":
        place = Place(command.width_us, command.period_us, most_pulses(limits.loop, command.period_us))
        assert amount_of(name, limits.agonist, place, held.current_uA) > bound_of(name, limits.agonist, limits.loop)
    else:
        free = let_through(lifted(limits, name), HUGE_UA, command.width_us, command.period_us)
        assert held.current_uA < free.current_uA
        assert held.reasons & rule(int(name[1:]))


def quick(limits: Limits) -> Limits:
    """The limits with nothing that holds a rise, the on-time or both channels up: a bench gets to the worst soon."""
    return changed(
        limits, ceiling_uA=limits.agonist.peak_uA, slew_uA_per_s=10**8, rise_uA=HUGE_UA, width_slew_us_per_s=10**6,
        width_rise_us=500, first_step_uA=HUGE_UA, intensity_slew_pC_per_s2=10**12,
        run_us=10**9, on_us=10**9, estimate_frozen_us=10**9,
        compliance_uV=10**12, total_pC=10**15,
    )  # fmt: skip


@pytest.mark.parametrize("case", ["forearm", "thumb"])
def test_the_gate_lets_the_worst_command_run_without_any_rule_out_of_reach(case: str) -> None:
    limits = quick(CASES[case])
    worst = worst_command(limits.agonist, limits.loop)
    bench = Bench(limits).armed()
    fullest = 0
    for _ in range(150):
        bench.step(ask(worst.current_uA / 1_000, worst.width_us, 1e6 / worst.period_us))
        fullest = max(fullest, int(bench.memory[SQUARE_AT]))
    assert bench.level() == worst
    assert bench.trip == 0
    assert not bench.seen & (rule(10) | rule(12) | rule(13) | rule(14) | rule(15) | rule(16))
    top = reach_of(CASES[case], "R12").amount
    assert 0.95 * top < fullest <= top


@pytest.mark.parametrize("number", [12, 13, 14, 15, 16])
def test_at_the_gate_a_backstop_binds_once_the_others_are_lifted_and_not_a_tenth_below(number: int) -> None:
    name = f"R{number:02d}"
    limits = quick(lifted(FOREARM, *(other for other in LIFT if other != name)))
    place = Place(400, 20_000, most_pulses(limits.loop, 20_000))
    bound = bound_of(name, limits.agonist, limits.loop)
    current = 1_000
    while amount_of(name, limits.agonist, place, current) <= bound:
        current += 100
    for share, binds in ((0.9, False), (1.1, True)):
        bench = Bench(limits).armed()
        bench.run(3.0, ask(share * current / 1_000, place.width_us, 50.0))
        assert bool(bench.seen & rule(number)) is binds
        assert bench.trip == (number if binds and name in TRIPS else 0)


def test_a_request_past_the_allowed_rate_is_weighed_as_asked_so_a_backstop_may_hold_it_first() -> None:
    assert let_through(FOREARM, 40_000, 300, 20_000).reasons == 0
    held = let_through(FOREARM, 40_000, 300, 1_000)
    assert held.current_uA < 40_000
    assert held.reasons & rule(12)


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        ("forearm", [("R06", 50, 300, 40_000, 40_000), ("R09", 301, 400, 39_867, 30_000)]),
        ("thumb", [("R06", 50, 240, 25_000, 25_000), ("R09", 241, 300, 24_896, 20_000)]),
        # 1 mA/cm2 on half of 8 cm2 = 4 mA RMS with 52 pulses: 4 / sqrt(2 * w * 52) = 40 mA at w = 96.2 us
        ("forearm on 8 cm2", [("R06", 50, 96, 40_000, 40_000), ("R13", 97, 400, 39_825, 19_611)]),
    ],
)
def test_the_bound_met_first_by_width(case: str, expected: list[tuple[str, int, int, int, int]]) -> None:
    assert [tuple(found) for found in first_met(CASES[case].agonist, CASES[case].loop)] == expected


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("ohm", [-1, 500, 2_000, 10_000])
def test_no_allowed_command_has_more_rms_current_than_the_worst_one(case: str, ohm: int) -> None:
    limits = CASES[case]
    worst = worst_command(limits.agonist, limits.loop, ohm)
    assert keeps_ceilings(limits.agonist, limits.loop, *worst)
    asked = ChannelAsked(*worst)
    assert bound_channel(limits.agonist, limits.loop, asked, ohm, -1)[:3] == tuple(worst)
    most = most_pulses(limits.loop, worst.period_us)
    top = worst.current_uA * worst.current_uA * worst.width_us * most
    strongest = strongest_current_uA(limits.agonist, limits.loop, ohm)
    for place in list(places(limits.agonist, limits.loop))[::7]:
        current = min(current_bounds_uA(limits.agonist, limits.loop, place, ohm).values()) // 100 * 100
        assert current * current * place.width_us * place.pulses <= 1.0011 * top
        assert current <= strongest


def test_limits_that_leave_nothing_have_a_worst_command_of_zero() -> None:
    nothing = changed(FOREARM, charge_pC=100)
    assert worst_command(nothing.agonist, nothing.loop) == (0, 0, 0)
    assert strongest_current_uA(nothing.agonist, nothing.loop) == 0
