"""What a recording says was delivered beside what a loop would have delivered, as stretches of time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.safety.requirements import reason_ids
from thenar.shared.signals import CHANNELS
from thenar.study.session import HELD_US, Levels, RunRecord, Session
from thenar.study.whatif import WhatIf

BRIDGED_US: Final = 250_000
"""Stretches of one kind that lie closer together are told as one (own choice)."""
SAME_US: Final = 0.5
"""Widths are whole microseconds."""
KINDS: Final = ("", "silent instead", "stimulates instead", "weaker", "stronger", "other pulses")
_SILENT, _SPEAKS, _WEAKER, _STRONGER, _OTHER = range(1, 6)
HELD_BACK: Final = ("", "withheld", "lowered")
_WITHHELD, _LOWERED = 1, 2
_PC_PER_NC: Final = 1_000


class Given(NamedTuple):
    """Current (mA) and pulse width (us) of one channel at every control tick, shapes (ticks,); zeros: silence."""

    current_mA: NDArray[np.float64]
    width_us: NDArray[np.float64]

    @property
    def charge_uC(self) -> NDArray[np.float64]:
        """Charge of each phase, uC, shape (ticks,)."""
        return self.current_mA * self.width_us / 1e3


class Stretch(NamedTuple):
    """A stretch of time over which two things differ in one way. Times in us since the session began.

    `kind`: a word of KINDS or HELD_BACK; `recorded_mA`, `recorded_width_us`, `would_mA`, `would_width_us`: means over
    the ticks that differ (for a stretch that was held back: what was demanded, then what was admitted); `demanded_mA`:
    mean of what the law asked for meanwhile; `target_N`, `estimate_N`: at its beginning; `reasons`,
    `recorded_reasons`: requirements that acted meanwhile on either channel, here and on record.
    """

    channel: str
    from_us: int
    to_us: int
    kind: str
    recorded_mA: float
    recorded_width_us: float
    would_mA: float
    would_width_us: float
    demanded_mA: float
    target_N: float
    estimate_N: float
    reasons: tuple[str, ...]
    recorded_reasons: tuple[str, ...]


@dataclass(frozen=True)
class Side:
    """One channel at every control tick.

    `demand`, `admitted`, `would`: of the loop, the last one what its pulses would have carried; `recorded`: None when
    the recording says nothing of the channel.
    """

    channel: str
    demand: Given
    admitted: Given
    would: Given
    recorded: Given | None


@dataclass(frozen=True)
class Compared:
    """A loop beside its recording.

    `t_us`: the control ticks, shape (ticks,); `differences`, `held_back`: in order of time; `commands_apart`: ticks at
    which demand and admitted command differ from the run's own, of how many ticks both have, None where the recording
    is no run with stimulation; `reasons`, `recorded_reasons`: masks by tick.
    """

    t_us: NDArray[np.int64]
    sides: tuple[Side, ...]
    differences: tuple[Stretch, ...]
    held_back: tuple[Stretch, ...]
    commands_apart: tuple[int, int, int] | None
    reasons: NDArray[np.int64]
    recorded_reasons: NDArray[np.int64] | None

    @property
    def parts_us(self) -> int | None:
        """When the loop and the recording first differ in what was delivered, us; None when they never do."""
        return min((stretch.from_us for stretch in self.differences), default=None)


def compared(session: Session, found: WhatIf) -> Compared:
    """Set what `found` would have delivered beside what `session` says was delivered."""
    t_us, step_us = found.at_ticks("t_us"), found.trial.clock.control_us
    reasons = _with_latched(found.acted, found.at_ticks("trip"))
    on_record = None if session.run is None else _recorded_reasons(session.run, t_us, step_us)
    sides = tuple(_side(session, found, number, t_us, step_us) for number in range(len(CHANNELS)))
    differences, held_back = [], []
    around = _Around(found, t_us, step_us, reasons, on_record)
    for side in sides:
        if side.recorded is not None:
            code = _difference(side.recorded, side.would, session.same_mA)
            differences += around.stretches(side, code, KINDS, side.recorded, side.would)
        code = _held_back(side.demand, side.admitted)
        held_back += around.stretches(side, code, HELD_BACK, side.demand, side.admitted)
    apart = None if session.run is None else _commands_apart(session.run, found)
    return Compared(t_us, sides, _in_time(differences), _in_time(held_back), apart, reasons, on_record)


def _in_time(stretches: list[Stretch]) -> tuple[Stretch, ...]:
    return tuple(sorted(stretches, key=lambda stretch: (stretch.from_us, stretch.channel)))


def _with_latched(reasons: NDArray[np.int64], trip: NDArray[np.int64]) -> NDArray[np.int64]:
    """Masks of rules, shape (ticks,), with the rule that has latched among them."""
    latched = np.where(trip > 0, np.int64(1) << np.maximum(trip - 1, 0), 0)
    masks: NDArray[np.int64] = reasons | latched
    return masks


def _recorded_reasons(run: RunRecord, t_us: NDArray[np.int64], step_us: int) -> NDArray[np.int64]:
    """By tick of ours, the rules that acted in the run's decisions until our next tick."""
    masks = _with_latched(run.decisions["reasons"], run.decisions["trip"])
    at = np.searchsorted(run.decisions["t_us"], t_us + step_us, side="left")
    begins = np.minimum(np.searchsorted(run.decisions["t_us"], t_us, side="left"), np.maximum(at - 1, 0))
    return np.array([_all_of(masks[begin:end]) for begin, end in zip(begins, at, strict=True)], dtype=np.int64)


