"""Where a requirement is enforced, found in the sources themselves, so that a page can't name what isn't there.

A rule's bit (`R06`) is set where the rule decides. Rules without a bit of their own in the code, or whose work is
done elsewhere as well, are named in `BY_CONSTRUCTION`; a test checks that every place exists.
"""

from __future__ import annotations

import ast
import functools
import re
from pathlib import Path
from typing import Final

import thenar.safety

BY_CONSTRUCTION: Final[dict[str, tuple[str, ...]]] = {
    "R01": ("safety.edge:demand_from_numbers", "safety.inputs:in_type_range"),
    "R02": ("safety.edge:demand_units",),
    "R05": ("safety.memory:start_memory",),
    "R19": ("safety.interlock:admit",),
    "R27": ("safety.screening:objections_to",),
    "R29": ("safety.ceilings:density_rms_uA",),
    "R33": ("safety.memory:halt",),
    "R35": ("safety.limits:limits_mark", "safety.profile:load_profile"),
    "R38": ("safety.ceilings:cut", "safety.decision_log:log_tick", "safety.requirements:reason_ids"),
}
_BIT: Final = re.compile(r"R\d\d")


@functools.cache
def enforced_in() -> dict[str, tuple[str, ...]]:
    """For each requirement the places "safety.module:function" that enforce it, in order of name."""
    found: dict[str, set[str]] = {rule: set(places) for rule, places in BY_CONSTRUCTION.items()}
    for file in sorted(Path(thenar.safety.__file__).resolve().parent.glob("*.py")):
        for node in ast.parse(file.read_text("utf-8"), file.name).body:
            if isinstance(node, ast.FunctionDef):
                for rule in _bits(node):
                    found.setdefault(rule, set()).add(f"safety.{file.stem}:{node.name}")
    return {rule: tuple(sorted(places)) for rule, places in found.items()}


def files_of(rule: str) -> tuple[str, ...]:
    """The files, like "safety/ceilings.py", that enforce a requirement."""
    return tuple(sorted({f"safety/{place.split('.')[1].split(':')[0]}.py" for place in enforced_in()[rule]}))


def _bits(function: ast.FunctionDef) -> set[str]:
    return {node.id for node in ast.walk(function) if isinstance(node, ast.Name) and _BIT.fullmatch(node.id)}
