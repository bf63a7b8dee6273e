"""The bounds of a limit profile: what each is called, holds and becomes. Whatever else lists bounds is made from here.

BOUNDS has a row for each key of a profile: its hard range (in code, so that no file can move it), which way it gets
looser, and the whole number that it becomes for the interlock. MADE has the limits that take more than one written
number, or one of a person. The defaults, their sources and tags stand in the shipped profiles. Where a requirement
(`safety.requirements`) names a hard value, it is the loosest end of the range; all other ends are our own choice.

Numbers are converted in decimal, and every rounding makes a limit tighter.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import Final, Literal, NamedTuple

Part = Literal["channel", "loop"]
Looser = Literal["higher", "lower", "either"]
"""Which way a bound gets looser. "either": some output that the default refuses passes on both sides of it."""
Rounding = Literal["down", "up"]

CONTROL_PERIOD_US: Final = (1_000, 100_000)
"""Control periods that limits can be made for, in us (own choice: 10 Hz to 1 kHz)."""
SHORT_WINDOW_US: Final = 1_000_000
"""R12, R13, R15 and R16 are defined over a sliding second."""
MOST_RUNS: Final = 64
"""Runs of pulses that the interlock keeps one by one (R23): an on-window lasts at most so many rests."""
LOAD_OHM: Final = 500
"""Test load of R14 and R15 (energy and power are stated into 500 ohm: [@iec-60601-2-10] [@fda-1999-guidance])."""
PERIODS: Final = "control periods"
"""As a scale: the bound counts control periods."""
EXACT: Final = "as written"
"""As a scale: no whole number is made of the bound, it enters the limits of MADE as it is written."""


class Row(NamedTuple):
    """One bound of a profile.

    `low`, `high`: hard range in `unit`, both ends included; `whole`: whole numbers only. The bound times `scale`,
    rounded and then times `times`, is the limit called `field` (`safety.limits`); "" where it only enters others.
    `means` completes the words "the bound on" or "the".
    """

    part: Part
    key: str
    unit: str
    rule: str
    low: float
    high: float
    looser: Looser
    scale: int | str
    rounding: Rounding
    field: str
    means: str
    whole: bool = False
    times: int = 1


class Made(NamedTuple):
    """A limit of more than one number: `limit(*numbers)` of the keys in `of`, in their order.

    A key is a bound of the same part ("rate_Hz"), one of the loop ("loop.device_step_mA"), "control_period_us", or
    what is on file about the person ("ceiling_mA", "motor_mA", "max_pinch_N"; 0 where nothing usable is).
    """

    part: Part
    field: str
    of: tuple[str, ...]
    limit: Callable[..., int]


def written(value: float) -> Decimal:
    """A number as it was written: 0.3 is three tenths, not the double next to it."""
    return Decimal(repr(float(value)))


def down(exact: Decimal) -> int:
    """The whole number at or below."""
    return int(exact.to_integral_value(ROUND_FLOOR))


def up(exact: Decimal) -> int:
    """The whole number at or above."""
    return int(exact.to_integral_value(ROUND_CEILING))


BOUNDS: Final[tuple[Row, ...]] = (
    Row("channel", "peak_mA", "mA", "R06", 0.1, 100.0, "higher", 1_000, "down", "peak_uA", "current of each phase"),
    Row("channel", "width_min_us", "us", "R08", 10.0, 500.0, "lower", 1, "up", "width_min_us",
        "shortest phase; a narrower one is left out", whole=True),
    Row("channel", "width_max_us", "us", "R08", 10.0, 500.0, "higher", 1, "down", "width_max_us", "longest phase",
        whole=True),
    Row("channel", "charge_uC", "uC", "R09", 0.01, 50.0, "higher", 10**6, "down", "charge_pC", "charge of a phase"),
    Row("channel", "charge_density_uC_per_cm2", "uC/cm2", "R10", 0.01, 2.0, "higher", 10**6, "down", "",
        "charge of a phase per area of the smaller pad"),
    # A larger pad makes room in R10, R13 and R15.
    Row("channel", "pad_area_cm2", "cm2", "R10", 0.5, 200.0, "higher", 100, "down", "area_mm2",
        "conductive area of the smaller pad of the pair"),
    Row("channel", "rate_Hz", "Hz", "R11", 1.0, 100.0, "higher", EXACT, "up", "", "pulse rate"),
    Row("channel", "pulse_spacing_ms", "ms", "R11", 10.0, 1_000.0, "lower", 1_000, "up", "",
        "shortest time between the starts of two pulses"),
    Row("channel", "rms_mA", "mA", "R12", 0.01, 50.0, "higher", 1_000, "down", "rms_uA",
        "RMS current over a sliding second"),
    Row("channel", "rms_density_mA_per_cm2", "mA/cm2", "R13", 0.01, 2.0, "higher", 1_000, "down",
        "density_rms_uA_per_cm2", "RMS current per area that touches: clamp"),
    Row("channel", "rms_density_trip_mA_per_cm2", "mA/cm2", "R13", 0.01, 2.0, "higher", 1_000, "down",
        "density_trip_uA_per_cm2", "RMS current per area that touches: trip"),
    Row("channel", "energy_mJ", "mJ", "R14", 0.001, 300.0, "higher", 10**15, "down", "energy_aJ",
        "energy of a pulse into 500 ohm"),
    Row("channel", "power_density_W_per_cm2", "W/cm2", "R15", 0.0001, 0.25, "higher", 10**12, "down", "",
        "average power into 500 ohm per area of the smaller pad"),
    Row("channel", "rectified_mA", "mA", "R16", 0.01, 10.0, "higher", 1_000, "down", "rectified_pC",
        "average of the current's magnitude over a sliding second", times=SHORT_WINDOW_US),
    Row("channel", "compliance_V", "V", "R17", 1.0, 500.0, "higher", 10**6, "down", "compliance_uV",
        "voltage that the stimulator may need"),
    Row("channel", "net_charge_share", "1", "R18", 0.001, 0.05, "higher", 1_000, "down", "net_per_mille",
        "net charge of a pulse as a share of a phase's charge"),
    Row("channel", "net_current_uA", "uA", "R18", 0.1, 10.0, "higher", 1, "down", "net_pC",
        "net current over a sliding second: withhold", times=SHORT_WINDOW_US),
    Row("channel", "net_current_trip_uA", "uA", "R18", 0.1, 50.0, "higher", 1, "down", "net_trip_pC",
        "net current over a sliding second: trip", times=SHORT_WINDOW_US),
    Row("channel", "slew_mA_per_s", "mA/s", "R20", 0.1, 50.0, "higher", 1_000, "down", "slew_uA_per_s",
        "rise of the current"),
    Row("channel", "width_slew_us_per_s", "us/s", "R20", 1.0, 250.0, "higher", 1, "down", "width_slew_us_per_s",
        "rise of the width", whole=True),
    Row("channel", "first_step_mA", "mA", "R21", 0.01, 2.0, "higher", 1_000, "down", "first_step_uA",
        "first step after arming or a rest"),
    Row("channel", "intensity_slew_uC_per_s2", "uC/s2", "R40", 0.1, 600.0, "higher", 10**6, "down",
        "intensity_slew_pC_per_s2", "rise of the charge per second"),
    # Narrower: a narrow pulse counts for less.
    Row("channel", "intensity_width_us", "us", "R40", 200.0, 500.0, "lower", 1, "up", "intensity_width_us",
        "width that a narrower pulse counts as in that rise", whole=True),
    # Longer: output lasts longer after a planned stop.
    # Longer: output lasts longer after a planned stop; shorter: before the ramp at the end of an on-time (R23).
    Row("channel", "ramp_down_s", "s", "R22", 0.02, 2.0, "either", 10**6, "down", "ramp_us",
        "ramp to zero of planned stops and fallbacks"),
    Row("channel", "run_s", "s", "R23", 0.1, 300.0, "higher", 10**6, "down", "run_us",
        "time from a first pulse to the last without a rest"),
    Row("channel", "on_share", "1", "R23", 0.01, 1.0, "higher", EXACT, "down", "",
        "share of the on-window that stimulation may take"),
    Row("channel", "session_charge_C", "C", "R24", 0.001, 2.0, "higher", 10**12, "down", "total_pC",
        "rectified charge of a session"),
    Row("channel", "impedance_min_ohm", "ohm", "R28", 50.0, 20_000.0, "lower", 1, "up", "ohm_min",
        "lowest believable skin impedance", whole=True),
    Row("channel", "impedance_max_ohm", "ohm", "R28", 50.0, 20_000.0, "higher", 1, "down", "ohm_max",
        "highest believable skin impedance", whole=True),
    Row("channel", "impedance_jump", "1", "R28", 1.1, 4.0, "higher", 100, "down", "ohm_jump_percent",
        "ratio of two impedances that counts as a jump"),
    # More of the pad is taken for granted, so R13 lets more through.
    Row("channel", "contact_assumed", "1", "R29", 0.05, 0.5, "higher", 1_000, "down", "contact_assumed_per_mille",
        "share of the pad that counts as touching while none is known"),
    Row("loop", "faults_in_a_row", "1", "R01", 1.0, 10.0, "higher", 1, "down", "faults_in_a_row",
        "unusable demands in a row that trip", whole=True),
    Row("loop", "valid_periods", "control periods", "R03", 1.0, 5.0, "higher", PERIODS, "down", "",
        "life of an admitted command, in control periods"),
    Row("loop", "valid_ms", "ms", "R03", 1.0, 250.0, "higher", 1_000, "down", "",
        "life of an admitted command; the shorter of the two holds"),
    Row("loop", "command_trip_ms", "ms", "R03", 10.0, 500.0, "higher", 1_000, "down", "command_trip_us",
        "gap between control ticks that trips"),
    Row("loop", "tick_min_periods", "control periods", "R04", 0.1, 1.0, "lower", PERIODS, "up", "tick_min_us",
        "shortest time between control ticks"),
    Row("loop", "tick_max_periods", "control periods", "R04", 1.1, 3.0, "higher", PERIODS, "down", "tick_max_us",
        "longest time between control ticks"),
    Row("loop", "saturated_pulses", "1", "R17", 1.0, 20.0, "higher", 1, "down", "saturated_pulses",
        "pulses in a row held down by the compliance that trip", whole=True),
    # Longer: a longer burst at once; shorter: two bursts fall into one default window.
    Row("loop", "on_window_s", "s", "R23", 1.0, 600.0, "either", 10**6, "down", "long_window_us",
        "window of which stimulation may take a share"),
    # Shorter: single pulses are less on-time (R23); longer: fewer changeover gaps (R26).
    Row("loop", "on_gap_ms", "ms", "R23", 50.0, 1_000.0, "either", 1_000, "up", "on_gap_us",
        "on-time after the last pulse before a rest"),
    # Shorter: a run ends sooner (R23); longer: fewer soft starts (R21).
    Row("loop", "rest_s", "s", "R23", 0.5, 10.0, "either", 10**6, "up", "rest_us", "silence that counts as a rest"),
    Row("loop", "recovery_s", "s", "R23", 1.0, 600.0, "lower", 10**6, "up", "recovery_us",
        "silence of a channel whose on-time has run out"),
    Row("loop", "session_min", "min", "R24", 0.01, 60.0, "higher", 60 * 10**6, "down", "session_us",
        "length of a session"),
    Row("loop", "summed_share", "1", "R25", 0.1, 2.0, "higher", 1_000, "down", "summed_share_per_mille",
        "sum over the channels of each one's share of its ceiling"),
    Row("loop", "pulse_gap_ms", "ms", "R26", 0.5, 100.0, "lower", 1_000, "up", "pulse_gap_us",
        "shortest time from a pulse of one channel to one of the other"),
    Row("loop", "changeover_ms", "ms", "R26", 1.0, 1_000.0, "lower", 1_000, "up", "changeover_us",
        "shortest time from the last pulse of one channel to the first of the other"),
    # A jump is looked for over less time.
    Row("loop", "impedance_window_s", "s", "R28", 0.1, 10.0, "lower", 10**6, "up", "contact_window_us",
        "window in which a jump of the impedance is looked for"),
    Row("loop", "estimate_undershoot_N", "N", "R30", 0.1, 50.0, "higher", -1_000, "up", "estimate_min_mN",
        "most by which an estimate may lie below zero"),
    Row("loop", "estimate_max_N", "N", "R30", 1.0, 500.0, "higher", 1_000, "down", "estimate_max_mN",
        "greatest believable estimate"),
    Row("loop", "estimate_slope_N_per_s", "N/s", "R30", 1.0, 5_000.0, "higher", 1_000, "down",
        "estimate_slope_mN_per_s", "steepest believable change of the estimate"),
    Row("loop", "estimate_frozen_ms", "ms", "R30", 20.0, 2_000.0, "higher", 1_000, "down", "estimate_frozen_us",
        "longest time that an estimate may repeat"),
    Row("loop", "estimate_ramp_ms", "ms", "R30", 10.0, 500.0, "higher", 1_000, "down", "estimate_ramp_us",
        "age of the estimate that ramps to zero"),
    Row("loop", "estimate_trip_ms", "ms", "R30", 20.0, 1_500.0, "higher", 1_000, "down", "estimate_trip_us",
        "age of the estimate that trips"),
    Row("loop", "implausible_trip_ms", "ms", "R30", 20.0, 1_000.0, "higher", 1_000, "down", "implausible_trip_us",
        "time without a believable estimate that trips"),
    Row("loop", "force_soft_share", "1", "R31", 0.01, 0.8, "higher", 1_000, "down", "",
        "share of the person's maximum from which force is pushed no further"),
    Row("loop", "force_hard_share", "1", "R31", 0.02, 1.0, "higher", 1_000, "down", "",
        "share of the person's maximum that trips"),
    Row("loop", "force_rise_N_per_s", "N/s", "R31", 1.0, 1_000.0, "higher", EXACT, "down", "",
        "rise of force over its window that trips"),
    # Longer: one steep rise fits in; shorter: two apart are not added up.
    Row("loop", "force_rise_window_ms", "ms", "R31", 20.0, 500.0, "either", 1_000, "down", "force_window_us",
        "window over which the rise of force is taken"),
    Row("loop", "heartbeat_ramp_periods", "control periods", "R32", 1.0, 10.0, "higher", PERIODS, "down",
        "heartbeat_ramp_us", "silence of the law that ramps to zero"),
    Row("loop", "heartbeat_trip_ms", "ms", "R32", 20.0, 1_000.0, "higher", 1_000, "down", "heartbeat_trip_us",
        "silence of the law that trips"),
    # Coarser: a larger least rise (R20); finer: less is rounded away (R36).
    Row("loop", "device_step_mA", "mA", "R36", 0.01, 1.0, "either", 1_000, "down", "device_step_uA",
        "step of the stimulator's current"),
    # The first phase stays unanswered for longer.
    Row("loop", "interphase_us", "us", "R19", 1.0, 200.0, "higher", 1, "down", "interphase_us",
        "pause between the two phases of a pulse", whole=True),
)  # fmt: skip
"""In the order of a profile's file."""

