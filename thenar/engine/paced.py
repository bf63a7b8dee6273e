"""The paced engine: the event engine held against a wall clock, and an account of every deadline.

Simulated time t has a deadline: the moment at which the clock should show it, reckoned from one fixed start, so that
lateness never adds up. An instant runs when its deadline has come. The first instant of a trial has none: a law may
take its time to be loaded, and the clock starts when it has answered.

What is late, and what becomes of it. A control tick is missed when its law has not answered within one control period
of wall clock after the tick's deadline. At real pace and slower a missed tick is passed over: the law's answer, if one
came, is thrown away and the interlock is not called. Nothing is put in its place. Body, wearer and sensor go on, and so
do the pulses, since a stimulator that was told something doesn't know that its controller is late: they stand for
things that no late computer stops. So the command that was admitted last lives on until it expires by itself
(3 control periods, R03). From then on the gate lets no pulse through, and a gap of more than 250 ms has the next tick
trip. That is what lateness would do to a real loop, and the only thing here that makes a paced trial differ from an
unpaced one: without a missed tick both are the same to the last bit. A tick that is late by less than a period acts at
its own simulated instant, as if it had been on time; such jitter is accounted for and not simulated.

Faster than real a deadline is no claim about any loop. Then a missed tick is counted and run all the same, and the
trial stays the unpaced one. Whoever is more than LONGEST_BEHIND_S behind (a machine that slept, or one too slow for the
pace) doesn't race to make up for it: the schedule is moved, and by how much is told.
"""

from __future__ import annotations

import gc
import math
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np

from thenar.engine.events import EventTrial
from thenar.engine.result import TrialResult
from thenar.shared.ticks import US_PER_S

LONGEST_BEHIND_S: Final = 1.0
"""Twice the longest gap between control ticks that any limit profile may allow (R03)."""
REAL_PACE: Final = 1.0

_BINS_PER_DECADE: Final = 100
_LOWEST_S: Final = 1e-6
_DECADES: Final = 8
_EDGES_S: Final = _LOWEST_S * 10.0 ** (np.arange(_DECADES * _BINS_PER_DECADE + 2) / _BINS_PER_DECADE)
"""Upper edge of each bin, s; what lies above the last counts into it."""
LIMITS_MS: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_SWITCH_S: Final = 0.0005
_NICENESS: Final = -10


class Clock(Protocol):
    """What a paced trial is held against."""

    def now_s(self) -> float:
        """Time since any fixed moment, s."""
        ...

    def wait_until(self, deadline_s: float) -> None:
        """Come back when `now_s` has reached `deadline_s`."""
        ...


class WallClock:
    """The clock of this machine."""

    def now_s(self) -> float:
        """Seconds since a moment that is the same for all processes of this machine."""
        return time.perf_counter()

    def wait_until(self, deadline_s: float) -> None:
        """Sleep until `deadline_s`."""
        left_s = deadline_s - time.perf_counter()
        if left_s > 0.0:
            time.sleep(left_s)


class VirtualClock:
    """A clock that moves only when it is waited for or made to: for tests, which must not hang on a machine's mood."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now_s(self) -> float:
        """Seconds that have gone by on it."""
        return self._now_s

    def wait_until(self, deadline_s: float) -> None:
        """Move on to `deadline_s`, unless it is past already."""
        self._now_s = max(self._now_s, deadline_s)

    def stall(self, length_s: float) -> None:
        """Let `length_s` s go by in which nothing runs."""
        self._now_s += length_s


class Histogram:
    """How often which time was seen, in bins that grow by 2.3 %: flat in memory however long it counts."""

    def __init__(self) -> None:
        self.counts = np.zeros(len(_EDGES_S), dtype=np.int64)
        self.total = 0
        self.worst_s = 0.0

    def add(self, value_s: float) -> None:
        """Count one time in s; what is early counts as on time."""
        place = 0
        if value_s > _LOWEST_S:
            place = min(len(self.counts) - 1, 1 + int(math.log10(value_s / _LOWEST_S) * _BINS_PER_DECADE))
        self.counts[place] += 1
        self.total += 1
        self.worst_s = max(self.worst_s, value_s)

    def percentile_s(self, percent: float) -> float:
        """The time in s that `percent` % of those counted don't exceed: the upper edge of its bin. NaN before any."""
        if self.total == 0:
            return math.nan
        place = int(np.searchsorted(np.cumsum(self.counts), percent / 100.0 * self.total))
        return min(self.worst_s, float(_EDGES_S[place]))

    def up_to(self, limits_s: Sequence[float]) -> list[int]:
        """How many of those counted exceed the limit before and not this one, limits in s rising; the rest at the end.

        A limit inside a bin counts that bin to the next limit.
        """
        below = np.concatenate([[0], np.cumsum(self.counts)])
        cut = [0, *np.searchsorted(_EDGES_S, np.asarray(limits_s) * (1 + 1e-9), side="right").tolist(), len(below) - 1]
        found: list[int] = np.diff(below[cut]).tolist()
        return found


