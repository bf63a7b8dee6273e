"""Faults that a scenario file schedules: the `[[faults]]` tables. Each kind has only the keys it needs."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import AfterValidator, Field

from thenar.safety.requirements import RULE_PATTERN
from thenar.shared.errors import Strict

Condition = Literal["unassisted", "assisted", "stimulation-only"]
CONDITIONS: Final[tuple[Condition, ...]] = ("unassisted", "assisted", "stimulation-only")


def _distinct(conditions: tuple[Condition, ...]) -> tuple[Condition, ...]:
    if len(set(conditions)) != len(conditions):
        raise ValueError("each condition once")
    return conditions


Conditions = Annotated[
    tuple[Condition, ...], Field(strict=False, min_length=1, max_length=len(CONDITIONS)), AfterValidator(_distinct)
]


class _Scheduled(Strict):
    """What every fault has: when it begins, and in which conditions."""

    at_s: float = Field(ge=0, le=7200, description="time since the trial began, s")
    conditions: Conditions | None = Field(None, description="conditions it happens in; all when left out")


class _Lasting(_Scheduled):
    """A fault that ends by itself."""

    for_s: float = Field(ge=0.001, le=7200, description="how long it lasts, s")


class Dropout(_Lasting):
    """No estimate leaves the sensor."""

    kind: Literal["dropout"] = Field(description="no estimate leaves the sensor")


class Stuck(_Lasting):
    """The sensor repeats its last estimate as if it were new."""

    kind: Literal["stuck"] = Field(description="the sensor repeats its last estimate as if it were new")


class Jump(_Scheduled):
    """The sensor is re-seated: from here on it reads `gain` times the force plus `offset_N`."""

    kind: Literal["jump"] = Field(description="the sensor is re-seated and reads differently from here on")
    offset_N: float = Field(ge=-100, le=100, description="added to every reading from here on, N")
    gain: float = Field(ge=0, le=10, description="times every reading from here on, no unit (1 = unchanged)")


class ElectrodeLift(_Lasting):
    """A pad comes off in part: less area carries the current."""

    kind: Literal["electrode-lift"] = Field(description="a pad comes off in part")
    channel: Literal["agonist", "antagonist"] = Field(description="whose pad")
    contact_share: float = Field(ge=0, lt=1, description="share of the pad that still touches, no unit (0 = off)")


class UnbalancedPulses(_Lasting):
    """The stimulator's second phase falls short: each pulse leaves net charge behind."""

    kind: Literal["unbalanced-pulses"] = Field(description="the second phase of each pulse falls short")
    channel: Literal["agonist", "antagonist"] = Field(description="whose pulses")
    missing_share: float = Field(
        gt=0, le=1, description="share of the second phase that is missing, no unit (1 = pulses break off half-way)"
    )


class ControllerStall(_Lasting):
    """The control law gives no answer."""

    kind: Literal["controller-stall"] = Field(description="the control law gives no answer")


class EmergencyStop(_Scheduled):
    """The operator presses the emergency stop."""

    kind: Literal["emergency-stop"] = Field(description="the operator presses the emergency stop")


class ReArm(_Scheduled):
    """The operator re-arms the interlock and names what has latched. A wrong name leaves it latched."""

    kind: Literal["re-arm"] = Field(description="the operator re-arms, naming what has latched")
    cause: str = Field(
        pattern=RULE_PATTERN,
        description="requirement that latched, as R33 (an emergency stop)",
    )


Fault = Annotated[
    Dropout | Stuck | Jump | ElectrodeLift | UnbalancedPulses | ControllerStall | EmergencyStop | ReArm,
    Field(discriminator="kind"),
]

KINDS: Final[dict[str, type[Strict]]] = {
    "dropout": Dropout,
    "stuck": Stuck,
    "jump": Jump,
    "electrode-lift": ElectrodeLift,
    "unbalanced-pulses": UnbalancedPulses,
    "controller-stall": ControllerStall,
    "emergency-stop": EmergencyStop,
    "re-arm": ReArm,
}


def length_s(fault: Fault) -> float:
    """How long a fault lasts, s; 0 for one that only happens."""
    return fault.for_s if isinstance(fault, _Lasting) else 0.0
