"""Running code that a user brings: how its errors are told, and how long it may take.

Where the system has timers (not on Windows, and only in a main thread) code that overruns is interrupted;
elsewhere it is found out once it returns.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Final, TypeVar

Result = TypeVar("Result")

AGAIN_S: Final = 0.05
"""An interruption is repeated this often, since one that lands in a destructor is swallowed."""
LONGEST_START_S: Final = 30.0
"""How long a user's file may take to load, and a law to be built and to answer first: it may compile itself."""
_TEXT_WIDTH: Final = 200
_KIND: Final = type.__dict__["__name__"].__get__
"""A class's name, past a metaclass that answers for it."""


class OverrunError(BaseException):
    """Raised inside foreign code that overran, past its own `except Exception`."""


def said(error: BaseException) -> str:
    """Kind and text of a foreign error on one line that can be printed and stored anywhere."""
    kind = _KIND(type(error))
    try:
        line = f"{kind}: {error}"
    except (KeyboardInterrupt, OverrunError):
        raise
    except BaseException:  # noqa: BLE001 - even the text of a foreign error may raise anything
        line = f"{kind}: (no text)"
    return "".join(mark if mark.isprintable() else " " for mark in line[:_TEXT_WIDTH])


@contextmanager
def overrun_watch() -> Iterator[bool]:
    """While open, `start_timer` can interrupt foreign code. Yields whether that is possible here."""
    possible = hasattr(signal, "setitimer") and threading.current_thread() is threading.main_thread()
    if not possible:
        yield False
        return

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise OverrunError

    before = signal.signal(signal.SIGALRM, interrupt)
    try:
        yield True
    finally:
        stop_timer()
        signal.signal(signal.SIGALRM, before)


def start_timer(limit_s: float) -> None:
    """Have OverrunError raised `limit_s` s from now, again and again until `stop_timer`."""
    signal.setitimer(signal.ITIMER_REAL, limit_s, AGAIN_S)


def stop_timer() -> None:
    """Undo `start_timer`."""
    signal.setitimer(signal.ITIMER_REAL, 0.0)


@contextmanager
def time_limit(limit_s: float = LONGEST_START_S) -> Iterator[None]:
    """Raise OverrunError in the block when it takes longer than `limit_s` s, where that is possible."""
    with overrun_watch() as possible:
        if possible:
            start_timer(limit_s)
        yield


class ForeignError(Exception):
    """Foreign code failed or overran. The text says how, on one line; the cause is the error itself, if any."""


def attempted(call: Callable[[], Result]) -> Result:
    """What `call` returns, within LONGEST_START_S s. Raises ForeignError on whatever it does instead, but Ctrl-C."""
    try:
        with time_limit():
            return call()
    except KeyboardInterrupt:
        raise
    except OverrunError:
        raise ForeignError(f"no end within {LONGEST_START_S:g} s") from None
    except BaseException as error:
        raise ForeignError(said(error)) from error
