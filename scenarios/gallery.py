"""The scenario files that ship with thenar, in the folder `gallery/`."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from thenar.shared.errors import InputError, Problem, nearest, shown

GALLERY: Final = Path(__file__).resolve().parent / "gallery"


def gallery_files() -> list[Path]:
    """The shipped scenario files, sorted by name."""
    return sorted(GALLERY.glob("*.toml"))


def gallery_names() -> list[str]:
    """What the shipped scenarios are called: their file names without `.toml`, sorted."""
    return [file.stem for file in gallery_files()]


def gallery_file(name: str) -> Path:
    """The shipped scenario file called `name` (with or without `.toml`). Raises InputError with the nearest name."""
    names = gallery_names()
    wanted = name.removesuffix(".toml")
    if wanted not in names:
        allowed = f"a scenario file, or one of the gallery: {', '.join(names)}"
        raise InputError([Problem(shown(name), "", "no such scenario", allowed, nearest(wanted, names))])
    return GALLERY / f"{wanted}.toml"


def find_scenario(typed: str) -> Path:
    """The file meant by `typed`. A file that exists wins over a shipped scenario of the same name.

    Raises InputError with the nearest shipped name when there is neither.
    """
    path = Path(typed)
    if path.is_file() or (path.exists() and typed not in gallery_names()):
        return path
    return gallery_file(typed)
