"""The source itself: no float near a decision, one maker of admitted commands, no import of another part."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import thenar.safety

ROOT = Path(thenar.safety.__file__).resolve().parent.parent
SAFETY = ROOT / "safety"
FLOAT_FILES = {
    "edge.py", "profile.py", "conversion.py", "bounds.py", "screening.py", "requirements.py", "deviation.py",
    "derived.py",
    "invented.py",
}  # fmt: skip
"""Files at the edge, where human units come in. Every other file of safety/ must be free of floats."""
DECIDING = sorted(file for file in SAFETY.glob("*.py") if file.name not in FLOAT_FILES)
SKIPPED = {"build", "dist", "__pycache__", "runs"}


def tree_of(file: Path) -> ast.Module:
    """The parsed file."""
    return ast.parse(file.read_text("utf-8"), str(file))


def floats_in(tree: ast.Module) -> list[str]:
    """Everything in a file that is, makes or names a float."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, float | complex):
            found.append(f"line {node.lineno}: constant {node.value}")
        if isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.Div | ast.Pow):
            found.append(f"line {node.lineno}: / or **")
        if isinstance(node, ast.Name) and node.id in ("float", "math"):
            found.append(f"line {node.lineno}: {node.id}")
        if isinstance(node, ast.Attribute) and "float" in node.attr:
            found.append(f"line {node.lineno}: {node.attr}")
    return found


def calls_of(tree: ast.Module, name: str) -> list[int]:
    """Lines that call `name`, plainly or as an attribute, or make a copy through `_replace` or `_make` of it."""
    lines = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name) and called.id == name:
                lines.append(node.lineno)
            if isinstance(called, ast.Attribute):
                owner = called.value
                named = isinstance(owner, ast.Name) and owner.id == name
                if called.attr == name or (named and called.attr == "_make"):
                    lines.append(node.lineno)
    return lines


def repo_files() -> list[Path]:
    """Every Python file of the program; tests, environments and other hidden folders left out."""
    parts = {file: file.relative_to(ROOT).parts for file in ROOT.rglob("*.py")}
    left_out = {file for file, path in parts.items() if any(part[0] == "." or part in SKIPPED for part in path)}
    return [file for file, path in parts.items() if file not in left_out and path[0] != "tests"]


def test_the_deciding_files_are_those_we_think() -> None:
    assert {"interlock.py", "gate.py", "memory.py", "limits.py", "ceilings.py"} <= {file.name for file in DECIDING}


@pytest.mark.parametrize("file", DECIDING, ids=lambda file: file.name)
def test_no_float_comes_near_a_decision(file: Path) -> None:
    assert floats_in(tree_of(file)) == []


def test_the_search_for_floats_finds_planted_ones() -> None:
    planted = ["x = 1.0", "x = a / b", "x /= 2", "x = a ** 2", "x = float(a)", "x = math.floor(a)", "x = np.float64(a)"]
    assert all(floats_in(ast.parse(line)) for line in planted)
    assert floats_in(ast.parse("x = a // b * 2 % 3")) == []


def test_only_the_interlock_makes_an_admitted_command() -> None:
    makers = {str(file.relative_to(ROOT)) for file in repo_files() if calls_of(tree_of(file), "Admitted")}
    assert makers == {str(Path("safety") / "interlock.py")}


def test_the_search_for_makers_finds_planted_ones() -> None:
    planted = ["Admitted(1, 2)", "interlock.Admitted(*fields)", "Admitted._make(fields)"]
    assert all(calls_of(ast.parse(line), "Admitted") for line in planted)


@pytest.mark.parametrize("file", sorted(SAFETY.glob("*.py")), ids=lambda file: file.name)
def test_safety_imports_nothing_of_ours_but_itself_and_what_is_shared(file: Path) -> None:
    for node in ast.walk(tree_of(file)):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0
        names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        for name in names:
            assert not name.startswith("thenar") or name.startswith(("thenar.safety.", "thenar.shared."))
