"""`python -m tests.proof --json FILE`: settle every claim, plant every bug, write what came of it."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import z3
from rich.console import Console
from rich.progress import Progress

from tests.proof.claims import CLAIMS
from tests.proof.prove import planted, proved
from tests.proof.worlds import Claim


def row(claim: Claim) -> dict[str, Any]:
    """One claim's line of the table: proved or failed, how long it took, what it assumes, its planted bugs."""
    outcome = proved(claim)
    return {
        "id": claim.requirement,
        "property": claim.says,
        "functions": list(claim.functions),
        "result": "proved" if outcome.result == "proved" else "failed",
        "seconds": round(outcome.seconds, 2),
        "assumes": claim.assumes,
        "why": outcome.what,
        "taken_as_anything": list(claim.unknown),
        "planted": [_plant(claim, plant) for plant in claim.plants],
    }


def _plant(claim: Claim, plant: tuple[str, str, str]) -> dict[str, Any]:
    found = planted(claim, plant)
    return {
        "function": plant[0],
        "was": plant[1],
        "became": plant[2],
        "found": found.result == "failed",
        "replayed": found.replayed,
        "broken": sorted(set(found.broken)),
    }


def main(words: list[str]) -> int:
    """Run all claims; exit code 1 when one fails or a planted bug goes unnoticed."""
    parser = argparse.ArgumentParser(prog="python -m tests.proof", description=__doc__)
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the table here")
    options = parser.parse_args(words)
    rows = []
    console = Console(stderr=True)
    with Progress(console=console, disable=not console.is_terminal) as progress:
        for claim in progress.track(CLAIMS, description="proving"):
            rows.append(row(claim))  # noqa: PERF401 - the table grows with the bar
    bugs = [bug for one in rows for bug in one["planted"]]
    caught = sum(bug["found"] and bug["replayed"] for bug in bugs)
    held = sum(one["result"] == "proved" for one in rows)
    for one in rows:
        print(f"{one['id']}  {one['result']:6}  {one['seconds']:6.2f} s  {one['property']}")
    seconds = sum(one["seconds"] for one in rows)
    print(f"{held} of {len(rows)} claims proved in {seconds:.0f} s with z3 {z3.get_version_string()}")
    print(f"{caught} of {len(bugs)} planted bugs found, each replayed as plain Python")
    if options.json is not None:
        options.json.parent.mkdir(parents=True, exist_ok=True)
        options.json.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")
    return 0 if held == len(rows) and caught == len(bugs) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
