"""What a scenario file says about the force that the wearer should hold: the `[target]` table."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field

from thenar.shared.errors import Strict

HIGHEST_TARGET_N: Final = 200.0
COLUMN_PATTERN: Final = r"^\w+_N$"

Level = Annotated[float, Field(ge=0, le=HIGHEST_TARGET_N)]
Levels = Annotated[tuple[Level, ...], Field(strict=False, min_length=1, max_length=50)]


class ConstantTarget(Strict):
    """One force from beginning to end."""

    program: Literal["constant"] = Field(description="one force from beginning to end")
    level_N: Level = Field(description="the force, N")


class StepsTarget(Strict):
    """Forces that change at equal intervals."""

    program: Literal["steps"] = Field(description="forces that change at equal intervals")
    levels_N: Levels = Field(description="the forces, N")
    every_s: float = Field(ge=0.1, le=3600, description="time between changes, s")
    order: Literal["random", "listed"] = Field(
        "random",
        description="random: every level once per block, blocks shuffled anew for each wearer and repeat, never one "
        "level twice in a row; listed: as written, over and over",
    )


class RampAndHoldTarget(Strict):
    """A straight ramp, then a hold; then again from the start of the ramp, until the trial ends."""

    program: Literal["ramp-and-hold"] = Field(description="a straight ramp, then a hold, again and again")
    from_N: Level = Field(description="force at the start of the ramp, N")
    to_N: Level = Field(description="force at the end of the ramp and during the hold, N")
    ramp_s: float = Field(ge=0.01, le=3600, description="length of the ramp, s")
    hold_s: float = Field(ge=0, le=7200, description="length of the hold, s")


class SineTarget(Strict):
    """A sine around a mean; it starts at the mean and rises."""

    program: Literal["sine"] = Field(description="a sine around a mean, starting at the mean and rising")
    mean_N: Level = Field(description="middle of the sine, N")
    amplitude_N: float = Field(gt=0, le=HIGHEST_TARGET_N, description="from the middle to the top, N")
    period_s: float = Field(ge=0.2, le=3600, description="length of one cycle, s")


class RecordingTarget(Strict):
    """A force that was recorded, or made elsewhere, read from a CSV file."""

    program: Literal["recording"] = Field(description="a force read from a CSV file")
    file: str = Field(min_length=1, max_length=400, description="CSV file, relative to the scenario file")
    column: str = Field("target_N", pattern=COLUMN_PATTERN, max_length=60, description="column to read, in N")
    repeat: bool = Field(False, description="start over at the end (else the last value stays)")


Target = Annotated[
    ConstantTarget | StepsTarget | RampAndHoldTarget | SineTarget | RecordingTarget, Field(discriminator="program")
]

PROGRAMS: Final[dict[str, type[Strict]]] = {
    "constant": ConstantTarget,
    "steps": StepsTarget,
    "ramp-and-hold": RampAndHoldTarget,
    "sine": SineTarget,
    "recording": RecordingTarget,
}


def moves(target: Target) -> bool:
    """True when the program holds no level (ramp, sine, recording): its trials are measured as one whole."""
    return not isinstance(target, ConstantTarget | StepsTarget)


def highest_N(target: Target) -> float | None:
    """The highest force of a program, N. None for a recording: only its file knows."""
    match target:
        case ConstantTarget():
            return target.level_N
        case StepsTarget():
            return max(target.levels_N)
        case RampAndHoldTarget():
            return max(target.from_N, target.to_N)
        case SineTarget():
            return target.mean_N + target.amplitude_N
        case RecordingTarget():
            return None


def strength_key(target: Target) -> str:
    """The key of a scenario that decides how strong a target is."""
    match target:
        case ConstantTarget():
            return "target.level_N"
        case StepsTarget():
            return "target.levels_N"
        case RampAndHoldTarget(from_N=start, to_N=end):
            return "target.from_N" if start > end else "target.to_N"
        case SineTarget():
            return "target.amplitude_N"
        case RecordingTarget():
            return "target.file"
