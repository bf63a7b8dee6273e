"""A live session: the loop in a process of its own, and the side that drives it.

    session = start(loaded, Options(folder=Path("runs/bench")))
    session.send({"do": "set", "key": "law.settings.deadband_N", "value": 0.8})
    for message in session.poll(): ...
    session.close()

`send` never blocks and never raises: what can't be followed comes back as `refused`. `poll` gives what has come since
the last call, oldest first, and never waits. Every value is plain JSON: no NaN (null instead), no tuples.

Messages to the session. Each may have "ref", a text of at most 60 characters that comes back with the answer.

    {"do": "set", "key": KEY, "value": NUMBER}      a control of `about`, in its unit, within its low and high
    {"do": "fault", "kind": KIND, ...}              its other keys as `about` lists them (those of [[faults]]; no at_s)
    {"do": "stop"}                                  at once, whatever waits before it
    {"do": "rearm", "cause": "R33"}                 the operator names what has latched
    {"do": "pace", "factor": NUMBER}                0.25 to 20
    {"do": "pause"}  {"do": "resume"}               the loop's own clock stands still (a stop acts all the same)
    {"do": "restart"}                               this round again from its beginning: same noise, no live faults
    {"do": "next"}                                  the next round: same person, other noise
    {"do": "keep"}                                  the current setting is the one to compare with
    {"do": "compare"}                               kept and current from the start over the same noise (batch engine)
    {"do": "save", "name": NAME}                    NAME.toml in the session's folder; a-z, 0-9 and -

Messages from the session. "ref" is there when the message that it answers had one.

    {"is": "about", "title", "name", "watch", "wearers": [NAME], "wearer": NUMBER, "condition", "law", "seed",
        "duration_s", "control_rate_Hz", "trace_rate_Hz", "pace": {"low", "high", "value"},
        "controls": [{"key", "label", "unit", "low", "high", "step", "value", "group"}],  group: law, estimator, wearer
        "faults": [{"kind", "label", "fields": [{"name", "label", "unit", "low", "high", "value"}
                                                or {"name", "label", "choices": [..], "value"}]}],
        "columns": [{"name", "unit", "meaning"}],
        "limits": {"profile", "deviations": [TEXT], "values": [{"name", "label", "value", "unit"}]},
        "rules": [{"id": "R01", "title", "needs"}],    needs: what clears it once it has latched
        "folder", "caution"}
        first of all, and never again
    {"is": "round", "round": N, "repeat": N, "why": "begin" | "restart" | "next" | "ended"}
        a trial begins at t_us = 0; the rows and events that follow are its own
    {"is": "rows", "round": N, "from": ROW, "every": K, "columns": {NAME: [..]}, "dropped": ROWS}
        about 25 times a second of wall clock: rows ROW, ROW + K, .. of the trace. "dropped": rows lost before these
        because nobody polled (0 mostly). NAME: as in about.columns (t_us, target_N, force_N, .. reasons, trip)
    {"is": "event", "round": N, "t_us": T, "kind": KIND, ..}
        target {target_N} | fault, fault-ends {fault, live: bool, its keys} | trip {cause, title, needs} |
        cleared {cause} | armed | arming-refused {reasons: [ID], titles: [TEXT]} | law-fault {what} |
        change {key, value} (answers "set") | stopped {after_ms: from `send` to silence} | passed-over {ticks}: control
        ticks that the wall clock took away | slipped {by_ms}: the schedule was moved | pace {factor}
    {"is": "state", "round", "repeat", "t_us", "armed": bool, "latched": bool, "cause": "R33" or "", "title", "needs",
        "paused": bool, "pace", "mean_abs_error_N" (of this round so far, null before the first row),
        "lateness": {"ticks", "p50_ms", "p99_ms", "p999_ms", "worst_ms", "bins", "missed", "passed_over", "slipped_ms",
            and each of the times with "answered_" before it},   since the pace was set; see engine/paced.py
        "preferred": how the system prefers the loop's process, "dropped_rows": ROWS,
        "values": {KEY: NUMBER}, "kept": {KEY: NUMBER} or null, "comparer": "waiting" | "preparing" | "ready" |
            "comparing"}    waiting: not started yet; preparing: what is asked meanwhile is answered afterwards
        about 5 times a second, and after whatever changes it
    {"is": "compared", "repeat", "wearer", "engine": "batch" | "event", "t_s": [..], "target_N": [..],
        "kept": {"values": {..}, "force_N": [..]}, "current": {"values": {..}, "force_N": [..]},
        "difference_N": [..], current force minus kept force, of all rows and thinned afterwards
        "measures": [{"name", "unit", "meaning", "kept": NUMBER or null, "current": the same}], of the whole trial
        "targets": [{"target": "4 N", "kept": [..], "current": [..]}]}   by level, in the order of measures
    {"is": "saved", "path", "changes_path", "command": "thenar run PATH", "trial": N, "says": TEXT}
    {"is": "done", "do": WORD}                      a message with a "ref" and no other answer was followed
    {"is": "refused", "message": what was sent, "why": TEXT}
    {"is": "ended", "why": TEXT}                    the loop's process is gone; nothing follows
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Self

from thenar.live.session_about import about
from thenar.live.session_compare import Comparer, Pair
from thenar.live.session_controls import Setting, controls_of, moved
from thenar.live.session_lane import Lane, Said
from thenar.live.session_loop import MOST_ROUNDS, STOP, Beginning, Order, run_loop, trial_of
from thenar.live.session_messages import (
    FASTEST,
    SLOWEST,
    AnyMessage,
    Pace,
    Plain,
    ReArmNow,
    RefusedError,
    Save,
    Set,
    StartFault,
    checked_fault,
    read_message,
    short_of,
)
from thenar.live.session_plain import plain_said
from thenar.live.session_saved import Place, save
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError, Problem, shown
from thenar.shared.worker_process import WorkerContext
from thenar.workers import interrupts_held_back

MOST_WAITING: Final = 256
"""Messages to the session that may wait; more are refused."""
_MOST_DONE: Final = 5_000
_MOST_REFS: Final = 256
_PATIENCE_S: Final = 2.0


@dataclass(frozen=True)
class Options:
    """How a session begins. `wearer` and `repeat` count from 0; `factor`: simulated seconds in a second of wall clock.

    `seed`: in place of the scenario's own. `condition`: the assisted one where there is one. `folder`: for what is
    saved.
    """

    seed: int | None = None
    wearer: int = 0
    repeat: int = 0
    condition: str | None = None
    factor: float = 1.0
    folder: Path = Path("runs/bench")


def start(loaded: LoadedScenario, options: Options | None = None) -> LiveSession:
    """Start a session of a scenario that was loaded. Raises InputError when there is nothing to drive.

    A script that calls this must guard its entry with `if __name__ == "__main__":` (see `thenar.workers`).
    """
    options = Options() if options is None else options
    scenario = loaded.scenario
    seed = scenario.seed if options.seed is None else options.seed
    if not 0 <= options.wearer < scenario.wearer_count:
        found = f"wearer {options.wearer}"
        raise InputError([Problem(str(loaded.path), "wearers", found, f"0 to {scenario.wearer_count - 1}")])
    if not 0 <= options.repeat < MOST_ROUNDS:
        raise InputError([Problem("options", "repeat", shown(options.repeat), f"0 to {MOST_ROUNDS - 1}")])
    if not SLOWEST <= options.factor <= FASTEST:
        raise InputError([Problem("options", "factor", shown(options.factor), f"{SLOWEST:g} to {FASTEST:g}")])
    condition = _condition(loaded, options.condition)
    return LiveSession(
        Beginning(loaded, seed, options.wearer, condition, options.repeat, options.factor), options.folder
    )


def _condition(loaded: LoadedScenario, wanted: str | None) -> str:
    """The condition to drive: one with stimulation, as there is no loop without."""
    driven = [condition for condition in ("assisted", "stimulation-only") if condition in loaded.scenario.conditions]
    if wanted is None and driven:
        return driven[0]
    if wanted is not None and wanted in driven:
        return wanted
    found = shown(wanted) if wanted is not None else shown(list(loaded.scenario.conditions))
    allowed = (
        f"one of {', '.join(driven)}" if driven else "assisted or stimulation-only among them: else there is no loop"
    )
    raise InputError([Problem(str(loaded.path), "conditions", found, allowed)])


class LiveSession:
    """The driving side of a session."""

    def __init__(self, beginning: Beginning, folder: Path) -> None:
        self._beginning, self._folder = beginning, folder
        self._controls = controls_of(beginning.loaded, beginning.wearer)
        self._setting = Setting(beginning.loaded, {})
        self._kept: Setting | None = None
        self._repeat = beginning.repeat
        trial = trial_of(beginning.loaded, beginning.seed, beginning.wearer, beginning.repeat, beginning.condition)
        self._lane = Lane()
        self._lane.put(about(beginning, trial, self._controls, folder))
        self._done: deque[dict[str, Any]] = deque(maxlen=_MOST_DONE)
        self._stop_refs: deque[str | None] = deque(maxlen=_MOST_REFS)
        self._waiting: deque[AnyMessage] = deque()
        self._came = threading.Condition()
        self._closing = False
        self._comparer = Comparer(self._pair(self._setting))
        self._comparing: threading.Thread | None = None
        self._start_loop()
        self._threads = [threading.Thread(target=work, daemon=True) for work in (self._follow, self._listen)]
        for thread in self._threads:
            thread.start()

    def send(self, message: object) -> None:
        """Say something to the session. Never waits and never raises; what can't be followed is told as `refused`."""
        try:
            asked = read_message(message)
            if isinstance(asked, Plain) and asked.do == "stop":
                self._press_stop(asked.ref)
                return
            self._queue(asked)
        except RefusedError as error:
            ref = message.get("ref") if isinstance(message, dict) else None
            self._refuse(short_of(message), str(error), ref if isinstance(ref, str) else None)

    def poll(self) -> list[dict[str, Any]]:
        """What has come since the last call, oldest first, as plain JSON values. Never waits."""
        return [plain_said(said) for said in self._lane.take()]

    def close(self) -> None:
        """End the loop's process and whatever else was started. May be called twice."""
        with self._came:
            if self._closing:
                return
            self._closing = True
            self._came.notify_all()
        self._comparer.close()
        with contextlib.suppress(OSError):
            self._stops.close()
        self._orders.close()
        self._process.join(_PATIENCE_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()
        for thread in self._threads:
            thread.join(_PATIENCE_S)
        self._heard.close()

    @property
    def loop_pid(self) -> int:
        """Number of the loop's process."""
        return int(self._process.pid)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _start_loop(self) -> None:
        context: Any = WorkerContext()
        theirs_in, self._orders = context.Pipe(duplex=False)
        self._heard, theirs_out = context.Pipe(duplex=False)
        theirs_stops, self._stops = socket.socketpair()
        for end in (theirs_stops, self._stops):
            end.setblocking(False)
        with interrupts_held_back():
            self._process = context.Process(
                target=run_loop, args=(self._beginning, theirs_in, theirs_stops, theirs_out), daemon=True
            )
            self._process.start()
        for end in (theirs_in, theirs_stops, theirs_out):
            end.close()

    def _queue(self, asked: AnyMessage) -> None:
        with self._came:
            last = self._waiting[-1] if self._waiting else None
            if isinstance(asked, Set) and isinstance(last, Set) and last.key == asked.key and last.ref is None:
                self._waiting.pop()  # a slider on its way: only where it is now matters
            if len(self._waiting) >= MOST_WAITING:
                raise RefusedError(f"{MOST_WAITING} messages wait already, allowed: fewer at once")
            self._waiting.append(asked)
            self._came.notify()

    def _press_stop(self, ref: str | None) -> None:
        """On its own line, in front of all that waits. A full line means that the loop has stops to read already."""
        self._stop_refs.append(ref)
        try:
            self._stops.send(STOP.pack(time.perf_counter()))
        except BlockingIOError:
            pass
        except OSError:
            self._refuse({"do": "stop"}, "the loop's process is gone: nothing leaves it", ref)

    def _refuse(self, message: object, why: str, ref: str | None) -> None:
        self._lane.put({"is": "refused", "message": message, "why": why, **({} if ref is None else {"ref": ref})})

    # The thread that follows messages, in their order.

    def _follow(self) -> None:
        while True:
            with self._came:
                while not self._waiting and not self._closing:
                    self._came.wait()
                if self._closing:
                    return
                asked = self._waiting.popleft()
            try:
                self._do(asked)
            except RefusedError as error:
                self._refuse(asked.model_dump(exclude_none=True), str(error), asked.ref)
            except OSError:
                self._refuse(asked.model_dump(exclude_none=True), "the loop's process is gone", asked.ref)

    def _do(self, asked: AnyMessage) -> None:
        match asked:
            case Set():
                self._set(asked)
            case StartFault():
                self._order(Order("fault", asked.ref, checked_fault(asked)))
            case ReArmNow():
                self._order(Order("rearm", asked.ref, asked.cause))
            case Pace():
                self._order(Order("pace", asked.ref, asked.factor))
            case Save():
                place = Place(self._beginning.seed, self._beginning.wearer, self._repeat, self._beginning.condition)
                self._answer(save(self._setting, place, self._folder, asked.name, list(self._done)), asked.ref)
            case Plain(do="keep"):
                self._kept = self._setting
                self._answer({"is": "done", "do": "keep"}, asked.ref)
            case Plain(do="compare"):
                self._compare(asked.ref)
            case Plain():
                self._order(Order(asked.do, asked.ref))

    def _set(self, asked: Set) -> None:
        values = {**self._setting.values, asked.key: asked.value}
        setting = moved(self._beginning.loaded, self._controls, values)
        self._order(Order("set", asked.ref, (asked.key, asked.value, setting.loaded.scenario)))
        self._setting = setting

    def _compare(self, ref: str | None) -> None:
        if self._kept is None:
            raise RefusedError('nothing to compare with: "keep" a setting first')
        if self._comparing is not None and self._comparing.is_alive():
            raise RefusedError("a comparison is under way, allowed: one at a time")
        pair = self._pair(self._kept)
        self._comparing = threading.Thread(target=lambda: self._answer(self._comparer.compare(pair), ref), daemon=True)
        self._comparing.start()

    def _pair(self, kept: Setting) -> Pair:
        at = self._beginning
        return Pair(kept, self._setting, at.seed, at.wearer, self._repeat, at.condition)

    def _order(self, order: Order) -> None:
        self._orders.send(order)

    def _answer(self, said: Said, ref: str | None) -> None:
        self._lane.put(said if ref is None else {**said, "ref": ref})

    # The thread that hears what the loop says.

    def _listen(self) -> None:
        told_end = False
        try:
            while True:
                said = self._heard.recv()
                told_end = told_end or said["is"] == "ended"
                self._lane.put(self._enriched(said))
        except (EOFError, OSError):
            if not self._closing and not told_end:
                self._lane.put(
                    {"is": "ended", "why": "the loop's process ended without a word: killed, or its law ended it"}
                )

    def _enriched(self, said: Said) -> Said:
        """With what only this side knows."""
        if said["is"] == "round":
            self._repeat = said["repeat"]
            if said["why"] == "begin":  # not earlier: the loop compiles for itself first
                threading.Thread(target=self._comparer.prepare, daemon=True).start()
        elif said["is"] == "event":
            if said["kind"] in ("change", "fault", "fault-ends", "stopped", "pace", "trip", "cleared"):
                self._done.append({key: value for key, value in said.items() if key != "is"})
            if said["kind"] == "stopped" and self._stop_refs:
                ref = self._stop_refs.popleft()
                said |= {} if ref is None else {"ref": ref}
        elif said["is"] == "state":
            said["values"] = {control.key: control.value for control in self._controls} | self._setting.values
            said["kept"] = None if self._kept is None else dict(self._kept.values)
            said["dropped_rows"] = self._lane.lost_rows
            said["comparer"] = self._comparer.stands
        elif said["is"] == "refused" and said.get("ref") is None:
            said.pop("ref", None)
        return said
