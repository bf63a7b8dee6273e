"""Random attack schedules, judged from the pulses alone: nothing leaves its limits, and every rule is reached.

The judge itself is put to the test on planted faults, one for each rule that it knows.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.safety.attacks import LIMIT_SETS, attack, log_of
from tests.safety.interlock_bench import Bench, Left, ask, both, rule
from tests.safety.pulse_rules import Change, Command, Log, broken_rules
from thenar.safety.limits import Limits
from thenar.safety.requirements import REQUIREMENTS, reason_ids
from thenar.shared.signals import Stimulus

SCHEDULES = (6, 60)
"""Fewest and most schedules for each set of limits: the campaign goes on until every rule was reached."""
TICKS = 1_500
REACHED = {row.number for row in REQUIREMENTS} - {18, 19, 27, 29, 37, 38}
"""R18, R19, R29 and R38 have no bit; R27 is met at arming only, and R37 means a fault of the interlock itself."""
TRIPPED = {1, 2, 3, 4, 14, 15, 17, 24, 28, 30, 31, 32, 33, 35, 39}
"""Every cause that can latch, but for R13 (needs a contact share that changes: test_gate) and R37."""


@pytest.mark.campaign
def test_no_attack_gets_a_pulse_out_of_its_limits_and_every_rule_and_trip_is_reached() -> None:
    seed = int(np.random.SeedSequence().generate_state(1)[0])
    wanted = sum(rule(number) for number in REACHED)
    seen, trips, pulses = 0, set[int](), 0
    for index in range(SCHEDULES[1]):
        for name, limits in LIMIT_SETS.items():
            bench = Bench(limits)
            attack(bench, np.random.default_rng([seed, index]), TICKS)
            assert broken_rules(log_of(bench), limits) == [], f"seed {seed}, schedule {index}, limits {name}"
            seen |= bench.seen
            trips |= bench.trips
            pulses += len(bench.pulses)
        if index + 1 >= SCHEDULES[0] and seen & wanted == wanted and trips >= TRIPPED:
            break
    print(f"seed {seed}: {index + 1} schedules, {pulses} pulses")
    assert [name for name in reason_ids(wanted) if name not in reason_ids(seen)] == []
    assert TRIPPED - trips == set()
    assert seen & rule(37) == 0
    assert pulses > 10_000


def calm_run() -> tuple[Log, Limits]:
    """Three clean seconds with both channels, and their limits."""
    bench = Bench().armed()
    bench.run(2.0, ask(15.0))
    bench.run(1.0, both(ask(15.0).agonist, Stimulus(10.0, 200.0, 40.0)))
    log = log_of(bench)
    assert broken_rules(log, bench.limits) == []
    return log, bench.limits


def with_last(log: Log, **changes: int) -> Log:
    """The log with its last agonist pulse changed."""
    place = max(index for index, pulse in enumerate(log.pulses) if pulse.channel == 0)
    pulses = [*log.pulses]
    pulses[place] = pulses[place]._replace(**changes)
    return log._replace(pulses=pulses)


def train(gap_us: int, count: int, current_uA: int = 700, width_us: int = 200) -> list[Left]:
    """Evenly spaced pulses on the agonist."""
    return [Left(index * gap_us, 0, current_uA, width_us, 50) for index in range(count)]


def open_log(pulses: list[Left]) -> Log:
    """A log in which the loop was open and every pulse had its own command."""
    commands = [
        Command(pulse.t_us, pulse.t_us + 60_000, ((pulse.current_uA, pulse.width_us, 0),) * 2) for pulse in pulses
    ]
    return Log(pulses, [(index, 0) for index in range(len(pulses))], commands, [Change(0, True)])


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("R06", {"current_uA": 40_100}),
        ("R07", {"current_uA": 40_100}),
        ("R08", {"width_us": 401}),
        ("R08", {"width_us": 49}),
        ("R09", {"width_us": 400, "current_uA": 30_100}),
        ("R36", {"current_uA": 14_950}),
        ("R37", {"current_uA": 15_100}),
        ("R20", {"current_uA": 19_000}),
    ],
)
def test_the_judge_notices_a_pulse_changed_by_one_step(name: str, changes: dict[str, int]) -> None:
    log, limits = calm_run()
    assert any(line.startswith(name) for line in broken_rules(with_last(log, **changes), limits))


def test_the_judge_notices_gaps_that_are_too_short_and_order_that_is_wrong() -> None:
    limits = LIMIT_SETS["forearm"]
    agonist = Left(0, 0, 700, 200, 50)
    running = [agonist._replace(channel=1), agonist._replace(t_us=50_000)]
    near = [*running, Left(running[-1].end_us + 999, 1, 700, 200, 50)]
    first = [agonist, Left(agonist.end_us + 19_999, 1, 700, 200, 50)]
    assert any(line.startswith("R26:") for line in broken_rules(open_log(near), limits))
    assert any(line.startswith("R26 changeover") for line in broken_rules(open_log(first), limits))
    assert any(line.startswith("R11") for line in broken_rules(open_log(train(19_999, 2)), limits))
    assert any(line.startswith("order") for line in broken_rules(open_log(train(30_000, 3)[::-1]), limits))


def test_the_judge_notices_pulses_without_a_command_that_holds_or_while_shut() -> None:
    log, limits = calm_run()
    late = log._replace(commands=[command._replace(until_us=command.from_us) for command in log.commands])
    assert any(line.startswith("R03") for line in broken_rules(late, limits))
    shut = log._replace(changes=[Change(change.t_us, False) for change in log.changes])
    assert any(line.startswith("R05 or R34") for line in broken_rules(shut, limits))
    early = log._replace(places=[(-1, -1)] * len(log.pulses))
    assert any(line.startswith("R05") for line in broken_rules(early, limits))


@pytest.mark.parametrize(
    ("name", "change", "pulses"),
    [
        ("R10", {"density_charge_pC": 100_000}, train(25_000, 1)),
        ("R12", {"rms_uA": 50}, train(25_000, 40)),
        ("R13", {"density_rms_uA_per_cm2": 5}, train(25_000, 40)),
        ("R14", {"energy_aJ": 10**10}, train(25_000, 1)),
        ("R15", {"power_rms_uA": 50}, train(25_000, 40)),
        ("R16", {"rectified_pC": 10**7}, train(25_000, 40)),
        ("R23", {"run_us": 900_000}, train(25_000, 40)),
        ("R23", {"on_us": 900_000}, train(25_000, 40)),
        ("R24", {"total_pC": 10**7}, train(25_000, 40)),
        ("R21", {"first_step_uA": 600}, train(1_000_000, 2)),
        ("R40", {"first_step_uA": 600, "intensity_slew_pC_per_s2": 10**6}, train(25_000, 2)),
    ],
)
def test_the_judge_notices_sums_just_above_a_bound_and_passes_them_below(
    name: str, change: dict[str, int], pulses: list[Left]
) -> None:
    log, limits = open_log(pulses), LIMIT_SETS["forearm"]
    assert broken_rules(log, limits) == []
    tight = limits._replace(agonist=limits.agonist._replace(**change))
    assert any(line.startswith(name) for line in broken_rules(log, tight))
