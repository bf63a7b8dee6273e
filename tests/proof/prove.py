"""Settle a claim, and find and replay the bugs planted against it."""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.proof.worlds import AllIntegers, Claim, OneCase, Outcome


@dataclass
class Found:
    """What became of a planted bug: "failed" is what it should be; `replayed`: plain Python breaks the claim too."""

    result: str
    seconds: float
    replayed: bool = False
    broken: list[str] = field(default_factory=list)
    case: dict[str, int] = field(default_factory=dict)


def proved(claim: Claim) -> Outcome:
    """The claim over all integers."""
    return AllIntegers(claim).settle()


def planted(claim: Claim, plant: tuple[str, str, str]) -> Found:
    """The claim with a bug in it: first among small inputs, then among all."""
    name, old, new = plant
    edits = {name: (old, new)}
    world = AllIntegers(claim, edits)
    outcome = world.broken(claim.small)
    if outcome.result != "failed":
        outcome = world.broken(None)
    if outcome.result != "failed":
        return Found(outcome.result, outcome.seconds)
    case = OneCase(claim, outcome.case, edits)
    return Found("failed", outcome.seconds, case.possible and bool(case.broken), case.broken, outcome.case)
