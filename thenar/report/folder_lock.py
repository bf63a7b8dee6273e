"""One process at a time at a folder, there or to be made. A lock ends with its process, however that ends."""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from thenar.shared.errors import InputError, Problem

LOCK_FILE: Final = "lock"
_ALLOWED: Final = "one process at a time: wait, or another --out"


@contextmanager
def sole_user(folder: Path) -> Iterator[None]:
    """Hold `folder` (it must exist) for this process alone. Raises InputError when another process holds it."""
    handle = os.open(folder / LOCK_FILE, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        _take(handle, folder, "at work in it")
        yield
    finally:
        os.close(handle)


def _claim_of(final: Path) -> Path:
    """The file that stands for a folder's name while the folder is being made: elsewhere, since a kill leaves it."""
    digest = hashlib.sha256(os.fsencode(final.resolve())).hexdigest()[:32]
    owner = os.getuid() if hasattr(os, "getuid") else 0
    return Path(tempfile.gettempdir()) / f"thenar-claim-{owner}-{digest}"


@contextmanager
def claimed(final: Path) -> Iterator[None]:
    """Hold the name of a folder that is to be made, from the first moment on, against others of this user.

    Raises InputError when another process is making it. Where the system has no room for a claim nothing is held.
    """
    try:
        file = _claim_of(final)
        handle = _locked(file, final)
    except OSError:  # no folder for temporary files that can be written
        yield
        return
    try:
        yield
    finally:
        with suppress(OSError):  # a system that removes no open file keeps an empty one
            file.unlink()
        os.close(handle)


def is_claimed(final: Path) -> bool:
    """Whether another process, or this one, is making the folder."""
    try:
        with claimed(final):
            return False
    except InputError:
        return True


def _locked(file: Path, final: Path) -> int:
    """The claim, opened and locked. Raises InputError when another process has it, OSError where none can be made."""
    while True:
        handle = os.open(file, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
        try:
            _take(handle, final, "making it")
            with suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(handle), file.stat()):
                    return handle
        except BaseException:
            os.close(handle)
            raise
        os.close(handle)  # whoever held it took the file away between our opening and our locking it


def _take(handle: int, folder: Path, doing: str) -> None:
    """Lock an open file and write this process's number into it. Raises InputError when another process holds it."""
    if not _taken(handle):
        holder = os.read(handle, 20).decode("ascii", "replace").strip() or "?"
        found = f"another process, number {holder}, is {doing}"
        raise InputError([Problem(str(folder), "--out", found, _ALLOWED)])
    with suppress(OSError):  # on a full disk the lock holds all the same
        os.ftruncate(handle, 0)
        os.write(handle, f"{os.getpid()}\n".encode("ascii"))


if sys.platform == "win32":

    def _taken(handle: int) -> bool:
        import msvcrt

        try:
            os.lseek(handle, 1024, os.SEEK_SET)  # beyond the text, which others may read
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(handle, 0, os.SEEK_SET)
        return True

else:

    def _taken(handle: int) -> bool:
        import fcntl

        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
