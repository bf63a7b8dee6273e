"""Random schedules against the interlock: demands, senses, clocks, operators and engines that misbehave.

`attack` plays one schedule on a bench. Everything is drawn from one generator, so a seed names a schedule.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from tests.safety.interlock_bench import PERIOD_US, Bench, changed, limits_for
from tests.safety.pulse_rules import Change, Command, Log
from thenar.safety.memory import LATCH_AT
from thenar.shared.compiled import flat_integers
from thenar.shared.signals import REST, Demand, Stimulus

CRAMPED: Final = changed(
    limits_for(),
    run_us=1_500_000, on_us=2_500_000, long_window_us=6_000_000, rest_us=600_000, recovery_us=1_200_000,
    slew_uA_per_s=60_000, rise_uA=1_200, intensity_slew_pC_per_s2=720_000_000,
    rms_uA=4_000, rectified_pC=600_000_000, area_mm2=1_000, session_us=20_000_000, total_pC=3_000_000_000,
)  # fmt: skip
"""Limits so close together that a minute of attacks meets all of them."""
OPEN: Final = changed(
    limits_for(),
    peak_uA=100_000, ceiling_uA=100_000, width_max_us=500, charge_pC=50_000_000, density_charge_pC=50_000_000,
    period_min_us=10_000, slew_uA_per_s=500_000, rise_uA=10_000, rms_uA=50_000, area_mm2=20_000,
    energy_aJ=4 * 10**15, power_rms_uA=12_000, rectified_pC=10**10, intensity_slew_pC_per_s2=10**11,
    summed_share_per_mille=2_000,
)  # fmt: skip
"""Near the hard ceilings, where the backstops R14 and R15 can bind."""
LIMIT_SETS: Final = {"forearm": limits_for(), "thumb": limits_for(name="thumb-8cm2"), "cramped": CRAMPED, "open": OPEN}

BUSY_AT: Final = LATCH_AT + 6

ODD_DEMANDS: Final = (
    None, "more", float("nan"), (REST,), (REST, REST, REST), Demand(Stimulus(math.nan, 1.0, 1.0), REST),
    Demand(Stimulus(-5.0, 200.0, 40.0), REST), Demand(Stimulus(1e12, 200.0, 40.0), REST),
)  # fmt: skip


def drawn_stimulus(rng: np.random.Generator) -> Stimulus:
    """From rest to far above every limit."""
    if rng.random() < 0.15:
        return REST
    current_mA = rng.choice([rng.uniform(0.0, 2.0), rng.uniform(0.0, 45.0), rng.uniform(0.0, 500.0)])
    width_us = rng.choice([rng.uniform(40.0, 60.0), rng.uniform(50.0, 420.0), rng.uniform(0.0, 5_000.0)])
    rate_Hz = rng.choice([rng.uniform(1.0, 60.0), rng.uniform(0.1, 400.0)])
    return Stimulus(float(current_mA), float(width_us), float(rate_Hz))


class Attacker:
    """One drawn habit at a time, changed now and then, so that trains and pauses come about."""

    def __init__(self, rng: np.random.Generator, calm: float = 0.97) -> None:
        """`calm`: share of ticks without any fault."""
        self.rng, self.calm = rng, calm
        self.demand: object = Demand(REST, REST)
        self.trouble: dict[str, Any] = {}
        self.left = 0

    def new_demand(self) -> object:
        """A demand that often stays what it was."""
        if self.rng.random() < 0.05:
            both = self.rng.random() < 0.5
            first, second = drawn_stimulus(self.rng), drawn_stimulus(self.rng)
            self.demand = Demand(first, second) if both else Demand(first, REST)
        return self.demand

    def senses(self, trip: int) -> dict[str, Any]:
        """Mostly fine; now and then one thing is wrong, for one tick or for many."""
        rng = self.rng
        senses: dict[str, Any] = {"arm": 1, "estimate_N": float(rng.normal(5.0, 0.5))}
        if trip and rng.random() < 0.2:
            senses["rearm_cause"] = trip if rng.random() < 0.9 else int(rng.integers(1, 40))
        if self.left > 0:
            self.left -= 1
        elif rng.random() < self.calm:
            self.trouble = {}
        else:
            self.trouble = self.new_trouble()
            self.left = int(rng.choice([0, 0, rng.integers(0, 10), rng.integers(10, 60)]))
        return senses | self.trouble

    def new_trouble(self) -> dict[str, Any]:
        """One thing wrong with what is sensed, with the law or with the operator."""
        rng = self.rng
        name, value = [
            ("estimate_N", float(rng.choice([math.nan, 300.0, -8.0, 37.0, 50.0, 26.0, 4.321]))),
            ("estimate_age_us", int(rng.integers(-1, 900_000))),
            ("law_fault", int(rng.integers(1, 3))),
            ("agonist_contact_ohm", int(rng.choice([50, 500, 900, 3_000, 6_000, 9_000, 12_000]))),
            ("antagonist_contact_ohm", int(rng.choice([500, 900, 9_000, 20_000]))),
            ("arm", 0),
            ("stop", int(rng.random() < 0.5)),
        ][int(rng.integers(0, 7))]
        return {name: value}

    def clock(self, t_us: int) -> int:
        """The next tick's time: usually a period later."""
        draw = self.rng.random()
        if draw > 1.0 - (1.0 - self.calm) / 8:
            return t_us + int(self.rng.choice([-1, 0, 5_000, 9_999, 45_000, 90_000, 300_000]))
        return t_us + PERIOD_US + int(self.rng.integers(-2_000, 2_000) if draw < 0.2 else 0)


def attack(bench: Bench, rng: np.random.Generator, ticks: int, calm: float = 0.97) -> None:
    """Play `ticks` control ticks of one drawn schedule, with pulses asked for as an engine would and at odd times."""
    attacker = Attacker(rng, calm)
    for _ in range(ticks):
        at_us = max(attacker.clock(bench.t_us), 0)
        if rng.random() > calm:
            for at in np.sort(rng.integers(max(bench.t_us, 0), max(bench.t_us, 0) + 80_000, 4)):
                bench.gate(int(rng.integers(0, 2)), at=int(at))
        elif at_us > bench.t_us:
            bench.fire_until(at_us)
        _meddle(bench, rng)
        demand = Demand(REST, REST) if bench.trip and rng.random() < 0.5 else attacker.new_demand()
        if rng.random() > calm + (1.0 - calm) / 2:
            demand = ODD_DEMANDS[int(rng.integers(0, len(ODD_DEMANDS)))]
        bench.tick(demand, at=at_us, **attacker.senses(bench.trip))


def _meddle(bench: Bench, rng: np.random.Generator) -> None:
    """Rarely: a stop between ticks, a limit overwritten, a call that had broken off."""
    draw = rng.random()
    if draw < 0.0005:
        bench.halt(max(bench.t_us, 0))
    elif draw < 0.001 and bench.is_armed:
        bench.limits_array[int(rng.integers(0, bench.limits_array.size))] += 1
    elif draw < 0.0015:
        bench.memory[BUSY_AT] = 1
    elif bench.trip == 35:
        bench.limits_array[:] = flat_integers(bench.limits)


def log_of(bench: Bench) -> Log:
    """What an outside judge may read."""
    commands = [
        Command(fields[0], fields[1], ((fields[2], fields[3], fields[4]), (fields[5], fields[6], fields[7])))
        for _, fields, _ in bench.history
    ]
    return Log(bench.pulses, bench.places, commands, [Change(*state) for state in bench.states])
