"""An HTML page that a command leaves beside finished folders: an earlier one may be written anew, nothing else is."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Final

from thenar.report.folder import TEMPORARY
from thenar.shared.errors import InputError, Problem

HEAD_BYTES: Final = 400


def refuse_unless_ours(out: Path, folders: Iterable[Path], kind: str, mark: str) -> None:
    """Raise InputError where `out` lies inside one of `folders` or is no earlier page of this kind.

    `kind`: its name in words; `mark`: what stands at the head of each such page.
    """
    if any(out.resolve().is_relative_to(folder.resolve()) for folder in folders):
        found = "inside the run folder, or another that stays as it was left"
        raise InputError([Problem(str(out), "--out", found, "a file elsewhere")])
    if out.is_dir() or (out.exists() and not _holds(out, mark)):
        found = "a folder" if out.is_dir() else f"a file that is no {kind}"
        raise InputError([Problem(str(out), "--out", found, f"a new file, or an earlier {kind} to replace")])


def _holds(file: Path, mark: str) -> bool:
    with file.open("rb") as handle:
        return mark.encode() in handle.read(HEAD_BYTES)


def write_page(out: Path, text: str) -> None:
    """The page, whole or not at all. Raises InputError where the system refuses."""
    part = out.with_name(out.name + TEMPORARY)
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(out)
    except OSError as error:
        allowed = "a file that can be written"
        raise InputError([Problem(str(out), "--out", error.strerror or str(error), allowed)]) from None
    finally:
        part.unlink(missing_ok=True)
