"""A state machine over control ticks and pulses: any order of calls, judged after every pulse by plain windows."""

from __future__ import annotations

from collections import Counter
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from tests.safety.attacks import LIMIT_SETS, ODD_DEMANDS, log_of
from tests.safety.interlock_bench import PERIOD_US, PLAIN, Bench, both
from tests.safety.interlock_bench import rule as bit
from tests.safety.pulse_rules import broken_rules
from thenar.safety.reasons import RULES
from thenar.shared.signals import REST, Demand, Stimulus

currents = st.floats(0.0, 2.0) | st.floats(0.0, 60.0) | st.just(500.0)
stimuli = st.just(REST) | st.builds(Stimulus, currents, st.floats(40.0, 450.0), st.floats(1.0, 120.0))
demands = st.builds(Demand, stimuli, stimuli) | st.builds(Demand, stimuli, st.just(REST))
troubles = st.fixed_dictionaries(
    {},
    optional={
        "estimate_N": st.sampled_from([float("nan"), 0.0, 4.0, 37.0, 49.0, 300.0, -9.0]),
        "estimate_age_us": st.sampled_from([-1, 300_000, 300_001, 800_001]),
        "law_fault": st.sampled_from([1, 2]),
        "agonist_contact_ohm": st.sampled_from([99, 100, 1_000, 2_001, 10_001]),
        "arm": st.just(0),
        "stop": st.just(1),
    },
)
CALLED: Counter[str] = Counter()


class InterlockMachine(RuleBasedStateMachine):
    """One bench; the rules are what a law, a sensor, an operator and an engine may do to it."""

    bench: Bench

    @initialize(name=st.sampled_from(sorted(LIMIT_SETS)))
    def power_on(self, name: str) -> None:
        """A fresh interlock with one of the limit sets."""
        self.bench = Bench(LIMIT_SETS[name])
        self.bench.tick(both())

    @rule(demand=demands, seconds=st.sampled_from([0.04, 0.2, 1.0, 3.0]))
    def push(self, demand: Demand, seconds: float) -> None:
        """A law that keeps asking for one thing."""
        CALLED["push"] += 1
        self.bench.run(seconds, demand)

    @rule(demand=demands | st.sampled_from(ODD_DEMANDS), trouble=troubles)
    def tick(self, demand: object, trouble: dict[str, Any]) -> None:
        """One control tick with anything wrong."""
        CALLED["tick"] += 1
        self.bench.tick(demand, **trouble)

    @rule(demand=demands, ahead_us=st.integers(-30_000, 300_000))
    def tick_at_an_odd_time(self, demand: Demand, ahead_us: int) -> None:
        """A control loop that is early, late or back in time."""
        CALLED["odd time"] += 1
        self.bench.tick(demand, at=max(self.bench.t_us + ahead_us, 0))

    @rule(channel=st.sampled_from([0, 1]), ahead_us=st.integers(0, 70_000), count=st.integers(1, 5))
    def ask_for_pulses(self, channel: int, ahead_us: int, count: int) -> None:
        """An engine that asks whenever it likes."""
        CALLED["ask"] += 1
        for index in range(count):
            self.bench.gate(channel, at=self.bench.t_us + ahead_us + 700 * index)

    @rule()
    def halt(self) -> None:
        """The emergency stop between two ticks."""
        CALLED["halt"] += 1
        self.bench.halt(self.bench.t_us)

    @precondition(lambda self: self.bench.trip != 0)
    @rule(named=st.booleans())
    def re_arm(self, named: bool) -> None:
        """An operator who names the cause, or guesses."""
        CALLED["re-arm"] += 1
        self.bench.t_us = max([self.bench.t_us, *(pulse.t_us for pulse in self.bench.pulses[-2:])])
        for _ in range(3):
            self.bench.rearm(self.bench.trip if named else 1 + self.bench.trip % RULES)
        CALLED["re-armed"] += self.bench.is_armed

    @invariant()
    def nothing_has_left_its_limits(self) -> None:
        """The judge reads the whole log again after every step."""
        if hasattr(self, "bench"):
            assert broken_rules(log_of(self.bench), self.bench.limits) == []
            assert self.bench.seen & (bit(37) | bit(39)) == 0

    @invariant()
    def a_tripped_loop_is_silent(self) -> None:
        """No command and no due time while a trip is latched."""
        if hasattr(self, "bench") and self.bench.trip:
            assert not self.bench.is_armed
            assert self.bench.due_us(0) == self.bench.due_us(1) == -1
            before = len(self.bench.pulses)
            self.bench.gate(0, at=self.bench.t_us + PERIOD_US)
            assert len(self.bench.pulses) == before


def test_no_order_of_calls_gets_a_pulse_out_of_its_limits_and_every_rule_was_played() -> None:
    CALLED.clear()
    machine_settings = settings(
        max_examples=40 if PLAIN else 60, stateful_step_count=25, suppress_health_check=list(HealthCheck)
    )
    run_state_machine_as_test(InterlockMachine, settings=machine_settings)  # type: ignore[no-untyped-call]
    assert {"push", "tick", "odd time", "ask", "halt", "re-arm", "re-armed"} <= {
        name for name, count in CALLED.items() if count
    }
