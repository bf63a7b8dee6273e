"""The files an evidence page is made from, read and checked: challenge.json, proofs, mutation counts, vector counts."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, RootModel

from thenar.report.evidence import CHALLENGE
from thenar.report.folder import FinishedFolder
from thenar.safety.requirements import REQUIREMENTS, RULE_PATTERN
from thenar.shared.errors import InputError, Problem, validated
from thenar.shared.text_input import bytes_in

_LARGEST_BYTES: Final = 500_000_000
Rule = Annotated[str, Field(pattern=RULE_PATTERN)]
Count = Annotated[int, Field(ge=0)]


class _Part(BaseModel):
    """A part of such a file: what the page reads is checked, what it doesn't read is kept."""

    model_config = ConfigDict(extra="allow", strict=True, allow_inf_nan=False)


class _Closest(_Part):
    value: int
    bound: int
    unit: str
    share: float


class _Removal(_Part):
    where: str
    state: str
    caught_after: int | None
    caught_by: list[str]
    what: str


class _Row(_Part):
    id: Rule
    verdict: str
    challenged: Count
    acted: Count
    trips: bool
    closest: _Closest | None
    violations_off: Count
    violations_on: Count
    removal: _Removal


class _SameAttacks(_Part):
    off: Count
    on: Count
    rules_broken_off: Count
    rules_broken_on: Count


class _Controls(_Part):
    must_survive: str
    must_die: str


class _Deviation(_Part):
    key: str
    rule: str
    default: float
    value: float
    unit: str
    reason: str


class _Challenge(_Part):
    format: Literal[1]
    profile: str
    fingerprint: str
    limits: dict[str, Any]
    deviations: list[_Deviation]
    seed: int
    commands: Count
    pulses: Count
    decisions: Count
    steps: str
    families: dict[str, Count]
    same_attacks: _SameAttacks
    controls: _Controls
    rows: Annotated[list[_Row], Field(min_length=1, max_length=len(REQUIREMENTS))]
    never_reached: list[str]
    limits_that_differ: list[str]
    passed: bool


class _Proof(_Part):
    id: Rule
    property: str
    result: Literal["proved", "tested", "failed"]


class _Proofs(RootModel[list[_Proof]]):
    pass


class _Mutation(_Part):
    files: dict[str, dict[str, Count]]


class _Vectors(_Part):
    count: Count
    by_rule: dict[Rule, Count]


def read_challenge(folder: FinishedFolder) -> dict[str, Any]:
    """The record of a challenge from its folder. Raises InputError when there is none or it can't be used."""
    found = folder.json(CHALLENGE)
    validated(_Challenge, found, folder.file(CHALLENGE))
    return found


def read_proofs(file: Path) -> list[dict[str, Any]]:
    """Proofs: a list of entries with id, property and result (and functions, assumes). Raises InputError."""
    told: list[dict[str, Any]] = _checked(_Proofs, file)
    return told


def read_mutation(file: Path) -> dict[str, Any]:
    """Mutation counts: {"files": {"safety/gate.py": {"killed": 3, ...}}}, with the file's hash. Raises InputError."""
    told: dict[str, Any] = _checked(_Mutation, file)
    return told | {"sha256": _sha256(file)}


def read_vectors(file: Path) -> dict[str, Any]:
    """Vector counts: {"count": 20000, "by_rule": {"R06": 512, ...}}, with the file's hash. Raises InputError."""
    told: dict[str, Any] = _checked(_Vectors, file)
    return told | {"sha256": _sha256(file)}


def _sha256(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()


def _checked(model: type[BaseModel], file: Path) -> Any:
    try:
        data = json.loads(bytes_in(file, _LARGEST_BYTES, "JSON file").decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise InputError([Problem(str(file), "", str(error), "a JSON file")]) from None
    validated(model, data, str(file))
    return data
