"""From the source of a step to z3 terms: the very text that runs, read as mathematics over all integers.

Understood: assignments, if/elif/else, early return, NamedTuples and their fields, tuples and unpacking, min, max, abs,
comparisons (chained too), and/or/not, + - * // %, | & >> on masks of rules, `for` over tuple literals and constant
ranges (unrolled), calls of other steps (inlined). Anything else is an error, never a guess.

A quotient n // d is a new integer q with q*d <= n < (q+1)*d, which is what Python's // gives when d > 0. Whether each
divisor is above 0 is kept as an obligation. `whole_root` has a loop, so it stands for its postcondition, which
`tests/proof/test_root.py` proves by induction. A function named in `unknown` gives back anything of its type.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, get_type_hints

import z3

from tests.proof.sources import Edits, Part, plain_of, source_of
from tests.proof.values import (
    MASK_FIELDS,
    Mask,
    chosen,
    either,
    equal,
    every,
    higher,
    is_number,
    lower,
    opposite,
    truth,
)
from thenar.safety.reasons import RULES


def fresh(kind: Any, name: str) -> Any:
    """Any value of a type: int, bool, or a NamedTuple of them, as z3 constants named after the fields."""
    if kind is int:
        return z3.Int(name)
    if kind is bool:
        return z3.Bool(name)
    hints = get_type_hints(kind)
    return kind(
        *(
            Mask({bit: z3.Bool(f"{name}.{field}.R{bit + 1:02d}") for bit in range(RULES)})
            if field in MASK_FIELDS or (field == "trip" and kind.__name__ != "Latch")
            else fresh(hints[field], f"{name}.{field}")
            for field in kind._fields
        )
    )


class Terms:
    """Reads steps as terms and keeps what the terms rest on.

    `facts` defines the named quotients and roots, in order. `divisors` and `results` hold, with the path that leads
    there, every divisor and every result of an arithmetic operation.
    """

    def __init__(self, edits: Edits | None = None, unknown: Sequence[str] = ()) -> None:
        self.edits = edits or {}
        self.unknown = unknown
        self.facts: list[z3.BoolRef] = []
        self.named: list[tuple[z3.ArithRef, str, Any, Any]] = []
        self.divisors: list[tuple[Any, Any]] = []
        self.results: list[tuple[Any, Any]] = []
        self._known: dict[tuple[str, int, int], z3.ArithRef] = {}
        self._kept: list[Any] = []
        self._path: list[Any] = []

    def run(self, function: Any, *args: Any) -> Any:
        """What a step returns for these values."""
        plain = plain_of(function)
        if plain.__name__ == "whole_root":
            return self.root(args[0])
        if plain.__name__ in self.unknown:
            return fresh(get_type_hints(plain)["return"], f"any {plain.__name__}")
        tree = source_of(function, self.edits)
        names = dict(zip((arg.arg for arg in tree.args.args), args, strict=True))
        home = plain_of(function.function if isinstance(function, Part) else function)
        return _Body(self, home.__globals__).block(tree.body, names)

    @contextmanager
    def when(self, condition: Any) -> Iterator[None]:
        """Inside, what is noted is noted under one more condition."""
        self._path.append(condition)
        yield
        self._path.pop()

    def noted(self, result: Any) -> Any:
        """Remember an arithmetic result with its path."""
        if not isinstance(result, int):
            self.results.append((every(*self._path), result))
        return result

    def quotient(self, number: Any, divisor: Any) -> Any:
        """number // divisor."""
        if isinstance(number, int) and isinstance(divisor, int):
            return number // divisor
        self.divisors.append((every(*self._path), divisor))
        name, new = self._name("//", number, divisor)
        if new:
            self.facts.append(
                z3.Implies(as_term(divisor > 0), z3.And(name * divisor <= number, number < (name + 1) * divisor))
            )
        return name

    def root(self, value: Any) -> Any:
        """whole_root(value), by its postcondition."""
        name, new = self._name("root", value, value)
        if new:
            self.facts.append(z3.If(value < 1, name == 0, z3.And(name >= 1, name * name <= value)))
            self.facts.append(z3.Implies(value >= 1, value < (name + 1) * (name + 1)))
        return name

    def _name(self, what: str, first: Any, second: Any) -> tuple[z3.ArithRef, bool]:
        # One text, one name: the same division reckoned twice is one number.
        number, divisor = z3.simplify(as_term(first)), z3.simplify(as_term(second))
        self._kept += [number, divisor]
        key = (what, number.get_id(), divisor.get_id())
        new = key not in self._known
        if new:
            self._known[key] = z3.Int(f"{what}{len(self._known)}")
            self.named.append((self._known[key], what, first, second))
        return self._known[key], new


