"""Where the terms come from: the source of a step, edited when a bug is planted in it; a part of a loop; an array."""

from __future__ import annotations

import ast
import inspect
import textwrap
from dataclasses import dataclass
from typing import Any

import z3

Edits = dict[str, tuple[str, str]]
"""Planted bugs: function name to (text in its source, what stands there instead)."""


@dataclass(frozen=True)
class Part:
    """One part of a step's loop as a function of `takes` that gives back `gives`: for proofs by induction.

    `which`: "before" (the assignments just before the loop), "body", "test" of a while or "range" of a for.
    """

    function: Any
    which: str
    takes: tuple[str, ...]
    gives: tuple[str, ...] = ()

    @property
    def __name__(self) -> str:
        return f"{plain_of(self.function).__name__} {self.which}"

    def tree(self, edits: Edits) -> ast.FunctionDef:
        """The part as a function."""
        whole = source_of(self.function, edits)
        at, loop = next((at, one) for at, one in enumerate(whole.body) if isinstance(one, (ast.For, ast.While)))
        returned: ast.expr = ast.Tuple([ast.Name(name, ast.Load()) for name in self.gives], ast.Load())
        body = list(loop.body)
        if self.which == "before":
            body = [one for one in whole.body[:at] if isinstance(one, ast.Assign)]
        elif self.which == "test" and isinstance(loop, ast.While):
            body, returned = [], loop.test
        elif self.which == "range" and isinstance(loop, ast.For) and isinstance(loop.iter, ast.Call):
            body, returned = [], ast.Tuple(loop.iter.args, ast.Load())
        whole.args.args = [ast.arg(name) for name in self.takes]
        whole.body, whole.returns, whole.name = [*body, ast.Return(returned)], None, self.__name__.replace(" ", "_")
        return whole


class Cells:
    """An array of integers, read and written in place at indices that may be terms."""

    def __init__(self, name: str) -> None:
        self.array = z3.Array(name, z3.IntSort(), z3.IntSort())

    def __getitem__(self, index: Any) -> Any:
        return z3.Select(self.array, index)

    def __setitem__(self, index: Any, new: Any) -> None:
        self.array = z3.Store(self.array, index, new)


def plain_of(function: Any) -> Any:
    """The Python function behind a step."""
    return getattr(function, "py_func", function)


def source_of(function: Any, edits: Edits) -> ast.FunctionDef:
    """The syntax tree of a step, edited when a bug is planted in it. Raises ValueError for a text not there once."""
    if isinstance(function, Part):
        return function.tree(edits)
    plain = getattr(function, "py_func", function)
    text = textwrap.dedent(inspect.getsource(plain))
    if plain.__name__ in edits:
        old, new = edits[plain.__name__]
        if text.count(old) != 1:
            raise ValueError(f"{plain.__name__} holds {old!r} {text.count(old)} times")
        text = text.replace(old, new)
    found = ast.parse(text).body[0]
    if not isinstance(found, ast.FunctionDef):
        raise TypeError(f"{plain.__name__} is no function")
    found.decorator_list = []
    return found
