"""Values that stand for all integers at once: z3 terms, masks of rules bit by bit, tuples of either.

A plain int or bool is a value too, so whatever is written here also reckons with numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import z3

MASK_FIELDS = {"reasons", "withhold", "ramp", "hold_reasons"}
"""Fields that hold a mask of rules in every NamedTuple that has them; `trip` is one except in a Latch."""


class Mask:
    """A mask of rules: bit number to a bool or a z3 bool. A bit that isn't named is clear."""

    def __init__(self, bits: Mapping[int, Any]) -> None:
        self.bits = {bit: on for bit, on in bits.items() if on is not False}

    @staticmethod
    def of(value: Any) -> Mask:
        """A mask from a mask or from a plain integer."""
        if isinstance(value, Mask):
            return value
        if isinstance(value, int):
            return Mask({bit: True for bit in range(value.bit_length()) if (value >> bit) & 1})
        raise TypeError(f"no mask of rules: {value!r}")

    __hash__ = None  # type: ignore[assignment]

    def __eq__(self, other: object) -> bool:
        """Never by chance: `equal` and `truth` compare masks bit by bit."""
        raise TypeError("compare masks with `equal` or `truth`")

    def some(self) -> Any:
        """Whether any bit is set."""
        return either(*self.bits.values())


def is_number(value: Any) -> bool:
    """Whether a value is an integer (a bool counts as one), plain or a term."""
    return isinstance(value, int) or z3.is_int(value)


def truth(value: Any) -> Any:
    """The value as a condition, the way Python takes it."""
    if isinstance(value, Mask):
        return value.some()
    if isinstance(value, bool) or z3.is_bool(value):
        return value
    return value != 0


def every(*conditions: Any) -> Any:
    """All of the conditions."""
    left = [condition for condition in conditions if condition is not True]
    if any(condition is False for condition in left):
        return False
    return z3.And(*left) if left else True


def either(*conditions: Any) -> Any:
    """At least one of the conditions."""
    left = [condition for condition in conditions if condition is not False]
    if any(condition is True for condition in left):
        return True
    return z3.Or(*left) if left else False


def opposite(condition: Any) -> Any:
    """The condition turned round."""
    return not condition if isinstance(condition, bool) else z3.Not(condition)


def implies(first: Any, then: Any) -> Any:
    """Whenever `first` holds, `then` does."""
    return either(opposite(first), then)


def chosen(condition: Any, yes: Any, no: Any) -> Any:
    """`yes` where the condition holds, else `no`, field by field."""
    if isinstance(condition, bool):
        return yes if condition else no
    if isinstance(yes, Mask) or isinstance(no, Mask):
        first, second = Mask.of(yes).bits, Mask.of(no).bits
        return Mask({bit: chosen(condition, first.get(bit, False), second.get(bit, False)) for bit in first | second})
    if isinstance(yes, tuple):
        return rebuilt(yes, [chosen(condition, one, other) for one, other in zip(yes, no, strict=True)])
    if yes is no or (isinstance(yes, int) and isinstance(no, int) and yes == no):
        return yes
    if isinstance(yes, z3.ExprRef) and isinstance(no, z3.ExprRef) and yes.eq(no):
        return yes
    return z3.If(condition, yes, no)


def rebuilt(like: Any, values: list[Any]) -> Any:
    """A tuple of the same kind with other values."""
    return type(like)(*values) if hasattr(like, "_fields") else tuple(values)


def has(mask: Any, rule: int) -> Any:
    """Whether a mask holds a rule's bit."""
    return Mask.of(mask).bits.get(rule.bit_length() - 1, False)


def lower(first: Any, second: Any) -> Any:
    """The lower of two numbers, as Python's min gives it."""
    if isinstance(first, int) and isinstance(second, int):
        return min(first, second)
    return chosen(second < first, second, first)


def higher(first: Any, second: Any) -> Any:
    """The higher of two numbers, as Python's max gives it."""
    if isinstance(first, int) and isinstance(second, int):
        return max(first, second)
    return chosen(second > first, second, first)


def equal(first: Any, second: Any) -> Any:
    """Whether two values are the same, field by field."""
    if isinstance(first, tuple):
        return every(*(equal(one, other) for one, other in zip(first, second, strict=True)))
    if isinstance(first, Mask) or isinstance(second, Mask):
        one, other = Mask.of(first).bits, Mask.of(second).bits
        return every(*(equal(one.get(bit, False), other.get(bit, False)) for bit in one | other))
    return first == second
