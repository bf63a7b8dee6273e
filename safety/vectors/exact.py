"""States written by hand: one number of the memory or of the command put exactly onto a bound, then one call."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from thenar.safety.budget import Command
from thenar.safety.ceilings import density_rms_uA
from thenar.safety.inputs import Senses
from thenar.safety.intensity import counted_pC
from thenar.safety.interlock import seal_of
from thenar.safety.limits import Limits, unpack_limits
from thenar.safety.memory import ARMED, DISARMED, NEVER
from thenar.safety.vectors.layout import CHANNELS, memory_names
from thenar.safety.vectors.recorder import Recorder, Vector
from thenar.safety.windows import look_back_from_pulse, ramp_room_us
from thenar.shared.ticks import US_PER_S

_MEMORY: Final = {name: place for place, name in enumerate(memory_names())}
_SENSES: Final = Senses._fields
_CALM: Final = {"estimate_mN": 3_000, "estimate_known": 1, "estimate_age_us": 30_000, "arm": 1}
_UNKNOWN: Final = {f"{channel}_{name}": -1 for channel in CHANNELS for name in ("contact_ohm", "contact_per_mille")}
_NET_PC: Final = 50_000
_OHM: Final = 1_000
_STEPS: Final = (-1, 0, 1)


def on_exact_bounds(vector: Vector, rng: np.random.Generator) -> Iterator[Vector]:
    """The gate with each budget almost, just and more than used up; then ticks at exact moments. `rng` chooses."""
    limits = unpack_limits(np.array(vector.limits, dtype=np.int64))
    channel = int(rng.integers(2))
    if vector.admitted_after[2 + 3 * channel] > 0:
        due_us = _pen(vector, {}, "").next_pulse(channel, vector.admitted_after[0])
        if due_us >= 0:
            yield from _budgets(vector, limits, channel, due_us)
            yield from _commands(vector, limits, channel, due_us)
    yield from _moments(vector, limits, channel)
    yield from _endings(vector, limits, channel)


def _pen(vector: Vector, changes: dict[str, int], comment: str, command: tuple[int, ...] | None = None) -> Recorder:
    memory = vector.memory_after.copy()
    for name, value in changes.items():
        memory[_MEMORY[name]] = value
    admitted = np.array(command or vector.admitted_after, dtype=np.int64)
    return Recorder(np.array(vector.limits, dtype=np.int64), memory, admitted, comment, "boundary", 2)


def _budgets(vector: Vector, limits: Limits, channel: int, at_us: int) -> Iterator[Vector]:
    own, loop, train = (limits.agonist, limits.antagonist)[channel], limits.loop, f"{CHANNELS[channel]}.train"
    current_uA, width_us, period_us = vector.admitted_after[2 + 3 * channel : 5 + 3 * channel]
    charge_pC = 2 * current_uA * width_us
    square, window = current_uA * charge_pC, loop.short_window_us
    per_mille = int(vector.memory_after[_MEMORY[f"{CHANNELS[channel]}.command.contact_per_mille"]])
    clamp_uA = density_rms_uA(own, own.density_rms_uA_per_cm2, per_mille)
    trip_uA = density_rms_uA(own, own.density_trip_uA_per_cm2, per_mille)
    silence = at_us - int(vector.memory_after[_MEMORY[f"{train}.pulse_us"]])
    gone_us, _ = look_back_from_pulse(vector.memory_after, loop, channel, at_us)
    counted = counted_pC(own, Command(current_uA, width_us, period_us))
    earned = own.intensity_slew_pC_per_s2 * (silence + loop.control_period_us) // US_PER_S
    top_pC_per_s = max(-(-counted * US_PER_S // max(silence, 1)) - earned, 1)  # from rest nothing is a rise
    for name, place, value in (
        ("session charge", f"{train}.total_pC", own.total_pC - charge_pC),
        ("charge in a second", f"{train}.window_pC", own.rectified_pC - charge_pC),
        ("RMS current", f"{train}.window_uA2_us", own.rms_uA * own.rms_uA * window - square),
        ("power", f"{train}.window_uA2_us", own.power_rms_uA * own.power_rms_uA * window - square),
        ("RMS density", f"{train}.window_uA2_us", clamp_uA * clamp_uA * window - square),
        ("RMS density that trips", f"{train}.window_uA2_us", trip_uA * trip_uA * window),
        ("on-time in a window", f"{train}.on_us", own.on_us + gone_us - silence),
        ("on-time in a window, from rest", f"{train}.on_us", own.on_us + gone_us - loop.on_gap_us),
        ("on-time without a rest", f"{train}.run_since_us", at_us - own.run_us),
        ("session time", "latch.session_us", at_us - loop.session_us),
        ("on-gap", f"{train}.pulse_us", at_us - loop.on_gap_us),
        ("rest", f"{train}.pulse_us", at_us - loop.rest_us),
        ("rise of charge", f"{CHANNELS[channel]}.intensity.top_pC_per_s", top_pC_per_s),
    ):
        for step in _STEPS:
            pen = _pen(vector, {place: value + step}, f"exactly on a bound {step:+d}: {name}")
            pen.gate(channel, at_us)
            pen.close()
            yield pen.vectors[0]


def _commands(vector: Vector, limits: Limits, channel: int, at_us: int) -> Iterator[Vector]:
    """A command that something else has written, with a seal that fits and one that does not (R37, R39)."""
    own, at = (limits.agonist, limits.antagonist)[channel], 2 + 3 * channel
    step_uA = max(limits.loop.device_step_uA, 1)
    current_uA, width_us = vector.admitted_after[at : at + 2]
    for name, place, value in (
        ("peak", at, min(own.peak_uA, own.ceiling_uA)), ("device step", at, current_uA), ("sign", at, 0),
        ("least width", at + 1, own.width_min_us), ("greatest width", at + 1, own.width_max_us),
        ("charge", at, own.charge_pC // width_us // step_uA * step_uA), ("period", at + 2, own.period_min_us),
        ("charge density", at, own.density_charge_pC // width_us // step_uA * step_uA),
    ):  # fmt: skip
        for step in _STEPS:
            for sealed in (0, 1):
                fields = list(vector.admitted_after)
                fields[place] = value + (step * step_uA if "charge" in name or name == "peak" else step)
                fields[-1] = seal_of(tuple(fields)) if sealed else fields[-1]
                pen = _pen(vector, {}, f"a foreign command, {name} {step:+d}", tuple(fields))
                pen.gate(channel, at_us)
                pen.close()
                yield pen.vectors[0]


def _moments(vector: Vector, limits: Limits, channel: int) -> Iterator[Vector]:
    """Ticks at rest at which a time, a charge or an impedance of the memory stands exactly on a bound."""
    own, loop, name = (limits.agonist, limits.antagonist)[channel], limits.loop, CHANNELS[channel]
    t_us = int(vector.memory_after[_MEMORY["loop.tick_us"]]) + loop.control_period_us
    if t_us < 0:
        return
    sensed = {f"{name}_net_pC": _NET_PC}
    ohm = {f"{name}_contact_ohm": _OHM}
    latched = {"latch.state": DISARMED, "latch.trip": 13, "latch.trip_us": t_us - loop.short_window_us}
    sampled_us, slope = t_us - 30_000 - loop.control_period_us, loop.estimate_slope_mN_per_s
    far_mN = slope * loop.control_period_us // 1_000_000
    past = {"estimate.sampled_us": sampled_us, "estimate.arrived": 1, "estimate.value_mN": 3_000 - far_mN}
    since, lows, highs = f"{name}.balance.since_us", f"{name}.contact.lows_ohm", f"{name}.contact.minus_highs_ohm"
    total_pC = int(vector.memory_after[_MEMORY[f"{name}.train.total_pC"]])
    share_pC = -(-2_000 * _NET_PC // own.net_per_mille)
    seen = {f"{lows}.since_us": t_us, f"{highs}.since_us": t_us}
    cases: tuple[tuple[dict[str, int], str, dict[str, int]], ...] = (
        ({"estimate.bad_since_us": t_us - loop.implausible_trip_us, "latch.state": ARMED}, "estimate.bad_since_us",
         {"estimate_known": 0}),
        ({since: t_us - loop.short_window_us}, since, sensed),
        ({since: t_us - 2 * loop.short_window_us}, since, sensed),
        ({f"{name}.train.total_pC": total_pC, f"{name}.balance.total_pC": total_pC - share_pC},
         f"{name}.balance.total_pC", sensed),
        (latched, "latch.trip_us", {"rearm_cause": 13}),
        (latched | {"latch.trip": 15}, "latch.trip_us", {"rearm_cause": 15}),
        (past, "estimate.value_mN", {}),
        (seen | {f"{highs}.b0": -_OHM * own.ohm_jump_percent // 100}, f"{highs}.b0", ohm),
        (seen | {f"{lows}.b0": _OHM * 100 // own.ohm_jump_percent}, f"{lows}.b0", ohm),
        ({f"{name}.train.pulse_us": t_us}, f"{name}.train.pulse_us", {}),
    )  # fmt: skip
    for changes, moved, senses in cases:
        for step in _STEPS:
            pen = _pen(vector, changes | {moved: changes[moved] + step}, f"exactly on a bound {step:+d}: {moved}")
            wanted = _UNKNOWN | _CALM | {"estimate_count": 2} | senses
            pen.tick(np.zeros(7, dtype=np.int64), np.array([wanted.get(s, 0) for s in _SENSES], dtype=np.int64), t_us)
            pen.close()
            yield pen.vectors[0]


def _endings(vector: Vector, limits: Limits, channel: int) -> Iterator[Vector]:
    """Ticks that ask for pulses as the on-time left is what a ramp takes, and as a channel has just recovered (R23)."""
    own, loop, name = (limits.agonist, limits.antagonist)[channel], limits.loop, CHANNELS[channel]
    t_us = int(vector.memory_after[_MEMORY["loop.tick_us"]]) + loop.control_period_us
    if t_us < 0:
        return
    asked = np.zeros(7, dtype=np.int64)
    asked[1 + 3 * channel : 4 + 3 * channel] = 10_000, 250, 25_000
    ending, pulse, since = f"{name}.command.ending_us", f"{name}.train.pulse_us", f"{name}.train.run_since_us"
    room_us = ramp_room_us(own, loop, int(vector.memory_after[_MEMORY[f"{name}.command.current_uA"]]))
    running = {"latch.state": ARMED, "latch.trip": 0, pulse: t_us - 1_000}
    for changes, moved in (
        (running | {ending: NEVER, since: t_us + room_us - own.run_us}, since),
        (running | {ending: t_us - own.ramp_us // 2, since: t_us, f"{name}.command.ending_from_uA": 10_000}, ending),
        (running | {ending: t_us - own.ramp_us, pulse: t_us - loop.recovery_us}, pulse),
    ):
        for step in _STEPS:
            pen = _pen(vector, changes | {moved: changes[moved] + step}, f"exactly on a bound {step:+d}: {moved}")
            wanted = _UNKNOWN | _CALM | {"estimate_count": 2}
            pen.tick(asked, np.array([wanted.get(s, 0) for s in _SENSES], dtype=np.int64), t_us)
            pen.close()
            yield pen.vectors[0]
