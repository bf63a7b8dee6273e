"""Steps of the gate and the budgets alone: every rule of a list at once, and both sides of every comparison.

Through the loop a second rule often answers for the first, so a slip in one of them would not be seen there.
"""

from __future__ import annotations

import os
from typing import Any

import pytest

from tests.safety.interlock_bench import LIFTED, changed, limits_for, rule
from thenar.safety import gate as gates
from thenar.safety.arming import lowest_rule
from thenar.safety.budget import Budget, Command, budget_of, fired, held
from thenar.safety.ceilings import density_rms_uA
from thenar.safety.inputs import TIME_RANGE_US
from thenar.safety.interlock import Admitted, seal_of
from thenar.safety.limits import Limits
from thenar.safety.memory import ARMED, NEVER, ChannelMemory, Memory, start_memory, unpack_memory
from thenar.safety.reasons import RULES

if os.environ.get("NUMBA_DISABLE_JIT") != "1":
    pytest.skip("run without the compiler by test_steps_without_the_compiler.py", allow_module_level=True)

LIMITS = limits_for()
NOW_US = 10_000_000


def command_from(uA: int = 500, width_us: int = 250, period_us: int = 25_000, **times: int) -> Admitted:
    """A sealed command for the agonist, given now, living for 50 ms."""
    given_us, expires_us = times.get("given_us", NOW_US), times.get("expires_us", NOW_US + 50_000)
    bare = Admitted(given_us, expires_us, uA, width_us, period_us, 0, 0, 0, 100, 0)
    return bare._replace(seal=seal_of(bare))


def armed_memory(train: dict[str, int] | None = None, other: dict[str, int] | None = None, **latch: int) -> Memory:
    """Armed five seconds ago; the agonist's train, the antagonist's and the latch as named."""
    start = unpack_memory(start_memory())
    train, other = ({"run_since_us": (own or {}).get("pulse_us", NEVER), **(own or {})} for own in (train, other))
    on = {"state": ARMED, "armed_us": NOW_US - 5_000_000, "session_us": NOW_US - 5_000_000}
    return start._replace(
        latch=start.latch._replace(**{**on, **latch}),
        agonist=start.agonist._replace(train=start.agonist.train._replace(**train)),
        antagonist=start.antagonist._replace(train=start.antagonist.train._replace(**other)),
    )


def broken(memory: Memory, admitted: Admitted, t_us: int = NOW_US, limits: Limits = LIMITS) -> int:
    """Rules by which the gate trips."""
    command = gates.command_of(admitted, 0)
    return gates._broken(limits.agonist, limits.loop, memory.latch, memory.agonist.train, admitted, command, t_us)


def early(memory: Memory, admitted: Admitted, t_us: int = NOW_US) -> int:
    """Rules by which the gate waits."""
    command = gates.command_of(admitted, 0)
    return gates._too_early(
        LIMITS.agonist, LIMITS.loop, memory.latch, memory.agonist, memory.antagonist, admitted, command, t_us
    )


def test_everything_broken_at_once_is_reported_at_once() -> None:
    late_us = NOW_US + LIMITS.loop.command_trip_us + 1
    memory = armed_memory({"pulse_us": late_us + 1}, busy=2, session_us=late_us - LIMITS.loop.session_us)
    admitted = command_from(LIMITS.agonist.peak_uA + 100)
    assert broken(memory, admitted, late_us) == rule(39) | rule(4) | rule(3) | rule(24) | rule(37)
    assert broken(armed_memory(busy=1), command_from()) == 0


@pytest.mark.parametrize(
    ("memory", "admitted", "t_us", "found"),
    [
        (armed_memory(busy=1), command_from(), NOW_US, 0),
        (armed_memory(busy=2), command_from(), NOW_US, 39),
        (armed_memory(), command_from()._replace(agonist_width_us=251), NOW_US, 39),
        (armed_memory(), command_from(given_us=NOW_US + 1), NOW_US, 4),
        (armed_memory({"pulse_us": NOW_US}), command_from(), NOW_US, 0),
        (armed_memory({"pulse_us": NOW_US + 1}), command_from(), NOW_US, 4),
        (armed_memory(), command_from(), NOW_US + LIMITS.loop.command_trip_us, 0),
        (armed_memory(), command_from(), NOW_US + LIMITS.loop.command_trip_us + 1, 3),
        (armed_memory(session_us=NOW_US - LIMITS.loop.session_us + 1), command_from(), NOW_US, 0),
        (armed_memory(session_us=NOW_US - LIMITS.loop.session_us), command_from(), NOW_US, 24),
        (armed_memory(session_us=TIME_RANGE_US), command_from(given_us=TIME_RANGE_US), TIME_RANGE_US, 0),
        (armed_memory(session_us=TIME_RANGE_US), command_from(given_us=TIME_RANGE_US), TIME_RANGE_US + 1, 4),
        (armed_memory(), command_from(LIMITS.agonist.peak_uA), NOW_US, 0),
        (armed_memory(), command_from(LIMITS.agonist.peak_uA + 100), NOW_US, 37),
    ],
)
def test_each_reason_to_trip_at_the_gate_has_its_edge(
    memory: Memory, admitted: Admitted, t_us: int, found: int
) -> None:
    assert broken(memory, admitted, t_us) == (rule(found) if found else 0)