def as_term(value: Any) -> Any:
    """A plain number or bool as a z3 term; a term as itself."""
    if isinstance(value, bool):
        return z3.BoolVal(value)
    return z3.IntVal(value) if isinstance(value, int) else value


class _Body:
    """One function's statements and expressions."""

    def __init__(self, terms: Terms, names: dict[str, Any]) -> None:
        self.terms = terms
        self.globals = names

    def block(self, statements: list[ast.stmt], env: dict[str, Any]) -> Any:
        """What a run of statements returns; None when it runs off the end."""
        for at, statement in enumerate(statements):
            if isinstance(statement, ast.Return):
                return self.value(statement.value, env)
            if isinstance(statement, ast.If):
                rest = statements[at + 1 :]
                returned, done = self._branch(statement, rest, env)
                if done:
                    return returned
            elif isinstance(statement, ast.For):
                return self.block(list(self._unrolled(statement, env)) + statements[at + 1 :], env)
            else:
                self._plain(statement, env)
        return None

    def _branch(self, statement: ast.If, rest: list[ast.stmt], env: dict[str, Any]) -> tuple[Any, bool]:
        condition = self._condition(statement.test, env)
        if isinstance(condition, bool):
            return self.block((statement.body if condition else statement.orelse) + rest, env), True
        if _returns(statement.body) or _returns(statement.orelse):
            with self.terms.when(condition):
                yes = self.block(statement.body + rest, dict(env))
            with self.terms.when(opposite(condition)):
                no = self.block(statement.orelse + rest, dict(env))
            return chosen(condition, yes, no), True
        first, second = dict(env), dict(env)
        with self.terms.when(condition):
            self.block(statement.body, first)
        with self.terms.when(opposite(condition)):
            self.block(statement.orelse, second)
        env.update({name: chosen(condition, first[name], second[name]) for name in first.keys() & second.keys()})
        return None, False

    def _unrolled(self, statement: ast.For, env: dict[str, Any]) -> Iterator[ast.stmt]:
        if isinstance(statement.iter, ast.Tuple):
            entries: list[ast.expr] = statement.iter.elts
        else:
            entries = [ast.Constant(number) for number in self.value(statement.iter, env)]
        for entry in entries:
            yield ast.Assign([statement.target], entry)
            yield from statement.body

    def _plain(self, statement: ast.stmt, env: dict[str, Any]) -> None:
        if isinstance(statement, ast.Assign) and len(statement.targets) == 1:
            self._bind(statement.targets[0], self.value(statement.value, env), env)
        elif isinstance(statement, ast.AugAssign) and isinstance(statement.target, ast.Name):
            left = env[statement.target.id]
            env[statement.target.id] = self._combined(statement.op, left, self.value(statement.value, env))
        elif isinstance(statement, ast.AugAssign) and isinstance(statement.target, ast.Subscript):
            cells, index = self.value(statement.target.value, env), self.value(statement.target.slice, env)
            cells[index] = self._combined(statement.op, cells[index], self.value(statement.value, env))
        elif not (isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)):
            raise NotImplementedError(ast.unparse(statement))

    def _bind(self, target: ast.expr, value: Any, env: dict[str, Any]) -> None:
        if isinstance(target, ast.Name):
            env[target.id] = value
        elif isinstance(target, ast.Tuple):
            for part, one in zip(target.elts, value, strict=True):
                self._bind(part, one, env)
        elif isinstance(target, ast.Subscript):
            self.value(target.value, env)[self.value(target.slice, env)] = value
        else:
            raise NotImplementedError(ast.unparse(target))

    def value(self, node: ast.expr | None, env: dict[str, Any]) -> Any:
        """What an expression gives."""
        found: Callable[[Any, dict[str, Any]], Any] | None = getattr(self, f"_{type(node).__name__.lower()}", None)
        if found is None:
            raise NotImplementedError(ast.dump(node) if node else "nothing")
        return found(node, env)

    def _constant(self, node: ast.Constant, env: dict[str, Any]) -> Any:
        return node.value

    def _name(self, node: ast.Name, env: dict[str, Any]) -> Any:
        if node.id in env:
            return env[node.id]
        value = self.globals[node.id]
        rule = len(node.id) == 3 and node.id[0] == "R" and node.id[1:].isdigit()
        return Mask.of(value) if rule else value

    def _attribute(self, node: ast.Attribute, env: dict[str, Any]) -> Any:
        return getattr(self.value(node.value, env), node.attr)

    def _subscript(self, node: ast.Subscript, env: dict[str, Any]) -> Any:
        return self.value(node.value, env)[self.value(node.slice, env)]

    def _tuple(self, node: ast.Tuple, env: dict[str, Any]) -> Any:
        return tuple(self._list(node.elts, env))

    def _list(self, nodes: list[ast.expr], env: dict[str, Any]) -> list[Any]:
        values: list[Any] = []
        for node in nodes:
            values += list(self.value(node.value, env)) if isinstance(node, ast.Starred) else [self.value(node, env)]
        return values

    def _ifexp(self, node: ast.IfExp, env: dict[str, Any]) -> Any:
        condition = self._condition(node.test, env)
        if isinstance(condition, bool):
            return self.value(node.body if condition else node.orelse, env)
        with self.terms.when(condition):
            yes = self.value(node.body, env)
        with self.terms.when(opposite(condition)):
            return chosen(condition, yes, self.value(node.orelse, env))

    def _condition(self, node: ast.expr, env: dict[str, Any]) -> Any:
        return truth(self.value(node, env))

    def _boolop(self, node: ast.BoolOp, env: dict[str, Any]) -> Any:
        first = self._condition(node.values[0], env)
        for later in node.values[1:]:
            both = isinstance(node.op, ast.And)
            with self.terms.when(first if both else opposite(first)):
                second = self._condition(later, env)
            first = every(first, second) if both else either(first, second)
        return first

    def _unaryop(self, node: ast.UnaryOp, env: dict[str, Any]) -> Any:
        if isinstance(node.op, ast.Not):
            return opposite(self._condition(node.operand, env))
        if isinstance(node.op, ast.USub):
            return -self.value(node.operand, env)
        raise NotImplementedError(ast.unparse(node))

    def _binop(self, node: ast.BinOp, env: dict[str, Any]) -> Any:
        return self._combined(node.op, self.value(node.left, env), self.value(node.right, env))

    def _combined(self, op: ast.operator, left: Any, right: Any) -> Any:
        if isinstance(op, (ast.BitOr, ast.BitAnd, ast.RShift)):
            return _on_masks(op, left, right)
        if isinstance(op, ast.Add) and isinstance(left, tuple):
            return left + right
        orders: dict[type, Callable[[], Any]] = {
            ast.FloorDiv: lambda: self.terms.quotient(left, right),
            ast.Mod: lambda: left - self.terms.quotient(left, right) * right,
            ast.Mult: lambda: left * right,
            ast.Sub: lambda: left - right,
            ast.Add: lambda: left + right,
        }
        return self.terms.noted(orders[type(op)]())

    def _compare(self, node: ast.Compare, env: dict[str, Any]) -> Any:
        left = self.value(node.left, env)
        found: Any = True
        for op, right_node in zip(node.ops, node.comparators, strict=True):
            right = self.value(right_node, env)
            found = every(found, _compared(op, left, right))
            left = right
        return found

    def _call(self, node: ast.Call, env: dict[str, Any]) -> Any:
        args = self._list(node.args, env)
        function = self.value(node.func, env) if not _is_builtin(node.func) else node.func.id  # type: ignore[attr-defined]
        if function in _BUILTINS:
            return _BUILTINS[function](*args)
        if isinstance(function, type) and hasattr(function, "_fields"):
            return function(*args)
        return self.terms.run(function, *args)


