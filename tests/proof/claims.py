"""All claims, in the order of their requirements."""

from __future__ import annotations

from tests.proof import admits, bounds, overflow, pairs, pulses, rises, windows
from tests.proof.worlds import Claim

CLAIMS: list[Claim] = sorted(
    (claim for part in (bounds, pairs, rises, windows, pulses, admits, overflow) for claim in part.CLAIMS),
    key=lambda claim: claim.requirement,
)
