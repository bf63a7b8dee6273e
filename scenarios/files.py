"""Files that a scenario names: found beside it, read once, known by their SHA-256."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import NamedTuple

from thenar.shared.errors import Problem, nearest, shown


class NamedFile(NamedTuple):
    """A file that a scenario names. `key`: where (as `wearer.recording`), `name`: as written there."""

    key: str
    name: str
    path: Path
    sha256: str


class LaidOut(NamedTuple):
    """In place of a scenario's folder: where each file that it may name lies, whatever the name says.

    `top`: the folder in which they lie; `places`: paths below `top` by name as written in the scenario.
    """

    top: Path
    places: Mapping[str, str]

    def __truediv__(self, name: str) -> Path:
        """The place of a file; of a name that is not among them, a path at which nothing is."""
        return self.top / self.places.get(name, "no-such-file/none")


Base = Path | LaidOut


def found_file(name: str, base: Base, file: str, key: str, problems: list[Problem]) -> list[NamedFile]:
    """The one file called `name` in `base`; an empty list and one entry in `problems` when it can't be read.

    A name is relative and uses `/`, so that a scenario's folder can be moved and replayed elsewhere.
    """
    allowed = "the name of a file, relative to the scenario file"
    if not name.isprintable() or PurePosixPath(name).is_absolute() or PureWindowsPath(name).drive or "\\" in name:
        problems.append(Problem(file, key, shown(name), f"{allowed}, with / between folders"))
        return []
    path = base / name
    try:
        if path.is_file():
            with path.open("rb") as handle:
                return [NamedFile(key, name, path, hashlib.file_digest(handle, "sha256").hexdigest())]
        what = "a folder" if path.is_dir() else "no ordinary file" if path.exists() else "no such file"
        found = f"{shown(name)}, {what}"
        problems.append(Problem(file, key, found, allowed, _nearest_file(path)))
    except OSError as error:
        problems.append(Problem(file, key, f"{shown(name)}: {error.strerror or error}", allowed))
    return []


def _nearest_file(path: Path) -> str:
    """The name closest to `path` in its folder, "" when there is none."""
    if not path.parent.is_dir():
        return ""
    return nearest(path.name, [entry.name for entry in path.parent.iterdir() if entry.is_file()])
