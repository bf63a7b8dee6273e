"""What is on file about a person before a session: screening answers and a calibration.

Nothing on file is a legal scenario: the ceilings are then zero and the interlock refuses to arm (R07, R27).
Demo scenarios carry invented answers and numbers, and say so with `invented = true`.
"""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from thenar.plant_models.settings import Wearer
from thenar.safety.bounds import CHANNEL
from thenar.safety.screening import Screening
from thenar.shared.errors import Strict
from thenar.shared.signals import NOT_CALIBRATED, Calibration, ChannelCalibration

HIGHEST_CEILING_MA: Final = CHANNEL["peak_mA"].high
_INVENTED: Final = "true when nobody real gave this; say it either way"
_LOWER: Final = {"motor_mA": "sensory_mA", "ceiling_mA": "motor_mA", "full_current_mA": "motor_mA"}
"""Each current and the one that it must lie above."""

Milliamperes = Annotated[float, Field(gt=0, le=HIGHEST_CEILING_MA)]
WidthUs = Annotated[float, Field(ge=50, le=500)]
RateHz = Annotated[float, Field(ge=5, le=100)]


class ScreeningOnFile(Screening):
    """Placement and answers as a scenario states them, and whether they are made up."""

    invented: bool = Field(description=_INVENTED)


class SimulatedCalibration(Strict):
    """A calibration session simulated on each wearer: exact unless it has steps, varying reports or misread forces."""

    source: Literal["simulated"] = Field(description="a calibration session simulated on each wearer")
    width_us: WidthUs = Field(250.0, description="pulse width of the calibration, us")
    rate_Hz: RateHz = Field(40.0, description="pulse rate of the calibration, Hz")
    step_mA: float = Field(0.0, ge=0, le=10, description="step of the staircase, mA; 0 for none")
    report_sd: float = Field(0.0, ge=0, le=1, description="SD of the log of one report of threshold or comfort")
    force_sd: float = Field(0.0, ge=0, le=1, description="SD of the log of one measured force")
    repeats: int = Field(3, ge=1, le=20, description="how often each is asked or measured; the mean counts")

    @property
    def is_exact(self) -> bool:
        """Whether the session finds what the models hold."""
        return self.step_mA == 0.0 and self.report_sd == 0.0 and self.force_sd == 0.0


class ChannelOnFile(Strict):
    """What a calibration session measured on one channel, written down by hand."""

    sensory_mA: Milliamperes = Field(description="current that is just felt, mA")
    motor_mA: Milliamperes = Field(description="current that just moves the thumb, mA; above sensory_mA")
    ceiling_mA: Milliamperes = Field(description="this person's comfort ceiling, mA; above motor_mA")
    width_us: WidthUs = Field(description="pulse width at which this was measured, us")
    rate_Hz: RateHz = Field(description="pulse rate at which this was measured, Hz")
    full_current_mA: float = Field(
        gt=0, le=1000, description="current that recruits half of the reachable muscle, mA; above motor_mA"
    )
    spread: float = Field(gt=0.01, le=2, description="spread of log current over which recruitment grows, no unit")
    reachable_N: float = Field(gt=0, le=200, description="pinch force of full recruitment, N")

    @field_validator(*_LOWER)
    @classmethod
    def _above(cls, current_mA: float, info: ValidationInfo) -> float:
        lower = _LOWER[str(info.field_name)]
        if current_mA <= info.data.get(lower, 0.0):
            raise ValueError(f"above {lower} = {info.data[lower]!r}")
        return current_mA


class CalibrationOnFile(Strict):
    """A calibration by hand. A channel left out is not calibrated: nothing may leave on it."""

    source: Literal["on-file"] = Field(description="numbers by hand, of one person")
    invented: bool = Field(description=_INVENTED)
    agonist: ChannelOnFile | None = Field(None, description="thumb flexor channel; left out: not calibrated")
    antagonist: ChannelOnFile | None = Field(None, description="thumb extensor channel; left out: not calibrated")
    max_pinch_N: float = Field(gt=5, le=250, description="measured maximum voluntary key pinch, N")

    @model_validator(mode="after")
    def _something(self) -> Self:
        if self.agonist is None and self.antagonist is None:
            raise ValueError("at least one of agonist and antagonist, or no [calibration] at all")
        return self

    def calibration(self) -> Calibration:
        """The numbers as the loop takes them; zeros for a channel that is left out."""
        return Calibration(_channel(self.agonist), _channel(self.antagonist), self.max_pinch_N)


def _channel(on_file: ChannelOnFile | None) -> ChannelCalibration:
    return NOT_CALIBRATED if on_file is None else ChannelCalibration(**on_file.model_dump())


CalibrationSource = Annotated[SimulatedCalibration | CalibrationOnFile, Field(discriminator="source")]

SOURCES: Final[dict[str, type[SimulatedCalibration | CalibrationOnFile]]] = {
    "simulated": SimulatedCalibration,
    "on-file": CalibrationOnFile,
}


class WearerByHand(Wearer):
    """One of `[[wearers]]`: a wearer, and what is on file about this one alone.

    An own table replaces the common one whole, so that no answer is inherited by accident.
    """

    screening: ScreeningOnFile | None = Field(None, description="in place of the common [screening]")
    calibration: CalibrationSource | None = Field(None, description="in place of the common [calibration]")

    def body(self) -> Wearer:
        """The wearer alone, as the models take one."""
        own: dict[str, Any] = {name: getattr(self, name) for name in Wearer.model_fields}
        return Wearer.model_validate(own)
