"""One number at a time put just below, onto and just above a bound, from a state that a schedule has reached."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from thenar.safety.inputs import CURRENT_RANGE_UA, PERIOD_RANGE_US, TIME_RANGE_US, WIDTH_RANGE_US, Senses
from thenar.safety.vectors.layout import ASKED, CHANNELS, limits_names, memory_names
from thenar.safety.vectors.recorder import Recorder, Vector

_EXTREMES: Final = (-(2**63), -(2**31) - 1, -1, 0, 1, 2**31, 2**32, 2**62, 2**63 - 1)
_SENSES: Final = Senses._fields
_LIMITS: Final = {name: place for place, name in enumerate(limits_names())}
_MEMORY: Final = {name: place for place, name in enumerate(memory_names())}
_TICK_TIMES: Final = ("tick_min_us", "tick_max_us", "command_trip_us", "valid_us")
_GATE_TIMES: Final = (
    "valid_us", "command_trip_us", "rest_us", "recovery_us", "on_gap_us", "pulse_gap_us", "changeover_us",
)  # fmt: skip
_SENSED_BOUNDS: Final = {
    "estimate_mN": ("estimate_min_mN", "estimate_max_mN", "force_soft_mN", "force_hard_mN"),
    "estimate_age_us": ("estimate_ramp_us", "estimate_trip_us"),
}


def on_bounds(vector: Vector, rng: np.random.Generator) -> Iterator[Vector]:
    """A few vectors of one or two calls each, from the state that `vector` ends in. `rng` chooses the bounds."""
    ticks = [call for call in vector.calls if "tick_us" in call]
    if ticks:
        for choice in rng.permutation(5)[:2]:
            yield from _ticks(vector, ticks[-1], int(choice), rng)
    if vector.admitted_after[2] > 0 or vector.admitted_after[5] > 0:
        yield from _gates(vector, rng)


def _pen(vector: Vector, comment: str, base: str = "boundary random") -> Recorder:
    limits = np.array(vector.limits, dtype=np.int64)
    admitted = np.array(vector.admitted_after, dtype=np.int64)
    return Recorder(limits, vector.memory_after.copy(), admitted, comment, base, 2)


def _ticks(vector: Vector, tick: dict[str, list[int]], choice: int, rng: np.random.Generator) -> Iterator[Vector]:
    loop_us = vector.limits[_LIMITS["loop.control_period_us"]]
    last_us = int(vector.memory_after[_MEMORY["loop.tick_us"]])
    asked, senses, at_us = list(tick["asked"]), list(tick["senses"]), min(last_us + loop_us, TIME_RANGE_US)
    if senses[3] < 2**63 - 1:
        senses[3] += 1
    if choice == 0:
        name = str(rng.choice(_TICK_TIMES))
        changes = [(name, 2, 0, last_us + vector.limits[_LIMITS[f"loop.{name}"]])]
    elif choice == 1:
        sense = str(rng.choice(list(_SENSED_BOUNDS)))
        name = str(rng.choice(_SENSED_BOUNDS[sense]))
        changes = [(name, 1, _SENSES.index(sense), vector.limits[_LIMITS[f"loop.{name}"]])]
    elif choice == 2:
        changes = [_channel_sense(vector, rng)]
    elif choice == 3:
        changes = [_asked_bound(vector, asked, rng)]
    else:
        yield _extreme(vector, asked, senses, at_us, rng)
        return
    for name, where, place, value in changes:
        for step in (-1, 0, 1):
            inputs = (list(asked), list(senses), [at_us])
            inputs[where][place] = value + step
            pen = _pen(vector, f"{name} {step:+d}")
            pen.tick(np.array(inputs[0], dtype=np.int64), np.array(inputs[1], dtype=np.int64), inputs[2][0])
            pen.close()
            yield pen.vectors[0]


def _channel_sense(vector: Vector, rng: np.random.Generator) -> tuple[str, int, int, int]:
    """An impedance or a net charge on a bound of one channel: (name, place of the inputs, place in them, value)."""
    channel = str(rng.choice(CHANNELS))
    name = str(rng.choice(["ohm_min", "ohm_max", "ohm_jump_percent", "net_per_mille", "net_pC", "net_trip_pC"]))
    bound = vector.limits[_LIMITS[f"{channel}.{name}"]]
    memory = vector.memory_after
    if name in ("ohm_min", "ohm_max"):
        return name, 1, _SENSES.index(f"{channel}_contact_ohm"), bound
    if name == "ohm_jump_percent":
        before = int(memory[_MEMORY[f"{channel}.contact.lows_ohm.b0"]])
        ohm = before * bound // 100 if before < 10**9 else 1_000
        return name, 1, _SENSES.index(f"{channel}_contact_ohm"), ohm
    place = _SENSES.index(f"{channel}_net_pC")
    if name == "net_per_mille":
        train, balance = _MEMORY[f"{channel}.train.total_pC"], _MEMORY[f"{channel}.balance.total_pC"]
        return name, 1, place, bound * int(memory[train] - memory[balance]) // 2_000
    spent = int(memory[_MEMORY[f"{channel}.balance.net_now_pC"]] + memory[_MEMORY[f"{channel}.balance.net_before_pC"]])
    return name, 1, place, bound - spent


def _asked_bound(vector: Vector, asked: list[int], rng: np.random.Generator) -> tuple[str, int, int, int]:
    """A current, width or period asked on a bound of one channel or of its type."""
    number = int(rng.integers(2))
    channel, at = CHANNELS[number], 1 + 3 * number
    asked[0] = 0
    if asked[at + 1] == 0 or asked[at + 2] == 0:
        asked[at : at + 3] = 10_000, 250, 25_000
    limits = {name: vector.limits[_LIMITS[f"{channel}.{name}"]] for name in (
        "peak_uA", "ceiling_uA", "first_step_uA", "width_min_us", "width_max_us", "period_min_us", "charge_pC",
        "density_charge_pC", "compliance_uV", "rectified_pC",
    )}  # fmt: skip
    width = max(1, min(asked[at + 1], WIDTH_RANGE_US))
    command = int(vector.memory_after[_MEMORY[f"{channel}.command.current_uA"]])
    choices = [
        ("peak_uA", 0, limits["peak_uA"]), ("ceiling_uA", 0, limits["ceiling_uA"]),
        ("first_step_uA", 0, limits["first_step_uA"]), ("charge_pC", 0, limits["charge_pC"] // width),
        ("density_charge_pC", 0, limits["density_charge_pC"] // width), ("last current", 0, command),
        ("rise of the current", 0, command + vector.limits[_LIMITS[f"{channel}.rise_uA"]]),
        ("width_min_us", 1, limits["width_min_us"]), ("width_max_us", 1, limits["width_max_us"]),
        ("period_min_us", 2, limits["period_min_us"]), ("type range of currents", 0, CURRENT_RANGE_UA),
        ("type range of widths", 1, WIDTH_RANGE_US), ("least period", 2, PERIOD_RANGE_US[0]),
        ("greatest period", 2, PERIOD_RANGE_US[1]), ("nothing asked", 0, 0),
    ]  # fmt: skip
    name, field, value = choices[int(rng.integers(len(choices)))]
    return name, 0, at + field, value


def _extreme(vector: Vector, asked: list[int], senses: list[int], at_us: int, rng: np.random.Generator) -> Vector:
    """One input at an end of 64 bits."""
    place, value = int(rng.integers(len(asked) + len(senses) + 1)), int(rng.choice(_EXTREMES))
    names = [*ASKED, *_SENSES, "t_us"]
    if place < len(asked):
        asked[place] = value
    elif place < len(asked) + len(senses):
        senses[place - len(asked)] = value
    else:
        at_us = value
    pen = _pen(vector, f"{names[place]} at an end of its type", "overflow random")
    pen.tick(np.array(asked, dtype=np.int64), np.array(senses, dtype=np.int64), at_us)
    pen.close()
    return pen.vectors[0]


def _gates(vector: Vector, rng: np.random.Generator) -> Iterator[Vector]:
    """The gate just before, at and after the instant at which a channel may fire, or at which a time runs out."""
    channel = int(rng.integers(2))
    own, other = CHANNELS[channel], CHANNELS[1 - channel]
    start_us = vector.admitted_after[0]
    due_us = _pen(vector, "").next_pulse(channel, start_us)
    memory = vector.memory_after
    name = str(rng.choice(_GATE_TIMES))
    since_us = start_us
    if name in ("rest_us", "recovery_us", "on_gap_us"):
        since_us = int(memory[_MEMORY[f"{own}.train.pulse_us"]])
    elif name in ("pulse_gap_us", "changeover_us"):
        since_us = int(memory[_MEMORY[f"{other}.train.end_us"]])
    until_us = since_us + vector.limits[_LIMITS[f"loop.{name}"]]
    for what, at_us in (("first instant of the next pulse", due_us), (name, until_us)):
        for step in (-1, 0, 1):
            if at_us < 0:
                continue
            pen = _pen(vector, f"gate: {what} {step:+d} us")
            pen.next_pulse(channel, at_us + step)
            pen.gate(channel, at_us + step)
            pen.close()
            yield pen.vectors[0]
