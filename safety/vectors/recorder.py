"""The packed doors with a pen: every call is noted with all its inputs and outputs, and cut into short vectors."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.safety.doors import admit_packed, gate_packed, halt_packed, next_pulse_packed
from thenar.safety.vectors.flags import flags_of

Numbers = NDArray[np.int64]
Call = dict[str, Any]
OUT_SIZE: Final = 3


class Vector(NamedTuple):
    """One vector. `limits`: flat. The memories are whole, (MEMORY_SIZE,); `calls` as they stand in a file."""

    comment: str
    flags: tuple[str, ...]
    limits: tuple[int, ...]
    memory: Numbers
    admitted: tuple[int, ...]
    calls: tuple[Call, ...]
    memory_after: Numbers
    admitted_after: tuple[int, ...]

    def key(self) -> tuple[Any, ...]:
        """What happened, without the numbers: vectors with the same key in one schedule teach little more."""
        return tuple(
            (next(iter(call)), call.get("reasons", 0), call.get("channel"), min(call.get("due_us", 0), 0))
            for call in self.calls
        )


def whole(array: Numbers) -> list[int]:
    """The array as plain integers."""
    return [int(value) for value in array]


class Recorder:
    """Calls the doors on its own memory and keeps a list of vectors of at most `longest` calls."""

    def __init__(
        self, limits: Numbers, memory: Numbers, admitted: Numbers, comment: str, base: str, longest: int
    ) -> None:
        """`limits`, `memory`, `admitted`: flat, int64, changed in place. `base`: flag of where the calls come from."""
        self.limits, self.memory, self.admitted = limits, memory, admitted
        self.comment, self.base, self.longest = comment, base, longest
        self.vectors: list[Vector] = []
        self._out = np.zeros(OUT_SIZE, dtype=np.int64)
        self._calls: list[Call] = []
        self._start: tuple[tuple[int, ...], Numbers, tuple[int, ...]] | None = None

    def tick(self, asked: Numbers, senses: Numbers, t_us: int) -> None:
        """A control tick."""
        self._open()
        reasons = int(admit_packed(self.limits, self.memory, self.admitted, asked, senses, t_us))
        call: Call = {"tick_us": t_us, "asked": whole(asked), "senses": whole(senses)}
        self._note(call | {"admitted": whole(self.admitted), "reasons": reasons})

    def halt(self, t_us: int) -> None:
        """An emergency stop between ticks."""
        self._open()
        halt_packed(self.memory, self.admitted, t_us)
        self._note({"halt_us": t_us})

    def gate(self, channel: int, t_us: int) -> None:
        """One question at the gate."""
        self._open()
        reasons = int(gate_packed(self.limits, self.memory, self.admitted, channel, t_us, self._out))
        self._note({"gate_us": t_us, "channel": channel, "pulse": whole(self._out), "reasons": reasons})

    def next_pulse(self, channel: int, t_us: int) -> int:
        """When the channel may fire next, in us; -1 never."""
        self._open()
        due_us = int(next_pulse_packed(self.limits, self.memory, self.admitted, channel, t_us))
        self._note({"next_us": t_us, "channel": channel, "due_us": due_us})
        return due_us

    def close(self) -> None:
        """End the vector that is being written; to be called before memory or limits are changed by hand."""
        if self._start is None:
            return
        limits, memory, admitted = self._start
        calls = tuple(self._calls)
        flags = flags_of(calls, self.base, int(memory[1]), int(memory[6]))
        after = (self.memory.copy(), tuple(whole(self.admitted)))
        self.vectors.append(Vector(self.comment, flags, limits, memory, admitted, calls, *after))
        self._start = None
        self._calls = []

    def _open(self) -> None:
        if self._start is None:
            self._start = (tuple(whole(self.limits)), self.memory.copy(), tuple(whole(self.admitted)))

    def _note(self, call: Call) -> None:
        self._calls.append(call)
        if len(self._calls) >= self.longest:
            self.close()