CHANNEL: Final = {row.key: row for row in BOUNDS if row.part == "channel"}
LOOP: Final = {row.key: row for row in BOUNDS if row.part == "loop"}
NOT_ABOVE: Final = (
    ("width_min_us", "width_max_us"),
    ("impedance_min_ohm", "impedance_max_ohm"),
    ("net_current_uA", "net_current_trip_uA"),
    ("first_step_mA", "peak_mA"),
    ("rms_density_mA_per_cm2", "rms_density_trip_mA_per_cm2"),
    ("estimate_ramp_ms", "estimate_trip_ms"),
    ("force_soft_share", "force_hard_share"),
    ("valid_ms", "command_trip_ms"),
    ("on_gap_ms", "rest_s"),
    ("rest_s", "recovery_s"),
)
"""Pairs of one part: the first, times its scale, must not lie above the second, times its own."""


def scaled(row: Row, value: float, control_period_us: int) -> Decimal:
    """A written value times the scale of its row, not rounded."""
    return written(value) * (row.scale if isinstance(row.scale, int) else control_period_us)


def number_of(row: Row, value: float, control_period_us: int) -> int | Decimal:
    """A written value as a whole number in the unit of the row's limit; as it is where the row is EXACT."""
    if row.scale == EXACT:
        return written(value)
    exact = scaled(row, value, control_period_us)
    return (down(exact) if row.rounding == "down" else up(exact)) * row.times


