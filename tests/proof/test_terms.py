"""The terms that the proofs speak of give what the steps give, on drawn integers, extremes among them."""

from __future__ import annotations

import secrets
from random import Random
from typing import Any, get_type_hints

import pytest
import z3
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.proof.sources import plain_of
from tests.proof.terms import Terms, as_term, fresh
from tests.proof.values import Mask
from tests.proof.worlds import Claim, OneCase, leaves, numbers_in
from thenar.safety.arming import next_latch
from thenar.safety.balance import judge_balance
from thenar.safety.budget import budget_of, fired, held, runs_out
from thenar.safety.ceilings import (
    bound_both,
    bound_channel,
    density_rms_uA,
    energy_trip,
    keeps_ceilings,
    most_pulses,
    whole_root,
)
from thenar.safety.gate import gate
from thenar.safety.interlock import admit
from thenar.safety.memory import halt
from thenar.safety.step_limits import limit_rise, no_further, ramp_top_uA, rounded
from thenar.safety.windows import bucket_us, next_bucket_us

FUNCTIONS = (
    *(bound_channel, bound_both, density_rms_uA, energy_trip, keeps_ceilings, most_pulses, whole_root),
    *(
        limit_rise,
        no_further,
        ramp_top_uA,
        rounded,
        judge_balance,
        budget_of,
        runs_out,
        fired,
        held,
        bucket_us,
        next_bucket_us,
    ),
    *(next_latch, halt),
)
EXTREMES = (-1, 33, 1_000, 10**7, 10**9, 10**12, 10**15, -(10**15), 2**31 - 1, 2**62)


def _number(draws: Random) -> int:
    return draws.choice((draws.randint(0, 3), draws.randint(0, 600), draws.randint(0, 10**6), draws.choice(EXTREMES)))


def _nothing(world: Any) -> None:
    """No claim: only a world to run a step in."""


def _arguments(function: Any) -> list[Any]:
    hints = get_type_hints(plain_of(function))
    return [fresh(kind, name) for name, kind in hints.items() if name != "return"]


def _value(term: Any, known: list[tuple[Any, Any]]) -> int:
    found = z3.simplify(z3.substitute(as_term(term), *known))
    return found.as_long() if z3.is_int_value(found) else int(z3.is_true(found))


def _numbers(value: Any, known: list[tuple[Any, Any]]) -> Any:
    """A value of terms as plain numbers, masks as integers."""
    if isinstance(value, tuple):
        return tuple(_numbers(part, known) for part in value)
    if isinstance(value, Mask):
        return sum(_value(on, known) << bit for bit, on in value.bits.items())
    return _value(value, known)


def _plain_numbers(value: Any) -> Any:
    return tuple(_plain_numbers(part) for part in value) if isinstance(value, tuple) else int(value)


class Drawn:
    """A step as terms once, to be filled in with numbers many times."""

    def __init__(self, function: Any, unknown: tuple[str, ...] = ()) -> None:
        self.claim = Claim("", "", (), _nothing, (), unknown=unknown)
        self.function, self.arguments = function, _arguments(function)
        self.terms = Terms(unknown=unknown)
        self.result = self.terms.run(function, *self.arguments)
        results = [self.result, *(one for pair in self.terms.results for one in pair), *self.terms.facts]
        self.inputs = sorted(_names(results, self.arguments) - {str(one[0]) for one in self.terms.named})

    def check(self, draws: Random) -> None:
        """Compare both on one drawn set of numbers."""
        case = {name: draws.random() < 0.3 if kind else _number(draws) for name, kind in self.inputs_with_kind()}
        known = [
            (z3.Bool(name), z3.BoolVal(value)) if kind else (z3.Int(name), z3.IntVal(value))
            for (name, kind), value in zip(self.inputs_with_kind(), case.values(), strict=True)
        ]
        for name, what, first, second in self.terms.named:
            number, divisor = _value(first, known), _value(second, known)
            if what == "root":
                found = OneCase(self.claim, {}).plain(whole_root)(number)
            else:
                found = number // divisor if divisor != 0 else 0
            known.append((name, z3.IntVal(found)))
        for fact in self.terms.facts:
            assert z3.is_true(z3.simplify(z3.substitute(fact, *known))), f"{fact} for {case}"
        step = OneCase(self.claim, {name: int(value) for name, value in case.items()})
        values = [numbers_in(argument, step.case) for argument in self.arguments]
        try:
            expected = _plain_numbers(step.plain(self.function)(*values))
        except (ZeroDivisionError, OverflowError):
            return
        assert _numbers(self.result, known) == expected, f"{self.function} for {case}"

    def inputs_with_kind(self) -> list[tuple[str, bool]]:
        """The names to draw, each with whether it is a bool."""
        return [(name[1:], name[0] == "b") for name in self.inputs]


def _names(results: list[Any], arguments: list[Any]) -> set[str]:
    found: set[str] = set()
    waiting = [leaf for value in [*results, *arguments] for leaf in leaves(value)]
    seen: set[int] = set()
    while waiting:
        one = as_term(waiting.pop())
        if one.get_id() in seen:
            continue
        seen.add(one.get_id())
        if z3.is_const(one) and one.decl().kind() == z3.Z3_OP_UNINTERPRETED:
            found.add(("b" if z3.is_bool(one) else "i") + one.decl().name())
        waiting += one.children()
    return {name for name in found if not name[1:].startswith(("//", "root"))}


DRAWN: dict[str, Drawn] = {}


@pytest.mark.parametrize(
    ("function", "unknown"),
    [(function, ()) for function in FUNCTIONS],
    ids=lambda part: plain_of(part).__name__ if callable(part) else "",
)
@settings(max_examples=8)
@given(seed=st.integers(0, 2**32 - 1))
def test_the_terms_give_what_the_step_gives(function: Any, unknown: tuple[str, ...], seed: int) -> None:
    name = plain_of(function).__name__
    if name not in DRAWN:
        DRAWN[name] = Drawn(function, unknown)
    DRAWN[name].check(Random(seed))


@pytest.mark.campaign
@pytest.mark.parametrize(("function", "unknown"), [(gate, ("seal_of",)), (admit, ("judge", "seal_of"))])
def test_the_terms_of_the_gate_and_of_a_whole_decision_give_what_they_give(function: Any, unknown: Any) -> None:
    seed = secrets.randbits(32)
    print(f"seed {seed}")
    drawn = Drawn(function, unknown)
    draws = Random(seed)
    for _ in range(3):
        drawn.check(draws)
