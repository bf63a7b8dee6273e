"""Proofs that run: where a survivor's proof is about numbers, original and mutant answer alike on every input tried."""

from __future__ import annotations

import ast
import importlib
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.mutation.gate import ACCEPTED
from tests.mutation.tree import ROOT
from tests.mutation.verdicts import read_equivalents
from tests.safety.interlock_bench import changed, limits_for
from thenar.safety.ceilings import Bounded
from thenar.safety.inputs import ChannelAsked
from thenar.safety.memory import SLOTS_AT, start_memory

Key = tuple[str, str, str, str, int]
LISTED = read_equivalents(ACCEPTED)


class Swap(ast.NodeTransformer):
    """Puts `becomes` in the place of the nth expression that reads `was`."""

    def __init__(self, was: str, becomes: str, nth: int) -> None:
        """As in an entry of the list."""
        self.was, self.new, self.left = was, ast.parse(becomes, mode="eval").body, nth

    def generic_visit(self, node: ast.AST) -> ast.AST:
        """Swap here, or look further inside."""
        if isinstance(node, ast.expr) and ast.unparse(node) == self.was:
            self.left -= 1
            if self.left == 0:
                return self.new
        return super().generic_visit(node)


def plain(key: Key | None, file: str, function: str) -> Callable[..., Any]:
    """A function of the interlock as plain Python, mutated as the entry says, with plain steps to call."""
    tree = ast.parse((ROOT / file).read_text("utf-8"))
    found = next(node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name == function)
    found.decorator_list = []
    if key is not None:
        swap = Swap(key[2], key[3], key[4])
        swap.visit(found)
        assert swap.left <= 0, key
    module = importlib.import_module("thenar." + file.removesuffix(".py").replace("/", "."))
    names = {name: getattr(value, "py_func", value) for name, value in vars(module).items()}
    exec(compile(ast.fix_missing_locations(ast.Module([found], [])), file, "exec"), names)  # noqa: S102 - our own source
    made: Callable[..., Any] = names[function]
    return made


def pairs(function: str) -> list[tuple[Callable[..., Any], Callable[..., Any]]]:
    """The original beside each listed mutant of a function."""
    keys = [key for key in LISTED if key[1] == function]
    assert keys
    return [(plain(None, key[0], function), plain(key, key[0], function)) for key in keys]


LIMITS = limits_for()
STEADY, FIXED, SHARED = pairs("_steady_bound_uA"), pairs("keeps_ceilings"), pairs("bound_both")
WINDOWS, DROPS = pairs("advance_windows"), pairs("_drop_old")


def test_the_swap_makes_a_mutant_that_can_be_told_apart_when_it_is_no_equivalent() -> None:
    key = ("safety/ceilings.py", "_steady_bound_uA", "current_uA * current_uA <= square", "current_uA >= square", 1)
    gross = plain(key, key[0], key[1])
    original = plain(None, key[0], key[1])
    assert gross(LIMITS.loop, 100, 5, 500, 10) != original(LIMITS.loop, 100, 5, 500, 10)


@pytest.mark.parametrize("rms_uA", [0, 1, 7, 100])
def test_the_steady_bound_is_the_same_for_every_current_around_its_edge(rms_uA: int) -> None:
    for original, mutant in STEADY:
        for width_us in (50, 333, 500):
            for current_uA in range(3_000):
                asked = (LIMITS.loop, rms_uA, current_uA, width_us, 10)
                assert mutant(*asked) == original(*asked)


@given(st.integers(-(10**7), 10**7), st.sampled_from([0, 49, 50, 400, 401]), st.integers(0, 10**7))
def test_the_fixed_bounds_are_the_same_for_every_current(current_uA: int, width_us: int, period_us: int) -> None:
    for original, mutant in FIXED:
        for asked_uA in (current_uA, 0, 1, 100, -1):
            command = (LIMITS.agonist, LIMITS.loop, asked_uA, width_us, period_us)
            assert mutant(*command) == original(*command)


@given(st.integers(0, 50), st.integers(0, 50), st.integers(0, 30), st.integers(0, 30), st.integers(0, 2_000))
def test_shared_drive_is_the_same_for_channels_inside_their_own_bounds(
    agonist_uA: int, antagonist_uA: int, agonist_cap: int, antagonist_cap: int, share: int
) -> None:
    limits = changed(LIMITS, summed_share_per_mille=share - share % 100)
    limits = limits._replace(
        agonist=limits.agonist._replace(ceiling_uA=agonist_cap),
        antagonist=limits.antagonist._replace(ceiling_uA=antagonist_cap),
    )
    asked = [ChannelAsked(agonist_uA, 200, 25_000), ChannelAsked(antagonist_uA, 200, 25_000)]
    inside = [
        Bounded(min(agonist_uA, agonist_cap), 200, 25_000, 0),
        Bounded(min(antagonist_uA, antagonist_cap), 200, 25_000, 0),
    ]
    for original, mutant in SHARED:
        assert mutant(limits, *asked, *inside) == original(limits, *asked, *inside)


@given(st.lists(st.integers(0, 10**8), min_size=1, max_size=8), st.integers(0, 2**32 - 1), st.sampled_from([0, 1]))
def test_windows_are_the_same_whenever_they_are_brought_up_to_date(times: list[int], seed: int, channel: int) -> None:
    for original, mutant in WINDOWS:
        one = start_memory()
        one[SLOTS_AT:] = np.random.default_rng(seed).integers(0, 1_000, len(one) - SLOTS_AT)
        other = one.copy()
        for t_us in times:
            original(one, LIMITS.loop, channel, t_us)
            mutant(other, LIMITS.loop, channel, t_us)
            assert one.tolist() == other.tolist()


@given(st.integers(0, 300), st.integers(1, 300), st.integers(2, 61))
def test_emptying_old_slots_twice_is_emptying_them_once(old: int, ahead: int, slots: int) -> None:
    for original, mutant in DROPS:
        one = np.arange(1, slots + 2, dtype=np.int64)
        other = one.copy()
        original(one, 0, 1, slots, old, old + ahead)
        mutant(other, 0, 1, slots, old, old + ahead)
        assert one.tolist() == other.tolist()
