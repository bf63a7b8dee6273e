"""A user's law in a process of its own: it is handed numbers and hands back numbers, and can reach nothing else here.

The process is started once and serves one trial after another, each with a law made afresh. Both sides send messages
of a head (kind, length, running number) and plain bytes: doubles, JSON or text, never pickled objects, and whatever
comes back is held to its length, its number and its kind. See `thenar.controller.confinement` for what the process
gives up, `thenar.controller.law_host` for its own side.

A law that can't be asked any more (it ended, broke the line, or sent what is no answer) raises GoneError.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
import weakref
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple, NoReturn

from thenar.shared.errors import InputError, Problem
from thenar.shared.foreign import LONGEST_START_S
from thenar.shared.signals import REST, SEEN_SIZE, Calibration, Demand, Observation, Stimulus

HEAD: Final = struct.Struct("<cxxxIQ")
"""Kind, length of what follows in bytes, and number: an answer has that of its question."""
SEEN: Final = struct.Struct(f"<{SEEN_SIZE}d")
ASKED: Final = struct.Struct("<6d")
SETTINGS, DESCRIBE, NEW, OBSERVE, RELEASE = b"S", b"D", b"N", b"O", b"R"
FOUND, PROBLEMS, DEMAND, MISSING, TOO_MUCH, RAISED = b"J", b"P", b"D", b"V", b"W", b"E"
MOST_TEXT: Final = 1_000
MOST_JSON: Final = 1_000_000
_LONGEST: Final = {
    FOUND: MOST_JSON, PROBLEMS: MOST_JSON, DEMAND: ASKED.size, MISSING: 0, TOO_MUCH: 0, RAISED: MOST_TEXT,
}  # fmt: skip
BUILD_S: Final = 3 * LONGEST_START_S
"""How long a process may take to start, load a law's file, build the law and compile its step."""
RELEASE_S: Final = 1.0
_KEPT: Final = ("LANG", "LC_ALL", "LC_CTYPE", "PATH", "HOME", "SYSTEMROOT", "LD_LIBRARY_PATH", "TZ")
_COMPILER: Final = ("NUMBA_DISABLE_JIT", "NUMBA_CPU_NAME", "NUMBA_CPU_FEATURES")
_ONE_THREAD: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
_PRINTED_LINES: Final = 10


class LawRaisedError(Exception):
    """The law raised. The text says what, on one line."""


class LateError(Exception):
    """No answer in time; it may still come."""


class GoneError(Exception):
    """The law's process can't be asked any more. The text says why."""


class LawAt(NamedTuple):
    """Where a law's class stands: a Python file and a class in it, or an installed entry point ("module:class")."""

    path: str
    class_name: str
    entry: str = ""