def test_a_trip_at_the_gate_changes_the_latch_and_nothing_else() -> None:
    memory = armed_memory(busy=2)
    pulse, after, reasons = gates.gate(LIMITS, memory, command_from(), 0, NOW_US)
    assert (pulse, reasons) == ((0, 0, 0), rule(39))
    assert after.latch[:3] == (0, 39, NOW_US)
    assert after[1:] == memory[1:]


def test_everything_early_at_once_is_reported_at_once() -> None:
    train = {"pulse_us": NOW_US - 19_999, "hold_until_us": NOW_US + 1, "hold_reasons": rule(12) | rule(16)}
    memory = armed_memory(train, {"end_us": NOW_US}, armed_us=NOW_US - 10)
    admitted = command_from(LIMITS.agonist.first_step_uA + 100, expires_us=NOW_US)
    assert early(memory, admitted) == rule(3) | rule(11) | rule(26) | rule(21) | rule(12) | rule(16)


@pytest.mark.parametrize(
    ("train", "other", "admitted", "found"),
    [
        ({}, {}, command_from(expires_us=NOW_US + 1), 0),
        ({}, {}, command_from(expires_us=NOW_US), 3),
        ({"pulse_us": NOW_US - 25_000}, {}, command_from(), 0),
        ({"pulse_us": NOW_US - 24_999}, {}, command_from(), 11),
        ({"pulse_us": NOW_US - 20_000}, {}, command_from(period_us=19_000), 0),
        ({"pulse_us": NOW_US - 19_999}, {}, command_from(period_us=19_000), 11),
        ({}, {"end_us": NOW_US - LIMITS.loop.changeover_us}, command_from(), 0),
        ({}, {"end_us": NOW_US - LIMITS.loop.changeover_us + 1}, command_from(), 26),
        ({"pulse_us": NOW_US - 25_000}, {"end_us": NOW_US - LIMITS.loop.pulse_gap_us}, command_from(), 0),
        ({"pulse_us": NOW_US - 25_000}, {"end_us": NOW_US - LIMITS.loop.pulse_gap_us + 1}, command_from(), 26),
        ({}, {}, command_from(LIMITS.agonist.first_step_uA), 0),
        ({}, {}, command_from(LIMITS.agonist.first_step_uA + 1), 21),
        ({"pulse_us": NOW_US - 25_000}, {}, command_from(LIMITS.agonist.first_step_uA + 1), 0),
        ({"hold_until_us": NOW_US, "hold_reasons": rule(12)}, {}, command_from(), 0),
        ({"hold_until_us": NOW_US + 1, "hold_reasons": rule(12)}, {}, command_from(), 12),
    ],
)
def test_each_reason_to_wait_at_the_gate_has_its_edge(
    train: dict[str, int], other: dict[str, int], admitted: Admitted, found: int
) -> None:
    assert early(armed_memory(train, other), admitted) == (rule(found) if found else 0)


@pytest.mark.parametrize(
    ("pulse_us", "started_us", "first"),
    [
        (NOW_US - LIMITS.loop.on_gap_us, 0, False),
        (NOW_US - LIMITS.loop.on_gap_us - 1, 0, True),
        (NOW_US - 25_000, NOW_US - 25_000, False),
        (NOW_US - 25_001, NOW_US - 25_000, True),
    ],
)
def test_a_first_pulse_waits_for_the_changeover_and_a_later_one_for_the_gap(
    pulse_us: int, started_us: int, first: bool
) -> None:
    memory = armed_memory({"pulse_us": pulse_us}, {"end_us": NOW_US})
    own = memory.agonist._replace(command=memory.agonist.command._replace(started_us=started_us))
    waits_us = LIMITS.loop.changeover_us if first else LIMITS.loop.pulse_gap_us
    assert gates._clear_of_other_us(LIMITS.loop, own, memory.antagonist, NOW_US) == NOW_US + waits_us


