"""A copy of the interlock's sources with a check taken out, under a package name of its own."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterable
from pathlib import Path
from types import ModuleType
from typing import Final

from thenar.safety import interlock
from thenar.safety.attack.removals import Edit

_PARTS: Final = ("", "attack")
_HERE: Final = Path(interlock.__file__).resolve().parent


class EditError(ValueError):
    """An edit whose text isn't found exactly once: the sources have moved on, and the removal with them."""


def edited_sources(edits: Iterable[Edit]) -> dict[str, str]:
    """The sources that `edits` touch, by module, with every edit done. Raises EditError."""
    texts: dict[str, str] = {}
    for edit in edits:
        text = texts.get(edit.module) or (_HERE / f"{edit.module}.py").read_text(encoding="utf-8")
        if text.count(edit.old) != 1:
            raise EditError(f"{edit.module}: found {text.count(edit.old)} times: {edit.old.strip()[:80]!r}")
        texts[edit.module] = text.replace(edit.old, edit.new)
    return texts


def load_variant(folder: Path, name: str, edits: Iterable[Edit]) -> ModuleType:
    """The player of a variant called `name`, its sources written into `folder`. The live package is left alone.

    Only `thenar.shared` is common to both. Meant for a process of its own, without the compiler. Raises EditError.
    """
    texts = edited_sources(edits)
    for part in _PARTS:
        target = folder / name / part
        target.mkdir(parents=True, exist_ok=True)
        for file in sorted((_HERE / part).glob("*.py")):
            text = texts.get(file.stem) if not part else None
            text = file.read_text(encoding="utf-8") if text is None else text
            (target / file.name).write_text(text.replace("thenar.safety.", f"{name}."), encoding="utf-8")
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))
    importlib.invalidate_caches()
    return importlib.import_module(f"{name}.attack.player")
