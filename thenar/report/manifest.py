"""manifest.json: everything needed to run the same again, and to tell what has changed since."""

from __future__ import annotations

import datetime
import hashlib
import importlib.metadata
import platform
from collections.abc import Mapping
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Annotated, Any, Final, Literal, Self

from pydantic import AfterValidator, Field

import thenar
from thenar.controller.registry import OWN_PROCESS, TRUSTED, Where
from thenar.report.folder import LONGEST_US, MANIFEST, FinishedFolder, PlainName, Sha256, StoredFile, is_plain_name
from thenar.report.tables import TABLES
from thenar.safety.profile import LimitProfile
from thenar.scenarios.person import ScreeningOnFile
from thenar.shared import compiled
from thenar.shared.errors import InputError, Problem, Strict, shown, validated
from thenar.shared.signals import Calibration, ChannelCalibration

EVERY_RUN: Final = (*(f"{name}.parquet" for name in TABLES), "events.jsonl", "trials.csv", "summary.json")
"""What every run folder lists, beside pictures and copies of inputs."""
LIBRARIES: Final = ("numpy", "scipy", "numba", "llvmlite", "simpy", "pydantic", "pyarrow")
Count = Annotated[int, Field(ge=0, lt=1 << 31)]


class ScenarioText(Strict):
    """The scenario file as it was: its name, SHA-256 of its UTF-8 bytes, and the bytes as text."""

    name: str
    sha256: Sha256
    text: str


def _relative(name: str) -> str:
    climbs = not is_plain_name(PurePosixPath(name).name)
    if climbs or not name.isprintable() or name.startswith("/") or PureWindowsPath(name).drive or "\\" in name:
        raise ValueError("the name of a file, relative to the scenario file, with / between folders")
    return name


class StoredInput(Strict):
    """A file that the scenario names (`key`: where, `name`: as written there) and its copy in the run folder."""

    key: str
    name: Annotated[str, AfterValidator(_relative)]
    sha256: Sha256
    stored: PlainName


class LimitDeviation(Strict):
    """A bound looser than in the shipped profile that the used one starts from, both in `unit`, and why."""

    key: str
    rule: str
    default: float
    value: float
    unit: str
    reason: str


class LimitsUsed(Strict):
    """The limit profile: its name in the scenario, the fingerprint of its frozen values (R35), and the values.

    `based_on`: the shipped profile that it starts from (None: it is one); `deviations`: what is looser than there.
    """

    profile: str
    fingerprint: str
    values: dict[str, Any]
    based_on: str | None = None
    deviations: Annotated[tuple[LimitDeviation, ...], Field(strict=False)] = ()


class LawUsed(Strict):
    """Where the law ran: one of thenar's own, a user's in a process of its own, or inside this one (`--trust-law`)."""

    where: Where


class ChannelRecord(Strict):
    """One channel's calibration, as in `thenar.shared.signals.ChannelCalibration`; zeros: none on file."""

    sensory_mA: float
    motor_mA: float
    ceiling_mA: float
    width_us: float
    rate_Hz: float
    full_current_mA: float
    spread: float
    reachable_N: float


class CalibrationRecord(Strict):
    """A wearer's calibration, with the measured maximum in N."""

    agonist: ChannelRecord
    antagonist: ChannelRecord
    max_pinch_N: float

    @classmethod
    def of(cls, calibration: Calibration) -> Self:
        """The record of a calibration."""
        agonist, antagonist, max_pinch_N = calibration
        return cls(
            agonist=ChannelRecord(**agonist._asdict()),
            antagonist=ChannelRecord(**antagonist._asdict()),
            max_pinch_N=max_pinch_N,
        )

    def calibration(self) -> Calibration:
        """The calibration as the loop took it."""
        agonist, antagonist = (ChannelCalibration(**side.model_dump()) for side in (self.agonist, self.antagonist))
        return Calibration(agonist, antagonist, self.max_pinch_N)


class TrialRecord(Strict):
    """One trial: its label, length in us, the wearer's maximum in N, and SHA-256 by table and column.

    With the limit profile, `calibration`, `control_period_us` and `screening` give the integer limits that the
    interlock enforced: `profile.limits_for(calibration, control_period_us, screening)`; `limits` holds these, by
    table and name, for the auditor to compare with its own. `objections`: what in the screening forbids arming
    (R27), empty when nothing does.
    """

    trial: Count
    wearer: Count
    wearer_name: str
    condition: str
    repeat: Count
    duration_us: Annotated[int, Field(ge=1, le=LONGEST_US)]
    max_pinch_N: float
    calibration: CalibrationRecord
    screening: ScreeningOnFile | None
    objections: Annotated[tuple[str, ...], Field(strict=False)]
    limits: dict[str, dict[str, int]]
    control_period_us: Annotated[int, Field(ge=1, le=LONGEST_US)]
    columns: dict[str, dict[str, Sha256]]