def _all_of(masks: NDArray[np.int64]) -> int:
    return int(np.bitwise_or.reduce(masks)) if masks.size else 0


def _side(session: Session, found: WhatIf, number: int, t_us: NDArray[np.int64], step_us: int) -> Side:
    channel = CHANNELS[number]
    demand = _given(found.at_ticks(f"{channel}_asked_uA"), found.at_ticks(f"{channel}_asked_width_us"))
    admitted = _given(found.at_ticks(f"{channel}_uA"), found.at_ticks(f"{channel}_width_us"))
    until_us = t_us + step_us
    would = _while_pulsing(admitted, found.pulses, number, until_us)
    levels = session.levels[number]
    if session.run is not None:
        commands = _in_force(session.run, channel, t_us)
        return Side(channel, demand, admitted, would, _while_pulsing(commands, session.run.pulses, number, until_us))
    if levels is None:
        return Side(channel, demand, admitted, would, None)
    if levels.pulse_by_pulse:  # then both are told from pulses, or every burst would seem to end later on record
        would = _held(_own_pulses(found, number), until_us)
    return Side(channel, demand, admitted, would, _held(levels, until_us))


def _given(current_uA: NDArray[np.int64], width_us: NDArray[np.int64]) -> Given:
    return Given(current_uA / 1e3, width_us.astype(np.float64))


def _own_pulses(found: WhatIf, number: int) -> Levels:
    mine = found.pulses["channel"] == number
    width_us = found.pulses["width_us"][mine] * 1.0
    return Levels(found.pulses["t_us"][mine], found.pulses["current_mA"][mine], width_us, True)


def _while_pulsing(commands: Given, pulses: dict[str, NDArray[Any]], number: int, until_us: NDArray[np.int64]) -> Given:
    """Commands at ticks, each zero unless a pulse left shortly before the tick's end (us): else the gate was shut."""
    mine_us = np.concatenate([[-HELD_US], pulses["t_us"][pulses["channel"] == number]])
    last_us = mine_us[np.searchsorted(mine_us, until_us, side="left") - 1]
    flows = (until_us - last_us < HELD_US) & (commands.current_mA > 0)
    return Given(np.where(flows, commands.current_mA, 0.0), np.where(flows, commands.width_us, 0.0))


def _in_force(run: RunRecord, channel: str, t_us: NDArray[np.int64]) -> Given:
    """The command that the run had admitted and that still held at each time (us), shape (ticks,)."""
    decided = run.decisions
    place = np.searchsorted(decided["t_us"], t_us, side="right") - 1
    holds = (place >= 0) & (decided["expires_us"][place] > t_us)
    current_uA, width_us = (decided[f"{channel}_{what}"][place] for what in ("uA", "width_us"))
    return _given(np.where(holds, current_uA, 0), np.where(holds, width_us, 0))