class LawProcess:
    """One process that can load one user's law, as often as wanted. Nobody asks it from two threads at once."""

    def __init__(self, at: LawAt) -> None:
        """Start it. `at`: the law that it is for."""
        self.at = at
        self._number = 0
        self._outstanding = False
        self._buffer = b""
        self._line, theirs = socket.socketpair()
        alive, self._lifeline = os.pipe()
        paths = [path for path in sys.path if Path(path).is_absolute()]
        start = f"import sys; sys.path[:] = {paths!r}; from thenar.controller.law_host import main; main({alive})"
        command = [sys.executable, "-I", "-B", *(["-X", "utf8"] if sys.flags.utf8_mode else []), "-c", start]
        try:
            with theirs:
                self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and our own text
                    command, stdin=theirs.fileno(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                    env=_environment(), close_fds=True, pass_fds=(alive,), process_group=0,
                )  # fmt: skip
        finally:
            os.close(alive)
        self._closed = weakref.finalize(self, _ended, self._process, self._line, self._lifeline)

    @property
    def usable(self) -> bool:
        """Whether it may be asked for something new."""
        return self._closed.alive and not self._outstanding and self._process.poll() is None

    def asked(self, kind: bytes, payload: bytes, limit_s: float) -> tuple[bytes, bytes]:
        """Kind and content of the answer to one message. Raises LateError after `limit_s` s, and GoneError."""
        try:
            self._number += 1
            self._send(HEAD.pack(kind, len(payload), self._number) + payload, limit_s)
            self._outstanding = True
            return self._answer(time.monotonic() + limit_s)
        except (LateError, GoneError):
            raise
        except BaseException:  # Ctrl-C too: nobody knows what stands on the line now
            self.end()
            raise

    def late_answer_came(self) -> bool:
        """Whether the answer that was too late has come by now; it is thrown away. Raises GoneError."""
        if self._outstanding:
            try:
                self._answer(time.monotonic())
            except LateError:
                return False
        return True

    def end(self) -> None:
        """Kill it, whatever it does."""
        self._closed()

    def _send(self, message: bytes, limit_s: float) -> None:
        if not self._closed.alive:
            raise GoneError("its process was ended")
        try:
            self._line.settimeout(limit_s)
            self._line.sendall(message)
        except TimeoutError:
            self._gone("reads no messages any more")
        except OSError:
            self._gone("")

    def _answer(self, until_s: float) -> tuple[bytes, bytes]:
        while len(self._buffer) < HEAD.size:
            self._receive(until_s)
        kind, length, number = HEAD.unpack_from(self._buffer)
        if kind not in _LONGEST or number != self._number or length > _LONGEST[kind]:
            self._gone("sent what is no answer")
        while len(self._buffer) < HEAD.size + length:
            self._receive(until_s)
        if len(self._buffer) > HEAD.size + length:
            self._gone("sent more than it was asked for")
        content, self._buffer = self._buffer[HEAD.size :], b""
        self._outstanding = False
        return kind, content

    def _receive(self, until_s: float) -> None:
        try:
            self._line.settimeout(max(0.0, until_s - time.monotonic()))
            came = self._line.recv(65_536)
        except (TimeoutError, BlockingIOError):
            raise LateError from None
        except OSError:
            came = b""
        if not came:
            self._gone("")
        self._buffer += came

    def _gone(self, did: str) -> NoReturn:
        """End the process. `did`: what it did, "" where it is to be seen from how it ended."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            if not did:
                self._process.wait(RELEASE_S)
        code = self._process.poll()
        self.end()
        if did or code is None:
            raise GoneError(f"its process {did or 'closed its line'} and was ended")
        raise GoneError(f"its process {_how_it_ended(code)}")


def _how_it_ended(code: int) -> str:
    if code >= 0:
        return f"ended by itself, exit code {code}"
    try:
        name = signal.Signals(-code).name
    except ValueError:
        name = f"signal {-code}"
    return f"was ended by {name}"


def _ended(process: subprocess.Popen[bytes], line: socket.socket, lifeline: int) -> None:
    with contextlib.suppress(OSError):
        process.kill()
    line.close()
    os.close(lifeline)
    process.wait()


def _environment() -> dict[str, str]:
    kept = {name: os.environ[name] for name in (*_KEPT, *_COMPILER) if name in os.environ}
    return kept | {"NUMBA_BOUNDSCHECK": "1"} | dict.fromkeys(_ONE_THREAD, "1")


_IDLE: Final[dict[LawAt, list[LawProcess]]] = {}
"""Processes that wait for their next trial: most programs have one law and one trial at a time."""
_TURN: Final = threading.Lock()


def _taken(at: LawAt) -> LawProcess:
    with _TURN:
        waiting = _IDLE.get(at, [])
        while waiting:
            process = waiting.pop()
            if process.usable:
                return process
            process.end()
    return LawProcess(at)


def _put_back(process: LawProcess) -> None:
    if process.usable:
        with _TURN:
            _IDLE.setdefault(process.at, []).append(process)


@atexit.register
def end_idle() -> None:
    """End every process that waits."""
    with _TURN:
        for waiting in _IDLE.values():
            while waiting:
                waiting.pop().end()


class AwayLaw:
    """A law of one trial, in a process of its own. Close it after the trial, so that the process serves the next."""

    def __init__(self, process: LawProcess, about: dict[str, Any]) -> None:
        """`about`: what the process says of the law it built."""
        self._process = process
        self.compiled = about.get("compiled") is True
        """Whether it is a compiled step, run with checked indices."""
        self.remembers = about.get("remembers") is True
        """Whether it is a step with numbers to remember."""
        self.why_gone = ""

    def decide(self, observation: Observation) -> Any:
        """The law's answer. Raises LawRaisedError, LateError and GoneError."""
        return self.answer(observation, LONGEST_START_S)

    def answer(self, observation: Observation, limit_s: float) -> Any:
        """The law's answer within `limit_s` s, a Demand or what is no demand at all. Raises as `decide`."""
        if self.why_gone:
            raise GoneError(self.why_gone)
        t_us, target_N, estimate_N, age_us, stated_sd_N, agonist, antagonist = observation
        try:
            if not self._process.late_answer_came():
                raise LateError
            seen = SEEN.pack(t_us, target_N, estimate_N, age_us, stated_sd_N, *agonist, *antagonist)
            kind, content = self._process.asked(OBSERVE, seen, limit_s)
        except GoneError as error:
            self.why_gone = str(error)
            raise
        if kind == DEMAND and len(content) == ASKED.size:
            asked = ASKED.unpack(content)
            return Demand(Stimulus(*asked[:3]), Stimulus(*asked[3:]))
        if kind == TOO_MUCH:
            return (REST, REST, REST)
        if kind == RAISED:
            raise LawRaisedError(_one_line(content.decode("utf-8", "replace")))
        return None

    def give_up(self, why: str) -> None:
        """End the process: the law can't be asked any more."""
        self.why_gone = why
        self._process.end()

    def close(self) -> None:
        """Let the process serve the next trial, and show what the law printed, as the law's, on standard error."""
        if self.why_gone:
            return
        self.why_gone = "its trial is over"
        if not self._process.usable:
            self._process.end()
            return
        try:
            _, content = self._process.asked(RELEASE, b"", RELEASE_S)
        except (LateError, GoneError):
            self._process.end()
            return
        _put_back(self._process)
        lines = _text(_read(content).get("printed")).splitlines()
        for line in lines[:_PRINTED_LINES]:
            sys.stderr.write(f"the law printed: {_one_line(line)}\n")
        if len(lines) > _PRINTED_LINES:
            sys.stderr.write(f"the law printed {len(lines) - _PRINTED_LINES} lines more\n")


