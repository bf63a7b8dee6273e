"""Standard output and error as a command can rely on them: open, never failing on a letter, outliving their reader.

A command does its work, leaves its files and gives its own exit code whether or not anyone reads what it prints.
"""

from __future__ import annotations

import io
import os
import sys
from typing import Any, TextIO


def speak_utf8() -> None:
    """Begin the program anew in Python's UTF-8 mode where names of files would be taken for ASCII (as LC_ALL=C does).

    Else a folder with any other letter could be opened but neither printed nor written into a record.
    """
    if os.name == "posix" and sys.getfilesystemencoding() != "utf-8" and not sys.flags.utf8_mode:
        sys.stdout.flush()
        os.environ["PYTHONUTF8"] = "1"  # for the workers too
        os.execv(sys.executable, [sys.executable, *sys.orig_argv[1:]])  # noqa: S606 - the same words once more


def prepare_streams() -> None:
    """Open what is closed, and make both streams outlive their readers and take every letter."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            # Else the next file opened would get this number, and whatever a library prints would go into it.
            os.open(os.devnull, os.O_RDWR)
    sys.stdout, sys.stderr = _outlet(sys.stdout, 1), _outlet(sys.stderr, 2)


def _outlet(stream: TextIO | None, number: int) -> Any:
    encoding = getattr(stream, "encoding", None) or "utf-8"
    if stream is not None:
        stream.flush()
    raw = _OutlivingFile(number, "w", closefd=False)
    return io.TextIOWrapper(
        io.BufferedWriter(raw), encoding, errors="backslashreplace", line_buffering=number == 2 or raw.isatty()
    )


class _OutlivingFile(io.FileIO):
    """A file that goes on into nothing once nobody reads it."""

    def write(self, data: Any) -> int:
        try:
            return super().write(data) or 0
        except BrokenPipeError:
            let_go(self)
            return len(memoryview(data).cast("B"))


def let_go(stream: Any) -> None:
    """Have what is still written to a stream go nowhere, the interpreter's last flush too."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, stream.fileno())
    os.close(nothing)


def refuse_unprintable(arguments: list[str]) -> None:
    """Raise InputError for a word of the command line that is no text in UTF-8: no record could hold it."""
    for place, word in enumerate(arguments, start=1):
        try:
            word.encode("utf-8")
        except UnicodeEncodeError:
            from thenar.shared.errors import InputError, Problem  # heavy

            found = word.encode("utf-8", "backslashreplace").decode("utf-8")
            raise InputError([Problem("command line", f"word {place}", found, "a name in UTF-8")]) from None