def _held(levels: Levels, until_us: NDArray[np.int64]) -> Given:
    """The last value on record before each tick's end (us), zero when that is too long ago."""
    if not levels.t_us.size:
        return Given(np.zeros(until_us.size), np.zeros(until_us.size))
    place = np.searchsorted(levels.t_us, until_us, side="left") - 1
    fresh = (place >= 0) & (until_us - levels.t_us[place] < HELD_US) & (levels.current_mA[place] > 0)
    return Given(np.where(fresh, levels.current_mA[place], 0.0), np.where(fresh, levels.width_us[place], 0.0))


def _difference(recorded: Given, would: Given, same_mA: float) -> NDArray[np.int64]:
    """By tick, in which way what would have been delivered differs from the recording: a place in KINDS."""
    same = (np.abs(recorded.current_mA - would.current_mA) < same_mA) & (
        np.abs(recorded.width_us - would.width_us) < SAME_US
    )
    there, here = recorded.charge_uC, would.charge_uC
    ways = [same, would.current_mA == 0, recorded.current_mA == 0, here < there, here > there]
    code: NDArray[np.int64] = np.select(ways, [0, _SILENT, _SPEAKS, _WEAKER, _STRONGER], _OTHER)
    return code


def _held_back(demand: Given, admitted: Given) -> NDArray[np.int64]:
    """By tick, in which way the interlock let through less than was asked for: a place in HELD_BACK."""
    asked = (demand.current_mA > 0) & (demand.width_us > 0)
    lowered = asked & ((admitted.current_mA < demand.current_mA) | (admitted.width_us < demand.width_us))
    code: NDArray[np.int64] = np.select([asked & (admitted.current_mA == 0), lowered], [_WITHHELD, _LOWERED], 0)
    return code


class _Around(NamedTuple):
    """What is told of a stretch besides the two things that differ in it."""

    found: WhatIf
    t_us: NDArray[np.int64]
    step_us: int
    reasons: NDArray[np.int64]
    recorded_reasons: NDArray[np.int64] | None

    def stretches(
        self, side: Side, code: NDArray[np.int64], words: tuple[str, ...], left: Given, right: Given
    ) -> list[Stretch]:
        """Ticks of one code (0: nothing to tell) that lie together, each lot as one stretch."""
        ticks = np.flatnonzero(code)
        if not ticks.size:
            return []
        apart = np.diff(self.t_us[ticks]) >= BRIDGED_US + self.step_us
        cuts = np.flatnonzero(apart | (np.diff(code[ticks]) != 0)) + 1
        return [self._one(side, lot, words[int(code[lot[0]])], left, right) for lot in np.split(ticks, cuts)]

    def _one(self, side: Side, lot: NDArray[np.int64], kind: str, left: Given, right: Given) -> Stretch:
        first, last = int(lot[0]), int(lot[-1])
        on_record = 0 if self.recorded_reasons is None else _all_of(self.recorded_reasons[lot])
        return Stretch(
            side.channel,
            int(self.t_us[first]),
            min(int(self.t_us[last]) + self.step_us, self.found.trial.duration_us),
            kind,
            float(left.current_mA[lot].mean()),
            float(left.width_us[lot].mean()),
            float(right.current_mA[lot].mean()),
            float(right.width_us[lot].mean()),
            float(side.demand.current_mA[lot].mean()),
            float(self.found.target_N[first]),
            float(self.found.estimate_N[first]),
            reason_ids(_all_of(self.reasons[lot])),
            reason_ids(on_record),
        )


def _commands_apart(run: RunRecord, found: WhatIf) -> tuple[int, int, int]:
    """Ticks at which the demand differs, at which the admitted command differs, and ticks that both loops have."""
    mine, theirs = found.decisions, run.decisions
    _, here, there = np.intersect1d(found.at_ticks("t_us"), theirs["t_us"], return_indices=True)
    rows = found.ticks[here]
    apart = []
    for prefix in ("asked_", ""):
        names = [f"{channel}_{prefix}{what}" for channel in CHANNELS for what in ("uA", "width_us", "period_us")]
        unlike = np.zeros(rows.size, dtype=bool)
        for name in names:
            unlike |= mine[name][rows] != theirs[name][there]
        apart.append(int(unlike.sum()))
    return apart[0], apart[1], int(rows.size)
