"""Where vectors come from: schedules at every rule's bound, drawn ones, and single numbers put onto a bound."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

import numpy as np

from thenar.safety.attack import ops as kinds
from thenar.safety.attack.directed import directed
from thenar.safety.attack.grounds import grounds
from thenar.safety.attack.ops import ASKED, CHANGE, CHANNEL, DELAY_US, FIELD, FIRE, KIND, LATCHED, SENSED, Ops
from thenar.safety.attack.random_ops import Drawer
from thenar.safety.interlock import start_admitted
from thenar.safety.limits import Limits
from thenar.safety.memory import DISARMED, LATCH_AT, start_memory
from thenar.safety.reasons import RULES
from thenar.safety.vectors.bounds import on_bounds
from thenar.safety.vectors.exact import on_exact_bounds
from thenar.safety.vectors.recorder import Recorder, Vector
from thenar.safety.vectors.written import recovering, sloping
from thenar.shared.compiled import flat_integers

_BUSY_AT: Final = LATCH_AT + 6
_CAUSE: Final = FIELD["rearm_cause"] - SENSED
_COUNT: Final = FIELD["estimate_count"] - SENSED
_LARGEST_US: Final = 900_000_000_000_000
_LONGEST: Final = 5
_SAME: Final = 3
_WRITTEN_SAME: Final = 10
_RARE: Final = 150
_FEWEST: Final = 20
_SCHEDULES: Final = 10
_ROWS: Final = 250


class _Player:
    """One schedule at the doors, as the attacks play it, with every call noted."""

    def __init__(self, limits: Limits, comment: str, base: str) -> None:
        self.kept = flat_integers(limits)
        self.pen = Recorder(self.kept.copy(), start_memory(), start_admitted(), comment, base, _LONGEST)
        self.t_us = self.fire = self.estimates = 0
        self.started = False

    def play(self, ops: Ops) -> list[Vector]:
        for op in ops:
            self._one([int(value) for value in op])
        self.pen.close()
        return self.pen.vectors

    def _one(self, op: list[int]) -> None:
        kind, pen = op[KIND], self.pen
        at_us = min(max(self.t_us + op[DELAY_US], 0), _LARGEST_US) if self.started else 0
        if kind in (kinds.TICK, kinds.HALT) and self.fire == 1 and at_us > self.t_us:
            self._fire_until(at_us)
        if kind == kinds.TICK:
            self._tick(op, at_us)
        elif kind == kinds.HALT:
            pen.halt(at_us)
        elif kind == kinds.GATE:
            pen.gate(op[CHANNEL], at_us)
        else:
            pen.close()
            self._sabotage(kind, op)

    def _tick(self, op: list[int], at_us: int) -> None:
        self.t_us, self.started = at_us, True
        senses = op[SENSED:]
        self.estimates = _wrapped(self.estimates + senses[_COUNT])
        senses[_COUNT] = self.estimates
        if senses[_CAUSE] == LATCHED:
            senses[_CAUSE] = int(self.pen.memory[LATCH_AT + 1])
        self.pen.tick(np.array(op[ASKED:SENSED], dtype=np.int64), np.array(senses, dtype=np.int64), at_us)
        self.fire = op[FIRE]

    def _sabotage(self, kind: int, op: list[int]) -> None:
        pen = self.pen
        if kind == kinds.OVERWRITE and pen.memory[LATCH_AT] != DISARMED:
            pen.limits[op[CHANNEL] % pen.limits.size] += op[CHANGE]
        elif kind == kinds.RESTORE:
            pen.limits[:] = self.kept
        elif kind == kinds.BREAK_OFF:
            pen.memory[_BUSY_AT] = 1
        elif kind == kinds.RESTART:
            pen.memory[:] = start_memory()
            pen.admitted[:] = 0
            self.fire = 0

    def _fire_until(self, end_us: int) -> None:
        clock = [self.t_us, self.t_us]
        while True:
            due = [self.pen.next_pulse(channel, clock[channel]) for channel in (0, 1)]
            waiting = [(at, channel) for channel, at in enumerate(due) if 0 <= at < end_us]
            if not waiting:
                return
            at_us, channel = min(waiting)
            clock = [max(earlier, at_us) for earlier in clock]
            self.pen.gate(channel, at_us)


def _wrapped(value: int) -> int:
    return (value + 2**63) % 2**64 - 2**63


class _Sieve:
    """Lets through what teaches something: the first few of each key, and all in which a rule fires that is rare."""

    def __init__(self) -> None:
        self.keys: dict[object, int] = {}
        self.rules: dict[int, int] = {}

    def sifted(self, vectors: Iterable[Vector], same: int) -> Iterator[Vector]:
        """Those of `vectors` whose key has come fewer than `same` times since `forget`, and the rare ones."""
        for vector in vectors:
            key = vector.key()
            self.keys[key] = self.keys.get(key, 0) + 1
            fired = _fired(vector)
            rare = any(self.rules.get(rule, 0) < _RARE for rule in fired)
            if self.keys[key] <= same or rare:
                for rule in fired:
                    self.rules[rule] = self.rules.get(rule, 0) + 1
                yield vector

    def forget(self) -> None:
        """Every key is new again; how often a rule fired is kept."""
        self.keys = {}


def _fired(vector: Vector) -> list[int]:
    mask = 0
    for call in vector.calls:
        mask |= call.get("reasons", 0)
    return [rule for rule in range(1, RULES + 1) if mask >> (rule - 1) & 1]


def thinned(vectors: list[Vector], most: int) -> list[Vector]:
    """At most `most` of the vectors, evenly spread, among them the first in which each rule fires."""
    if len(vectors) <= most:
        return vectors
    firsts: dict[int, int] = {}
    for place, vector in enumerate(vectors):
        for rule in _fired(vector):
            firsts.setdefault(rule, place)
    kept = set(sorted(set(firsts.values()))[:most])
    rest = [place for place in range(len(vectors)) if place not in kept]
    room = most - len(kept)
    kept.update(rest[index * len(rest) // room] for index in range(room))
    return [vectors[place] for place in sorted(kept)]


def aimed(limits: Limits) -> Iterator[Vector]:
    """Vectors of the schedules that are written: one per requirement, slow slopes, every trip and its recovery."""
    sieve = _Sieve()
    for attack in directed(limits):
        player = _Player(attack.limits, f"aimed at {attack.rule}", "directed boundary")
        sieve.forget()
        yield from sieve.sifted(player.play(attack.ops), _SAME)
    sieve.forget()
    for comment, under, ops in (*sloping(limits), *recovering(limits)):
        vectors = _Player(under, comment, "directed boundary").play(ops)
        yield from sieve.sifted(vectors[:-2], _WRITTEN_SAME)
        yield from vectors[-2:]


def drawn(limits: Limits, rng: np.random.Generator) -> Iterator[Vector]:
    """Vectors of drawn schedules without end, with single numbers put onto a bound from states of each of them.

    What is common in them is left out more and more, so that what is rare gets its share.
    """
    number = 0
    sieve = _Sieve()
    while True:
        for name, under in grounds(limits).items():
            number += 1
            ops = Drawer(rng, under).schedule(_ROWS, float(rng.choice([0.1, 0.4, 0.8])))
            played = _Player(under, f"drawn schedule {number} ({name} limits)", "random").play(ops)
            same = _FEWEST + number // _SCHEDULES
            for place, vector in enumerate(sieve.sifted(played, same)):
                yield vector
                if place % 3 == 0:
                    yield from on_bounds(vector, rng)
                if place % 60 == number % 60:
                    yield from on_exact_bounds(vector, rng)