class Lateness:
    """The account of control ticks: when each began and was answered after its deadline, and what was missed.

    `passed_over` of the `missed` ticks were not run; `slipped_s`: by how much the schedule was moved, s.
    """

    def __init__(self) -> None:
        self.begun = Histogram()
        self.answered = Histogram()
        self.missed = 0
        self.passed_over = 0
        self.slipped_s = 0.0

    def figures(self) -> dict[str, Any]:
        """The account as plain numbers; times in ms, None before the first tick.

        `bins` and `answered_bins`: ticks up to each of LIMITS_MS after their deadline, and the rest.
        """
        found: dict[str, Any] = {"ticks": self.begun.total, "missed": self.missed, "passed_over": self.passed_over}
        for prefix, counted in (("", self.begun), ("answered_", self.answered)):
            for name, percent in (("p50_ms", 50.0), ("p99_ms", 99.0), ("p999_ms", 99.9)):
                found[prefix + name] = round(counted.percentile_s(percent) * 1e3, 4) if counted.total else None
            found[f"{prefix}worst_ms"] = round(counted.worst_s * 1e3, 4) if counted.total else None
            found[f"{prefix}bins"] = counted.up_to([limit_ms / 1e3 for limit_ms in LIMITS_MS])
        return found | {"slipped_ms": round(self.slipped_s * 1e3, 3)}


class PacedTrial:
    """A trial of the event engine on its way against a clock. It is the timekeeper of the trial's loop."""

    def __init__(
        self,
        running: EventTrial,
        clock: Clock,
        factor: float = REAL_PACE,
        lateness: Lateness | None = None,
        told: Callable[..., None] | None = None,
    ) -> None:
        """`factor`: simulated seconds in a second of the clock. `told(t_us, kind, **more)`: hears of what was late."""
        self.running, self.clock, self.factor = running, clock, factor
        self.lateness = Lateness() if lateness is None else lateness
        self._told = running.note if told is None else told
        self._period_us = running.trial.clock.control_us
        self._start_s, self._start_us = math.nan, 0
        self._over, self._over_us, self._missed_us = 0, 0, -1
        if running.loop is not None:
            running.loop.timekeeper = self

    def run(self) -> TrialResult:
        """Run to the end, waiting on the clock, and hand over what was recorded."""
        try:
            with self.running.law_watched():
                while (t_us := self.next_us()) is not None:
                    self.clock.wait_until(self.deadline_s(t_us))
                    self.instant()
        finally:
            self.running.close()
        return self.running.result()

    def next_us(self) -> int | None:
        """When the next instant is, us of simulated time; None at the end of the trial.

        A pulse given just before the end strikes after it: nobody sees that, and nobody waits for it.
        """
        peeked = self.running.env.peek()
        return int(peeked) if peeked <= self.running.trial.duration_us else None

    def deadline_s(self, t_us: int) -> float:
        """When the clock should show `t_us`; minus infinity before the clock has started."""
        if math.isnan(self._start_s):
            return -math.inf
        return self._start_s + (t_us - self._start_us) / (US_PER_S * self.factor)

    def due_us(self) -> int:
        """The simulated time that the clock shows now."""
        if math.isnan(self._start_s):
            return 0
        return self._start_us + int((self.clock.now_s() - self._start_s) * self.factor * US_PER_S)

    def instant(self) -> None:
        """Run everything of the next instant now."""
        env = self.running.env
        t_us = env.peek()
        if math.isnan(self._start_s):
            while env.peek() == t_us:
                env.step()
            self.start_from(int(t_us))
            return
        self._slip(int(t_us))
        while env.peek() == t_us:
            env.step()

    def start_from(self, t_us: int) -> None:
        """From now on the clock shows `t_us` and what follows: at the start, and after a pause."""
        self._start_s, self._start_us = self.clock.now_s(), t_us

    def change_pace(self, factor: float) -> None:
        """Go on from where the clock is, at another pace."""
        self.start_from(self.due_us())
        self.factor = factor

    def begins(self, t_us: int) -> bool:
        """Account for a tick that begins now. False when it is passed over."""
        if math.isnan(self._start_s):
            return True
        late_s = self._late_s(t_us)
        self.lateness.begun.add(late_s)
        self._missed_us = -1
        return self._goes_on(t_us, late_s)

    def answered(self, t_us: int) -> bool:
        """Account for a tick whose law has answered now. False when the answer is thrown away."""
        if math.isnan(self._start_s):
            return True
        late_s = self._late_s(t_us)
        self.lateness.answered.add(late_s)
        if not self._goes_on(t_us, late_s):
            return False
        if self._over:
            self._told(self._over_us, "passed-over", ticks=self._over)
            self._over = 0
        return True

    def _goes_on(self, t_us: int, late_s: float) -> bool:
        """Whether a tick that is `late_s` s late is run all the same; a missed one is counted once."""
        if late_s < self._wall_period_s():
            return True
        if self._missed_us != t_us:
            self._missed_us = t_us
            self.lateness.missed += 1
        if self.factor > REAL_PACE:
            return True
        self.lateness.passed_over += 1
        self._over_us = self._over_us if self._over else t_us
        self._over += 1
        return False

    def _wall_period_s(self) -> float:
        return self._period_us / (US_PER_S * self.factor)

    def _late_s(self, t_us: int) -> float:
        return self.clock.now_s() - self.deadline_s(t_us)

    def _slip(self, t_us: int) -> None:
        """Move the schedule when it is too far behind to be caught up with."""
        too_much_s = self._late_s(t_us) - LONGEST_BEHIND_S
        if too_much_s > 0.0:
            self._start_s += too_much_s
            self.lateness.slipped_s += too_much_s
            self._told(t_us, "slipped", by_ms=round(too_much_s * 1e3, 3))


