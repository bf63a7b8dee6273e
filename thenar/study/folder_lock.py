"""One process at a time in a folder. The system drops the lock with the process, however that ends."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from thenar.shared.errors import InputError, Problem

LOCK_FILE: Final = "lock"


@contextmanager
def sole_user(folder: Path) -> Iterator[None]:
    """Hold `folder` (it must exist) for this process alone. Raises InputError when another process holds it."""
    handle = os.open(folder / LOCK_FILE, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        if not _taken(handle):
            holder = os.read(handle, 20).decode("ascii", "replace").strip() or "?"
            found = f"another process, number {holder}, is at work in it"
            raise InputError([Problem(str(folder), "--out", found, "one process at a time: wait, or another --out")])
        os.ftruncate(handle, 0)
        os.write(handle, f"{os.getpid()}\n".encode("ascii"))
        yield
    finally:
        os.close(handle)


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
