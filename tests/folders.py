"""Folders edited by hand, for tests: what a stranger could write, hashes and all."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from thenar.report.folder import FILES, MANIFEST, FinishedFolder, open_finished, sealed
from thenar.report.folder import files_in as listed_in
from thenar.report.manifest import Manifest, manifest_of


def resealed(folder: Path, changes: Mapping[str, Any] | None = None) -> Path:
    """`folder` with the hashes of its files as they are now, gone ones unlisted, and `changes` in its seal."""
    seal = next(folder / name for name in (MANIFEST, FILES) if (folder / name).exists())
    record = json.loads(seal.read_text("utf-8"))
    there = [name for name in record["files"] if (folder / name).is_file()]
    record |= dict(changes or {}) | {"files": listed_in(folder, there)}
    seal.write_text(json.dumps(sealed(record), indent=2), "utf-8")
    return folder


def run_in(folder: Path) -> FinishedFolder:
    """A finished run, opened and verified."""
    return open_finished(folder, "run")


def manifest_in(folder: Path) -> Manifest:
    """The manifest of a finished run."""
    return manifest_of(run_in(folder))
