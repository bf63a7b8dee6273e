"""The auditor on planted faults: each is noticed, its clean twin passes, and every single check can fail."""

from __future__ import annotations

from functools import cache, partial

import pytest

from tests.safety.interlock_bench import limits_for
from thenar.safety.audit import planted
from thenar.safety.audit.bounds import bounds_of
from thenar.safety.audit.checks import CHECKS
from thenar.safety.audit.edits import Case, Script
from thenar.safety.audit.judge import judge_log, merged
from thenar.safety.audit.logs import DecisionLog, PulseLog
from thenar.safety.audit.plant import Plant
from thenar.safety.audit.planted import PLANTS, Proof, proofs
from thenar.safety.audit.verdicts import Audit, Verdict
from thenar.safety.invented import CLEAR, ENGRAVER
from thenar.safety.profile import load_profile
from thenar.safety.rehearsal import played
from thenar.safety.requirements import REQUIREMENTS

LIMITS = limits_for()
BOUNDS = bounds_of(load_profile("forearm-25cm2").text, ENGRAVER, 20_000, CLEAR.model_dump())
NAMES = [f"{plant.rule}: {plant.what}" for plant in PLANTS]


@cache
def clean(script: Script) -> tuple[PulseLog, DecisionLog]:
    """A script as the real interlock plays it."""
    return played(LIMITS, script)


def judged(case: Case) -> Audit:
    """The audit of a case."""
    return judge_log(case.bounds, case.pulses, None if case.alone else case.decisions, reconciled=case.reconciled)


@cache
def broken_by(plant: Plant) -> Audit:
    """The audit of a planted fault."""
    return judged(plant.outside(Case(BOUNDS, *clean(plant.script))))


@pytest.mark.parametrize("plant", PLANTS, ids=NAMES)
def test_a_planted_fault_breaks_its_requirement_and_its_twin_inside_the_bound_passes(plant: Plant) -> None:
    twin = judged(plant.inside(Case(BOUNDS, *clean(plant.script))))
    assert twin.broken == ()
    found = broken_by(plant)
    assert plant.rule in found.broken
    assert set(found.broken) <= plant.also | {plant.rule}
    assert found.row(plant.rule).offences
    assert found.row(plant.rule).closest is not None
    assert found.row(plant.rule).closest.closeness > 1  # type: ignore[union-attr]


def test_every_requirement_has_a_plant_and_every_check_is_broken_by_one() -> None:
    assert {plant.rule for plant in PLANTS} == {row.name for row in REQUIREMENTS}
    seen = {(row.rule, o.what) for plant in PLANTS for row in broken_by(plant).rows for o in row.offences}
    assert [check for check in CHECKS if (check.rule, check.what) not in seen] == []


def test_the_self_test_judges_each_plant_on_the_log_of_its_own_script(monkeypatch: pytest.MonkeyPatch) -> None:
    few = (PLANTS[0], next(plant for plant in PLANTS if plant.script != PLANTS[0].script), PLANTS[-1])
    monkeypatch.setattr(planted, "PLANTS", few)
    found = list(proofs(BOUNDS, partial(played, LIMITS)))
    assert tuple(proof.plant for proof in found) == few
    assert all(proof.holds for proof in found)
    assert [proof.outside for proof in found] == [broken_by(plant).broken for plant in few]


def test_a_plant_that_is_missed_or_that_breaks_more_than_it_should_does_not_hold() -> None:
    plant = PLANTS[0]._replace(rule="R06", also=frozenset({"R09"}))
    for inside, outside, holds in (
        ((), ("R06",), True), ((), ("R06", "R09"), True), ((), (), False), ((), ("R09",), False),
        ((), ("R06", "R10"), False), (("R06",), ("R06",), False),
    ):  # fmt: skip
        assert Proof(plant, inside, outside).holds is holds


def test_each_requirement_has_one_row_in_order() -> None:
    audit = judged(Case(BOUNDS, *clean(PLANTS[0].script)))
    assert [row.rule for row in audit.rows] == [row.name for row in REQUIREMENTS]


def test_without_a_decision_log_what_needs_it_cant_be_judged() -> None:
    pulses, _ = clean(PLANTS[0].script)
    audit = judge_log(BOUNDS, pulses)
    unjudged = set(audit.named(Verdict.CANT_JUDGE))
    assert {"R01", "R05", "R17", "R18", "R19", "R22", "R25", "R28", "R33", "R37", "R38"} <= unjudged
    assert not unjudged & {"R06", "R08", "R09", "R11", "R12", "R20", "R21", "R23", "R24", "R26", "R36"}


def test_a_rule_without_a_bound_on_record_cant_be_judged() -> None:
    audit = judge_log(BOUNDS, *clean(PLANTS[0].script), cannot={"R07", "R27"})
    assert audit.named(Verdict.CANT_JUDGE) == ("R07", "R27")


def test_a_requirement_that_nothing_came_near_is_not_exercised() -> None:
    audit = judged(Case(BOUNDS, *clean(PLANTS[0].script)))
    assert audit.row("R12").verdict == Verdict.NOT_EXERCISED
    assert audit.row("R20").verdict == Verdict.PASS
    assert audit.row("R20").exercised > 0


def test_several_audits_add_up_and_the_gravest_verdict_stays() -> None:
    fine = judged(Case(BOUNDS, *clean(PLANTS[0].script)))
    spoilt = broken_by(next(plant for plant in PLANTS if plant.rule == "R06"))
    alone = judge_log(BOUNDS, clean(PLANTS[0].script)[0])
    total = merged([fine, spoilt, alone])
    assert total.row("R06").verdict == Verdict.FAIL
    assert total.row("R33").verdict == Verdict.CANT_JUDGE
    assert total.row("R20").verdict == Verdict.PASS
    assert total.row("R12").verdict == Verdict.NOT_EXERCISED
    assert total.pulses == fine.pulses + spoilt.pulses + alone.pulses
    assert total.row("R06").failed == spoilt.row("R06").failed
    with pytest.raises(ValueError, match="no audit"):
        merged([])
