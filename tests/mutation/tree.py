"""The tree that gets mutated: a copy laid out as users get it, with plain functions in the files under test.

The live tree is never touched. The runner makes mutants inside functions only, leaves decorated functions
alone, and must find a module under the path that its name says. So the copy holds `thenar/safety/...` in place of
the mapped folder `safety/`, and `@step` is taken off in the files under test: the copy runs with
NUMBA_DISABLE_JIT=1, where `step` hands back the very function it was given.
"""

from __future__ import annotations

import re
import shutil
import tomllib
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
HERE: Final = Path(__file__).resolve().parent

UNDER_TEST: Final = (
    "arming",
    "balance",
    "bounds",
    "budget",
    "ceilings",
    "conversion",
    "extremes",
    "gate",
    "inputs",
    "intensity",
    "interlock",
    "judgement",
    "memory",
    "plausibility",
    "step_limits",
    "validity",
    "windows",
)
"""Files of `safety/` that decide what may leave."""
CONTROL: Final = "runner_control"
"""The planted file: one mutant of it changes nothing, the other everything."""

_STEP: Final = re.compile(r"^@step\n", re.MULTILINE)


def prepare(folder: Path) -> None:
    """Make the copy in `folder`, which is emptied first."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    without = shutil.ignore_patterns("__pycache__", "*.pyc", ".hypothesis")
    mapped = settings["tool"]["setuptools"]["package-dir"]
    for package, source in sorted(mapped.items()):
        shutil.copytree(ROOT / source, folder / package.replace(".", "/"), ignore=without, dirs_exist_ok=True)
    for name in ("safety", "mutation"):
        shutil.copytree(ROOT / "tests" / name, folder / "tests" / name, ignore=without)
    for name in ("__init__.py", "conftest.py"):
        shutil.copy(ROOT / "tests" / name, folder / "tests" / name)
    shutil.copy(HERE / "runner.toml", folder / "pyproject.toml")
    shutil.copy(HERE / "control.py", folder / "thenar" / "safety" / f"{CONTROL}.py")
    for name in UNDER_TEST:
        file = folder / "thenar" / "safety" / f"{name}.py"
        file.write_text(_STEP.sub("", file.read_text("utf-8")), "utf-8")
