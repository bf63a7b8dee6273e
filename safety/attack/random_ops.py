"""Drawn schedules: demands from rest to far beyond every limit, and things that go wrong now and then, or often.

Everything is drawn from one generator, so a seed and an index name a schedule.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from thenar.safety.attack.ops import (
    ASKED,
    BREAK_OFF,
    DELAY_US,
    FIELD,
    FIRE,
    GATE,
    HALT,
    LATCHED,
    OVERWRITE,
    RESTART,
    RESTORE,
    Ops,
    calm_ticks,
    laid_out,
)
from thenar.safety.attack.ops import WIDTH as OPS_WIDTH
from thenar.safety.edge import demand_units
from thenar.safety.inputs import ASKED_SIZE
from thenar.safety.limits import LIMITS_SIZE, Limits
from thenar.shared.signals import REST, Demand, Stimulus

_NAN: Final = float("nan")
_ODD_OBJECTS: Final[tuple[object, ...]] = (
    None, "more", b"\x00", 7, True, _NAN, [], {}, (), (REST,), (REST, REST, REST), ((1.0, 2.0), REST),
    ((1.0, 2.0, 3.0, 4.0), REST), (REST, (1.0, None, 3.0)), Demand(Stimulus(_NAN, 200.0, 40.0), REST),
    Demand(Stimulus(float("inf"), 200.0, 40.0), REST), Demand(Stimulus(-5.0, 200.0, 40.0), REST),
    Demand(Stimulus(True, 200.0, 40.0), REST), Demand(Stimulus(10.0, 1e300, 40.0), REST),
    Demand(Stimulus(10.0, 200.0, -1.0), REST), Demand(Stimulus(1e12, 200.0, 40.0), REST),
    Demand(Stimulus(2**70, 200.0, 40.0), REST), (REST, ("9", 200.0, 40.0)),
)  # fmt: skip
ODD_DEMANDS: Final = np.array([demand_units(odd) for odd in _ODD_OBJECTS])
"""What foreign objects become at the edge, (objects, ASKED_SIZE)."""
_EXTREMES: Final = (-(2**63), -(2**31), -1, 0, 1, 2**31, 2**62, 2**63 - 1)


class Drawer:
    """Draws stretches of one schedule under `limits`."""

    def __init__(self, rng: np.random.Generator, limits: Limits) -> None:
        """`rng`: gives every number."""
        self.rng, self.limits = rng, limits
        self.period_us = limits.loop.control_period_us
        self._troubles: tuple[Callable[[Ops], list[Ops]], ...] = (
            self._clock, self._estimate, self._contact, self._balance, self._law, self._operator, self._gate,
            self._sabotage, self._senses,
        )  # fmt: skip

    def schedule(self, count: int, wildness: float) -> Ops:
        """At least `count` operations. `wildness`: share of stretches in which something is wrong."""
        parts: list[Ops] = [calm_ticks(1, self.period_us)]
        rows = 1
        while rows < count:
            for part in self._stretch(wildness):
                parts.append(part)
                rows += len(part)
        return laid_out(parts)[:count]

    def _stretch(self, wildness: float) -> list[Ops]:
        rng = self.rng
        ops = calm_ticks(int(rng.integers(1, 45)), self.period_us)
        ops[:, FIELD["estimate_mN"]] += int(rng.normal(2_000, 500))
        if rng.random() < 0.85:
            ops[:, ASKED : ASKED + ASKED_SIZE] = self._demand()
        if rng.random() < 0.3:
            ops[:, DELAY_US] += rng.integers(-2_000, 2_000, len(ops))
        parts = [ops]
        if rng.random() < wildness:
            parts = self._troubles[int(rng.integers(len(self._troubles)))](ops)
        if rng.random() < 0.85:
            again = calm_ticks(2, self.period_us)
            again[0, FIELD["rearm_cause"]] = LATCHED if rng.random() < 0.9 else int(rng.integers(0, 40))
            parts.append(again)
        return parts

    def _demand(self) -> list[int]:
        agonist, antagonist = self._channel(), self._channel()
        draw = self.rng.random()
        if draw < 0.5:
            antagonist = [0, 0, 0]
        elif draw < 0.7:
            agonist = [0, 0, 0]
        return [0, *agonist, *antagonist]

    def _channel(self) -> list[int]:
        rng, bounds = self.rng, self.limits.agonist
        current = int(rng.choice([rng.integers(0, 2_000), rng.integers(0, 45_000), rng.integers(0, 500_000)]))
        width = int(rng.choice([rng.integers(40, 60), rng.integers(50, 420), rng.integers(0, 5_000)]))
        period = int(rng.choice([rng.integers(15_000, 60_000), rng.integers(2_500, 1_000_000)]))
        if rng.random() < 0.2:
            current = bounds.peak_uA + int(rng.integers(-1, 2))
        if rng.random() < 0.2:
            width = int(rng.choice([bounds.width_min_us, bounds.width_max_us])) + int(rng.integers(-1, 2))
        if rng.random() < 0.2:
            period = bounds.period_min_us + int(rng.integers(-1, 2))
        return [current, width, period]

    def _clock(self, ops: Ops) -> list[Ops]:
        """One tick early, late, at once, far off or back."""
        place = int(self.rng.integers(len(ops)))
        ops[place, DELAY_US] = int(self.rng.choice([-1, 0, 1, 5_000, 9_999, 45_000, 90_000, 300_000, 10**8, -(10**8)]))
        return [ops]

    def _estimate(self, ops: Ops) -> list[Ops]:
        """Stuck, off by a lot, spiking, gone, or late."""
        rng, choice = self.rng, int(self.rng.integers(6))
        if choice == 0:
            ops[:, FIELD["estimate_mN"]] = int(rng.integers(-8_000, 60_000))
        elif choice == 1:
            ops[int(rng.integers(len(ops))), FIELD["estimate_mN"]] += int(rng.integers(-30_000, 300_000))
        elif choice == 2:
            ops[:, FIELD["estimate_known"]] = 0
        elif choice == 3:
            ops[:, FIELD["estimate_age_us"]] = int(rng.integers(-1, 1_000_000))
        elif choice == 4:
            ops[:, FIELD["estimate_age_us"]] += np.arange(len(ops)) * self.period_us
            ops[:, FIELD["estimate_count"]] = 0
        else:
            ops[:, FIELD["estimate_mN"]] += np.arange(len(ops)) * int(rng.integers(-500, 3_000))
        return [ops]

    def _contact(self, ops: Ops) -> list[Ops]:
        """A pad that dries, lifts, shorts, falls off, or whose share in contact is known and changes."""
        rng, choice = self.rng, int(self.rng.integers(4))
        channel = "agonist" if rng.random() < 0.7 else "antagonist"
        ohm = ops[:, FIELD[f"{channel}_contact_ohm"]]
        if choice == 0:
            ohm[:] = int(rng.choice([0, 50, 500, 900, 3_000, 9_000, 12_000, 10**9]))
        elif choice == 1:
            ohm[:] = 1_000 + np.arange(len(ops)) * int(rng.integers(0, 400))
        elif choice == 2:
            ohm[:] = np.where(np.arange(len(ops)) < len(ops) // 2, 1_500, int(rng.integers(500, 9_000)))
        else:
            ops[:, FIELD[f"{channel}_contact_per_mille"]] = int(rng.integers(-1, 1_001))
        return [ops]

    def _balance(self, ops: Ops) -> list[Ops]:
        """Net charge that is measured, or pulses broken off half-way."""
        channel = "agonist" if self.rng.random() < 0.7 else "antagonist"
        if self.rng.random() < 0.3:
            ops[int(self.rng.integers(len(ops))), FIELD[f"{channel}_cut_short"]] = 1
        else:
            ops[:, FIELD[f"{channel}_net_pC"]] = int(self.rng.integers(-6_000_000, 6_000_000))
        return [ops]

    def _law(self, ops: Ops) -> list[Ops]:
        """A law that raises, stalls, or answers with what can't be read."""
        rng, choice = self.rng, int(self.rng.integers(4))
        some = rng.random(len(ops)) < rng.choice([0.1, 1.0])
        if choice < 2:
            ops[some, FIELD["law_fault"]] = choice + 1
        elif choice == 2:
            ops[some, ASKED : ASKED + ASKED_SIZE] = ODD_DEMANDS[rng.integers(len(ODD_DEMANDS), size=int(some.sum()))]
        else:
            ops[int(rng.integers(len(ops))), ASKED + int(rng.integers(1, ASKED_SIZE))] = int(rng.choice(_EXTREMES))
        return [ops]

    def _operator(self, ops: Ops) -> list[Ops]:
        """A stop, a stop between ticks, an arm released for a while, a wrong name."""
        rng, choice = self.rng, int(self.rng.integers(4))
        if choice == 0:
            ops[int(rng.integers(len(ops))), FIELD["stop"]] = 1
        elif choice == 1:
            return [ops, self._event(HALT, int(rng.integers(0, self.period_us)))]
        elif choice == 2:
            ops[:, FIELD["arm"]] = 0
        else:
            ops[:, FIELD["rearm_cause"]] = int(rng.integers(0, 40))
        return [ops]

    def _gate(self, ops: Ops) -> list[Ops]:
        """Pulses asked for at odd times: too early, too late, on both channels at once."""
        rng = self.rng
        ops[-1, FIRE] = 0
        times = np.sort(rng.integers(0, 80_000, int(rng.integers(1, 6))))
        return [ops, *(self._event(GATE, int(at), int(rng.integers(0, 2))) for at in times)]

    def _sabotage(self, ops: Ops) -> list[Ops]:
        """A limit changed under the armed loop, a call that broke off, an interlock started afresh in mid-train."""
        choice = self.rng.random()
        if choice < 0.4:
            place, change = int(self.rng.integers(LIMITS_SIZE)), int(self.rng.choice([-1, 1, 1_000]))
            return [ops, self._event(OVERWRITE, 0, place, change), ops[-1:].copy(), self._event(RESTORE)]
        return [ops, self._event(BREAK_OFF if choice < 0.8 else RESTART), calm_ticks(1, self.period_us)]

    def _senses(self, ops: Ops) -> list[Ops]:
        """One sense at an end of its 64 bits."""
        names = [name for name in FIELD if name not in ("estimate_count", "rearm_cause")]
        ops[int(self.rng.integers(len(ops))), FIELD[str(self.rng.choice(names))]] = int(self.rng.choice(_EXTREMES))
        return [ops]

    def _event(self, kind: int, delay_us: int = 0, channel: int = 0, change: int = 0) -> Ops:
        ops = np.zeros((1, OPS_WIDTH), dtype=np.int64)
        ops[0, :4] = kind, delay_us, channel, change
        return ops


def mutated(ops: Ops, rng: np.random.Generator) -> Ops:
    """The schedule with a few numbers changed: what the adversarial search tries next."""
    changed = ops.copy()
    for _ in range(int(rng.integers(1, 6))):
        first = int(rng.integers(len(ops)))
        rows = slice(first, min(first + int(rng.integers(1, 60)), len(ops)))
        column = int(rng.choice([DELAY_US, *range(ASKED + 1, ASKED + ASKED_SIZE)]))
        if column == DELAY_US:
            changed[rows, column] = np.maximum(changed[rows, column] + rng.integers(-3_000, 3_000), 1)
        else:
            grown = changed[rows, column] * rng.uniform(0.8, 1.25)
            changed[rows, column] = grown.astype(np.int64) + rng.integers(-100, 101)
    return changed
