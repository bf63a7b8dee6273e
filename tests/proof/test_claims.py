"""Every claim holds for all integers, and every planted bug breaks it with an input that really breaks it."""

from __future__ import annotations

import pytest

from tests.proof import worlds
from tests.proof.claims import CLAIMS
from tests.proof.prove import planted, proved
from tests.proof.worlds import Claim


def _marks(claim: Claim) -> list[pytest.MarkDecorator]:
    return [pytest.mark.campaign] if claim.long else []


@pytest.mark.parametrize(
    "claim", [pytest.param(claim, marks=_marks(claim), id=f"{claim.requirement}: {claim.says}") for claim in CLAIMS]
)
def test_a_claim_holds_for_all_integers(claim: Claim) -> None:
    outcome = proved(claim)
    assert outcome.result == "proved", f"{outcome.result}: {outcome.what} {outcome.case}"


@pytest.mark.parametrize(
    ("claim", "plant"),
    [
        pytest.param(claim, plant, marks=_marks(claim), id=f"{claim.requirement} {plant[0]}: {plant[2]} for {plant[1]}")
        for claim in CLAIMS
        for plant in claim.plants
    ],
)
def test_a_planted_bug_is_found_and_its_counterexample_breaks_the_edited_function(
    claim: Claim, plant: tuple[str, str, str]
) -> None:
    found = planted(claim, plant)
    assert found.result == "failed", f"{found.result}: the bug went unnoticed"
    assert found.replayed, f"the counterexample does not break the edited function: {found.case}"


def test_a_claim_that_the_solver_gives_up_on_is_neither_proved_nor_broken(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worlds, "QUICK_RESOURCES", 100)
    monkeypatch.setattr(worlds, "RESOURCES", 1_000)
    claim = next(claim for claim in CLAIMS if claim.requirement == "R09")
    assert proved(claim).result == "unknown"
    assert {planted(claim, plant).result for plant in claim.plants} == {"unknown"}
