"""Two settings over the same noise, each from its beginning, in a process of their own: the loop isn't disturbed."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import sys
from multiprocessing.connection import Connection
from typing import Any, Final, NamedTuple

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
from thenar.workers import interrupts_held_back, settle_in

LONGEST_S: Final = 120.0
_POINTS: Final = 2_000
_NICENESS: Final = 10


class Pair(NamedTuple):
    """What is compared: two settings, and whose trial it is (numbers from 0)."""

    kept: Setting
    current: Setting
    seed: int
    wearer: int
    repeat: int
    condition: str


class Comparer:
    """The process that runs comparisons, started when the first is asked for."""

    def __init__(self) -> None:
        self._process: Any = None
        self._line: Connection | None = None

    def compare(self, pair: Pair) -> Said:
        """The answer, "compared" or "refused". Waits at most LONGEST_S s."""
        try:
            line = self._started()
            line.send(pair)
            if line.poll(LONGEST_S):
                answer: Said = line.recv()
                return answer
            why = f"no end within {LONGEST_S:g} s"
        except (OSError, EOFError):
            why = "the process that compares ended without an answer"
        self.close()
        return {"is": "refused", "message": {"do": "compare"}, "why": why}

    def close(self) -> None:
        """End the process, whatever it does."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.join()

    def _started(self) -> Connection:
        if self._process is None or self._line is None:
            context = multiprocessing.get_context("spawn")
            self._line, theirs = context.Pipe()
            with interrupts_held_back():
                self._process = context.Process(target=_compare_on, args=(theirs,), daemon=True)
                self._process.start()
            theirs.close()
        return self._line


def _compare_on(line: Connection) -> None:
    settle_in()
    with contextlib.suppress(OSError, AttributeError):  # no such call on Windows
        os.setpriority(os.PRIO_PROCESS, 0, _NICENESS)
    with contextlib.suppress(EOFError, OSError), contextlib.redirect_stdout(sys.stderr):
        while True:
            line.send(compared(line.recv()))


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
