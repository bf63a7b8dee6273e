"""manifest.json: everything needed to run the same again, and to tell what has changed since."""

from __future__ import annotations

import datetime
import importlib.metadata
import json
import platform
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

from pydantic import Field

import thenar
from thenar.controller.registry import OWN_PROCESS, TRUSTED, Where
from thenar.safety.profile import LimitProfile
from thenar.scenarios.person import ScreeningOnFile
from thenar.shared import compiled
from thenar.shared.errors import InputError, Problem, Strict, validated
from thenar.shared.signals import Calibration, ChannelCalibration

FILE: Final = "manifest.json"
FORMAT: Final = 1
LIBRARIES: Final = ("numpy", "scipy", "numba", "llvmlite", "simpy", "pydantic", "pyarrow")


class ScenarioText(Strict):
    """The scenario file as it was: its name, SHA-256 of its UTF-8 bytes, and the bytes as text."""

    name: str
    sha256: str
    text: str


class StoredInput(Strict):
    """A file that the scenario names (`key`: where, `name`: as written there) and its copy in the run folder."""

    key: str
    name: str
    sha256: str
    stored: str


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

    trial: int
    wearer: int
    wearer_name: str
    condition: str
    repeat: int
    duration_us: int
    max_pinch_N: float
    calibration: CalibrationRecord
    screening: ScreeningOnFile | None
    objections: Annotated[tuple[str, ...], Field(strict=False)]
    limits: dict[str, dict[str, int]]
    control_period_us: int
    columns: dict[str, dict[str, str]]


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

    `law`: None in a folder from before this was kept.
    `limits_text`: the limit profile's file as it was, which is what the auditor reads.
    """

    format: Literal[1]
    scenario: ScenarioText
    seed: int
    limits: LimitsUsed
    limits_text: str
    law: LawUsed | None = None
    inputs: Annotated[tuple[StoredInput, ...], Field(strict=False)]
    trials: Annotated[tuple[TrialRecord, ...], Field(strict=False)]
    command: Annotated[tuple[str, ...], Field(strict=False)]
    made_by: MadeBy
    written_utc: str
    caution: str


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
    where = None if manifest.law is None else manifest.law.where
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


def read_manifest(folder: Path) -> Manifest:
    """The manifest of a finished run folder. Raises InputError when there is none or it is damaged."""
    file = folder / FILE
    allowed = "a folder that `thenar run` has finished"
    if not file.is_file():
        found = "no such folder" if not folder.exists() else f"no {FILE} in it"
        raise InputError([Problem(str(folder), "", found, allowed)])
    try:
        data = json.loads(file.read_bytes().decode("utf-8"))
    except OSError as error:
        raise InputError([Problem(str(file), "", error.strerror or str(error), "a readable file")]) from None
    except (ValueError, RecursionError) as error:
        raise InputError([Problem(str(file), "", str(error), "JSON as `thenar run` wrote it")]) from None
    return validated(Manifest, data, str(file))


def changes_since(then: MadeBy, now: MadeBy) -> list[str]:
    """What differs between two makers, one line each: "numpy 2.0.1 then, 2.4.6 now"."""
    pairs = [("thenar", then.thenar, now.thenar), ("step sources", then.steps, now.steps)]
    pairs += [("python", then.python, now.python)]
    names = sorted(then.libraries.keys() | now.libraries.keys())
    pairs += [(name, then.libraries.get(name, "none"), now.libraries.get(name, "none")) for name in names]
    pairs += [("platform", then.platform, now.platform)]
    return [f"{name}: {was} then, {current} now" for name, was, current in pairs if was != current]