class MadeBy(Strict):
    """What ran it: thenar's version, the fingerprint of its step sources, Python, libraries and machine."""

    thenar: str
    steps: str
    python: str
    libraries: dict[str, str]
    platform: str
    machine: str


class Manifest(Strict):
    """The whole of manifest.json. `seed` is the one that was used, `written_utc` in ISO 8601.

    `limits_text`: the limit profile's file as it was, which is what the auditor reads.
    `signed_by`: fingerprint of the key whose signature lies beside it, None for none.

    `files` and `sha256` are those of every seal (thenar.report.folder), put in as it is written.
    """

    format: Literal[2]
    scenario: ScenarioText
    seed: int
    limits: LimitsUsed
    limits_text: str
    law: LawUsed
    inputs: Annotated[tuple[StoredInput, ...], Field(strict=False)]
    trials: Annotated[tuple[TrialRecord, ...], Field(strict=False)]
    command: Annotated[tuple[str, ...], Field(strict=False)]
    made_by: MadeBy
    written_utc: str
    caution: str
    signed_by: str | None = None
    files: dict[PlainName, StoredFile] = Field(default_factory=dict)
    sha256: str = ""


def profile_of(values: Mapping[str, Any], fingerprint: str, file: str, key: str) -> LimitProfile:
    """The limit profile of recorded values. Raises InputError unless they are a profile's and have this fingerprint."""
    named = {"schema" if name == "schema_version" else name: value for name, value in values.items()}
    profile = validated(LimitProfile, named, f"{file}: {key}")
    if profile.fingerprint() != fingerprint:
        found, allowed = "values that were changed after they were written", f"values with fingerprint {fingerprint}"
        raise InputError([Problem(file, key, found, allowed)])
    return profile


def limits_used(name: str, profile: LimitProfile) -> LimitsUsed:
    """What a run says of its limits. `name`: what the scenario calls `profile`."""
    return LimitsUsed(
        profile=name,
        fingerprint=profile.fingerprint(),
        values=profile.model_dump(mode="json", exclude_none=True),
        based_on=profile.based_on,
        deviations=tuple(LimitDeviation(**found._asdict()) for found in profile.deviations()),
    )


def law_note(manifest: Manifest) -> str:
    """What a reader must know of where a user's law ran; "" for a law that ships with thenar."""
    where = manifest.law.where
    if where == TRUSTED:
        return "the law ran inside the process (--trust-law): nothing kept it from the interlock and the log"
    return "the law ran in a process of its own, apart from the interlock" if where == OWN_PROCESS else ""


def made_here() -> MadeBy:
    """The versions and the machine of this process."""
    return MadeBy(
        thenar=thenar.__version__,
        steps=compiled.source_fingerprint(Path(compiled.__file__).resolve().parent.parent),
        python=platform.python_version(),
        libraries={name: importlib.metadata.version(name) for name in LIBRARIES},
        platform=platform.platform(),
        machine=platform.machine(),
    )


def now_utc() -> str:
    """This moment in ISO 8601, to the second."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def manifest_of(folder: FinishedFolder) -> Manifest:
    """The manifest of a finished run folder. Raises InputError when it says what no run says."""
    file = folder.file(MANIFEST)
    manifest = validated(Manifest, folder.record, file)
    if hashlib.sha256(manifest.scenario.text.encode()).hexdigest() != manifest.scenario.sha256:
        allowed = f"text with SHA-256 {manifest.scenario.sha256}"
        raise InputError([Problem(file, "scenario.text", "text that was changed after the run", allowed)])
    problems = [
        Problem(file, f"inputs[{number}].stored", f"{shown(entry.stored)}, not listed with that hash", "a listed file")
        for number, entry in enumerate(manifest.inputs)
        if entry.stored not in folder or folder.files[entry.stored].sha256 != entry.sha256
    ]
    missing = [name for name in EVERY_RUN if name not in folder]
    problems += [Problem(file, "files", f"no {name}", "every file that a run leaves") for name in missing]
    numbers = [record.trial for record in manifest.trials]
    if len(set(numbers)) < len(numbers):
        problems.append(Problem(file, "trials", "a trial number twice", "each trial once"))
    if problems:
        raise InputError(problems)
    return manifest


def changes_since(then: MadeBy, now: MadeBy) -> list[str]:
    """What differs between two makers, one line each: "numpy 2.0.1 then, 2.4.6 now"."""
    pairs = [("thenar", then.thenar, now.thenar), ("step sources", then.steps, now.steps)]
    pairs += [("python", then.python, now.python)]
    names = sorted(then.libraries.keys() | now.libraries.keys())
    pairs += [(name, then.libraries.get(name, "none"), now.libraries.get(name, "none")) for name in names]
    pairs += [("platform", then.platform, now.platform)]
    return [f"{name}: {was} then, {current} now" for name, was, current in pairs if was != current]
