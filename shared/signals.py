"""The signals that parts hand to each other: plain tuples of numbers with units in their names."""

from __future__ import annotations

from typing import Final, NamedTuple

AGONIST: Final = 0
ANTAGONIST: Final = 1
CHANNELS: Final = ("agonist", "antagonist")


class Stimulus(NamedTuple):
    """What one channel is asked to do: biphasic pulses of one current and width at one rate."""

    current_mA: float
    width_us: float
    rate_Hz: float


REST: Final = Stimulus(0.0, 0.0, 0.0)


class Demand(NamedTuple):
    """What a control law asks for, both channels at once. The interlock decides what becomes of it."""

    agonist: Stimulus
    antagonist: Stimulus


class Observation(NamedTuple):
    """All that a control law may see at a control tick.

    `estimate_N` is NaN and `estimate_age_us` is -1 until a first estimate has arrived;
    `delivered_*` is what the interlock let through at the last tick (not what was asked for).
    """

    t_us: int
    target_N: float
    estimate_N: float
    estimate_age_us: int
    stated_sd_N: float
    delivered_agonist: Stimulus
    delivered_antagonist: Stimulus


SEEN_SIZE: Final = 11
"""Numbers in an observation."""


def observation_of(seen: list[float]) -> Observation:
    """An observation from its SEEN_SIZE numbers in field order, times in us whole."""
    t_us, target_N, estimate_N, age_us, stated_sd_N, *delivered = seen
    agonist, antagonist = Stimulus(*delivered[:3]), Stimulus(*delivered[3:])
    return Observation(int(t_us), target_N, estimate_N, int(age_us), stated_sd_N, agonist, antagonist)


class ChannelCalibration(NamedTuple):
    """What a calibration session measured on one channel, at one pulse width and rate."""

    sensory_mA: float
    motor_mA: float
    ceiling_mA: float
    width_us: float
    rate_Hz: float
    full_current_mA: float
    """Current at which half of the muscle that surface pulses can reach is recruited, in mA."""
    spread: float
    """Spread of log current over which recruitment grows (no unit)."""
    reachable_N: float
    """Pinch force that full recruitment of this channel would add or take away, in N."""


class Calibration(NamedTuple):
    """One wearer's calibration, known before a trial: a law is built from it and its settings."""

    agonist: ChannelCalibration
    antagonist: ChannelCalibration
    max_pinch_N: float


NOT_CALIBRATED: Final = ChannelCalibration(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
"""A channel of which nothing is on file: its ceiling is zero, and nothing may leave on it (R07)."""
NOTHING_ON_FILE: Final = Calibration(NOT_CALIBRATED, NOT_CALIBRATED, 0.0)
"""What a law is built from when no calibration is on file."""


class Pulse(NamedTuple):
    """One biphasic, charge-balanced pulse that left the loop (integers, as the generator takes them)."""

    t_us: int
    channel: int
    current_uA: int
    width_us: int
    gap_us: int
