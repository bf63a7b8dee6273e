"""Hard ceilings: the range outside which no profile is accepted, whatever it says.

They live in code so that no file can move them. `rule` is the requirement a value belongs to. Where
a requirement names a hard value, it is the loosest end of the range; all other ends are our own choice.
"""

from __future__ import annotations

from typing import Final, NamedTuple


class Hard(NamedTuple):
    """Allowed range (both ends included) of one value of a profile. `whole`: only whole numbers."""

    rule: str
    unit: str
    low: float
    high: float
    whole: bool = False


CHANNEL_HARD: Final[dict[str, Hard]] = {
    "peak_mA": Hard("R06", "mA", 0.1, 100.0),
    "width_min_us": Hard("R08", "us", 10.0, 500.0, whole=True),
    "width_max_us": Hard("R08", "us", 10.0, 500.0, whole=True),
    "charge_uC": Hard("R09", "uC", 0.01, 50.0),
    "charge_density_uC_per_cm2": Hard("R10", "uC/cm2", 0.01, 2.0),
    "pad_area_cm2": Hard("R10", "cm2", 0.5, 200.0),
    "rate_Hz": Hard("R11", "Hz", 1.0, 100.0),
    "pulse_spacing_ms": Hard("R11", "ms", 10.0, 1_000.0),
    "rms_mA": Hard("R12", "mA", 0.01, 50.0),
    "rms_density_mA_per_cm2": Hard("R13", "mA/cm2", 0.01, 2.0),
    "rms_density_trip_mA_per_cm2": Hard("R13", "mA/cm2", 0.01, 2.0),
    "energy_mJ": Hard("R14", "mJ", 0.001, 300.0),
    "power_density_W_per_cm2": Hard("R15", "W/cm2", 0.0001, 0.25),
    "rectified_mA": Hard("R16", "mA", 0.01, 10.0),
    "compliance_V": Hard("R17", "V", 1.0, 500.0),
    "net_charge_share": Hard("R18", "1", 0.001, 0.05),
    "net_current_uA": Hard("R18", "uA", 0.1, 10.0),
    "net_current_trip_uA": Hard("R18", "uA", 0.1, 50.0),
    "slew_mA_per_s": Hard("R20", "mA/s", 0.1, 50.0),
    "width_slew_us_per_s": Hard("R20", "us/s", 1.0, 250.0, whole=True),
    "first_step_mA": Hard("R21", "mA", 0.01, 2.0),
    "ramp_down_s": Hard("R22", "s", 0.02, 2.0),
    "run_s": Hard("R23", "s", 0.1, 300.0),
    "on_share": Hard("R23", "1", 0.01, 1.0),
    "session_charge_C": Hard("R24", "C", 0.001, 2.0),
    "impedance_min_ohm": Hard("R28", "ohm", 50.0, 20_000.0, whole=True),
    "impedance_max_ohm": Hard("R28", "ohm", 50.0, 20_000.0, whole=True),
    "impedance_jump": Hard("R28", "1", 1.1, 4.0),
    "contact_assumed": Hard("R29", "1", 0.05, 0.5),
}

LOOP_HARD: Final[dict[str, Hard]] = {
    "faults_in_a_row": Hard("R01", "1", 1.0, 10.0, whole=True),
    "valid_periods": Hard("R03", "control periods", 1.0, 5.0),
    "valid_ms": Hard("R03", "ms", 1.0, 250.0),
    "command_trip_ms": Hard("R03", "ms", 10.0, 500.0),
    "tick_min_periods": Hard("R04", "control periods", 0.1, 1.0),
    "tick_max_periods": Hard("R04", "control periods", 1.1, 3.0),
    "on_window_s": Hard("R23", "s", 1.0, 600.0),
    "on_gap_ms": Hard("R23", "ms", 50.0, 1_000.0),
    "rest_s": Hard("R23", "s", 0.5, 10.0),
    "saturated_pulses": Hard("R17", "1", 1.0, 20.0, whole=True),
    "session_min": Hard("R24", "min", 0.01, 60.0),
    "summed_share": Hard("R25", "1", 0.1, 2.0),
    "pulse_gap_ms": Hard("R26", "ms", 0.5, 100.0),
    "changeover_ms": Hard("R26", "ms", 1.0, 1_000.0),
    "impedance_window_s": Hard("R28", "s", 0.1, 10.0),
    "estimate_undershoot_N": Hard("R30", "N", 0.1, 50.0),
    "estimate_max_N": Hard("R30", "N", 1.0, 500.0),
    "estimate_slope_N_per_s": Hard("R30", "N/s", 1.0, 5_000.0),
    "estimate_frozen_ms": Hard("R30", "ms", 20.0, 2_000.0),
    "estimate_ramp_ms": Hard("R30", "ms", 10.0, 500.0),
    "estimate_trip_ms": Hard("R30", "ms", 20.0, 1_500.0),
    "implausible_trip_ms": Hard("R30", "ms", 20.0, 1_000.0),
    "force_soft_share": Hard("R31", "1", 0.01, 0.8),
    "force_hard_share": Hard("R31", "1", 0.02, 1.0),
    "force_rise_N_per_s": Hard("R31", "N/s", 1.0, 1_000.0),
    "force_rise_window_ms": Hard("R31", "ms", 20.0, 500.0),
    "heartbeat_ramp_periods": Hard("R32", "control periods", 1.0, 10.0),
    "heartbeat_trip_ms": Hard("R32", "ms", 20.0, 1_000.0),
    "device_step_mA": Hard("R36", "mA", 0.01, 1.0),
    "interphase_us": Hard("R19", "us", 1.0, 200.0, whole=True),
}

CONTROL_PERIOD_US: Final = (1_000, 100_000)
"""Control periods that limits can be made for, in us (own choice: 10 Hz to 1 kHz)."""
