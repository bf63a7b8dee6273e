"""A bench around the interlock: one person's limits, ticks in a row, and an engine's way of asking the gate."""

from __future__ import annotations

import os
from itertools import pairwise
from typing import Any, Final, NamedTuple

import numpy as np

from thenar.safety import doors
from thenar.safety.edge import demand_units, senses_units
from thenar.safety.interlock import start_admitted
from thenar.safety.invented import CLEAR, ENGRAVER
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits
from thenar.safety.memory import EMPTY, ContactMemory, Lowest, start_memory
from thenar.safety.profile import load_profile
from thenar.shared.compiled import flat_integers
from thenar.shared.signals import REST, Calibration, ChannelCalibration, Demand, Stimulus

PERIOD_US: Final = 20_000
PLAIN: Final = os.environ.get("NUMBA_DISABLE_JIT") == "1"
"""Whether steps run as plain Python, as for coverage: some 50 times slower, so long random tests then draw less."""


def calibrated(ceiling_mA: float = 40.0, motor_mA: float = 8.0) -> ChannelCalibration:
    """An invented engraver's channel."""
    return ChannelCalibration(3.0, motor_mA, ceiling_mA, 200.0, 40.0, 14.0, 0.3, 30.0)


def limits_for(calibration: Calibration | None = ENGRAVER, name: str = "forearm-25cm2") -> Limits:
    """Limits of a shipped profile for one person at the default control period."""
    return load_profile(name).limits_for(calibration, PERIOD_US, CLEAR)


def changed(limits: Limits, **values: int) -> Limits:
    """The limits with named values replaced: in both channels, or in the loop."""
    on_channels = {key: value for key, value in values.items() if key in ChannelLimits._fields}
    on_loop = {key: value for key, value in values.items() if key in LoopLimits._fields}
    assert len(on_channels) + len(on_loop) == len(values)
    return Limits(
        limits.agonist._replace(**on_channels),
        limits.antagonist._replace(**on_channels),
        limits.loop._replace(**on_loop),
    )


def both(agonist: Stimulus = REST, antagonist: Stimulus = REST) -> Demand:
    """A demand, both channels at rest by default."""
    return Demand(agonist, antagonist)


def ask(current_mA: float, width_us: float = 250.0, rate_Hz: float = 40.0) -> Demand:
    """A demand on the agonist alone."""
    return Demand(Stimulus(current_mA, width_us, rate_Hz), REST)


LIFTED: Final = changed(
    limits_for(), peak_uA=100_000, ceiling_uA=100_000, charge_pC=50_000_000, density_charge_pC=50_000_000,
    width_max_us=500, period_min_us=10_000, slew_uA_per_s=500_000, rise_uA=10_000, density_rms_uA_per_cm2=2_000,
    area_mm2=20_000, rms_uA=50_000, energy_aJ=3 * 10**17, run_us=10**9, on_us=10**9, summed_share_per_mille=2_000,
    estimate_frozen_us=10**9, compliance_uV=500_000_000, intensity_slew_pC_per_s2=10**12,
)  # fmt: skip
"""Backstops bind only once what lies before them is lifted."""
STRONG: Final = ask(100.0, 500.0, 100.0)


class Left(NamedTuple):
    """One pulse that left the bench."""

    t_us: int
    channel: int
    current_uA: int
    width_us: int
    gap_us: int

    @property
    def end_us(self) -> int:
        """When its second phase ends."""
        return self.t_us + 2 * self.width_us + self.gap_us


def gaps_us(pulses: list[Left]) -> list[int]:
    """Times between the starts of neighbouring pulses."""
    return [after.t_us - before.t_us for before, after in pairwise(pulses)]