@pytest.mark.parametrize(
    ("train", "other", "admitted", "due_us"),
    [
        ({}, {}, command_from(), NOW_US),
        ({}, {}, command_from(given_us=NOW_US + 3), NOW_US + 3),
        ({"hold_until_us": NOW_US + 7}, {}, command_from(), NOW_US + 7),
        ({"pulse_us": NOW_US - 20_000}, {}, command_from(), NOW_US + 5_000),
        ({"pulse_us": NOW_US - 15_000}, {}, command_from(period_us=20_000), NOW_US + 5_000),
        ({}, {"end_us": NOW_US}, command_from(), NOW_US + LIMITS.loop.changeover_us),
        ({"hold_until_us": NOW_US + 49_999}, {}, command_from(), NOW_US + 49_999),
        ({"hold_until_us": NOW_US + 50_000}, {}, command_from(), -1),
        ({}, {}, command_from(LIMITS.agonist.first_step_uA), NOW_US),
        ({}, {}, command_from(LIMITS.agonist.first_step_uA + 1), -1),
        ({"pulse_us": NOW_US - 25_000}, {}, command_from(LIMITS.agonist.first_step_uA + 100), NOW_US),
        ({}, {}, command_from(0), -1),
    ],
)
def test_the_next_pulse_is_due_when_the_last_obstacle_is_gone(
    train: dict[str, int], other: dict[str, int], admitted: Admitted, due_us: int
) -> None:
    memory = armed_memory(train, other)
    assert gates.next_pulse_us(LIMITS, memory, admitted, 0, NOW_US) == due_us
    later_us = max(due_us, NOW_US + 9)
    assert due_us < 0 or gates.next_pulse_us(LIMITS, memory, admitted, 0, later_us) in {later_us, -1}
    if due_us >= 0:
        assert gates.gate(LIMITS, memory, admitted, 0, due_us)[0] == (admitted.agonist_current_uA, 250, 100)


def weighed(limits: Limits, train: dict[str, int], command: Command, **remembered: int) -> Budget:
    """What a pulse on the agonist would use up."""
    own = armed_memory(train).agonist
    own = own._replace(command=own.command._replace(**remembered))
    return budget_of(limits.agonist, limits.loop, own, command, NOW_US)


def with_limits(**values: int) -> Limits:
    """Limits under which nothing binds but what is named."""
    wide: dict[str, int] = {
        "rms_uA": 10**6, "power_rms_uA": 10**6, "rectified_pC": 10**12, "total_pC": 10**15,
        "density_rms_uA_per_cm2": 10**6, "density_trip_uA_per_cm2": 10**6, "contact_assumed_per_mille": 1_000,
        "run_us": 10**10, "on_us": 10**10, "area_mm2": 100,
    }  # fmt: skip
    return changed(LIFTED, **{**wide, **values})


ONE = Command(1_000, 500, 25_000)
CHARGE_PC, SQUARE = 1_000_000, 1_000_000_000
"""Of one such pulse: 2 x 1000 uA x 500 us, and that times 1000 uA."""


