"""One claim, two worlds: over all integers it is proved, over one set of integers it is replayed.

A claim is a function of a world. It asks for inputs (`any`), says what it assumes (`given`), runs steps (`run`) and
says what must hold (`show`). In `AllIntegers` the inputs are z3 constants and the steps are read as terms; in
`OneCase` the inputs are a counterexample's numbers and the steps run as plain Python, planted bug included.
"""

from __future__ import annotations

import ast
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol, get_type_hints

import z3

from tests.proof.sources import Cells, Edits, Part, plain_of, source_of
from tests.proof.terms import Terms, as_term, fresh
from tests.proof.values import Mask, either, every, implies, opposite, truth

RESOURCES = 60_000_000
"""What the solver may spend on one question from one seed, in its own units of work: about 10 s on an idle machine.

No clock is asked, so the verdict is the same however busy the machine is. The dearest question needs 13 million.
"""
QUICK_RESOURCES = 10_000_000
"""The same for the first try at a goal, without the definitions of quotients and roots; the dearest needs 5 million."""
WIDE = "every result is a 64-bit number"


class World(Protocol):
    """What a claim may ask of the world that it is stated in."""

    def any(self, kind: Any, name: str) -> Any: ...
    def given(self, *conditions: Any) -> None: ...
    def run(self, function: Any, *args: Any) -> Any: ...
    def quotient(self, number: Any, divisor: Any) -> Any: ...
    def cells(self, count: int, name: str) -> Any: ...
    def show(self, what: str, condition: Any) -> None: ...
    def fits(self) -> None: ...


@dataclass
class Claim:
    """A property of the functions that run, and one planted bug or more that must break it.

    `unknown`: functions taken to return anything at all. `assumes`: what the claim takes for granted, in words.
    `plants`: for each, function name, text in its source, and what the bug puts there.
    """

    requirement: str
    says: str
    functions: tuple[str, ...]
    state: Callable[[World], None]
    plants: tuple[tuple[str, str, str], ...]
    assumes: str = ""
    unknown: tuple[str, ...] = ()
    long: bool = False
    """settling takes more than a few seconds: left to `make proof` and the campaigns"""
    small: int = 400
    """planted bugs are looked for among inputs of at most this size first"""


@dataclass
class Outcome:
    """How a claim fared: "proved", "failed" (with a counterexample) or "unknown", after so many seconds."""

    result: str
    seconds: float
    what: str = ""
    case: dict[str, int] = field(default_factory=dict)


