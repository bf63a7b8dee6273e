"""The rules of the house that no linter knows: sizes, docstrings, places, arithmetic of steps, imports."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from pathlib import Path
from typing import Any, Final

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
PACKAGE_FOLDERS: tuple[str, ...] = tuple(PROJECT["tool"]["setuptools"]["package-dir"].values())
STEP_MARKS: Final = {"step", "step_for_all", "entry", "entry_that_allocates"}
NUMPY_UFUNCS: Final = {"exp", "log", "log1p", "expm1", "sqrt", "power", "sin", "cos", "tanh", "sum", "mean", "dot"}

# In pieces, so that this file doesn't find itself.
FORBIDDEN_PLACES: Final = re.compile(
    "|".join(
        [
            r"(?<![\w.])/(?:" + "|".join(["wor" + "k", "tm" + "p", "roo" + "t", "hom" + "e", "User" + "s"]) + r")/",
            r"[A-Z]:\\\\?Use" + "rs",
            "fi" + "le:///",
            "py" + r"pi\.org",
            "python" + "hosted",
            "npm" + r"js\.org",
            r"deb\.deb" + "ian",
        ]
    )
)


def listed_files() -> list[Path]:
    """Files that git tracks or would track; without git, the files of the rooms and those beside them."""
    git = ["git", "-C", str(ROOT), "ls-files", "--cached", "--others", "--exclude-standard", "-z"]
    try:
        names = subprocess.run(git, capture_output=True, text=True, check=True).stdout.split("\0")
    except (OSError, subprocess.CalledProcessError):
        rooms = [ROOT / name for name in (*PACKAGE_FOLDERS, "tests", "benchmarks", "docs")]
        inside = [file for room in rooms for file in room.rglob("*") if "__pycache__" not in file.parts]
        return [file for file in [*ROOT.glob("*"), *inside] if file.is_file()]
    return [ROOT / name for name in names if name and (ROOT / name).is_file()]


FILES = listed_files()
PYTHON_FILES = [file for file in FILES if file.suffix == ".py"]
PACKAGE_FILES = [file for file in PYTHON_FILES if file.relative_to(ROOT).parts[0] in PACKAGE_FOLDERS]


def tree_of(file: Path) -> ast.Module:
    """The parsed file."""
    return ast.parse(file.read_text("utf-8"), str(file))


def place(file: Path, node: ast.AST) -> str:
    """Where `node` stands, as readers of a report like it."""
    return f"{file.relative_to(ROOT)}:{getattr(node, 'lineno', 1)}"


def public_definitions(body: list[ast.stmt]) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef]:
    """Functions and classes without a leading underscore, and the same inside public classes."""
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from public_definitions(node.body)


def undocumented(file: Path) -> list[str]:
    """The public definitions, and the module itself unless it is empty, that say nothing of themselves."""
    tree = tree_of(file)
    missing = [] if ast.get_docstring(tree) or not tree.body else [f"{place(file, tree)} the module"]
    silent = [node for node in public_definitions(tree.body) if not ast.get_docstring(node)]
    return missing + [f"{place(file, node)} {node.name}" for node in silent]


def is_step(node: ast.AST) -> bool:
    """Whether `node` is a function compiled through thenar.shared.compiled."""
    if not isinstance(node, ast.FunctionDef):
        return False
    names = {mark.id if isinstance(mark, ast.Name) else getattr(mark, "attr", "") for mark in node.decorator_list}
    return bool(names & STEP_MARKS)


def uneven_arithmetic(node: ast.AST) -> str:
    """What in `node` may round differently when compiled and when not, or "" (measured; see DEVELOPERS.md)."""
    if isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.Pow):
        return "a power; write x*x or math.sqrt"
    called = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
    if called in {"sum", "pow"}:
        return f"builtin {called}(); write a loop or x*x"
    if called.startswith("np.") and called.removeprefix("np.") in NUMPY_UFUNCS:
        return f"{called}; use math or a loop"
    return ""


def uneven_steps(file: Path) -> list[str]:
    """Every place in a step of `file` whose arithmetic the two engines might not share bit for bit."""
    return [
        f"{place(file, part)} {complaint}"
        for node in ast.walk(tree_of(file))
        if is_step(node)
        for part in ast.walk(node)
        if (complaint := uneven_arithmetic(part))
    ]


def imported_names(file: Path) -> set[str]:
    """Top-level names of everything that `file` imports, at its head or inside functions."""
    names = set()
    for node in ast.walk(tree_of(file)):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module.split(".")[0])
    return names


def declared(*extras: str) -> set[str]:
    """Distribution names that pyproject.toml asks for, in lower case."""
    asked = list(PROJECT["project"]["dependencies"])
    for extra in extras:
        asked += PROJECT["project"]["optional-dependencies"][extra]
    return {re.split(r"[<>=!~\[; ]", line, maxsplit=1)[0].lower() for line in asked}


def undeclared_imports(files: list[Path], own: set[str], *extras: str) -> list[str]:
    """Imports that neither the standard library, we, nor the declared distributions provide."""
    distributions = packages_distributions()
    # llvmlite comes with numba, which pins it to the release; a bound of our own could only contradict it.
    allowed = declared(*extras) | {"llvmlite"}
    return [
        f"{file.relative_to(ROOT)} imports {name}"
        for file in files
        for name in sorted(imported_names(file) - set(sys.stdlib_module_names) - own)
        if not {found.lower() for found in distributions.get(name, [])} & allowed
    ]


def test_everything_public_in_the_package_has_a_docstring() -> None:
    assert [line for file in PACKAGE_FILES for line in undocumented(file)] == []


def test_steps_use_only_arithmetic_that_compiles_to_the_same_bits() -> None:
    assert [line for file in PACKAGE_FILES for line in uneven_steps(file)] == []


def test_the_package_imports_only_what_it_declares() -> None:
    assert undeclared_imports(PACKAGE_FILES, {"thenar"}, "cluster", "sign") == []


def test_tests_and_benchmarks_import_only_what_the_test_extra_declares() -> None:
    others = [file for file in PYTHON_FILES if file.relative_to(ROOT).parts[0] in {"tests", "benchmarks"}]
    assert undeclared_imports(others, {"thenar", "tests", "benchmarks"}, "test", "cluster", "sign") == []


def test_no_file_names_a_place_on_one_machine_or_a_package_index() -> None:
    found = []
    for file in FILES:
        try:
            text = file.read_text("utf-8")
        except UnicodeDecodeError:
            continue
        for number, line in enumerate(text.splitlines(), 1):
            if match := FORBIDDEN_PLACES.search(line):
                found.append(f"{file.relative_to(ROOT)}:{number} {match.group()}")
    assert found == []


@pytest.mark.parametrize("line", ["x**2", "x**0.5", "pow(x, 2)", "sum(xs)", "np.exp(x)"])
def test_the_arithmetic_rule_sees(line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules[__name__], "ROOT", tmp_path)
    file = tmp_path / "steps.py"
    file.write_text(f"@step\ndef advance(x, xs):\n    return {line}\n\n\ndef outside(x):\n    return x**2\n", "utf-8")
    assert len(uneven_steps(file)) == 1
    assert uneven_steps(file)[0].startswith("steps.py:3")


def test_the_docstring_rule_sees_modules_classes_and_their_methods(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.modules[__name__], "ROOT", tmp_path)
    file = tmp_path / "bare.py"
    file.write_text("class Bare:\n    def act(self): ...\n    def _own(self): ...\n\n\ndef _own(): ...\n", "utf-8")
    assert undocumented(file) == ["bare.py:1 the module", "bare.py:1 Bare", "bare.py:2 act"]
