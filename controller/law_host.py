"""The other side of `thenar.controller.law_process`: what runs in the process of a user's law.

It is started with a socket as standard input and a pipe that closes when the starting process ends, and with nothing
else that is open. All it can tell are numbers, and texts that are taken as the law's.
"""

from __future__ import annotations

import contextlib
import gc
import io
import json
import os
import signal
import socket
import sys
from pathlib import Path
from typing import Any, Final, NoReturn

from thenar.controller.confinement import confine
from thenar.controller.describe import described
from thenar.controller.law_process import (
    ASKED,
    DEMAND,
    DESCRIBE,
    FOUND,
    HEAD,
    MISSING,
    MOST_JSON,
    MOST_TEXT,
    NEW,
    OBSERVE,
    PROBLEMS,
    RAISED,
    SEEN,
    SETTINGS,
    TOO_MUCH,
    LawAt,
)
from thenar.controller.registry import built_from, class_at, stated_by
from thenar.shared.demand_values import numbers_of
from thenar.shared.errors import InputError, Problem
from thenar.shared.foreign import said
from thenar.shared.signals import Calibration, ChannelCalibration, observation_of

MOST_PRINTED: Final = 4_000
"""Characters of what a law prints that are kept, of one trial."""


class Printed(io.TextIOBase):
    """Takes what a law prints, and keeps the beginning of it."""

    def __init__(self) -> None:
        self._kept: list[str] = []
        self._room = MOST_PRINTED

    def writable(self) -> bool:
        """True."""
        return True

    def write(self, text: str) -> int:
        """Keep it as far as there is room."""
        if self._room > 0:
            part = str(text)[: self._room]
            self._room -= len(part)
            self._kept.append(part)
        return len(text)

    def taken(self) -> str:
        """What was kept, once."""
        text = "".join(self._kept)
        self._kept, self._room = [], MOST_PRINTED
        return text


class Host:
    """Answers one message after another."""

    def __init__(self, line: socket.socket, printed: Printed) -> None:
        self._line, self._printed = line, printed
        self._law: Any = None
        self._checks = False
        self._class: Any = None
        self._content = b""

    def serve(self) -> NoReturn:
        """Until the line is closed; then the process ends."""
        while True:
            kind, length, number = HEAD.unpack(self._exactly(HEAD.size))
            content = self._exactly(length)
            answered, answer = self._observed(content) if kind == OBSERVE else self._followed(kind, content)
            self._line.sendall(HEAD.pack(answered, len(answer), number) + answer)

    def _exactly(self, length: int) -> bytes:
        content = b""
        while len(content) < length:
            came = self._line.recv(length - len(content))
            if not came:
                os._exit(0)
            content += came
        return content

    def _observed(self, content: bytes) -> tuple[bytes, bytes]:
        try:
            demand = self._law.decide(observation_of(list(SEEN.unpack(content))))
        except BaseException as error:  # noqa: BLE001 - a law may raise anything, SystemExit included
            return RAISED, _words(error).encode("utf-8", "replace")[:MOST_TEXT]
        numbers, wrong = numbers_of(demand)
        if wrong:
            return (TOO_MUCH if wrong > 0 else MISSING), b""
        return DEMAND, ASKED.pack(*numbers)

    def _followed(self, kind: bytes, content: bytes) -> tuple[bytes, bytes]:
        try:
            found = self._done(kind, json.loads(content) if content else {})
            answer = json.dumps(found, default=str).encode("ascii")
        except InputError as error:
            return PROBLEMS, json.dumps({"problems": error.problems}).encode("ascii")[:MOST_JSON]
        except BaseException as error:  # noqa: BLE001 - settings are a user's code, too
            problem = Problem("law", "", _words(error), "a law that can be loaded and built")
            return PROBLEMS, json.dumps({"problems": [problem]}).encode("ascii")
        return FOUND, answer if len(answer) <= MOST_JSON else b"{}"

    def _done(self, kind: bytes, asked: dict[str, Any]) -> dict[str, Any]:
        if kind == NEW:
            return self._built(asked)
        if kind == SETTINGS:
            return stated_by(self._loaded(asked), asked["settings"], asked["file"], asked["key"])._asdict()
        if kind == DESCRIBE:
            found = described(self._loaded(asked), asked["name"], built_in=False)
            return {"summary": found.summary, "settings": [setting._asdict() for setting in found.settings]}
        self._law = None
        gc.collect()
        return {"printed": self._printed.taken()}

    def _built(self, asked: dict[str, Any]) -> dict[str, Any]:
        """A law made afresh, its file run anew."""
        self._law = self._class = None
        agonist, antagonist, max_pinch_N = asked["calibration"]
        calibration = Calibration(ChannelCalibration(*agonist), ChannelCalibration(*antagonist), max_pinch_N)
        name = asked["at"][1] or asked["at"][2]
        law: Any = built_from(self._loaded(asked), name, asked["settings"], calibration, asked["file"], asked["key"])
        stepped: Any = sys.modules.get("thenar.controller.stepped")
        compiled = stepped is not None and isinstance(law, stepped.SteppedLaw)
        remembers = compiled and law.memory.size > 0
        if compiled and type(law).decide is stepped.SteppedLaw.decide:
            from thenar.controller.checked_step import CheckedStep

            law = CheckedStep(law, asked["at"][0])
        self._law = law
        return {"compiled": compiled, "remembers": remembers}

    def _loaded(self, asked: dict[str, Any]) -> Any:
        """The law's class; loaded anew for each law and when its file has changed, else once for all questions."""
        path, content = Path(asked["at"][0]), b""
        with contextlib.suppress(OSError, ValueError):
            content = path.read_bytes() if path.is_file() else b""
        if self._class is None or content != self._content:
            self._class, self._content = None, content
            found = class_at(LawAt(*asked["at"]), asked["file"], "law.name")
            if not self._checks and "numba" in sys.modules:
                # Only now is it known that the file compiles something: it is run again, to do so with checks.
                from thenar.controller.checked_step import check_all_indices

                check_all_indices()
                self._checks = True
                found = class_at(LawAt(*asked["at"]), asked["file"], "law.name")
            self._class = found
        return self._class


def _words(error: BaseException) -> str:
    try:
        return said(error)
    except BaseException:  # noqa: BLE001 - whatever the error's own text raises
        return "an error without words"


def _end_with(lifeline: int) -> None:
    """Have the system kill this process when the one that started it is gone, also in the middle of a law's loop."""
    import fcntl

    fcntl.fcntl(lifeline, fcntl.F_SETOWN, os.getpid())
    if hasattr(fcntl, "F_SETSIG"):
        fcntl.fcntl(lifeline, fcntl.F_SETSIG, signal.SIGKILL)
    fcntl.fcntl(lifeline, fcntl.F_SETFL, fcntl.fcntl(lifeline, fcntl.F_GETFL) | os.O_ASYNC | os.O_NONBLOCK)
    with contextlib.suppress(BlockingIOError):
        if not os.read(lifeline, 1):  # it was gone before
            os._exit(0)


def main(lifeline: int) -> NoReturn:
    """Serve on standard input until it is closed. `lifeline`: a pipe's end, closed when the starting process ends."""
    _end_with(lifeline)
    line = socket.socket(fileno=os.dup(0))
    os.dup2(1, 0)  # nothing to be read, and nothing to be written to
    printed = Printed()
    sys.stdout = sys.stderr = printed
    sys.stdin = io.StringIO()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    confine()
    Host(line, printed).serve()
