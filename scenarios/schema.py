"""The scenario file as checked values. `loader.py` reads one, `checks.py` looks at how its parts fit together."""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import AfterValidator, Field

from thenar.controller.registry import LawSettings
from thenar.plant_models.settings import Estimator, Handling, Population, Wearer
from thenar.scenarios.clock import Clock
from thenar.scenarios.faults import Conditions, Fault
from thenar.scenarios.person import CalibrationSource, ScreeningOnFile, WearerByHand
from thenar.scenarios.study import Study
from thenar.scenarios.targets import Target
from thenar.shared.errors import Strict
from thenar.shared.ticks import us_from_s

SCHEMA_VERSION: Final = 1
LARGEST_SEED: Final = 2**63 - 1


def _printable(text: str) -> str:
    if not text.replace("\n", " ").isprintable():
        raise ValueError("text without control characters")
    return text


def _one_line(text: str) -> str:
    if not text.isprintable():
        raise ValueError("one line of text without control characters")
    return text


class LimitChoice(Strict):
    """Which limits the interlock enforces."""

    profile: Annotated[str, AfterValidator(_one_line)] = Field(
        "forearm-25cm2",
        min_length=1,
        max_length=400,
        description="a shipped profile's name, or a TOML file relative to the scenario file",
    )


class Session(Strict):
    """What the operator does."""

    arm_at_s: float = Field(0.0, ge=0, le=7200, description="when the operator arms the interlock, s")


class Scenario(Strict):
    """One study: wearers, conditions, target, sensor, control law, limits and faults."""

    title: Annotated[str, AfterValidator(_one_line)] = Field(
        min_length=1, max_length=120, description="what this is, in one line"
    )
    watch: Annotated[str, AfterValidator(_printable)] = Field(
        "", max_length=2000, description="what to look at in the results"
    )
    seed: int = Field(1, ge=0, le=LARGEST_SEED, description="all noise follows from it")
    duration_s: float = Field(ge=0.1, le=7200, description="length of each trial, s")
    repeats: int = Field(1, ge=1, le=1000, description="trials per wearer and condition")
    conditions: Conditions = Field(
        description="unassisted: no stimulation; assisted: wearer and stimulation; stimulation-only: the hand at rest"
    )
    wearer: Wearer = Field(default_factory=Wearer, description="the base wearer; what is left out has a default")
    population: Population | None = Field(None, description="wearers drawn around the base wearer")
    wearers: Annotated[tuple[WearerByHand, ...], Field(strict=False, max_length=1000)] = Field(
        (), description="wearers by hand: each states only what differs from the base wearer, and its own name"
    )
    screening: ScreeningOnFile | None = Field(
        None, description="placement and answers of every wearer; left out: none on file, the loop refuses to arm"
    )
    calibration: CalibrationSource | None = Field(
        None, description="thresholds and ceilings; left out: none on file, ceilings of zero, the loop refuses to arm"
    )
    target: Target = Field(description="the force that the wearer should hold")
    estimator: Estimator = Field(default_factory=Estimator, description="how fingertip force is estimated")
    law: LawSettings = Field(description="the control law and its settings")
    limits: LimitChoice = Field(default_factory=LimitChoice, description="the limits that the interlock enforces")
    handling: Handling = Field(default_factory=Handling, description="strokes of the held tool")
    clock: Clock = Field(default_factory=Clock, description="how often things run")
    session: Session = Field(default_factory=Session, description="what the operator does")
    steady_s: float = Field(
        3.0, ge=0.5, le=3600, description="measured as the steady part of a hold: its last s, at most its half"
    )
    study: Study | None = Field(None, description="order, practice, rest and measures of a study; left out: none")
    faults: Annotated[tuple[Fault, ...], Field(strict=False, max_length=200)] = Field(
        (), description="faults, each at its time"
    )

    @property
    def duration_us(self) -> int:
        """Length of each trial, whole us."""
        return us_from_s(self.duration_s)

    def screening_of(self, number: int) -> ScreeningOnFile | None:
        """The screening on file of wearer `number` (from 0): the own one, or the common one. None: none on file."""
        own = self.wearers[number].screening if self.wearers else None
        return self.screening if own is None else own

    def calibration_of(self, number: int) -> CalibrationSource | None:
        """Where the calibration of wearer `number` (from 0) comes from, as in `screening_of`."""
        own = self.wearers[number].calibration if self.wearers else None
        return self.calibration if own is None else own

    @property
    def wearer_count(self) -> int:
        """How many wearers take part."""
        return self.population.count if self.population is not None else max(1, len(self.wearers))

    @property
    def trial_count(self) -> int:
        """Wearers times conditions times repeats."""
        return self.wearer_count * len(self.conditions) * self.repeats
