"""Asking a control law, whatever it does: a law that raises, returns nonsense or never returns is a finding.

A law is measured against the wall clock. Where the system has timers (not on Windows, and only in a main
thread) a law that overruns is interrupted; elsewhere it is found out once it returns.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any, Final, NamedTuple

from thenar.controller.law import AT_REST, Law
from thenar.safety.inputs import LAW_FINE, LAW_LATE, LAW_RAISED
from thenar.shared.signals import Observation

WALL_LIMIT_S: Final = 0.5
"""A law that needs longer than this for one answer has stalled (own choice: the heartbeat trip of R32)."""
FIRST_WALL_LIMIT_S: Final = 30.0
"""The first answer may take longer: a law may compile itself then."""
_AGAIN_S: Final = 0.05
"""The interruption is repeated, since one that lands in a destructor is swallowed."""
_TEXT_WIDTH: Final = 200
_KIND: Final = type.__dict__["__name__"].__get__
"""A class's name, past a metaclass that answers for it."""


class Answer(NamedTuple):
    """What came back: any object at all, one of the LAW constants, and what went wrong ("" if nothing)."""

    demand: Any
    fault: int
    what: str


class LawOverrunError(BaseException):
    """Raised inside a law that overran, past its own `except Exception`."""


def answer_of(law: Law, observation: Observation, limit_s: float = WALL_LIMIT_S) -> Answer:
    """The law's answer to `observation`, late beyond `limit_s` s. Lets nothing out but KeyboardInterrupt."""
    begun = time.monotonic()
    try:
        demand = law.decide(observation)
    except KeyboardInterrupt:
        raise
    except LawOverrunError:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        return _late(limit_s)
    except BaseException as error:  # noqa: BLE001 - a user's law may raise anything, SystemExit included
        return Answer(AT_REST, LAW_RAISED, _said(error))
    if time.monotonic() - begun > limit_s:
        return _late(limit_s)
    return Answer(demand, LAW_FINE, "")


def _late(limit_s: float) -> Answer:
    return Answer(AT_REST, LAW_LATE, f"no answer within {limit_s:g} s")


def _said(error: BaseException) -> str:
    """Kind and text of a foreign error on one line that can be printed and stored anywhere."""
    kind = _KIND(type(error))
    try:
        line = f"{kind}: {error}"
    except (KeyboardInterrupt, LawOverrunError):
        raise
    except BaseException:  # noqa: BLE001 - even the text of a foreign error may raise anything
        line = f"{kind}: (no text)"
    return "".join(mark if mark.isprintable() else " " for mark in line[:_TEXT_WIDTH])


@contextmanager
def overrun_watch() -> Iterator[bool]:
    """While open, `watched_answer` can interrupt a law. Yields whether that is possible here."""
    possible = hasattr(signal, "setitimer") and threading.current_thread() is threading.main_thread()
    if not possible:
        yield False
        return

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise LawOverrunError

    before = signal.signal(signal.SIGALRM, interrupt)
    try:
        yield True
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


def watched_answer(law: Law, observation: Observation, limit_s: float = WALL_LIMIT_S) -> Answer:
    """As `answer_of`, with the timer of an open `overrun_watch` running."""
    try:
        signal.setitimer(signal.ITIMER_REAL, limit_s, _AGAIN_S)
        answer = answer_of(law, observation, limit_s)
        signal.setitimer(signal.ITIMER_REAL, 0.0)
    except LawOverrunError:  # the timer fired just as the law returned
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        return _late(limit_s)
    return answer