@pytest.mark.parametrize(
    ("limits", "train", "trip", "withhold"),
    [
        (with_limits(total_pC=5 * CHARGE_PC), {"total_pC": 4 * CHARGE_PC}, 0, 0),
        (with_limits(total_pC=5 * CHARGE_PC), {"total_pC": 4 * CHARGE_PC + 1}, 24, 0),
        (with_limits(saturated_pulses=5), {"saturated_pulses": 4}, 0, 0),
        (with_limits(saturated_pulses=5), {"saturated_pulses": 5}, 17, 0),
        (with_limits(power_rms_uA=100), {"window_uA2_us": 10**10 - SQUARE}, 0, 0),
        (with_limits(power_rms_uA=100), {"window_uA2_us": 10**10 - SQUARE + 1}, 15, 0),
        (with_limits(density_trip_uA_per_cm2=100), {"window_uA2_us": 10**10}, 0, 0),
        (with_limits(density_trip_uA_per_cm2=100), {"window_uA2_us": 10**10 + 1}, 13, 0),
        (with_limits(rms_uA=100), {"window_uA2_us": 10**10 - SQUARE}, 0, 0),
        (with_limits(rms_uA=100), {"window_uA2_us": 10**10 - SQUARE + 1}, 0, 12),
        (with_limits(density_rms_uA_per_cm2=100), {"window_uA2_us": 10**10 - SQUARE}, 0, 0),
        (with_limits(density_rms_uA_per_cm2=100), {"window_uA2_us": 10**10 - SQUARE + 1}, 0, 13),
        (with_limits(rectified_pC=3 * CHARGE_PC), {"window_pC": 2 * CHARGE_PC}, 0, 0),
        (with_limits(rectified_pC=3 * CHARGE_PC), {"window_pC": 2 * CHARGE_PC + 1}, 0, 16),
    ],
)
def test_each_budget_is_used_up_by_one_unit_too_many(
    limits: Limits, train: dict[str, int], trip: int, withhold: int
) -> None:
    found = weighed(limits, {"pulse_us": NOW_US - 25_000, **train}, ONE, saturated=1)
    assert (found.charge_pC, found.square_uA2_us) == (CHARGE_PC, SQUARE)
    assert found.trip == (rule(trip) if trip else 0)
    assert found.withhold == (rule(withhold) if withhold else 0)
    assert found.hold_until_us == (NOW_US if withhold == 0 else NOW_US + 20_000)


def test_all_budgets_used_up_at_once_are_reported_at_once() -> None:
    limits = with_limits(
        total_pC=0, saturated_pulses=0, power_rms_uA=1, density_trip_uA_per_cm2=1, rms_uA=1, density_rms_uA_per_cm2=1,
        rectified_pC=1, run_us=1, on_us=1,
    )  # fmt: skip
    train = {"pulse_us": NOW_US - 25_000, "window_uA2_us": SQUARE, "window_pC": CHARGE_PC, "run": 0}
    found = weighed(limits, train, ONE, saturated=1)
    assert found.trip == rule(24) | rule(17) | rule(15) | rule(13)
    assert found.withhold == rule(12) | rule(13) | rule(16) | rule(23)
    assert found.hold_until_us == NOW_US - 25_000 + limits.loop.recovery_us


BEGAN_US = NOW_US - 2_000_000
GAP_US, REST_US = LIMITS.loop.on_gap_us, LIMITS.loop.rest_us


@pytest.mark.parametrize(
    ("silence_us", "run", "since_us", "on_us"),
    [
        (0, 3, BEGAN_US, 300_000),
        (25_000, 3, BEGAN_US, 325_000),
        (REST_US - 1, 3, BEGAN_US, 300_000 + REST_US - 1),
        (REST_US, 4, NOW_US, 300_000 + GAP_US),
        (10 * REST_US, 4, NOW_US, 300_000 + GAP_US),
    ],
)
def test_the_time_since_the_last_pulse_is_on_time_and_a_rest_begins_a_new_run(
    silence_us: int, run: int, since_us: int, on_us: int
) -> None:
    found = weighed(
        LIMITS, {"pulse_us": NOW_US - silence_us, "run_since_us": BEGAN_US, "on_us": 300_000, "run": 3}, ONE
    )
    assert (found.run, found.run_since_us, found.on_us, found.withhold) == (run, since_us, on_us, 0)


RAN = {"pulse_us": NOW_US - 25_000, "run_since_us": BEGAN_US, "on_us": 900_000, "gone_us": 600_000, "run": 0}
RESTED = RAN | {"pulse_us": NOW_US - REST_US}
RECOVERED_US = NOW_US - 25_000 + LIMITS.loop.recovery_us


@pytest.mark.parametrize(
    ("limits", "train", "until_us"),
    [
        (with_limits(run_us=2_000_000), RAN, None),
        (with_limits(run_us=1_999_999), RAN, RECOVERED_US),
        (with_limits(run_us=0), RESTED, None),
        (with_limits(on_us=325_000), RAN, None),
        (with_limits(on_us=324_999), RAN, RECOVERED_US),
        (with_limits(on_us=300_000 + GAP_US), RESTED, None),
        (with_limits(on_us=299_999 + GAP_US), RESTED, NOW_US - REST_US + LIMITS.loop.recovery_us),
        (with_limits(on_us=299_999 + GAP_US, recovery_us=1_500_000), RESTED, NOW_US + REST_US),
    ],
)
def test_a_used_up_on_time_waits_for_the_recovery_and_a_rest_at_least(
    limits: Limits, train: dict[str, int], until_us: int | None
) -> None:
    found = weighed(limits, train, ONE)
    assert found.withhold == (0 if until_us is None else rule(23))
    assert found.hold_until_us == (NOW_US if until_us is None else until_us)