def away_law(at: LawAt, settings: dict[str, Any], calibration: Calibration, file: str, key: str) -> AwayLaw:
    """A law built afresh in a process of its own. `file`, `key`: where its table stands. Raises InputError."""
    process, about = _answered(at, NEW, {"settings": settings, "calibration": calibration}, file, key)
    return AwayLaw(process, about)


def away_settings(at: LawAt, table: dict[str, Any], file: str, key: str) -> dict[str, Any]:
    """What the law's class makes of its settings: "values", "fields" (see `registry.Stated`). Raises InputError."""
    process, found = _answered(at, SETTINGS, {"settings": table}, file, key)
    _put_back(process)
    return found


def away_description(at: LawAt, name: str) -> dict[str, Any]:
    """What an installed law says of itself: "summary" and "settings". Raises InputError."""
    process, found = _answered(at, DESCRIBE, {"name": name}, "law", "law.name")
    _put_back(process)
    return found


def _answered(at: LawAt, kind: bytes, asked: dict[str, Any], file: str, key: str) -> tuple[LawProcess, dict[str, Any]]:
    """A process that has answered a question on its law, and the answer. Raises InputError."""
    whole = json.dumps({**asked, "at": at, "file": file, "key": key}, default=str).encode("ascii")
    what = at.entry or f"{at.class_name} in {Path(at.path).name}"
    allowed = f"{what} to be loaded and built"
    if os.name == "nt":
        found = "a law of your own, which can't be put in a process of its own on Windows"
        raise InputError([Problem(file, key, found, "with --trust-law, once you trust it")])
    process = _taken(at)
    try:
        answered, content = process.asked(kind, whole, BUILD_S)
    except LateError:
        process.end()
        raise InputError([Problem(file, key, f"no end within {BUILD_S:g} s", allowed)]) from None
    except GoneError as error:
        raise InputError([Problem(file, key, str(error), allowed)]) from None
    if answered != FOUND:
        _put_back(process)
        raise InputError(_problems(_read(content)))
    return process, _read(content)


def _problems(found: dict[str, Any]) -> Sequence[Problem]:
    rows = found.get("problems")
    texts = [[_text(part) for part in row] for row in rows if isinstance(row, list)] if isinstance(rows, list) else []
    return [Problem(*row) for row in texts if 4 <= len(row) <= 5] or [Problem("law", "", "no words", "a law")]


def _read(content: bytes) -> dict[str, Any]:
    """A table of plain values from bytes that anybody may have written; empty where they are none."""
    try:
        found = _plain(json.loads(content.decode("utf-8")), 0)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _plain(value: Any, depth: int) -> Any:
    if depth > 20:
        return None
    if isinstance(value, dict):
        return {_one_line(name): _plain(inside, depth + 1) for name, inside in value.items()}
    if isinstance(value, list):
        return [_plain(inside, depth + 1) for inside in value]
    return _text(value) if isinstance(value, str) else value


def _text(value: Any) -> str:
    """A text that can be printed: no control characters but line ends."""
    text = value if isinstance(value, str) else ""
    return "".join(mark if mark.isprintable() or mark == "\n" else " " for mark in text)


def _one_line(text: str) -> str:
    return " ".join(_text(text).split("\n"))[:MOST_TEXT]
