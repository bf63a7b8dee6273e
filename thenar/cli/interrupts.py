"""Ctrl-C that falls where Python can't let it out (a callback from C, a finaliser): it is sent once more.

The compiler's library calls Python back each time it loads or keeps compiled code. Python prints an exception in there
and goes on, so that a press of Ctrl-C in the half minute of compiling would be lost, or end as a fault of the library.
"""

from __future__ import annotations

import _thread
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from sys import UnraisableHookArgs

AGAIN_AFTER_S: Final = 0.02
"""Long enough to be out of a callback. Where it is not, it is lost and sent anew (own choice)."""


@contextmanager
def never_lost() -> Iterator[None]:
    """While open, a KeyboardInterrupt that Python would only print is raised a moment later in the main thread.

    An exception that comes before it is taken for its consequence, and so is one that was made of it on its way:
    KeyboardInterrupt is raised from that.
    """
    usual = sys.unraisablehook
    waiting: list[threading.Timer] = []

    def hook(lost: UnraisableHookArgs) -> None:
        if not issubclass(lost.exc_type, KeyboardInterrupt):
            usual(lost)
            return
        timer = threading.Timer(AGAIN_AFTER_S, _interrupt)
        timer.daemon = True
        waiting.append(timer)
        timer.start()

    sys.unraisablehook = hook
    try:
        yield
    except Exception as error:
        if waiting or isinstance(error.__cause__, KeyboardInterrupt):
            raise KeyboardInterrupt from error
        raise
    finally:
        sys.unraisablehook = usual
        for timer in waiting:
            timer.cancel()


def leave(*, interrupted: bool) -> None:
    """Last act of a process whose command has ended: Ctrl-C has nothing more to end, and what it broke stays quiet.

    In the tenths of a second that the interpreter and its libraries take to close, it would make a finished command end
    by the signal or print a traceback.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if interrupted:
        sys.unraisablehook = lambda _: None
        # Where Ctrl-C fell into source run from a string (dataclasses do that), `python -m` would end by the signal
        # whatever code it is given; running another string makes it forget.
        exec("")  # noqa: S102 - nothing comes from anyone


def _interrupt() -> None:
    """Ctrl-C for the main thread, also where it waits for the system."""
    ident = threading.main_thread().ident
    if hasattr(signal, "pthread_kill") and ident is not None:
        signal.pthread_kill(ident, signal.SIGINT)
    else:
        _thread.interrupt_main()
