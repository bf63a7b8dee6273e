"""What became of every mutant, as this project counts it, and which survivors are accounted for.

Only a test that failed is a kill. A crashed process, a run that took too long, a test run that broke inside
and a mutant that met no test are counted apart, whatever the runner's own total says of them.
"""

from __future__ import annotations

import ast
import json
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any, Final, NamedTuple

KILLED: Final = "killed"
SURVIVED: Final = "survived"
TIMEOUT: Final = "timeout"
CRASH: Final = "crash"
NO_TESTS: Final = "no_tests"
SUSPICIOUS: Final = "suspicious"
NOT_RUN: Final = "not_run"

_BY_EXIT: Final = {
    0: SURVIVED,
    1: KILLED,
    5: NO_TESTS,
    33: NO_TESTS,
    24: TIMEOUT,
    -24: TIMEOUT,
    36: TIMEOUT,
    152: TIMEOUT,
}
"""Exits of the test run in a mutant's process; 24 and 152 are its signal for too much processor time."""


class Mutant(NamedTuple):
    """One mutant: where it is, which expression became which (the n-th alike in the function), how it ended."""

    name: str
    file: str
    function: str
    was: str
    becomes: str
    nth: int
    verdict: str

    @property
    def key(self) -> tuple[str, str, str, str, int]:
        """What an entry of `equivalent.toml` names."""
        return self.file, self.function, self.was, self.becomes, self.nth

    @property
    def is_argument(self) -> bool:
        """Whether it only puts None in a place or leaves an argument out, which the type checker refuses."""
        try:
            old, new = ast.parse(self.was).body[0], ast.parse(self.becomes).body[0]
        except SyntaxError:
            return False
        if _nones(new) > _nones(old):
            return True
        old_call, new_call = getattr(old, "value", None), getattr(new, "value", None)
        if not (isinstance(old_call, ast.Call) and isinstance(new_call, ast.Call)):
            return False
        return len(new_call.args) + len(new_call.keywords) < len(old_call.args) + len(old_call.keywords)


def _nones(tree: ast.AST) -> int:
    return sum(isinstance(node, ast.Constant) and node.value is None for node in ast.walk(tree))


def verdict_of(exit_code: int | None) -> str:
    """The verdict that belongs to the exit of a mutant's process; anything unknown is suspicious, never a kill."""
    if exit_code is None:
        return NOT_RUN
    if exit_code in _BY_EXIT:
        return _BY_EXIT[exit_code]
    # 3: the test run broke inside; a negative exit is a signal.
    return CRASH if exit_code == 3 or exit_code < 0 else SUSPICIOUS


def smallest_change(before: ast.AST, after: ast.AST) -> tuple[str, str]:
    """The smallest expression or statement in which two trees of one shape differ, as it was and as it is."""
    while True:
        pairs = list(zip(ast.iter_child_nodes(before), ast.iter_child_nodes(after), strict=False))
        alike = len(list(ast.iter_child_nodes(before))) == len(list(ast.iter_child_nodes(after)))
        differing = [(old, new) for old, new in pairs if ast.dump(old) != ast.dump(new)]
        if not alike or len(differing) != 1 or type(before) is not type(after):
            return ast.unparse(before), ast.unparse(after)
        old, new = differing[0]
        if not isinstance(old, ast.expr | ast.stmt) or isinstance(old, ast.Constant | ast.Name):
            return ast.unparse(before), ast.unparse(after)
        before, after = old, new


def read_mutants(tree: Path) -> list[Mutant]:
    """All mutants that the runner made in `tree`, file by file in the order of their making."""
    mutants: list[Mutant] = []
    folder = tree / "mutants"
    for meta in sorted(folder.rglob("*.py.meta")):
        exits = json.loads(meta.read_text("utf-8"))["exit_code_by_key"]
        source = ast.parse(meta.with_suffix("").read_text("utf-8"))
        functions = {node.name: node for node in source.body if isinstance(node, ast.FunctionDef)}
        file = str(meta.with_suffix("").relative_to(folder)).removeprefix("thenar/")
        seen: Counter[tuple[str, str, str]] = Counter()
        for name in sorted(exits, key=_order):
            short = name.rpartition(".")[2]
            mangled = short.partition("__mutmut_")[0]
            was, becomes = smallest_change(_body(functions[f"{mangled}__mutmut_orig"]), _body(functions[short]))
            function = mangled.removeprefix("x_")
            seen[function, was, becomes] += 1
            nth = seen[function, was, becomes]
            mutants.append(Mutant(name, file, function, was, becomes, nth, verdict_of(exits[name])))
    return mutants


def _order(name: str) -> tuple[str, int]:
    function, _, number = name.rpartition("__mutmut_")
    return function, int(number)


def _body(function: ast.FunctionDef) -> ast.Module:
    """What the function does, without the name that tells its mutants apart. Its defaults count too."""
    return ast.Module([ast.Expr(ast.Tuple(list(function.args.defaults), ast.Load())), *function.body], [])


def read_equivalents(file: Path) -> dict[tuple[str, str, str, str, int], str]:
    """The accepted survivors of `equivalent.toml` with their proofs. Raises ValueError on a missing or double one."""
    entries: list[dict[str, Any]] = tomllib.loads(file.read_text("utf-8")).get("mutant", [])
    accepted: dict[tuple[str, str, str, str, int], str] = {}
    for entry in entries:
        key = (entry["file"], entry["function"], entry["was"], entry["becomes"], entry.get("nth", 1))
        if key in accepted:
            raise ValueError(f"listed twice: {key}")
        if len(entry["proof"].split()) < 5:
            raise ValueError(f"no proof: {key}")
        accepted[key] = entry["proof"]
    return accepted


def objections(mutants: list[Mutant], accepted: dict[tuple[str, str, str, str, int], str]) -> list[str]:
    """Why the run does not pass: survivors without a proof, proofs without a survivor, mutants without a verdict.

    `mutants`: those that were to run. A proof is only held against a mutant that was to run.
    """
    found = []
    for mutant in mutants:
        said = f"{mutant.file} {mutant.function} #{mutant.nth}: {mutant.was!r} -> {mutant.becomes!r} ({mutant.name})"
        if mutant.verdict == SURVIVED and mutant.key not in accepted:
            found.append(f"survived, no proof: {said}")
        elif mutant.verdict != SURVIVED and mutant.key in accepted:
            found.append(f"proof of one that did not survive ({mutant.verdict}): {said}")
        elif mutant.verdict in {NO_TESTS, SUSPICIOUS, NOT_RUN}:
            found.append(f"{mutant.verdict}: {said}")
    return found