class AllIntegers:
    """The world of a proof."""

    def __init__(self, claim: Claim, edits: Edits | None = None) -> None:
        self.terms = Terms(edits, claim.unknown)
        self.inputs: list[Any] = []
        self.arrays: list[tuple[str, int, z3.ArrayRef]] = []
        self.assumed: list[Any] = []
        self.shown: list[tuple[str, Any]] = []
        claim.state(self)

    def any(self, kind: Any, name: str) -> Any:
        """Every value of a type."""
        value = fresh(kind, name)
        self.inputs += leaves(value)
        return value

    def cells(self, count: int, name: str) -> Any:
        """An array of any integers."""
        made = Cells(name)
        self.arrays.append((name, count, made.array))
        return made

    def given(self, *conditions: Any) -> None:
        """Leave out inputs that break a condition."""
        self.assumed += [as_term(truth(condition)) for condition in conditions]

    def run(self, function: Any, *args: Any) -> Any:
        """What a step returns, as terms."""
        return self.terms.run(function, *args)

    def quotient(self, number: Any, divisor: Any) -> Any:
        """number // divisor, under the name that the steps' own division of these two has."""
        return self.terms.quotient(number, divisor)

    def show(self, what: str, condition: Any) -> None:
        """This must hold for every input. What is shown later may rest on it: a claim is proved in steps."""
        self.shown.append((what, every(condition)))

    def fits(self) -> None:
        """Every result of an arithmetic operation so far must be a 64-bit number."""
        unlike = {(as_term(path).get_id(), result.get_id()): (path, result) for path, result in self.terms.results}
        for path, result in unlike.values():
            self.show(WIDE, implies(path, every(result >= -(2**63), result < 2**63)))

    def goals(self) -> list[tuple[str, Any]]:
        """All that must be proved: what was shown, and that every divisor is above 0."""
        divisors = {
            z3.simplify(z3.Implies(as_term(path), as_term(divisor > 0))) for path, divisor in self.terms.divisors
        }
        return [("every divisor is above 0", goal) for goal in divisors if not z3.is_true(goal)] + self.shown

    def settle(self) -> Outcome:
        """Look for an input that breaks a goal, goal by goal.

        Each goal is tried without the definitions of quotients and roots first: what holds for any values of them
        holds for the right ones.
        """
        started = time.monotonic()
        outcome = Outcome("proved", 0.0)
        known = list(self.assumed)
        for what, goal in self.goals():
            wrong = as_term(opposite(goal))
            if _asked([*known, wrong], QUICK_RESOURCES, seeds=1)[0] != z3.unsat:
                answer, solver = _asked([*known, *_needed(self.terms.facts, [wrong, *known]), wrong], RESOURCES)
                if answer == z3.sat:
                    return Outcome("failed", time.monotonic() - started, what, self._case(solver.model()))
                if answer == z3.unknown:
                    # What was shown before may be a burden, not a help.
                    needed = _needed(self.terms.facts, [wrong, *self.assumed])
                    answer, solver = _asked([*self.assumed, *needed, wrong], RESOURCES)
                if answer != z3.unsat:
                    outcome = Outcome("unknown", 0.0, f"{what}: {solver.reason_unknown()}")
            known.append(as_term(goal))
        outcome.seconds = time.monotonic() - started
        return outcome

    def broken(self, small: int | None) -> Outcome:
        """Look for an input that breaks any goal at all. `small`: among inputs of at most this size."""
        started = time.monotonic()
        wrong = as_term(either(*(opposite(goal) for _, goal in self.goals())))
        known = [*self.assumed, *_needed(self.terms.facts, [wrong, *self.assumed]), wrong]
        reached = set().union(*(_constants(term) for term in known))
        if small is not None:
            inputs = (one for one in self.inputs if z3.is_int(one) and str(one) in reached)
            known += [z3.And(-small <= one, one <= small) for one in inputs]
        answer, solver = _asked(known, RESOURCES)
        if answer == z3.sat:
            return Outcome("failed", time.monotonic() - started, "", self._case(solver.model()))
        return Outcome("proved" if answer == z3.unsat else "unknown", time.monotonic() - started)

    def _case(self, model: z3.ModelRef) -> dict[str, int]:
        case: dict[str, int] = {}
        for declared in model.decls():
            value = model[declared]
            if z3.is_array(value) or isinstance(value, z3.FuncInterp):
                continue
            case[declared.name()] = value.as_long() if z3.is_int_value(value) else int(z3.is_true(value))
        for name, count, array in self.arrays:
            for at in range(count):
                case[f"{name}.{at}"] = model.eval(array[at], model_completion=True).as_long()
        return case


class OneCase:
    """The world of one set of inputs: steps run as plain Python from the same (edited) source."""

    def __init__(self, claim: Claim, case: dict[str, int], edits: Edits | None = None) -> None:
        self.case = case
        self.unknown = claim.unknown
        self.edits = edits or {}
        self.possible = True
        self.broken: list[str] = []
        self._made: dict[str, Any] = {}
        try:
            claim.state(self)
        except ZeroDivisionError:
            self.broken.append("every divisor is above 0")
        except OverflowError:
            self.broken.append(WIDE)

    def any(self, kind: Any, name: str) -> Any:
        """The case's value of this name; what the solver left open is 0."""
        return numbers_in(fresh(kind, name), self.case)

    def cells(self, count: int, name: str) -> Any:
        """The case's array."""
        return [self.any(int, f"{name}.{at}") for at in range(count)]

    def given(self, *conditions: Any) -> None:
        """Note an input that the claim leaves out."""
        self.possible = self.possible and all(bool(condition) for condition in conditions)

    def run(self, function: Any, *args: Any) -> Any:
        """What the step really returns."""
        return self.plain(function)(*args)

    def quotient(self, number: Any, divisor: Any) -> Any:
        """number // divisor."""
        return number // divisor

    def show(self, what: str, condition: Any) -> None:
        """Note a property that doesn't hold."""
        if not condition:
            self.broken.append(what)

    def fits(self) -> None:
        """Nothing to do: a claim in `narrow` numbers breaks when one leaves 64 bits."""

    def plain(self, function: Any) -> Any:
        """The step as plain Python, compiled from its edited source, with all that it calls made the same way."""
        original = plain_of(function.function if isinstance(function, Part) else function)
        name = function.__name__ if isinstance(function, Part) else original.__name__
        if name in self.unknown:
            return lambda *args: numbers_in(fresh(get_type_hints(original)["return"], f"any {name}"), self.case)
        if name not in self._made:
            tree = ast.Module([source_of(function, self.edits)], [])
            names = dict(original.__globals__)
            exec(compile(ast.fix_missing_locations(tree), f"<{name}>", "exec"), names)  # noqa: S102 - our own source
            made = self._made[name] = names[tree.body[0].name]  # type: ignore[attr-defined]
            for called in made.__code__.co_names:
                if is_step(names.get(called)):
                    names[called] = self.plain(names[called])
        return self._made[name]


