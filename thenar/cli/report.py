"""`thenar report DIR...`: finished folders as one page that opens from disk."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

from thenar.caution import SHORT
from thenar.cli.show import progress, show_json
from thenar.report.folder import TEMPORARY
from thenar.report.page_folders import report_page, trials_in
from thenar.report.page_frame import MARK
from thenar.shared.errors import InputError, Problem

HEAD_BYTES: Final = 400


def command(chosen: argparse.Namespace) -> int:
    """Write the page. Returns 0; bad input raises InputError."""
    folders = [Path(folder) for folder in chosen.folders]
    first = folders[0].resolve()
    out = Path(chosen.out) if chosen.out else folders[0].parent / f"{first.name}-report.html"
    _refuse_unless_ours(out, folders)
    with progress(trials_in(folders), "reading traces", quiet=chosen.json) as advance:
        text = report_page(folders, advance)
    _write(out, text)
    size = len(text.encode())
    if chosen.json:
        show_json({"page": str(out), "bytes": size, "caution": SHORT})
    else:
        print(f"page: {out} ({size / 1e6:.1f} MB, opens without a network)\n{SHORT}")
    return 0


def _refuse_unless_ours(out: Path, folders: list[Path]) -> None:
    """An earlier report may be written anew; any other file, and the folders themselves, stay as they are."""
    if any(out.resolve().is_relative_to(folder.resolve()) for folder in folders):
        found = "inside a folder that stays as it was left"
        raise InputError([Problem(str(out), "--out", found, "a file elsewhere")])
    if out.is_dir() or (out.exists() and not _is_ours(out)):
        found = "a folder" if out.is_dir() else "a file that is no report"
        raise InputError([Problem(str(out), "--out", found, "a new file, or an earlier report to replace")])


def _is_ours(file: Path) -> bool:
    with file.open("rb") as handle:
        return MARK.encode() in handle.read(HEAD_BYTES)


def _write(out: Path, text: str) -> None:
    """The page, whole or not at all."""
    part = out.with_name(out.name + TEMPORARY)
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(out)
    except OSError as error:
        raise InputError(
            [Problem(str(out), "--out", error.strerror or str(error), "a file that can be written")]
        ) from None
    finally:
        part.unlink(missing_ok=True)
