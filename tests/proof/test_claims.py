"""Every claim holds for all integers, and every planted bug breaks it with an input that really breaks it."""

from __future__ import annotations

import pytest

from tests.proof.claims import CLAIMS
from tests.proof.prove import planted, proved
from tests.proof.worlds import Claim


@pytest.mark.parametrize("claim", CLAIMS, ids=lambda claim: f"{claim.requirement}: {claim.says}")
def test_a_claim_holds_for_all_integers(claim: Claim) -> None:
    outcome = proved(claim)
    assert outcome.result == "proved", f"{outcome.result}: {outcome.what} {outcome.case}"


@pytest.mark.parametrize(
    ("claim", "plant"),
    [(claim, plant) for claim in CLAIMS for plant in claim.plants],
    ids=lambda part: f"{part.requirement}: {part.says}" if isinstance(part, Claim) else f"{part[0]}: {part[2]}"[:60],
)
def test_a_planted_bug_is_found_and_its_counterexample_breaks_the_edited_function(
    claim: Claim, plant: tuple[str, str, str]
) -> None:
    found = planted(claim, plant)
    assert found.result == "failed", f"{found.result}: the bug went unnoticed"
    assert found.replayed, f"the counterexample does not break the edited function: {found.case}"