@contextmanager
def undisturbed() -> Iterator[str]:
    """While open, less gets in the way of a paced process. Opened before other threads are started.

    Yields how the system prefers the process, in words.

    Other threads give way sooner, and the system prefers the process where it may be asked to: to run as soon as it can
    (round robin, real time), else by niceness. A thread is preferred as the one that started it was: one that isn't,
    put off by the system while it holds the interpreter's lock, would make the loop wait for it.
    """
    switch_s = sys.getswitchinterval()
    sys.setswitchinterval(_SWITCH_S)
    put_back, how = _preferred()
    try:
        yield how
    finally:
        sys.setswitchinterval(switch_s)
        with suppress(OSError):
            put_back()


def _preferred() -> tuple[Callable[[], None], str]:
    """Ask the system to prefer this process, as far as it lets us. What puts things back is returned, and words."""
    with suppress(OSError, AttributeError):
        policy, priority = os.sched_getscheduler(0), os.sched_getparam(0)
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(os.sched_get_priority_min(os.SCHED_RR)))
        return lambda: os.sched_setscheduler(0, policy, priority), "real time, round robin"
    with suppress(OSError, AttributeError):
        before = os.getpriority(os.PRIO_PROCESS, 0)
        os.setpriority(os.PRIO_PROCESS, 0, min(before, _NICENESS))
        return lambda: os.setpriority(os.PRIO_PROCESS, 0, before), f"niceness {_NICENESS}"
    return lambda: None, "as any other process"


def stand_apart() -> None:
    """For a process of its own: a session of its own, preferred where that may be asked.

    Linux shares a processor among sessions first, and only within one by niceness: beside a busy session the niceness
    of this one's processes means nothing.
    """
    if hasattr(os, "setsid"):
        with suppress(OSError):
            os.setsid()
    with suppress(OSError):
        Path("/proc/self/autogroup").write_text(f"{_NICENESS}\n", encoding="ascii")


def spare_from_collection() -> None:
    """Let the garbage collector no more look through what exists now: at a library's size that takes many ms."""
    gc.collect()
    gc.freeze()
