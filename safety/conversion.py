"""From a profile and one person's calibration to the interlock's integers, along the table of `safety.bounds`."""

from __future__ import annotations

import math
from decimal import Decimal
from typing import TYPE_CHECKING

from thenar.safety.bounds import BOUNDS, CONTROL_PERIOD_US, MADE, SHORT_WINDOW_US, Part, number_of, written
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits
from thenar.safety.screening import Screening, objections_to
from thenar.shared.signals import NOTHING_ON_FILE, Calibration, ChannelCalibration

if TYPE_CHECKING:
    from thenar.safety.profile import ChannelBounds, LimitProfile, LoopBounds

Numbers = dict[str, int | Decimal]


def limits_of(
    profile: LimitProfile, calibration: Calibration | None, control_period_us: int, screening: Screening | None
) -> Limits:
    """See `LimitProfile.limits_for`."""
    shortest, longest = CONTROL_PERIOD_US
    if type(control_period_us) is not int or not shortest <= control_period_us <= longest:
        raise ValueError(f"a control period is a whole number of us from {shortest} to {longest}")
    person = NOTHING_ON_FILE if calibration is None else calibration
    period: Numbers = {"control_period_us": control_period_us}
    loop = _numbers("loop", profile.loop, control_period_us)
    around = period | {f"loop.{key}": number for key, number in loop.items()}
    given = {
        "control_period_us": control_period_us,
        "short_window_us": SHORT_WINDOW_US,
        "screening_clear": 0 if objections_to(screening) else 1,
    }
    return Limits(
        _channel(profile.agonist, person.agonist, control_period_us, around),
        _channel(profile.antagonist, person.antagonist, control_period_us, around),
        LoopLimits(**given, **_fields("loop", loop | period | {"max_pinch_N": _usable(person.max_pinch_N)})),
    )


def _channel(
    bounds: ChannelBounds, person: ChannelCalibration, control_period_us: int, around: Numbers
) -> ChannelLimits:
    own: Numbers = {"ceiling_mA": _usable(person.ceiling_mA), "motor_mA": _usable(person.motor_mA)}
    return ChannelLimits(**_fields("channel", _numbers("channel", bounds, control_period_us) | own | around))


def _usable(value: float) -> Decimal:
    """A calibrated value; zero when it is not a positive finite number (R07: none on file is zero)."""
    return written(value) if math.isfinite(value) and value > 0 else Decimal(0)


def _numbers(part: Part, bounds: ChannelBounds | LoopBounds, control_period_us: int) -> Numbers:
    """Every bound of a part by key: whole, or exact where its row says so."""
    return {
        row.key: number_of(row, getattr(bounds, row.key).value, control_period_us) for row in BOUNDS if row.part == part
    }


def _fields(part: Part, numbers: Numbers) -> dict[str, int]:
    """The limits of a part by field, plain and made ones."""
    plain = {row.field: int(numbers[row.key]) for row in BOUNDS if row.part == part and row.field}
    made = {each.field: each.limit(*(numbers[key] for key in each.of)) for each in MADE if each.part == part}
    return plain | made
