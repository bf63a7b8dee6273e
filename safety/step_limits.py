"""How fast a channel may rise (R20, R21), how a planned stop comes down (R22, R30, R32), and the device step (R36)."""

from __future__ import annotations

from typing import Final

from thenar.safety.ceilings import Bounded, cut
from thenar.safety.limits import ChannelLimits, LoopLimits
from thenar.safety.memory import CommandMemory, TrainMemory
from thenar.safety.reasons import R20, R21, R31, R36
from thenar.shared.compiled import step

_US_PER_S: Final = 1_000_000
_LONGEST_US: Final = 10_000_000


@step
def is_silent(loop: LoopLimits, train: TrainMemory, armed_us: int, t_us: int) -> bool:
    """Whether the channel has fired no pulse since arming, or none within the last rest time."""
    return train.pulse_us < armed_us or t_us - train.pulse_us >= loop.rest_us


@step
def limit_rise(
    limits: ChannelLimits,
    loop: LoopLimits,
    command: CommandMemory,
    train: TrainMemory,
    armed_us: int,
    given: Bounded,
    t_us: int,
) -> Bounded:
    """R20 and R21 against the last delivered current and width; falling is never held up.

    A silent channel starts at the first step and stays there until it has fired. A rise is earned by the
    time since the last one (at most one control period's worth), so ticks that come faster gain nothing.
    The width has a slew bound of its own: R20 as written names current alone, and a law that works
    through the width would walk past it (own choice).
    """
    if given.current_uA == 0:
        return given
    silent = is_silent(loop, train, armed_us, t_us)
    starting = silent or command.current_uA <= limits.first_step_uA
    since_us = min(max(t_us - command.risen_us, 0), _LONGEST_US)
    rise_uA = min(limits.rise_uA, limits.slew_uA_per_s * since_us // _US_PER_S)
    top_uA = limits.first_step_uA if silent else max(limits.first_step_uA, command.current_uA + rise_uA)
    current = min(given.current_uA, top_uA)
    width = given.width_us
    if not starting:
        rise_us = min(limits.width_rise_us, limits.width_slew_us_per_s * since_us // _US_PER_S)
        width = min(width, command.width_us + rise_us)
    reasons = given.reasons
    if current != given.current_uA or width != given.width_us:
        reasons |= R21 if silent else R20
    return Bounded(current, width, given.period_us, reasons)


@step
def ramp_top_uA(limits: ChannelLimits, ramp_from_uA: int, ramping_us: int) -> int:
    """Highest current allowed `ramping_us` after a ramp to zero began at `ramp_from_uA`."""
    left = limits.ramp_us - ramping_us
    if left <= 0:
        return 0
    return min(ramp_from_uA, ramp_from_uA * left // limits.ramp_us)


@step
def no_further(command: CommandMemory, given: Bounded) -> Bounded:
    """R31 above the soft force bound: no more current, width or rate than was last delivered."""
    if given.current_uA == 0 or (
        given.current_uA <= command.current_uA
        and given.width_us <= command.width_us
        and given.period_us >= command.period_us
    ):
        return given
    lower = Bounded(
        given.current_uA,
        min(given.width_us, command.width_us),
        max(given.period_us, command.period_us),
        given.reasons | R31,
    )
    return cut(lower, command.current_uA, R31)


@step
def rounded(loop: LoopLimits, given: Bounded) -> Bounded:
    """R36: the current rounded toward zero to the device step."""
    return cut(given, given.current_uA - given.current_uA % max(loop.device_step_uA, 1), R36)