def _asked(conditions: Sequence[Any], resources: int, seeds: int = 4) -> tuple[z3.CheckSatResult, z3.Solver]:
    """The solver's answer, as it is; where it gives up after `resources` it is asked again from other seeds."""
    for seed in range(seeds):
        solver = z3.SolverFor("QF_NIA") if seed == 3 else z3.Solver()
        solver.set("rlimit", resources)
        solver.set("random_seed", seed)
        solver.add(*conditions)
        answer = solver.check()
        if answer != z3.unknown:
            break
    return answer, solver


class Narrow(int):
    """A 64-bit number: a result of + - * // % that doesn't fit raises OverflowError."""

    def __add__(self, other: int) -> Narrow:
        return _narrow(int(self) + int(other))

    def __sub__(self, other: int) -> Narrow:
        return _narrow(int(self) - int(other))

    def __rsub__(self, other: int) -> Narrow:
        return _narrow(int(other) - int(self))

    def __mul__(self, other: int) -> Narrow:
        return _narrow(int(self) * int(other))

    def __floordiv__(self, other: int) -> Narrow:
        return _narrow(int(self) // int(other))

    def __rfloordiv__(self, other: int) -> Narrow:
        return _narrow(int(other) // int(self))

    def __mod__(self, other: int) -> Narrow:
        return _narrow(int(self) % int(other))

    def __abs__(self) -> Narrow:
        return _narrow(abs(int(self)))

    def __neg__(self) -> Narrow:
        return _narrow(-int(self))

    __radd__, __rmul__ = __add__, __mul__


def _narrow(value: int) -> Narrow:
    if not -(2**63) <= value < 2**63:
        raise OverflowError(value)
    return Narrow(value)


def is_step(value: Any) -> bool:
    """Whether a name stands for one of the project's functions."""
    plain = getattr(value, "py_func", value)
    return hasattr(plain, "__code__") and str(getattr(plain, "__module__", "")).startswith("thenar.")


def leaves(value: Any) -> list[Any]:
    """The z3 constants in a value."""
    if isinstance(value, tuple):
        return [leaf for part in value for leaf in leaves(part)]
    if isinstance(value, Mask):
        return list(value.bits.values())
    return [value]


def numbers_in(value: Any, case: dict[str, int]) -> Any:
    """A value of constants with the case's numbers in their place."""
    if isinstance(value, tuple):
        numbers = [numbers_in(part, case) for part in value]
        return type(value)(*numbers) if hasattr(value, "_fields") else tuple(numbers)
    if isinstance(value, Mask):
        return sum(case.get(str(on), 0) << bit for bit, on in value.bits.items())
    found = case.get(str(value), 0)
    return bool(found) if z3.is_bool(value) else Narrow(found)


def _needed(facts: Sequence[z3.BoolRef], wanted: Sequence[Any]) -> list[z3.BoolRef]:
    """The facts that speak of a name that the wanted terms reach, directly or through other facts."""
    reached = set().union(*(_constants(term) for term in wanted))
    left, found = list(facts), []
    grew = True
    while grew:
        grew = False
        for fact in list(left):
            defined = {name for name in _constants(fact) if name.startswith(("//", "root"))}
            if defined & reached:
                left.remove(fact)
                found.append(fact)
                reached |= _constants(fact)
                grew = True
    return found


def _constants(term: Any) -> set[str]:
    seen: set[int] = set()
    names: set[str] = set()
    waiting = [term]
    while waiting:
        one = waiting.pop()
        if one.get_id() in seen:
            continue
        seen.add(one.get_id())
        if z3.is_const(one) and one.decl().kind() == z3.Z3_OP_UNINTERPRETED:
            names.add(one.decl().name())
        waiting += one.children()
    return names
