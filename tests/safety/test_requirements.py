"""The requirement table: complete, in order, and in step with the bits, the profiles and the code."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.safety.interlock_bench import limits_for
from thenar.report.evidence_places import enforced_in
from thenar.report.evidence_tests import TESTS_OF
from thenar.report.metrics import reason_counts
from thenar.report.page_trials import bars_of
from thenar.safety import reasons
from thenar.safety.arming import lowest_rule
from thenar.safety.attack.directed import directed
from thenar.safety.attack.removals import REMOVALS
from thenar.safety.audit.checks import CHECKS
from thenar.safety.audit.planted import PLANTS
from thenar.safety.hazards import DISTURBANCES, HAZARDS
from thenar.safety.requirements import REQUIREMENTS, RULE_PATTERN, rearming_needs, reason_ids

SAFETY = Path(reasons.__file__).parent
ROOT = SAFETY.parent
C_INTERLOCK, C_LOOP = ROOT / "tests" / "conformance", ROOT / "benchmarks" / "twin"
NUMBERS = {row.number for row in REQUIREMENTS}
BY_CONSTRUCTION = {29, 38}


def test_there_is_one_row_for_each_requirement_in_order_and_one_number_says_how_many() -> None:
    assert [row.name for row in REQUIREMENTS] == [f"R{number:02d}" for number in range(1, len(REQUIREMENTS) + 1)]
    assert len(REQUIREMENTS) == reasons.RULES
    assert len(REQUIREMENTS) >= 40


def test_the_interlock_and_the_loop_written_in_c_know_as_many_requirements_as_the_table() -> None:
    told = re.findall(r"REQUIREMENTS = (\d+)", (C_INTERLOCK / "interlock.h").read_text("utf-8"))
    assert told == [str(len(REQUIREMENTS))]
    assert "RULES = REQUIREMENTS" in (C_LOOP / "trial.h").read_text("utf-8")


def test_a_requirement_more_is_counted_attacked_removed_audited_planted_and_shown_or_this_fails() -> None:
    names = {row.name for row in REQUIREMENTS}
    assert {check.rule for check in CHECKS} == names
    assert {plant.rule for plant in PLANTS} == names
    assert {removal.rule for removal in REMOVALS} == names
    assert {attack.rule for attack in directed(limits_for())} == names
    assert set(TESTS_OF) == names
    assert set(enforced_in()) == names


def test_the_last_requirement_is_counted_drawn_and_can_be_named_by_an_operator() -> None:
    """Whoever counts requirements for himself drops the next one in silence."""
    last, mask = REQUIREMENTS[-1].name, np.array([0, 1 << (len(REQUIREMENTS) - 1), 0], dtype=np.int64)
    assert reason_counts(mask) == {last: 1}
    assert [bars.rule for bars in bars_of(mask, 1)[0]] == [last]
    assert all(re.fullmatch(RULE_PATTERN, row.name) for row in REQUIREMENTS)
    assert re.fullmatch(RULE_PATTERN, f"R{len(REQUIREMENTS) + 1}") is None
    assert lowest_rule(int(mask[1])) == len(REQUIREMENTS)


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
    assert NUMBERS - set(bits) == BY_CONSTRUCTION


def names_read(file: Path) -> set[str]:
    """Names that a file's code reads; imports and comments don't count."""
    tree = ast.parse(file.read_text("utf-8"))
    return {node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load)}


@pytest.mark.parametrize("number", sorted(NUMBERS - BY_CONSTRUCTION))
def test_every_bit_is_used_by_code_that_enforces_it(number: int) -> None:
    assert any(f"R{number:02d}" in names_read(file) for file in SAFETY.glob("*.py"))


@given(st.sets(st.integers(1, len(REQUIREMENTS))))
def test_a_mask_is_read_back_as_the_names_that_made_it(numbers: set[int]) -> None:
    mask = sum(1 << (number - 1) for number in numbers)
    assert reason_ids(mask) == tuple(f"R{number:02d}" for number in sorted(numbers))


def test_an_empty_mask_and_bits_past_the_table_name_nothing() -> None:
    assert reason_ids(0) == ()
    assert reason_ids(1 << len(REQUIREMENTS)) == ()


@pytest.mark.parametrize("number", sorted(NUMBERS))
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
