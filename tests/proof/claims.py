"""All claims, in the order of their requirements."""

from __future__ import annotations

from tests.proof import bounds, pairs
from tests.proof.worlds import Claim

CLAIMS: list[Claim] = sorted([*bounds.CLAIMS, *pairs.CLAIMS], key=lambda claim: claim.requirement)
