"""The requirement table: complete, in order, and in step with the bits, the profiles and the code."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thenar.safety import reasons
from thenar.safety.hazards import DISTURBANCES, HAZARDS
from thenar.safety.requirements import REQUIREMENTS, rearming_needs, reason_ids

SAFETY = Path(reasons.__file__).parent
BY_CONSTRUCTION = {29, 38}


def test_there_is_one_row_for_each_of_r01_to_r39_in_order() -> None:
    assert [row.name for row in REQUIREMENTS] == [f"R{number:02d}" for number in range(1, 40)]
    assert len(REQUIREMENTS) == reasons.RULES


def test_every_row_says_what_it_does_and_how_far_its_source_was_followed() -> None:
    for row in REQUIREMENTS:
        assert row.title
        assert row.source
        assert "\n" not in row.title
        assert row.action
        assert set(row.action) <= {"clamp", "withhold", "ramp", "trip", "refuse"}
        assert row.tag in {"seen", "memory", "own", "derived"}


def test_bits_stand_at_their_number_and_only_rules_by_construction_have_none() -> None:
    bits = {int(name[1:]): value for name, value in vars(reasons).items() if re.fullmatch(r"R\d\d", name)}
    assert all(value == 1 << (number - 1) for number, value in bits.items())
    assert set(range(1, 40)) - set(bits) == BY_CONSTRUCTION


def names_read(file: Path) -> set[str]:
    """Names that a file's code reads; imports and comments don't count."""
    tree = ast.parse(file.read_text("utf-8"))
    return {node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load)}


@pytest.mark.parametrize("number", sorted(set(range(1, 40)) - BY_CONSTRUCTION))
def test_every_bit_is_used_by_code_that_enforces_it(number: int) -> None:
    assert any(f"R{number:02d}" in names_read(file) for file in SAFETY.glob("*.py"))


@given(st.sets(st.integers(1, 39)))
def test_a_mask_is_read_back_as_the_names_that_made_it(numbers: set[int]) -> None:
    mask = sum(1 << (number - 1) for number in numbers)
    assert reason_ids(mask) == tuple(f"R{number:02d}" for number in sorted(numbers))


def test_an_empty_mask_and_bits_past_the_table_name_nothing() -> None:
    assert reason_ids(0) == ()
    assert reason_ids(1 << 39) == ()


@pytest.mark.parametrize("number", range(1, 40))
def test_what_clears_a_latch_names_its_cause_and_the_wait_where_one_is_due(number: int) -> None:
    """R34: no cause left, nothing asked, the cause named; a whole short window for R13 and R15; R24 never clears."""
    told = rearming_needs(number)
    assert ("nothing clears it" in told) is (number == 24)
    assert (f"names R{number:02d};" in told) is (number != 24)
    assert ("the law asks for nothing" in told) is (number != 24)
    assert ("a whole short window" in told) is (number in (13, 15))


def test_hazards_and_disturbances_name_requirements_that_exist_and_every_requirement_stands_against_a_hazard() -> None:
    names = {row.name for row in REQUIREMENTS}
    assert {rule for hazard in HAZARDS for rule in hazard.rules} == names
    assert all(hazard.rules and set(hazard.rules) <= names for hazard in DISTURBANCES)
    for hazard in HAZARDS:
        assert all((hazard.name, hazard.sequence, hazard.situation, hazard.harm, hazard.left))
        assert list(hazard.rules) == sorted(set(hazard.rules))
