"""A made-up record of a challenge, in the shape that `thenar challenge` writes: every number here is invented."""

from __future__ import annotations

from typing import Any

import thenar
from thenar.report.manifest import made_here
from thenar.safety.profile import load_profile
from thenar.safety.requirements import REQUIREMENTS, Requirement


def made_challenge(name: str = "forearm-25cm2") -> dict[str, Any]:
    """A record in which everything was met, held and caught, of a shipped profile; a fresh one at each call."""
    profile = load_profile(name)
    return {
        "format": 1,
        "profile": name,
        "fingerprint": profile.fingerprint(),
        "limits": profile.model_dump(mode="json", exclude_none=True),
        "deviations": [],
        "seed": 987_123,
        "commands": 4_000,
        "pulses": 1_500,
        "decisions": 3_900,
        "thenar": thenar.__version__,
        "steps": made_here().steps,
        "families": {"boundary": 1_000, "random": 3_000},
        "interlock_on": {"fails": 0, "broken": []},
        "same_attacks": {"off": 777, "on": 0, "rules_broken_off": 30, "rules_broken_on": 0},
        "rows": [_row(requirement) for requirement in REQUIREMENTS],
        "controls": {"must_survive": "survived", "must_die": "caught"},
        "trips_reached": ["R01", "R33"],
        "never_reached": [],
        "limits_that_differ": [],
        "passed": True,
        "started_utc": "2031-02-03T04:05:06+00:00",
        "seconds": 12.5,
    }


def _row(requirement: Requirement) -> dict[str, Any]:
    number = requirement.number
    closest = {"value": 990 * number, "bound": 1_000 * number, "unit": "uA", "share": 0.99}
    return {
        "id": requirement.name,
        "title": requirement.title,
        "verdict": "pass",
        "challenged": 100 + number,
        "acted": 50 + number,
        "trips": number % 3 == 0,
        "closest": closest if number % 4 else None,
        "violations_off": 10 * number,
        "violations_on": 0,
        "removal": {
            "where": "safety/gate.py",
            "state": "caught",
            "caught_after": 7 * number,
            "caught_by": [requirement.name],
            "what": "",
        },
    }