class Bench:
    """Arrays of one run, and a log of it in the order of calls.

    `history`: every tick; `states`: every change between open and shut; `pulses`, and in `places` the index
    of the last tick and of the last change before each. `seen` gathers all reasons, `gate_seen` the gate's.
    """

    def __init__(self, limits: Limits | None = None) -> None:
        """`limits`: those of an engraver with forearm pads when left out."""
        self.limits = limits_for() if limits is None else limits
        self.limits_array = flat_integers(self.limits)
        self.memory = start_memory()
        self.admitted = start_admitted()
        self.out = np.zeros(3, dtype=np.int64)
        self.t_us = -PERIOD_US
        self.estimates = 0
        self.seen = 0
        self.gate_seen = 0
        self.pulses: list[Left] = []
        self.history: list[tuple[int, list[int], int]] = []
        self.states: list[tuple[int, bool]] = []
        self.trips: set[int] = set()
        self.places: list[tuple[int, int]] = []

    def tick(self, demand: object = REST, *, at: int | None = None, **senses: Any) -> int:
        """One control tick, a period after the last one unless `at` says when. Returns the reasons.

        A fresh, lively estimate near 3 N is sensed unless `senses` (arguments of `senses_units`) says otherwise.
        """
        self.t_us = self.t_us + PERIOD_US if at is None else at
        self.estimates += 1
        sensed: dict[str, Any] = {
            "estimate_N": 3.0 + 0.01 * (self.estimates % 7),
            "estimate_age_us": 30_000,
            "estimate_count": self.estimates,
            "law_fault": 0,
            "stop": 0,
            "arm": 1,
        }
        array = senses_units(**(sensed | senses))
        reasons = int(
            doors.admit_packed(self.limits_array, self.memory, self.admitted, demand_units(demand), array, self.t_us)
        )
        self.seen |= reasons
        self.history.append((self.t_us, [int(value) for value in self.admitted], reasons))
        self._note_state(self.t_us)
        return reasons

    def halt(self, at: int) -> None:
        """The emergency stop from outside a tick."""
        doors.halt_packed(self.memory, self.admitted, at)
        self._note_state(at)

    def _note_state(self, t_us: int) -> None:
        """Log (time, open or not) when that has changed, and every trip cause."""
        self.trips.add(self.trip)
        is_open = self.is_armed and self.trip == 0
        was_open = bool(self.states) and self.states[-1][1]
        if is_open != was_open:
            self.states.append((t_us, is_open))

    def gate(self, channel: int = 0, *, at: int | None = None) -> int:
        """Ask for one pulse now or at `at`. Returns the reasons; a pulse is added to `pulses`."""
        t_us = self.t_us if at is None else at
        reasons = int(doors.gate_packed(self.limits_array, self.memory, self.admitted, channel, t_us, self.out))
        self.seen |= reasons
        self.gate_seen |= reasons
        self._note_state(t_us)
        if self.out[0] > 0:
            self.places.append((len(self.history) - 1, len(self.states) - 1))
            self.pulses.append(Left(t_us, channel, *(int(value) for value in self.out)))
        return reasons

    def due_us(self, channel: int = 0, *, at: int | None = None) -> int:
        """When the channel may fire next, asked now or at `at`."""
        t_us = self.t_us if at is None else at
        return int(doors.next_pulse_packed(self.limits_array, self.memory, self.admitted, channel, t_us))

    def fire_until(self, end_us: int) -> None:
        """Fire both channels as an engine would, from the last tick until just before `end_us`."""
        clock = [self.t_us, self.t_us]
        asked: set[tuple[int, int]] = set()
        while True:
            due = [self.due_us(channel, at=clock[channel]) for channel in (0, 1)]
            waiting = [(time, channel) for channel, time in enumerate(due) if 0 <= time < end_us]
            if not waiting:
                return
            time, channel = min(waiting)
            assert (time, channel) not in asked, "an engine would ask the gate about this instant for ever"
            asked.add((time, channel))
            clock = [max(time, other) for other in clock]
            self.gate(channel, at=time)

    def step(self, demand: object = REST, **senses: Any) -> int:
        """A control tick and the pulses of its period. Returns the tick's reasons."""
        reasons = self.tick(demand, **senses)
        self.fire_until(self.t_us + PERIOD_US)
        return reasons

    def run(self, seconds: float, demand: object = REST, **senses: Any) -> int:
        """Ticks and pulses for a while with one demand. Returns all reasons that fired."""
        end_us = self.t_us + round(seconds * 1e6)
        reasons = 0
        while self.t_us < end_us:
            reasons |= self.step(demand, **senses)
        return reasons

    def armed(self) -> Bench:
        """The bench after a first tick at rest, armed."""
        self.tick(both())
        assert self.is_armed
        return self

    def level(self, channel: int = 0) -> tuple[int, int, int]:
        """Current (uA), width and period (us) that are admitted on a channel."""
        at = 2 + 3 * channel
        current, width, period = (int(value) for value in self.admitted[at : at + 3])
        return current, width, period

    @property
    def trip(self) -> int:
        """Number of the requirement that has latched, 0 when none."""
        return int(doors.trip_cause(self.memory))

    @property
    def is_armed(self) -> bool:
        """Whether output is possible at all."""
        return bool(doors.is_armed(self.memory))

    def rearm(self, cause: int, **senses: Any) -> int:
        """A tick at rest in which the operator names `cause`."""
        return self.tick(both(), rearm_cause=cause, **senses)


def rule(number: int) -> int:
    """The bit of requirement Rn."""
    return 1 << (number - 1)


def contact_of(since_us: int, low: int, high: int, low_before: int = EMPTY, high_before: int = -EMPTY) -> ContactMemory:
    """A contact's memory: lowest and highest impedance (ohm) of the bucket that began at `since_us`, and before it."""
    rest = [EMPTY] * 6
    return ContactMemory(
        Lowest(since_us, low, low_before, *rest), Lowest(since_us, -high, -high_before, *rest)
    )  # fmt: skip
