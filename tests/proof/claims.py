"""All claims, in the order of their requirements."""

from __future__ import annotations

from tests.proof import admits, bounds, pairs, pulses, rises
from tests.proof.worlds import Claim

CLAIMS: list[Claim] = sorted(
    [*bounds.CLAIMS, *pairs.CLAIMS, *rises.CLAIMS, *pulses.CLAIMS, *admits.CLAIMS], key=lambda claim: claim.requirement
)
