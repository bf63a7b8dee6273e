"""Which bound on a steady command of one channel is met first, and which can't be met at all. Integers only.

All commands inside the allowed widths and rates are walked through: every whole width, and every number of pulses
that the interlock's short window can hold. For each bound the others are left in force and the largest amount of
what it bounds is taken; it can bind only when that amount reaches it. R07 (a person's own ceiling, which comes on
top), R20 and R21 (which hold a rise), R23 to R25 (time, both channels) are no part of this.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import isqrt
from typing import Final, NamedTuple

from thenar.safety.bounds import LOAD_OHM
from thenar.safety.budget import Command
from thenar.safety.ceilings import density_rms_uA, most_pulses
from thenar.safety.limits import ChannelLimits, LoopLimits

CLAMPS: Final = ("R06", "R09", "R10", "R12", "R13", "R16", "R17")
TRIPS: Final = ("R14", "R15")
RULES: Final = tuple(sorted(CLAMPS + TRIPS))


class Place(NamedTuple):
    """A width and rate, and the most pulses of that rate in the short window."""

    width_us: int
    period_us: int
    pulses: int


class Reach(NamedTuple):
    """How far a steady command gets towards one bound while all the others hold.

    `amount` and `bound` are in the unit of what the rule bounds (see `amount_of`). `binds`: the amount reaches the
    bound. `command`: where it is largest; `held_by`: the rules that stop the current there.
    """

    rule: str
    amount: int
    bound: int
    binds: bool
    command: Command
    held_by: tuple[str, ...]


class Stretch(NamedTuple):
    """Neighbouring widths over which one rule is met first, and its current at both ends."""

    rule: str
    from_us: int
    to_us: int
    current_from_uA: int
    current_to_uA: int


def places(channel: ChannelLimits, loop: LoopLimits) -> Iterator[Place]:
    """Every allowed width at the highest rate, then at the highest of each lower number of pulses in the window."""
    most = most_pulses(loop, channel.period_min_us)
    reach_us = most_pulses(loop, 1) - 1
    for pulses in range(most, 0, -1):
        period_us = channel.period_min_us if pulses == most else reach_us // pulses + 1
        for width_us in range(channel.width_min_us, channel.width_max_us + 1):
            yield Place(width_us, period_us, pulses)


def current_bounds_uA(channel: ChannelLimits, loop: LoopLimits, place: Place, ohm: int = -1) -> dict[str, int]:
    """The largest current in uA that each rule lets through at a place. `ohm` -1: load unknown, no R17."""
    square_us = 2 * place.width_us * place.pulses
    density_uA = density_rms_uA(channel, channel.density_rms_uA_per_cm2, -1)
    bounds = {
        "R06": channel.peak_uA,
        "R09": channel.charge_pC // place.width_us,
        "R10": channel.density_charge_pC // place.width_us,
        "R12": isqrt(channel.rms_uA * channel.rms_uA * loop.short_window_us // square_us),
        "R13": isqrt(density_uA * density_uA * loop.short_window_us // square_us),
        "R16": channel.rectified_pC // square_us,
    }
    if ohm > 0:
        bounds["R17"] = channel.compliance_uV // ohm
    return bounds


def amount_of(rule: str, channel: ChannelLimits, place: Place, current_uA: int) -> int:
    """What a rule bounds, at a place and a current.

    R06 in uA; R09 and R10 in pC per phase; R12, R13 and R15 in uA^2 us over the short window; R14 in aJ into
    500 ohm; R16 in pC over the short window; R17 in uV at the largest load that R28 accepts.
    """
    charge_pC = current_uA * place.width_us
    if rule == "R06":
        return current_uA
    if rule in {"R09", "R10"}:
        return charge_pC
    if rule == "R14":
        return 2 * LOAD_OHM * current_uA * charge_pC
    if rule == "R16":
        return 2 * charge_pC * place.pulses
    if rule == "R17":
        return current_uA * channel.ohm_max
    return 2 * current_uA * charge_pC * place.pulses


def bound_of(rule: str, channel: ChannelLimits, loop: LoopLimits) -> int:
    """The bound of a rule in the unit of `amount_of`. Raises KeyError for a rule that bounds no steady command."""
    window_us = loop.short_window_us
    density_uA = density_rms_uA(channel, channel.density_rms_uA_per_cm2, -1)
    return {
        "R06": channel.peak_uA,
        "R09": channel.charge_pC,
        "R10": channel.density_charge_pC,
        "R12": channel.rms_uA * channel.rms_uA * window_us,
        "R13": density_uA * density_uA * window_us,
        "R14": channel.energy_aJ,
        "R15": channel.power_rms_uA * channel.power_rms_uA * window_us,
        "R16": channel.rectified_pC,
        "R17": channel.compliance_uV,
    }[rule]


def reaches(channel: ChannelLimits, loop: LoopLimits) -> tuple[Reach, ...]:
    """How near each rule of RULES can be come to, in order of their numbers."""
    best: dict[str, tuple[int, Command, tuple[str, ...]]] = {}
    for place in places(channel, loop):
        bounds = current_bounds_uA(channel, loop, place)
        lowest, second = sorted(bounds, key=bounds.__getitem__)[:2]
        for rule in RULES:
            current_uA = bounds[second if rule == lowest else lowest]
            amount = amount_of(rule, channel, place, current_uA)
            if rule not in best or amount > best[rule][0]:
                held_by = tuple(name for name, bound in bounds.items() if name != rule and bound == current_uA)
                best[rule] = amount, Command(current_uA, place.width_us, place.period_us), held_by
    found = []
    for rule in RULES:
        amount, command, held_by = best[rule]
        bound = bound_of(rule, channel, loop)
        # A clamp acts from its bound on, a trip and a voltage only past it.
        binds = amount >= bound if rule in CLAMPS and rule != "R17" else amount > bound
        found.append(Reach(rule, amount, bound, binds, command, held_by))
    return tuple(found)


def first_met(channel: ChannelLimits, loop: LoopLimits, ohm: int = -1) -> tuple[Stretch, ...]:
    """The rule met first as the current rises at the highest rate, over stretches of width (ties: the lower number)."""
    found: list[Stretch] = []
    most = most_pulses(loop, channel.period_min_us)
    for width_us in range(channel.width_min_us, channel.width_max_us + 1):
        bounds = current_bounds_uA(channel, loop, Place(width_us, channel.period_min_us, most), ohm)
        current_uA, rule = min((bound, name) for name, bound in bounds.items())
        if found and found[-1].rule == rule:
            found[-1] = found[-1]._replace(to_us=width_us, current_to_uA=current_uA)
        else:
            found.append(Stretch(rule, width_us, width_us, current_uA, current_uA))
    return tuple(found)


def worst_command(channel: ChannelLimits, loop: LoopLimits, ohm: int = -1) -> Command:
    """The allowed command with the largest RMS current, at the highest rate, rounded to the device step (R36).

    Of those within a thousandth of it the one with the most charge per phase; of equals the shortest. All zero
    where the bounds leave nothing. `ohm` -1: load unknown.
    """
    most = most_pulses(loop, channel.period_min_us)
    step_uA = max(loop.device_step_uA, 1)
    commands = []
    for width_us in range(channel.width_min_us, channel.width_max_us + 1):
        place = Place(width_us, channel.period_min_us, most)
        current_uA = min(current_bounds_uA(channel, loop, place, ohm).values())
        commands.append(Command(current_uA - current_uA % step_uA, width_us, channel.period_min_us))
    top = max(command.current_uA * command.current_uA * command.width_us for command in commands)
    if top == 0:
        return Command(0, 0, 0)
    near = [c for c in commands if 1_000 * c.current_uA * c.current_uA * c.width_us >= 999 * top]
    return max(near, key=lambda command: (command.current_uA * command.width_us, -command.width_us))


def strongest_current_uA(channel: ChannelLimits, loop: LoopLimits, ohm: int = -1) -> int:
    """The largest current that an allowed command may have, in device steps (R36). `ohm` -1: load unknown."""
    top_uA = max(min(current_bounds_uA(channel, loop, place, ohm).values()) for place in places(channel, loop))
    return top_uA - top_uA % max(loop.device_step_uA, 1)
