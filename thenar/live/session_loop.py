"""The loop's process: one round after another against the wall clock, listening between any two instants.

It waits on what may come from outside and on the next deadline at once: a stop acts while it waits, at any pace.
A stop has a line of its own, in front of everything else that was said.
"""

from __future__ import annotations

import gc
import math
import os
import select
import socket
import struct
import sys
import threading
import time
from collections.abc import Callable
from contextlib import redirect_stdout
from dataclasses import replace
from multiprocessing.connection import Connection, wait
from typing import Any, Final, NamedTuple

import numpy as np

from thenar.controller.law import Law
from thenar.controller.registry import TRUSTED, LawSettings, is_built_in, where_runs
from thenar.engine.desk import TRACE_FLOATS
from thenar.engine.events import EventTrial
from thenar.engine.paced import Lateness, PacedTrial, WallClock, spare_from_collection, stand_apart, undisturbed
from thenar.engine.trial import Trial, law_of, trials_of_wearer, wearer_in
from thenar.live.session_lane import Lane, Said
from thenar.live.session_messages import RefusedError
from thenar.live.session_trial import LiveTrial, Setting, stop_fault
from thenar.safety.requirements import REQUIREMENTS, rearming_needs
from thenar.scenarios.faults import Fault, ReArm
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError
from thenar.shared.foreign import overrun_watch
from thenar.shared.ticks import US_PER_S
from thenar.workers import settle_in

ROWS_EVERY_S: Final = 0.04
ROWS_SOON_S: Final = 0.012
"""From a state to the next rows: a state follows whatever was changed, and these rows show what came of it."""
STATE_EVERY_S: Final = 0.2
MOST_ROWS_PER_S: Final = 2_000
"""Rows that are sent in a second of wall clock; of more, every second, third .. row is."""
MOST_ROUNDS: Final = 1000
"""As many repeats as a scenario may have: then the noise of the first comes again."""
STOP: Final = struct.Struct("d")
_WARM_US: Final = 3 * US_PER_S
_FORCE: Final = TRACE_FLOATS.index("force_N")
_TARGET: Final = TRACE_FLOATS.index("target_N")
TITLES: Final = {row.name: row.title for row in REQUIREMENTS}


class Beginning(NamedTuple):
    """What a session begins with. `wearer` and `repeat` count from 0; `factor`: simulated s in a second."""

    loaded: LoadedScenario
    seed: int
    wearer: int
    condition: str
    repeat: int
    factor: float


class Order(NamedTuple):
    """What the parent tells the loop, checked: a message's "do", its "ref", and what it needs."""

    do: str
    ref: str | None = None
    value: Any = None


def trial_of(loaded: LoadedScenario, seed: int, wearer: int, repeat: int, condition: str) -> Trial:
    """The one trial of a scenario with these numbers (from 0)."""
    person = wearer_in(loaded, seed, wearer)
    trials = trials_of_wearer(loaded, seed, wearer, person, repeat)
    return next(trial for trial in trials if trial.label.condition == condition)


def run_loop(beginning: Beginning, orders: Connection, stops: socket.socket, out: Connection) -> None:
    """The process: runs until `orders` is closed. Whatever ends it otherwise is told as "ended"."""
    settle_in()
    stand_apart()
    with undisturbed() as preferred, redirect_stdout(sys.stderr):  # a law may print: results keep standard output
        lane = Lane()
        sender = threading.Thread(target=_send_all, args=(lane, out), daemon=True)
        sender.start()
        _serve(Bench(beginning, orders, stops, lane, preferred), lane)
        lane.close()
        sender.join(2.0)


def _serve(bench: Bench, lane: Lane) -> None:
    try:
        bench.serve()
    except EOFError:
        pass
    except InputError as error:
        lane.put({"is": "ended", "why": " ".join(str(error).split())})
    except BaseException as error:  # noqa: BLE001 - a user's law may raise anything, SystemExit included
        lane.put({"is": "ended", "why": f"{type(error).__name__}: {error}"})


def _send_all(lane: Lane, out: Connection) -> None:
    """Sending may wait for a reader; the loop never does."""
    try:
        while not lane.closed:
            for said in lane.take(wait=True):
                out.send(said)
        for said in lane.take():
            out.send(said)
    except OSError:
        pass


def ready(sources: list[Any], longest_s: float) -> list[Any]:
    """Those of `sources` (sockets, connections) that have something to say, waiting at most `longest_s` s."""
    if os.name == "nt":
        return wait(sources, longest_s)
    return select.select(sources, [], [], longest_s)[0]