def _least(*values: Any) -> Any:
    first = values[0]
    for value in values[1:]:
        first = lower(first, value)
    return first


def _most(*values: Any) -> Any:
    first = values[0]
    for value in values[1:]:
        first = higher(first, value)
    return first


_BUILTINS: dict[Any, Callable[..., Any]] = {
    "min": _least,
    "max": _most,
    "abs": lambda value: abs(value) if isinstance(value, int) else chosen(value < 0, -value, value),
    "int": lambda value: value,
    "range": range,
}


def _is_builtin(node: ast.expr) -> bool:
    return isinstance(node, ast.Name) and node.id in _BUILTINS


def _returns(statements: list[ast.stmt]) -> bool:
    return any(isinstance(node, ast.Return) for statement in statements for node in ast.walk(statement))


def _compared(op: ast.cmpop, left: Any, right: Any) -> Any:
    if isinstance(op, (ast.Eq, ast.NotEq)):
        same = equal(left, right)
        return same if isinstance(op, ast.Eq) else opposite(same)
    if not (is_number(left) and is_number(right)):
        raise TypeError("only numbers are compared by size")
    orders: dict[type, Callable[[], Any]] = {
        ast.Lt: lambda: left < right,
        ast.LtE: lambda: left <= right,
        ast.Gt: lambda: left > right,
        ast.GtE: lambda: left >= right,
    }
    return orders[type(op)]()


def _on_masks(op: ast.operator, left: Any, right: Any) -> Any:
    if isinstance(op, ast.RShift):
        return Mask({bit - right: on for bit, on in Mask.of(left).bits.items() if bit >= right})
    one, other = Mask.of(left).bits, Mask.of(right).bits
    join = either if isinstance(op, ast.BitOr) else every
    return Mask({bit: join(one.get(bit, False), other.get(bit, False)) for bit in one | other})
