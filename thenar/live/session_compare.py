"""Two settings over the same noise, each from its beginning, in a process of their own: the loop isn't disturbed.

The process is started when the session's first round begins, and compiles or loads what a comparison needs before one
is asked for. That takes seconds, or minutes where the machine has much to do, as the process stands back behind all
others; so it is waited for without a limit, told in every state, and only the comparison itself has one.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from dataclasses import replace
from multiprocessing.connection import Connection
from typing import Any, Final, NamedTuple

from thenar.controller.registry import LawSettings, is_built_in
from thenar.controller.stepped import NotCompiledError
from thenar.engine.batch import run_trial_compiled
from thenar.engine.events import run_trial
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial
from thenar.live.session_controls import Setting
from thenar.live.session_lane import Said
from thenar.live.session_loop import trial_of
from thenar.report.metrics import METRICS, target_rows
from thenar.report.thinning import extremes_kept
from thenar.scenarios.targets import moves
from thenar.shared.errors import InputError
from thenar.shared.ticks import US_PER_S
from thenar.shared.worker_process import WorkerContext
from thenar.workers import interrupts_held_back, settle_in

LONGEST_S: Final = 120.0
_POINTS: Final = 2_000
_NICENESS: Final = 10
_WARM_US: Final = 2 * US_PER_S


class Pair(NamedTuple):
    """What is compared: two settings, and whose trial it is (numbers from 0)."""

    kept: Setting
    current: Setting
    seed: int
    wearer: int
    repeat: int
    condition: str


class Comparer:
    """The process that runs comparisons. `stands`: "waiting" (not started), "preparing", "ready" or "comparing"."""

    def __init__(self, usual: Pair) -> None:
        """`usual`: a pair of the session, from which the process prepares."""
        self.stands = "waiting"
        self._usual = usual
        self._turn = threading.Lock()
        self._process: Any = None
        self._line: Connection | None = None
        self._closed = False

    def prepare(self) -> None:
        """Start the process and wait until it could compare at once."""
        with self._turn, contextlib.suppress(OSError, EOFError):
            self._prepared()

    def compare(self, pair: Pair) -> Said:
        """The answer, "compared" or "refused". Waits until all is prepared, and then at most LONGEST_S s."""
        with self._turn:
            try:
                line = self._prepared()
                self.stands = "comparing"
                line.send(pair)
                if line.poll(LONGEST_S):
                    answer: Said = line.recv()
                    self.stands = "ready"
                    return answer
                why = f"no end within {LONGEST_S:g} s"
            except (OSError, EOFError):
                why = "the process that compares ended without an answer"
            self._end()
        return {"is": "refused", "message": {"do": "compare"}, "why": why}

    def close(self) -> None:
        """End the process, whatever it does, for good."""
        self._closed = True
        self._end()

    def _end(self) -> None:
        process, self._process = self._process, None
        self.stands = "waiting"
        if process is not None:
            process.kill()
            process.join()

    def _prepared(self) -> Connection:
        """The line to a process that is ready. Raises EOFError or OSError when it ended."""
        if self._process is None or self._line is None:
            self.stands = "preparing"
            self._line = self._started()
            try:
                self._line.recv()
            except (OSError, EOFError):
                self._end()
                raise
            self.stands = "ready"
        return self._line

    def _started(self) -> Connection:
        context = WorkerContext()
        line, theirs = context.Pipe()
        with theirs, interrupts_held_back():
            process = context.Process(target=_compare_on, args=(theirs, self._usual), daemon=True)
            process.start()
        self._process = process
        if self._closed:
            self._end()
            raise EOFError
        return line


def _compare_on(line: Connection, usual: Pair) -> None:
    settle_in()
    with contextlib.suppress(OSError, AttributeError):  # no such call on Windows
        os.setpriority(os.PRIO_PROCESS, 0, _NICENESS)
    with contextlib.suppress(EOFError, OSError), contextlib.redirect_stdout(sys.stderr):
        _warm_up(usual)
        line.send({"is": "prepared"})
        while True:
            line.send(compared(line.recv()))


def _warm_up(usual: Pair) -> None:
    """Have what a comparison needs compiled. A law of the user's own isn't asked: it might never answer."""
    trial = _trial(usual, usual.current)
    own = not is_built_in(trial.law.name or "")
    short = replace(trial, duration_us=min(trial.duration_us, _WARM_US), faults=())
    if own:
        short = replace(short, law=LawSettings(name="proportional"))
        run_trial(short)
    result, _ = _run(short)
    _measures(result, result)


def compared(pair: Pair) -> Said:
    """The "compared" message of two settings; "refused" with words where one can't run."""
    try:
        one, engine = _run(_trial(pair, pair.kept))
        other, _ = _run(_trial(pair, pair.current))
    except InputError as error:
        return {"is": "refused", "message": {"do": "compare"}, "why": " ".join(str(error).split())}
    t_s = one.trace["t_us"] / US_PER_S
    drawn_s, target_N = extremes_kept(t_s, one.trace["target_N"], _POINTS)
    return {
        "is": "compared", "repeat": pair.repeat, "wearer": pair.wearer, "engine": engine,
        "t_s": drawn_s, "target_N": target_N,
        "kept": {"values": pair.kept.values, "force_N": extremes_kept(t_s, one.trace["force_N"], _POINTS)[1]},
        "current": {"values": pair.current.values, "force_N": extremes_kept(t_s, other.trace["force_N"], _POINTS)[1]},
        "difference_N": extremes_kept(t_s, other.trace["force_N"] - one.trace["force_N"], _POINTS)[1],
        "measures": _measures(one, other),
        "targets": [] if moves(pair.current.loaded.scenario.target) else _targets(one, other),
    }  # fmt: skip


def _trial(pair: Pair, setting: Setting) -> Trial:
    return trial_of(setting.loaded, pair.seed, pair.wearer, pair.repeat, pair.condition)


def _run(trial: Trial) -> tuple[TrialResult, str]:
    """The trial in the batch engine where its law can be compiled; both engines agree to the last bit."""
    try:
        return run_trial_compiled(trial), "batch"
    except NotCompiledError:
        return run_trial(trial), "event"


def _measures(kept: TrialResult, current: TrialResult) -> list[Said]:
    """Each measure over the whole trial, the holds of a program as one course."""
    (one,), (other,) = target_rows(kept, moving=True), target_rows(current, moving=True)
    return [
        {**metric._asdict(), "kept": before, "current": now}
        for metric, before, now in zip(METRICS, one.values, other.values, strict=True)
    ]


def _targets(kept: TrialResult, current: TrialResult) -> list[Said]:
    """The measures of each level, in the order of METRICS; none for a program that holds no level."""
    pairs = zip(target_rows(kept, moving=False), target_rows(current, moving=False), strict=True)
    return [{"target": one.target, "kept": list(one.values), "current": list(other.values)} for one, other in pairs]
