"""What the README says of help and harm is what the shipped files show."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.loop.claims import CLAIMS, SEEDS, Claim, holds, table

README = Path(__file__).parents[2] / "README.md"
SECTION = "## Where assistance helps, and where it fails"


def section() -> str:
    """The README's section on help and harm, on one line."""
    text = README.read_text(encoding="utf-8").split(SECTION)[1].split("\n## ")[0]
    return " ".join(text.replace("**", "").split())


def test_every_claim_stands_in_the_readme_and_every_point_there_is_a_claim() -> None:
    said = section()
    sentences = dict.fromkeys(claim.sentence for claim in CLAIMS)
    assert [sentence for sentence in sentences if sentence not in said] == []
    points = [point for point in said.split(" - ")[1:] if point]
    assert len(points) == len(sentences)
    assert [point for point in points if not any(sentence in point for sentence in sentences)] == []


@pytest.mark.parametrize("claim", [claim for claim in CLAIMS if claim.first_seed], ids=str)
def test_the_first_seed_shows_what_every_seed_is_said_to_show(claim: Claim) -> None:
    assert holds(claim, SEEDS[0])


@pytest.mark.campaign
@pytest.mark.parametrize("claim", CLAIMS, ids=str)
def test_so_many_of_twenty_seeds_show_it(claim: Claim) -> None:
    assert sum(holds(claim, seed) for seed in SEEDS) >= claim.least


@pytest.mark.campaign
def test_the_table_is_what_twenty_seeds_give() -> None:
    said = README.read_text(encoding="utf-8")
    assert [line for line in table() if line not in said] == []
