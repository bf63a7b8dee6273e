"""Limits to attack under: a profile's own, cramped ones that are met within a minute, and each bound by itself."""

from __future__ import annotations

from typing import Final

from thenar.safety.bounds import loosest
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits

_FAR_US: Final = 1_000_000_000
_AT_THE_END: Final = (
    "peak_uA", "charge_pC", "width_max_us", "rms_uA", "density_rms_uA_per_cm2", "density_trip_uA_per_cm2", "area_mm2",
    "energy_aJ", "rectified_pC", "intensity_width_us", "compliance_uV", "total_pC", "summed_share_per_mille",
)  # fmt: skip
_LIFTED: Final[dict[str, int]] = {
    **{field: (loosest("channel") | loosest("loop"))[field] for field in _AT_THE_END},
    "ceiling_uA": 100_000, "density_charge_pC": 50_000_000, "width_min_us": 50, "period_min_us": 10_000,
    "power_rms_uA": 50_000, "slew_uA_per_s": 500_000, "rise_uA": 10_000,
    "intensity_slew_pC_per_s2": 100_000_000_000, "run_us": _FAR_US, "on_us": _FAR_US,
    "estimate_frozen_us": _FAR_US,
}  # fmt: skip
"""Every bound on a train at or near its hard ceiling, so that one alone can be put in force."""


def changed(limits: Limits, **values: int) -> Limits:
    """The limits with named values replaced: in both channels, or in the loop. Raises KeyError for an unknown name."""
    on_channels = {key: value for key, value in values.items() if key in ChannelLimits._fields}
    on_loop = {key: value for key, value in values.items() if key in LoopLimits._fields}
    if len(on_channels) + len(on_loop) != len(values):
        raise KeyError(sorted(set(values) - set(on_channels) - set(on_loop)))
    return Limits(
        limits.agonist._replace(**on_channels),
        limits.antagonist._replace(**on_channels),
        limits.loop._replace(**on_loop),
    )


def alone(limits: Limits, **values: int) -> Limits:
    """All bounds on a train lifted but those given, or named in the profile's own `limits` with a value of -1."""
    kept = {key: getattr(limits.agonist, key) for key, value in values.items() if value < 0}
    return changed(limits, **(_LIFTED | values | kept))


def cramped(limits: Limits) -> Limits:
    """Windows, session and slopes so close together that a minute of attacks meets all of them."""
    return changed(
        limits, run_us=1_500_000, on_us=2_500_000, long_window_us=6_000_000, rest_us=600_000,
        recovery_us=1_200_000, slew_uA_per_s=60_000, rise_uA=1_200, intensity_slew_pC_per_s2=720_000_000,
        rms_uA=4_000, rectified_pC=600_000_000, area_mm2=1_000, session_us=20_000_000,
        total_pC=3_000_000_000,
    )  # fmt: skip


def wide(limits: Limits) -> Limits:
    """Near the hard ceilings, where the backstops R14 and R15 can bind."""
    return alone(limits, energy_aJ=4_000_000_000_000_000, power_rms_uA=12_000, rms_uA=14_000)


def grounds(limits: Limits) -> dict[str, Limits]:
    """The limits that random schedules run under, by name."""
    return {"own": limits, "cramped": cramped(limits), "wide": wide(limits)}
