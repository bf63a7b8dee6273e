"""What no list of pulses may show, judged from the list, the limits and the log of commands alone.

Written from the requirement table with plain sums over plain windows, and without a look at how the interlock
reckons: no ring, no running total, nothing imported from it but the names of the limits.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator
from itertools import pairwise
from typing import Final, NamedTuple

from tests.safety.interlock_bench import Left
from thenar.safety.limits import ChannelLimits, Limits

SECOND_US: Final = 1_000_000


class Command(NamedTuple):
    """A command in the log: when it was admitted, until when it holds, (current, width, period) per channel."""

    from_us: int
    until_us: int
    channels: tuple[tuple[int, int, int], tuple[int, int, int]]


class Change(NamedTuple):
    """At `t_us` the loop was armed (`open`), or disarmed or tripped."""

    t_us: int
    open: bool


class Log(NamedTuple):
    """A run in the order of calls. `places`: per pulse, the index of the last command and of the last change before it.

    Times alone would not do: a clock that steps back is one of the attacks.
    """

    pulses: list[Left]
    places: list[tuple[int, int]]
    commands: list[Command]
    changes: list[Change]


def broken_rules(log: Log, limits: Limits) -> list[str]:
    """Every broken requirement, one line each; an empty list when none is broken."""
    pulses = log.pulses
    found = [
        f"order: {pulses[index + 1]}" for index in range(len(pulses) - 1) if pulses[index + 1].t_us < pulses[index].t_us
    ]
    found += _between_channels(pulses, limits)
    found += _out_of_command(log)
    found += _while_shut(log)
    for channel, bounds in enumerate((limits.agonist, limits.antagonist)):
        own = [pulse for pulse in pulses if pulse.channel == channel]
        found += _single_pulses(own, bounds, limits)
        found += _rises(own, _armed_us(log, channel), bounds, limits)
        found += _deliveries(own, _armed_us(log, channel), bounds, limits)
        found += _sliding_second(own, bounds)
        found += _on_time(own, bounds, limits)
        total = sum(2 * pulse.current_uA * pulse.width_us for pulse in own)
        if total > bounds.total_pC:
            found.append(f"R24: {total} pC on channel {channel}")
    return found


def _single_pulses(own: list[Left], bounds: ChannelLimits, limits: Limits) -> Iterator[str]:
    for pulse in own:
        current, width = pulse.current_uA, pulse.width_us
        if current <= 0 or current > bounds.peak_uA:
            yield f"R06: {pulse}"
        if current > bounds.ceiling_uA:
            yield f"R07: {pulse}"
        if not bounds.width_min_us <= width <= bounds.width_max_us:
            yield f"R08: {pulse}"
        if current * width > bounds.charge_pC:
            yield f"R09: {pulse}"
        if current * width > bounds.density_charge_pC:
            yield f"R10: {pulse}"
        if 500 * current * current * 2 * width > bounds.energy_aJ:
            yield f"R14: {pulse}"
        if current % limits.loop.device_step_uA:
            yield f"R36: {pulse}"
    for before, after in pairwise(own):
        if after.t_us - before.t_us < bounds.period_min_us:
            yield f"R11: {before} {after}"


def _between_channels(pulses: list[Left], limits: Limits) -> Iterator[str]:
    last: dict[int, Left] = {}
    for pulse in pulses:
        other, own = last.get(1 - pulse.channel), last.get(pulse.channel)
        if other is not None:
            if pulse.t_us < other.t_us + 2 * other.width_us + other.gap_us + limits.loop.pulse_gap_us:
                yield f"R26: {other} {pulse}"
            starts = own is None or pulse.t_us - own.t_us > limits.loop.on_gap_us
            if starts and pulse.t_us < other.t_us + 2 * other.width_us + other.gap_us + limits.loop.changeover_us:
                yield f"R26 changeover: {other} {pulse}"
        last[pulse.channel] = pulse


def _armed_us(log: Log, channel: int) -> list[int]:
    """For every pulse of a channel, when the loop was last armed before it."""
    return [
        max((change.t_us for change in log.changes[: place + 1] if change.open), default=0)
        for pulse, (_, place) in zip(log.pulses, log.places, strict=True)
        if pulse.channel == channel
    ]


def _rises(own: list[Left], armed_us: list[int], bounds: ChannelLimits, limits: Limits) -> Iterator[str]:
    for index, pulse in enumerate(own):
        before = own[index - 1] if index else None
        rested = before is None or before.t_us < armed_us[index] or pulse.t_us - before.t_us >= limits.loop.rest_us
        if rested and pulse.current_uA > bounds.first_step_uA:
            yield f"R21: {before} {pulse}"
        for earlier in own[max(0, index - 30) : index]:
            earned = bounds.slew_uA_per_s * (pulse.t_us - earlier.t_us) // SECOND_US + bounds.rise_uA
            if pulse.current_uA > max(earlier.current_uA, bounds.first_step_uA) + earned:
                yield f"R20: {earlier} {pulse}"


def _deliveries(own: list[Left], armed_us: list[int], bounds: ChannelLimits, limits: Limits) -> Iterator[str]:
    """Each pulse against the lines of 30 earlier ones: 11/10 of what they delivered per second, risen with the slew."""
    slew = bounds.intensity_slew_pC_per_s2
    earlier: list[tuple[int, float]] = []
    for index, pulse in enumerate(own):
        before = own[index - 1] if index else None
        if before is None or before.t_us < armed_us[index] or pulse.t_us - before.t_us >= limits.loop.rest_us:
            earlier = [(pulse.t_us, 0.0)]
            continue
        counted = max(pulse.current_uA - bounds.first_step_uA, 0) * max(pulse.width_us, bounds.intensity_width_us)
        now = counted * SECOND_US / max(pulse.t_us - before.t_us, 1)
        for at_us, then in earlier[-30:]:
            if now > 1.1 * then + slew * (pulse.t_us - at_us + limits.loop.control_period_us) / SECOND_US + 1:
                yield f"R40: {now} pC/s at {pulse}, {then} pC/s at {at_us} us"
                break
        earlier.append((pulse.t_us, now))


def _sliding_second(own: list[Left], bounds: ChannelLimits) -> Iterator[str]:
    times = [pulse.t_us for pulse in own]
    for index, pulse in enumerate(own):
        inside = own[bisect_left(times, pulse.t_us - SECOND_US) : index + 1]
        charge = sum(2 * one.current_uA * one.width_us for one in inside)
        rms_uA = math.sqrt(sum(2 * one.current_uA**2 * one.width_us for one in inside) / SECOND_US)
        if rms_uA > bounds.rms_uA:
            yield f"R12: {rms_uA} uA at {pulse}"
        area_cm2 = bounds.area_mm2 / 100 * bounds.contact_assumed_per_mille / 1_000
        if rms_uA / area_cm2 > bounds.density_rms_uA_per_cm2:
            yield f"R13: {rms_uA / area_cm2} uA/cm2 at {pulse}"
        if rms_uA > bounds.power_rms_uA:
            yield f"R15: {rms_uA} uA at {pulse}"
        if charge > bounds.rectified_pC:
            yield f"R16: {charge} pC at {pulse}"


def _on_time(own: list[Left], bounds: ChannelLimits, limits: Limits) -> Iterator[str]:
    began_us = 0
    for index, pulse in enumerate(own):
        if index == 0 or pulse.t_us - own[index - 1].t_us >= limits.loop.rest_us:
            began_us = pulse.t_us
        if pulse.t_us - began_us > bounds.run_us:
            yield f"R23: {pulse.t_us - began_us} us without a rest at {pulse}"
        begin_us = pulse.t_us + limits.loop.on_gap_us - limits.loop.long_window_us
        on_us = limits.loop.on_gap_us - max(0, begin_us - pulse.t_us)
        for later, earlier in zip(own[index:0:-1], own[index - 1 :: -1] if index else [], strict=False):
            if later.t_us <= begin_us:
                break
            rested = later.t_us - earlier.t_us >= limits.loop.rest_us
            end_us = earlier.t_us + limits.loop.on_gap_us if rested else later.t_us
            on_us += max(0, end_us - max(earlier.t_us, begin_us))
        if on_us > bounds.on_us:
            yield f"R23: {on_us} us on at {pulse}"


def _out_of_command(log: Log) -> Iterator[str]:
    for pulse, (place, _) in zip(log.pulses, log.places, strict=True):
        if place < 0:
            yield f"R05: {pulse} before any command"
            continue
        command = log.commands[place]
        if not command.from_us <= pulse.t_us < command.until_us:
            yield f"R03: {pulse} under {command}"
        if (pulse.current_uA, pulse.width_us) != command.channels[pulse.channel][:2]:
            yield f"R37: {pulse} under {command}"


def _while_shut(log: Log) -> Iterator[str]:
    for pulse, (_, place) in zip(log.pulses, log.places, strict=True):
        if place < 0 or not log.changes[place].open:
            yield f"R05 or R34: {pulse}"
