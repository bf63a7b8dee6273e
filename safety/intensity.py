"""How fast what a channel delivers may rise, however current, width and rate are combined (R40).

R20 bounds current and width, tick by tick; a law that lets its current rise at one pulse a second and then asks for
fifty walks past it. So the gate also bounds what is delivered per second, reckoned from one pulse to the next:

    X = max(current - first step, 0) * max(width, reference width) / time since the channel's last pulse

Charge per second, because it grows with all three. The first step's current is free at any rate, as R21 gives it at
once. A pulse narrower than the reference counts as one of that width: per unit of charge it recruits more (Weiss and
Lapicque), so a train could otherwise be made narrow and then wide at no rise of charge. For every pulse

    X <= top + slew * (time since the last pulse + one control period),

where `top` rises with the slew and is at most 11/10 of the X of every earlier pulse since arming or the last rest.
The tenth is for a pulse that waits for the other channel (R26: 1.85 ms of 20 ms at the widest); it does not add up.
The slew of the shipped profiles is that of R20 at 300 us and 40 Hz, so an ordinary ramp is never held up.

The pulse that comes too soon is left out until the very microsecond at which it may leave, as with a used-up window:
`admit` stays as it is (a period stretched there would give a tighter ceiling on current a shorter period).

What it doesn't bound: the twitch of a single pulse, and force that no longer grows with charge. Largest rise over
100 ms on the default muscle (tests/loop/test_rise_of_force.py): 76.6 N/s for a ramp at 300 us and 40 Hz, 84.3 N/s for a
train made strong at 1.1 Hz and then asked for at 50 Hz (174.8 N/s without R40), of which one twitch alone makes 84.1.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from thenar.safety.budget import Command
from thenar.safety.limits import ChannelLimits, LoopLimits
from thenar.safety.memory import ChannelMemory, IntensityMemory
from thenar.safety.reasons import R40
from thenar.shared.compiled import step

_US_PER_S: Final = 1_000_000


class Intensity(NamedTuple):
    """What a pulse leaves to be remembered, and what it asks for: silence until a time."""

    memory: IntensityMemory
    withhold: int
    hold_until_us: int


@step
def counted_pC(limits: ChannelLimits, command: Command) -> int:
    """What one pulse counts for: the charge above the first step's current, at the reference width or wider."""
    return max(command.current_uA - limits.first_step_uA, 0) * max(command.width_us, limits.intensity_width_us)


@step
def rises_too_fast(limits: ChannelLimits, loop: LoopLimits, top_pC_per_s: int, counted: int, since_us: int) -> bool:
    """Whether `counted` pC after `since_us` are more per second than the slew allows over `top_pC_per_s`.

    True for no longer time once it is false for a shorter one.
    """
    most = top_pC_per_s + limits.intensity_slew_pC_per_s2 * (since_us + loop.control_period_us) // _US_PER_S
    return counted * _US_PER_S > most * since_us


@step
def soonest_us(limits: ChannelLimits, loop: LoopLimits, top_pC_per_s: int, counted: int, since_us: int) -> int:
    """Shortest time after the last pulse, above `since_us` which is too short, at which the pulse may leave.

    At most the rest time: from there on the channel starts anew (R21).
    """
    low, high = since_us, loop.rest_us
    while high - low > 1:
        middle = (low + high) // 2
        if rises_too_fast(limits, loop, top_pC_per_s, counted, middle):
            low = middle
        else:
            high = middle
    return high


@step
def next_top_pC_per_s(limits: ChannelLimits, top_pC_per_s: int, counted: int, since_us: int) -> int:
    """`top` after a pulse of `counted` pC, `since_us` after the last one."""
    risen = top_pC_per_s + limits.intensity_slew_pC_per_s2 * since_us // _US_PER_S
    return min(risen, 11 * counted * _US_PER_S // (10 * since_us))


@step
def intensity_of(
    limits: ChannelLimits, loop: LoopLimits, own: ChannelMemory, command: Command, silent: bool, t_us: int
) -> Intensity:
    """Whether a pulse at `t_us` lets the channel's output rise too fast (R40). `silent`: nothing is delivered yet."""
    if silent:
        return Intensity(IntensityMemory(0), 0, t_us)
    top_pC_per_s = own.intensity.top_pC_per_s
    since_us = max(t_us - own.train.pulse_us, 1)
    counted = counted_pC(limits, command)
    if rises_too_fast(limits, loop, top_pC_per_s, counted, since_us):
        until_us = own.train.pulse_us + soonest_us(limits, loop, top_pC_per_s, counted, since_us)
        return Intensity(own.intensity, R40, until_us)
    return Intensity(IntensityMemory(next_top_pC_per_s(limits, top_pC_per_s, counted, since_us)), 0, t_us)