class Bench:
    """The rounds of a session and what is said to them."""

    _running: LiveTrial
    _paced: PacedTrial

    def __init__(
        self, beginning: Beginning, orders: Connection, stops: socket.socket, lane: Lane, preferred: str
    ) -> None:
        """`preferred`: how the system prefers this process, in words."""
        self._loaded, self._seed, self._wearer, self._condition = beginning[:4]
        self._repeat, self._factor = beginning.repeat, beginning.factor
        self._orders, self._stops, self._lane = orders, stops, lane
        self._lateness, self._preferred = Lateness(), preferred
        self._round = -1
        self._paused = False
        self._built: tuple[Law, Order] | None = None
        self._rows_at_s = self._state_at_s = 0.0
        self._follow: dict[str, Callable[[Order], None]] = {
            "set": self._set, "fault": self._fault, "rearm": self._rearm, "pace": self._change_pace,
            "pause": self._pause, "resume": self._resume, "restart": self._restart, "next": self._next,
        }  # fmt: skip

    def serve(self) -> None:
        """Run round after round. Raises EOFError once nobody can say anything any more."""
        self._warm_up()
        spare_from_collection()
        with overrun_watch() as possible:
            self._watched = possible and where_runs(self._loaded.scenario.law, self._loaded.trust_law) == TRUSTED
            self._begin("begin")
            while True:
                self._live()

    def _live(self) -> None:
        """Wait for whatever comes first, and do it: a word from outside, a report, an instant."""
        if self._paced.next_us() is None and not self._paused:
            self._begin("ended", self._repeat + 1)
            return
        until_s = min(self._deadline_s(), self._rows_at_s, self._state_at_s)
        came = ready([self._stops, self._orders], max(0.0, until_s - time.perf_counter()))
        if self._stops in came:
            self._stop()
            return
        if self._orders in came:
            self._hear(self._orders.recv())
        now_s = time.perf_counter()
        if now_s >= self._rows_at_s:
            self._send_rows(now_s)
        if now_s >= self._state_at_s:
            self._send_state(now_s)
        if self._built is not None:
            self._take_law()
        # Asked anew: what was said may have run instants, begun a round or stopped the clock.
        if now_s >= self._deadline_s():
            self._paced.instant()

    def _deadline_s(self) -> float:
        """When the next instant is due; never while the clock stands still or the round is over."""
        next_us = self._paced.next_us()
        return math.inf if self._paused or next_us is None else self._paced.deadline_s(next_us)

    # Rounds.

    def _begin(self, why: str, repeat: int | None = None) -> None:
        """Begin a round from what is set now."""
        if self._round >= 0:
            self._send_rows(time.perf_counter())
            self._running.close()
            del self._running, self._paced
            gc.collect()  # a trial holds itself in circles, and it is large
        self._repeat = (self._repeat if repeat is None else repeat) % MOST_ROUNDS
        self._built = None
        trial = trial_of(self._loaded, self._seed, self._wearer, self._repeat, self._condition)
        law = law_of(trial)
        self._round += 1
        self._running = running = LiveTrial(trial, law)
        if running.loop is not None:
            running.loop.watched = self._watched
        self._told = self._sent = 0
        self._error_N, self._rows = 0.0, 0
        self._paused = False
        self._paced = PacedTrial(running, WallClock(), self._factor, self._lateness)
        self._lane.put({"is": "round", "round": self._round, "repeat": self._repeat, "why": why})
        self._state_at_s = 0.0

    def _warm_up(self) -> None:
        """Have every compiled step loaded before a deadline asks for it."""
        trial = trial_of(self._loaded, self._seed, self._wearer, self._repeat, self._condition)
        law = LawSettings(name="proportional")
        faults = (stop_fault(_WARM_US // 2),)
        EventTrial(replace(trial, duration_us=min(trial.duration_us, _WARM_US), law=law, faults=faults)).run()

    # What is said.

    def _stop(self) -> None:
        """The operator's stop: nothing leaves from this instant on."""
        try:
            sent = self._stops.recv(STOP.size * 64)
        except BlockingIOError:
            return
        if not sent:
            raise EOFError
        self._act(lambda t_us: self._running.begin(stop_fault(t_us), t_us))
        after_s = time.perf_counter() - STOP.unpack_from(sent)[0]
        self._say({"t_us": self._running.now_us, "kind": "stopped", "after_ms": round(1e3 * after_s, 3)})
        self._state_at_s = 0.0

    def _hear(self, order: Order) -> None:
        try:
            self._follow[order.do](order)
        except RefusedError as error:
            self._lane.put({"is": "refused", "ref": order.ref, "message": {"do": order.do}, "why": str(error)})
            return
        self._send_events()
        if order.ref is not None and order.do != "set":
            self._lane.put({"is": "done", "do": order.do, "ref": order.ref})
        self._state_at_s = 0.0

    def _act(self, act: Callable[[int], None]) -> None:
        """Have something done at the simulated time that the clock shows, before anything that comes after it."""
        running, paced = self._running, self._paced
        t_us = running.now_us
        if not self._paused:
            next_us = paced.next_us()
            t_us = max(t_us, min(paced.due_us(), running.trial.duration_us if next_us is None else next_us))
        running.once_now(t_us, act)
        while running.env.peek() <= t_us:
            running.env.step()

    def _set(self, order: Order) -> None:
        key, _, scenario = order.value
        self._loaded = replace(self._loaded, scenario=scenario)
        running = self._running
        if key.startswith("law."):
            self._change_law(scenario.law, order)
            return
        person = wearer_in(self._loaded, self._seed, self._wearer)
        self._act(lambda _t_us: running.use(Setting(scenario.estimator, person)))
        self._changed(order)

    def _change_law(self, law: LawSettings, order: Order) -> None:
        """Ours is built at once; a user's file may take its time, and the loop has none."""
        trial = self._running.trial

        def build() -> None:
            try:
                built = law_of(replace(trial, law=law))
            except InputError as error:
                why = " ".join(str(error).split())
                self._lane.put({"is": "refused", "ref": order.ref, "message": {"do": "set"}, "why": why})
                return
            self._built = built, order

        if is_built_in(law.name or ""):
            build()
            self._take_law()
        else:
            threading.Thread(target=build, daemon=True).start()

    def _take_law(self) -> None:
        if self._built is None:
            return
        (law, order), self._built = self._built, None
        self._act(lambda _t_us: self._running.use_law(law))
        self._changed(order)

    def _changed(self, order: Order) -> None:
        key, value, _ = order.value
        ref = {} if order.ref is None else {"ref": order.ref}
        self._say({"t_us": self._running.now_us, "kind": "change", "key": key, "value": value, **ref})

    def _fault(self, order: Order) -> None:
        fault: Fault = order.value
        self._act(lambda t_us: self._running.begin(fault.model_copy(update={"at_s": t_us / US_PER_S}), t_us))

    def _rearm(self, order: Order) -> None:
        def name(t_us: int) -> None:
            self._running.begin(ReArm(kind="re-arm", at_s=t_us / US_PER_S, cause=order.value), t_us)

        self._act(name)

    def _change_pace(self, order: Order) -> None:
        self._factor = order.value
        self._lateness = Lateness()
        self._paced.lateness = self._lateness
        self._paced.change_pace(self._factor)
        self._say({"t_us": self._running.now_us, "kind": "pace", "factor": self._factor})

    def _pause(self, _order: Order) -> None:
        if not self._paused:
            self._act(lambda _t_us: None)
            self._paused = True

    def _resume(self, _order: Order) -> None:
        if self._paused:
            self._paused = False
            self._paced.start_from(self._running.now_us)

    def _restart(self, _order: Order) -> None:
        self._begin("restart")

    def _next(self, _order: Order) -> None:
        self._begin("next", self._repeat + 1)

    # What is told.

    def _send_rows(self, now_s: float) -> None:
        """The rows that are complete and were not sent, thinned where the pace makes too many of them."""
        self._rows_at_s = now_s + ROWS_EVERY_S
        running = self._running
        desk, clock = running.desk, running.trial.clock
        self._send_events()
        complete = min(len(desk.trace_floats), running.now_us // clock.trace_us + 1) if running.env.now > 0 else 0
        if complete <= self._told:
            return
        new = desk.trace_floats[self._told : complete]
        self._error_N += float(np.abs(new[:, _FORCE] - new[:, _TARGET]).sum())
        self._rows += len(new)
        self._told = complete
        every = max(1, math.ceil(US_PER_S / clock.trace_us * self._factor / MOST_ROWS_PER_S))
        floats = desk.trace_floats[self._sent : complete : every].copy()
        integers = desk.trace_integers[self._sent : complete : every].copy()
        if len(floats):
            self._lane.put({
                "is": "rows", "round": self._round, "from": self._sent, "every": every, "dropped": 0,
                "rows": len(floats), "arrays": (floats, integers),
            })  # fmt: skip
            self._sent += len(floats) * every

    def _send_events(self) -> None:
        occurrences = self._running.occurrences
        for event in occurrences:
            self._event(event)
        occurrences.clear()

    def _say(self, event: dict[str, Any]) -> None:
        """An event of the session's own, after those that came before it."""
        self._send_events()
        self._event(event)

    def _event(self, event: dict[str, Any]) -> None:
        more: Said = {"live": False, **event} if event["kind"] in ("fault", "fault-ends") else dict(event)
        if event["kind"] == "trip":
            more["title"] = TITLES[event["cause"]]
        elif event["kind"] == "arming-refused":
            more["titles"] = [TITLES[name] for name in event["reasons"]]
        self._lane.put({"is": "event", "round": self._round, **more})

    def _send_state(self, now_s: float) -> None:
        self._send_rows(now_s)
        self._rows_at_s = now_s + ROWS_SOON_S
        self._state_at_s = now_s + STATE_EVERY_S
        running, latched = self._running, self._running.latched
        cause = f"R{latched:02d}" if latched else ""
        self._lane.put({
            "is": "state", "round": self._round, "repeat": self._repeat, "t_us": running.now_us,
            "armed": running.armed, "latched": bool(latched), "cause": cause, "title": TITLES.get(cause, ""),
            "needs": rearming_needs(latched) if latched else "", "paused": self._paused, "pace": self._factor,
            "mean_abs_error_N": self._error_N / self._rows if self._rows else None,
            "lateness": self._lateness.figures(), "preferred": self._preferred,
        })  # fmt: skip
