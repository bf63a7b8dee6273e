"""`thenar audit --self-test`: the auditor on planted faults, each beside its clean twin."""

from __future__ import annotations

from functools import partial
from typing import Final

from thenar.caution import SHORT
from thenar.cli.show import Table, progress, show_json, show_table
from thenar.safety.audit.bounds import bounds_of
from thenar.safety.audit.planted import PLANTS, Proof, proofs
from thenar.safety.invented import CLEAR, ENGRAVER
from thenar.safety.profile import load_profile, shipped_profiles
from thenar.safety.rehearsal import played
from thenar.safety.requirements import REQUIREMENTS
from thenar.study.judged import limits_that_differ

UNNOTICED: Final = 1
PROFILE: Final = "forearm-25cm2"
CONTROL_PERIOD_US: Final = 20_000


def self_test(as_json: bool) -> int:
    """Judge every plant. Returns 0 when each was noticed, its twin passed and no requirement is without one, else 1."""
    profile = load_profile(PROFILE)
    limits = profile.limits_for(ENGRAVER, CONTROL_PERIOD_US, CLEAR)
    bounds = bounds_of(profile.text, ENGRAVER, CONTROL_PERIOD_US, CLEAR.model_dump())
    unlike = limits_that_differ(load_profile(name) for name in shipped_profiles())
    found: list[Proof] = []
    with progress(len(PLANTS), "planting faults", quiet=as_json) as advance:
        for proof in proofs(bounds, partial(played, limits)):
            found.append(proof)
            advance(proof)
    missing = [row.name for row in REQUIREMENTS if row.name not in {proof.plant.rule for proof in found}]
    fine = all(proof.holds for proof in found) and not missing and not unlike
    if as_json:
        record = {"plants": [_record(proof) for proof in found], "without_a_plant": missing}
        show_json(record | {"limits_that_differ": unlike, "holds": fine})
    else:
        _tell(found, missing, unlike)
    return 0 if fine else UNNOTICED


def _tell(found: list[Proof], missing: list[str], unlike: list[str]) -> None:
    rows = [
        (
            proof.plant.rule,
            proof.plant.what,
            ", ".join(proof.inside) or "nothing",
            ", ".join(proof.outside) or "nothing",
            "noticed" if proof.holds else "MISSED",
        )
        for proof in found
    ]
    headers = ("rule", "planted fault", "just inside\nfails", "one step past\nfails", "so")
    show_table(Table("The auditor on planted faults", headers, rows))
    held = sum(proof.holds for proof in found)
    print(
        f"\n{held} of {len(found)} planted faults noticed and their twins passed, in {len(REQUIREMENTS)} requirements"
    )
    if missing:
        print(f"without a plant: {', '.join(missing)}")
    print(f"limits of {len(shipped_profiles())} shipped profiles computed by the auditor: {len(unlike)} differ")
    for line in unlike:
        print(line)
    print(SHORT)


def _record(proof: Proof) -> dict[str, object]:
    return {
        "rule": proof.plant.rule,
        "fault": proof.plant.what,
        "inside": list(proof.inside),
        "outside": list(proof.outside),
        "may_fail_too": sorted(proof.plant.also),
        "holds": proof.holds,
    }
