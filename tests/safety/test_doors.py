"""The packed doors: equal to the pure functions, total for any integers, empty and tripped when a call breaks off."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.safety.attacks import BUSY_AT, LIMIT_SETS, attack
from tests.safety.interlock_bench import PERIOD_US, PLAIN, Bench, ask, both, limits_for, rule
from tests.safety.random_digest import digest
from thenar.safety import doors, gate, interlock, judgement, step_limits
from thenar.safety.arming import lowest_rule
from thenar.safety.ceilings import Bounded
from thenar.safety.edge import demand_units, senses_units
from thenar.safety.gate import next_pulse_us
from thenar.safety.inputs import ASKED_SIZE, SENSES_SIZE, ChannelAsked, unpack_asked, unpack_senses
from thenar.safety.interlock import ADMITTED_SIZE, Admitted, start_admitted, unpack_admitted
from thenar.safety.limits import unpack_limits
from thenar.safety.memory import EMPTY, MEMORY_SIZE, NEVER, SLOTS_AT, start_memory, unpack_memory
from thenar.safety.reasons import RULES
from thenar.safety.vectors.layout import memory_names
from thenar.shared.compiled import flat_integers

PUSH = ask(15.0)
ROOT = Path(__file__).resolve().parents[2]


def pushing() -> Bench:
    """A bench that has delivered for a second."""
    bench = Bench().armed()
    bench.run(1.0, PUSH)
    return bench


def test_power_on_memory_holds_nothing_but_its_never_marks() -> None:
    memory = start_memory()
    assert memory.shape == (MEMORY_SIZE,)
    assert memory.dtype == np.int64
    assert not memory[SLOTS_AT:].any()
    assert set(memory.tolist()) == {0, -1, NEVER, EMPTY}
    assert unpack_memory(memory).latch[:2] == (0, 0)
    assert start_admitted().shape == (ADMITTED_SIZE,)
    assert not start_admitted().any()


def test_memory_survives_the_way_through_its_flat_form() -> None:
    memory = start_memory()
    memory[:SLOTS_AT] = np.arange(SLOTS_AT)
    assert flat_integers(unpack_memory(memory)).tolist() == list(range(SLOTS_AT))


def test_the_tick_door_equals_the_pure_function_on_what_it_packs() -> None:
    bench = pushing()
    demand = demand_units(both(PUSH.agonist, PUSH.agonist))
    senses = senses_units(36.5, 30_000, 99, 0, 0, 1, 0, 900.0, 0.7)
    t_us = bench.t_us + PERIOD_US
    expected, after, reasons = interlock.admit(
        unpack_limits(bench.limits_array),
        unpack_memory(bench.memory),
        unpack_asked(demand),
        unpack_senses(senses),
        t_us,
    )
    trains = bench.memory[SLOTS_AT:].copy()
    assert doors.admit_packed(bench.limits_array, bench.memory, bench.admitted, demand, senses, t_us) == reasons
    assert unpack_admitted(bench.admitted) == expected
    assert unpack_memory(bench.memory) == after
    assert np.array_equal(bench.memory[SLOTS_AT:], trains)


def test_the_tick_function_leaves_its_arguments_alone_and_answers_the_same_again() -> None:
    bench = pushing()
    arguments = (
        unpack_limits(bench.limits_array),
        unpack_memory(bench.memory),
        unpack_asked(demand_units(PUSH)),
        unpack_senses(senses_units(3.2, 30_000, 99, 0, 0, 1)),
        bench.t_us + PERIOD_US,
    )
    before = repr(arguments)
    assert interlock.admit(*arguments) == interlock.admit(*arguments)
    assert repr(arguments) == before


@pytest.mark.parametrize("channel", [0, 1])
def test_the_pulse_door_equals_the_pure_gate(channel: int) -> None:
    bench = Bench().armed()
    bench.run(1.0, both(PUSH.agonist, PUSH.agonist))
    bench.tick(both(PUSH.agonist, PUSH.agonist))
    limits, admitted = unpack_limits(bench.limits_array), unpack_admitted(bench.admitted)
    due_us = next_pulse_us(limits, unpack_memory(bench.memory), admitted, channel, bench.t_us)
    assert due_us == bench.due_us(channel)
    pulse, after, reasons = gate.gate(limits, unpack_memory(bench.memory), admitted, channel, due_us)
    assert bench.gate(channel, at=due_us) == reasons == 0
    assert bench.out.tolist() == list(pulse)
    found = unpack_memory(bench.memory)
    for got, want in ((found.agonist.train, after.agonist.train), (found.antagonist.train, after.antagonist.train)):
        assert (got.pulse_us, got.end_us, got.run_since_us, got.on_us, got.total_pC) == (
            want.pulse_us,
            want.end_us,
            want.run_since_us,
            want.on_us,
            want.total_pC,
        )


@pytest.mark.skipif(PLAIN, reason="one comparison is enough, and it runs with the compiler")
def test_compiled_and_plain_code_give_the_same_numbers_on_random_schedules() -> None:
    settings_of = {"NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(ROOT)}
    other = subprocess.run(
        [sys.executable, "-m", "tests.safety.random_digest"],
        capture_output=True, text=True, check=True, cwd=ROOT, env={**os.environ, **settings_of},
    )  # fmt: skip
    assert other.stdout.strip() == digest()


whole = (
    st.integers(-(2**63), 2**63 - 1) | st.integers(-3, 50_000) | st.sampled_from([0, 1, -1, 2**31, -(2**63), 2**63 - 1])
)


@settings(max_examples=200)
@given(
    st.sampled_from(sorted(LIMIT_SETS)),
    st.lists(
        st.tuples(
            st.lists(whole, min_size=ASKED_SIZE, max_size=ASKED_SIZE),
            st.lists(whole, min_size=SENSES_SIZE, max_size=SENSES_SIZE),
            st.just(PERIOD_US) | whole,
        ),
        max_size=6,
    ),
)
def test_any_integers_in_demand_senses_and_time_give_a_bounded_answer(
    name: str, ticks: list[tuple[list[int], list[int], int]]
) -> None:
    bench = Bench(LIMIT_SETS[name]).armed()
    bench.run(0.2, PUSH)
    t_us = bench.t_us
    for demand, senses, gap_us in ticks:
        t_us = min(max(t_us + gap_us, -(2**63)), 2**63 - 1)
        doors.admit_packed(
            bench.limits_array, bench.memory, bench.admitted, np.array(demand, dtype=np.int64),
            np.array(senses, dtype=np.int64), t_us,
        )  # fmt: skip
        given_out = unpack_admitted(bench.admitted)
        assert isinstance(given_out, Admitted)
        for channel, limits in ((0, bench.limits.agonist), (1, bench.limits.antagonist)):
            current, width, period = bench.level(channel)
            assert 0 <= current <= min(limits.peak_uA, limits.ceiling_uA)
            if current:
                assert limits.width_min_us <= width <= limits.width_max_us
                assert current * width <= limits.charge_pC
                assert period >= limits.period_min_us
                assert current <= demand[1 + 3 * channel] or senses[4] == 2
            bench.gate(channel, at=t_us)
            bench.due_us(channel, at=t_us)


def test_memory_keeps_its_size_and_its_numbers_stay_small_over_a_long_run() -> None:
    bench = Bench()
    attack(bench, np.random.default_rng(4), 3_000)
    assert bench.memory.shape == (MEMORY_SIZE,)
    assert np.abs(bench.memory).max() < 2**62


def test_a_call_that_broke_off_trips_at_the_next_tick_whatever_the_state() -> None:
    for bench in (Bench(), pushing()):
        bench.memory[BUSY_AT] = 1
        bench.admitted[:] = 0
        assert bench.tick(PUSH) & rule(39)
        assert bench.trip == 39
        assert bench.level() == (0, 0, 0)
        bench.rearm(39)
        assert bench.is_armed


def test_a_call_that_broke_off_trips_at_the_next_pulse_too() -> None:
    bench = pushing()
    bench.tick(PUSH)
    bench.memory[BUSY_AT] = 1
    count = len(bench.pulses)
    assert bench.gate(at=bench.t_us + 30_000) == rule(39)
    assert (bench.trip, len(bench.pulses)) == (39, count)
    assert bench.tick(PUSH) & rule(34)


def names_called(*places: str) -> list[str]:
    """Functions that these functions of the packed doors call by name."""
    tree = ast.parse(Path(doors.__file__).read_text("utf-8"))
    bodies = [node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name in places]
    nodes = [node for body in bodies for node in ast.walk(body)]
    called = [node.func.id for node in nodes if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)]
    return sorted({name for name in called if hasattr(doors, name)})


TICK_STEPS = names_called("admit_packed", "_decided")
PULSE_STEPS = names_called("gate_packed", "_gated")


class BreaksOffError(Exception):
    """Planted in place of a step."""


def breaks(*_: Any) -> Any:
    """A step that raises."""
    raise BreaksOffError


@pytest.mark.skipif(not PLAIN, reason="compiled doors can't have a step replaced")
@pytest.mark.parametrize("name", TICK_STEPS)
def test_a_tick_that_raises_at_any_step_leaves_no_command_and_the_next_one_trips(
    monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    bench = pushing()
    # The on-time is used up: only then does a tick look back over the runs.
    bench.memory[memory_names().index("agonist.train.run_since_us")] -= bench.limits.agonist.run_us
    with monkeypatch.context() as patch:
        patch.setattr(doors, name, breaks)
        with pytest.raises(BreaksOffError):
            bench.tick(PUSH)
    assert bench.level() == (0, 0, 0)
    assert bench.due_us() == -1
    count = len(bench.pulses)
    bench.gate(at=bench.t_us + 5)
    assert len(bench.pulses) == count
    bench.tick(PUSH)
    assert bench.trip == 39


@pytest.mark.skipif(not PLAIN, reason="compiled doors can't have a step replaced")
def test_a_command_written_only_half_way_is_never_fired(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = pushing()

    def half(array: Any, values: Any) -> None:
        array[:5] = values[:5]
        raise BreaksOffError

    with monkeypatch.context() as patch:
        patch.setattr(doors, "store", half)
        with pytest.raises(BreaksOffError):
            bench.tick(PUSH)
    count = len(bench.pulses)
    assert bench.gate(at=bench.t_us + 30_000) == rule(39)
    assert (bench.trip, len(bench.pulses)) == (39, count)


@pytest.mark.skipif(not PLAIN, reason="compiled doors can't have a step replaced")
@pytest.mark.parametrize("name", PULSE_STEPS)
def test_a_pulse_that_raises_at_any_step_does_not_leave_and_the_next_call_trips(
    monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    bench = Bench().armed()  # at a first pulse, which begins a run, every step is taken
    bench.tick(PUSH)
    due_us = bench.due_us()
    bench.out[:] = 7
    changed = 1 if name == "tripped" else 0  # a trip is a pulse's step only when the limits were changed
    bench.limits_array[0] += changed
    with monkeypatch.context() as patch:
        patch.setattr(doors, name, breaks)
        with pytest.raises(BreaksOffError):
            bench.gate(at=due_us)
    bench.limits_array[0] -= changed
    assert bench.out.tolist() == [0, 0, 0]
    bench.gate(at=due_us + 30_000)
    assert bench.out.tolist() == [0, 0, 0]
    assert bench.trip == 39


@pytest.mark.skipif(not PLAIN, reason="engines that are compiled call it all the time")
def test_the_engines_gate_lets_out_what_the_packed_one_does() -> None:
    bench = pushing()
    due_us = bench.due_us()
    memory, out = bench.memory.copy(), np.zeros(3, dtype=np.int64)
    reasons = doors.pass_gate(unpack_limits(bench.limits_array), memory, bench.admitted, 0, due_us, out)
    assert bench.gate(at=due_us) == reasons == 0
    assert np.array_equal(out, bench.out)
    assert out[0] > 0
    assert np.array_equal(memory, bench.memory)


@pytest.mark.skipif(PLAIN, reason="they run in this process")
def test_in_a_process_without_the_compiler_every_step_can_be_broken_and_nothing_leaves() -> None:
    plain = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(Path(__file__)),
         "-k", "raises_at_any_step or only_half_way or more_than_was_asked or engines_gate"],
        capture_output=True, text=True, check=False, cwd=ROOT, env={**os.environ, "NUMBA_DISABLE_JIT": "1"},
    )  # fmt: skip
    assert plain.returncode == 0, plain.stdout
    assert f"{len(TICK_STEPS) + len(PULSE_STEPS) + 3} passed" in plain.stdout


def test_the_list_of_steps_to_break_is_not_empty() -> None:
    assert {"admit", "unpack_limits", "_decided"} <= set(TICK_STEPS)
    assert {"gate", "unpack_limits", "_gated"} <= set(PULSE_STEPS)


@pytest.mark.skipif(not PLAIN, reason="compiled steps can't be replaced")
def test_a_step_that_gives_more_than_was_asked_trips_as_an_internal_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = pushing()
    monkeypatch.setattr(interlock, "rounded", lambda loop, given: given._replace(current_uA=given.current_uA + 100))
    assert bench.tick(PUSH) & rule(37)
    assert bench.trip == 37
    assert bench.level() == (0, 0, 0)


ASKED = ChannelAsked(15_050, 250, 25_000)


@pytest.mark.parametrize(
    ("given_out", "fine"),
    [
        (Bounded(15_000, 250, 25_000, 0), True),
        (Bounded(0, 0, 0, 0), True),
        (Bounded(15_100, 250, 25_000, 0), False),
        (Bounded(15_000, 251, 25_000, 0), False),
        (Bounded(15_000, 250, 24_999, 0), False),
        (Bounded(14_950, 250, 25_000, 0), False),
        (Bounded(-100, 250, 25_000, 0), False),
    ],
)
@pytest.mark.parametrize("channel", [0, 1])
def test_the_last_check_of_a_tick_is_about_what_was_asked_and_every_fixed_bound(
    given_out: Bounded, fine: bool, channel: int
) -> None:
    nothing, rest = Bounded(0, 0, 0, 0), ChannelAsked(0, 0, 0)
    asked, got = ((ASKED, rest), (given_out, nothing)) if channel == 0 else ((rest, ASKED), (nothing, given_out))
    assert interlock._last_check(limits_for(), *asked, *got) == (0 if fine else rule(37))


@given(st.integers(0, 2**RULES - 1))
def test_the_lowest_rule_of_a_mask_is_the_one_that_latches(mask: int) -> None:
    assert lowest_rule(mask) == ((mask & -mask).bit_length() if mask else 0)


def test_the_steps_used_by_the_doors_are_the_ones_tested() -> None:
    assert interlock.judge is judgement.judge
    assert interlock.limit_rise is step_limits.limit_rise
    assert doors.gate is gate.gate