@pytest.mark.parametrize("channel", [0, 1])
def test_each_channel_is_held_to_its_own_limits_and_its_own_past(channel: int) -> None:
    """One channel may fire at once, the other not yet: the gate and the forecast must not mix them up."""
    strict = LIMITS.agonist._replace(first_step_uA=100, period_min_us=40_000, peak_uA=400)
    limits = LIMITS._replace(agonist=strict) if channel == 0 else LIMITS._replace(antagonist=strict)
    memory = armed_memory({"pulse_us": NOW_US - 30_000}, {"pulse_us": NOW_US - 30_000})
    bare = Admitted(NOW_US, NOW_US + 50_000, 300, 200, 25_000, 300, 200, 25_000, 100, 0)
    admitted = bare._replace(seal=seal_of(bare))
    assert gates.gate(limits, memory, admitted, 1 - channel, NOW_US)[0] == (300, 200, 100)
    assert gates.gate(limits, memory, admitted, channel, NOW_US)[2] == rule(37)
    assert gates.next_pulse_us(limits, memory, admitted, 1 - channel, NOW_US) == NOW_US
    assert gates.next_pulse_us(limits, memory, admitted, channel, NOW_US) == NOW_US + 10_000


@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize("rms_uA", [1, 10_000])
def test_a_pulse_or_its_delay_changes_one_train_and_nothing_else(channel: int, rms_uA: int) -> None:
    memory = armed_memory({"pulse_us": NOW_US - 30_000}, {"pulse_us": NOW_US - 30_000})
    bare = Admitted(NOW_US, NOW_US + 50_000, 300, 200, 25_000, 300, 200, 25_000, 100, 0)
    pulse, after, _ = gates.gate(with_limits(rms_uA=rms_uA), memory, bare._replace(seal=seal_of(bare)), channel, NOW_US)
    train = after[3 + channel].train
    assert (train.pulse_us, train.hold_until_us > NOW_US) == (
        (NOW_US - 30_000, True) if rms_uA == 1 else (NOW_US, False)
    )
    assert (pulse.current_uA, train.hold_reasons) == ((0, rule(12)) if rms_uA == 1 else (300, 0))
    name = ("agonist", "antagonist")[channel]
    assert after == memory._replace(**{name: memory[3 + channel]._replace(train=train)})


def test_a_trip_by_a_budget_tells_the_budgets_that_are_used_up_too() -> None:
    limits = with_limits(total_pC=0, rms_uA=1)
    memory = armed_memory({"pulse_us": NOW_US - 25_000})
    pulse, after, reasons = gates.gate(limits, memory, command_from(), 0, NOW_US)
    assert (pulse, reasons) == ((0, 0, 0), rule(24) | rule(12))
    assert after.latch[:3] == (0, 24, NOW_US)


def numbered(saturated: int) -> ChannelMemory:
    """A channel whose train holds the numbers 1 to 14."""
    own: Any = armed_memory().agonist
    return own._replace(train=own.train._make(range(1, 15)), command=own.command._replace(saturated=saturated))


def test_a_pulse_that_left_is_booked_field_by_field() -> None:
    used = Budget(100, 200, 300, 400, 500, 0, 0, 0)
    booked = fired(numbered(0), ONE, used, 50, 7_000)
    assert booked == (7_000, 8_050, 400, 104, 0, 6, 7, 8, 109, 210, 500, 12, 300, 14)
    assert fired(numbered(1), ONE, used, 50, 7_000).saturated_pulses == 6


def test_a_train_put_on_hold_keeps_everything_else() -> None:
    assert held(numbered(0).train, 77, 88) == (1, 2, 3, 4, 5, 77, 88, *range(8, 15))


def test_contact_share_and_area_make_the_current_that_reaches_a_density() -> None:
    own = with_limits(area_mm2=250, contact_assumed_per_mille=500).agonist
    assert density_rms_uA(own, 1_000, -1) == 1_250
    assert density_rms_uA(own, 1_000, 0) == 0
    assert density_rms_uA(own, 1_000, 999) == 2_497


def test_bits_past_the_table_name_no_rule() -> None:
    assert lowest_rule(1 << (RULES - 1)) == RULES
    assert lowest_rule(1 << RULES) == 0
