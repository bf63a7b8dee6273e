"""Where a profile is looser than the shipped one it starts from, and which way looser lies for each bound.

A bound that is looser needs a stated reason; a tighter one needs none. Past a hard ceiling no reason helps.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from thenar.shared.errors import Problem, shown

if TYPE_CHECKING:
    from thenar.safety.profile import LimitProfile

Looser = Literal["higher", "lower", "either"]
"""Which way a bound gets looser. "either": some output that the default refuses passes on both sides of it."""

CHANNEL_LOOSER: Final[dict[str, Looser]] = {
    "peak_mA": "higher",
    "width_min_us": "lower",
    "width_max_us": "higher",
    "charge_uC": "higher",
    "charge_density_uC_per_cm2": "higher",
    "pad_area_cm2": "higher",  # a larger pad makes room in R10, R13 and R15
    "rate_Hz": "higher",
    "pulse_spacing_ms": "lower",
    "rms_mA": "higher",
    "rms_density_mA_per_cm2": "higher",
    "rms_density_trip_mA_per_cm2": "higher",
    "energy_mJ": "higher",
    "power_density_W_per_cm2": "higher",
    "rectified_mA": "higher",
    "compliance_V": "higher",
    "net_charge_share": "higher",
    "net_current_uA": "higher",
    "net_current_trip_uA": "higher",
    "slew_mA_per_s": "higher",
    "width_slew_us_per_s": "higher",
    "first_step_mA": "higher",
    "ramp_down_s": "higher",  # output lasts longer after a planned stop
    "run_s": "higher",
    "on_share": "higher",
    "session_charge_C": "higher",
    "impedance_min_ohm": "lower",
    "impedance_max_ohm": "higher",
    "impedance_jump": "higher",
    "contact_assumed": "higher",  # more of the pad is taken for granted, so R13 lets more through
}

LOOP_LOOSER: Final[dict[str, Looser]] = {
    "faults_in_a_row": "higher",
    "valid_periods": "higher",
    "valid_ms": "higher",
    "command_trip_ms": "higher",
    "tick_min_periods": "lower",
    "tick_max_periods": "higher",
    "saturated_pulses": "higher",
    "on_window_s": "either",  # longer: a longer burst at once; shorter: two bursts fall into one default window
    "on_gap_ms": "either",  # shorter: slow trains are no on-time (R23); longer: fewer changeover gaps (R26)
    "rest_s": "either",  # shorter: a run ends sooner (R23); longer: fewer soft starts (R21)
    "session_min": "higher",
    "summed_share": "higher",
    "pulse_gap_ms": "lower",
    "changeover_ms": "lower",
    "impedance_window_s": "lower",  # a jump is looked for over less time
    "estimate_undershoot_N": "higher",
    "estimate_max_N": "higher",
    "estimate_slope_N_per_s": "higher",
    "estimate_frozen_ms": "higher",
    "estimate_ramp_ms": "higher",
    "estimate_trip_ms": "higher",
    "implausible_trip_ms": "higher",
    "force_soft_share": "higher",
    "force_hard_share": "higher",
    "force_rise_N_per_s": "higher",
    "force_rise_window_ms": "either",  # longer: one steep rise fits in; shorter: two apart are not added up
    "heartbeat_ramp_periods": "higher",
    "heartbeat_trip_ms": "higher",
    "device_step_mA": "either",  # coarser: a larger least rise (R20); finer: less is rounded away (R36)
    "interphase_us": "higher",  # the first phase stays unanswered for longer
}


class Deviation(NamedTuple):
    """A bound looser than the default: dotted key, requirement, both values in `unit`, and the reason stated."""

    key: str
    rule: str
    default: float
    value: float
    unit: str
    reason: str

    def __str__(self) -> str:
        return f"{self.key} {amount(self.value, self.unit)} (default {amount(self.default, self.unit)}): {self.reason}"


def amount(value: float, unit: str) -> str:
    """A value with its unit as people read it; shares and counts stand alone."""
    return f"{value:.12g}" if unit == "1" else f"{value:.12g} {unit}"


def looser(key: str) -> Looser:
    """Which way the bound at a dotted key ("agonist.peak_mA") gets looser. Raises KeyError on any other key."""
    table, _, name = key.partition(".")
    return LOOP_LOOSER[name] if table == "loop" else CHANNEL_LOOSER[name]


def deviations_from(profile: LimitProfile, default: LimitProfile) -> tuple[Deviation, ...]:
    """Every bound of `profile` that is looser than in `default`, in file order; `reason` "" where none is stated."""
    return tuple(
        Deviation(key, hard.rule, was.value, bound.value, hard.unit, bound.reason or "")
        for (key, bound, hard), (_, was, _) in zip(profile.bounds(), default.bounds(), strict=True)
        if _is_looser(looser(key), bound.value, was.value)
    )


def _is_looser(way: Looser, value: float, default: float) -> bool:
    if way == "either":
        return value != default
    return value > default if way == "higher" else value < default


def unreasoned(deviations: tuple[Deviation, ...], base: str, file: str) -> list[Problem]:
    """A problem for each bound of `file` that is looser than in the shipped profile `base` without a reason."""
    words = {"higher": "at most", "lower": "at least", "either": "exactly"}
    return [
        Problem(
            file,
            found.key,
            shown(found.value),
            f"{words[looser(found.key)]} {amount(found.default, found.unit)} (the default of {base}), "
            'or reason = "why" beside it',
        )
        for found in deviations
        if not found.reason
    ]