def row_of(key: str) -> Row:
    """The row of a dotted key ("agonist.peak_mA", "loop.rest_s"). Raises KeyError for any other."""
    part, _, name = key.partition(".")
    return {"agonist": CHANNEL, "antagonist": CHANNEL, "loop": LOOP}[part][name]


def key_of_rule(rule: str) -> str:
    """The first bound of a channel that belongs to a requirement. Raises KeyError where there is none."""
    for row in CHANNEL.values():
        if row.rule == rule:
            return row.key
    raise KeyError(rule)


def loosest(part: Part) -> dict[str, int]:
    """By field, the limit at the loose end of the hard range ("either": the high one), where one row alone makes it."""
    return {
        row.field: int(number_of(row, row.low if row.looser == "lower" else row.high, 0))
        for row in BOUNDS
        if row.part == part and row.field and isinstance(row.scale, int)
    }


def _density_charge_pC(pC_per_cm2: int, area_mm2: int) -> int:
    return pC_per_cm2 * area_mm2 // 100


def _period_min_us(rate_Hz: Decimal, spacing_us: int) -> int:
    return max(up(1_000_000 / rate_Hz), spacing_us)


def _power_rms_uA(pW_per_cm2: int, area_mm2: int) -> int:
    return math.isqrt(pW_per_cm2 * area_mm2 // (100 * LOAD_OHM))


def _rise_uA(slew_uA_per_s: int, device_step_uA: int, control_period_us: int) -> int:
    return max(slew_uA_per_s * control_period_us // 1_000_000, device_step_uA)


def _width_rise_us(slew_us_per_s: int, control_period_us: int) -> int:
    return max(slew_us_per_s * control_period_us // 1_000_000, 1)


def _on_us(share: Decimal, window_us: int) -> int:
    return down(share * window_us)


def _ceiling_uA(ceiling_mA: Decimal) -> int:
    return min(down(ceiling_mA * 1_000), loosest("channel")["peak_uA"])


def _motor_uA(motor_mA: Decimal) -> int:
    return min(up(motor_mA * 1_000), loosest("channel")["peak_uA"])


def _force_mN(per_mille: int, max_pinch_N: Decimal) -> int:
    return down(max_pinch_N * per_mille)


def _force_rise_mN(rise_N_per_s: Decimal, window_us: int) -> int:
    return down(rise_N_per_s * (window_us // 1_000))


MADE: Final[tuple[Made, ...]] = (
    # R07, R30: a person's own levels, never above what no profile may exceed.
    Made("channel", "ceiling_uA", ("ceiling_mA",), _ceiling_uA),
    Made("channel", "motor_uA", ("motor_mA",), _motor_uA),
    # R10: charge per phase at which the density bound is reached on the smaller pad.
    Made("channel", "density_charge_pC", ("charge_density_uC_per_cm2", "pad_area_cm2"), _density_charge_pC),
    # R11: the longer of the two.
    Made("channel", "period_min_us", ("rate_Hz", "pulse_spacing_ms"), _period_min_us),
    # R15: RMS current at which the power density bound is reached at 500 ohm.
    Made("channel", "power_rms_uA", ("power_density_W_per_cm2", "pad_area_cm2"), _power_rms_uA),
    # R20: largest rise in one control period, at least what the device can do (one step, 1 us).
    Made("channel", "rise_uA", ("slew_mA_per_s", "loop.device_step_mA", "control_period_us"), _rise_uA),
    Made("channel", "width_rise_us", ("width_slew_us_per_s", "control_period_us"), _width_rise_us),
    # R23: on-time in the window.
    Made("channel", "on_us", ("on_share", "loop.on_window_s"), _on_us),
    # R03: the shorter of the two.
    Made("loop", "valid_us", ("valid_periods", "valid_ms"), min),
    # R31: shares of the person's maximum; the rise over its window, in whole ms.
    Made("loop", "force_soft_mN", ("force_soft_share", "max_pinch_N"), _force_mN),
    Made("loop", "force_hard_mN", ("force_hard_share", "max_pinch_N"), _force_mN),
    Made("loop", "force_rise_mN", ("force_rise_N_per_s", "force_rise_window_ms"), _force_rise_mN),
)
