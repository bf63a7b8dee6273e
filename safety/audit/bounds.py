"""The auditor's own bounds: read from the text of a limit profile, in code that shares nothing with the interlock's.

Written from what the keys mean: the unit stands in the key, the rule in the requirement table. Each key is brought to
whole units (uA, us, pC, mN, ohm, mm2, per mille) towards the tighter side, and so is whatever is derived from them.
A number of a profile is a double, taken in its shortest decimal form: 0.3 mA is 300 uA. All arithmetic is exact.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping
from fractions import Fraction
from functools import lru_cache
from typing import Any, Final, NamedTuple

from thenar.shared.errors import InputError, Problem, shown
from thenar.shared.signals import Calibration, ChannelCalibration

US_PER_S: Final = 1_000_000
LOAD_OHM: Final = 500
"""R14, R15: energy and power are stated into this load."""
HIGHEST_UA: Final = 100_000
"""R07: what no calibrated current may exceed."""
TOPICS: Final = frozenset({
    "implanted_electronics", "pregnancy", "epilepsy", "heart_disease", "cancer_at_the_site", "thrombosis",
    "bleeding_or_recent_surgery", "broken_or_infected_skin", "absent_sensation", "unable_to_report",
})  # fmt: skip
"""R27: each must be answered "no"."""
SITES: Final = frozenset({"forearm", "thumb"})
"""R27: where the pads may sit, all on one limb."""
MARK_BITS: Final = (1 << 61) - 1


class ChannelBounds(NamedTuple):
    """Bounds of one channel, whole numbers in the unit of the name; the rule of each stands where it is computed."""

    peak_uA: int
    ceiling_uA: int
    motor_uA: int
    width_min_us: int
    width_max_us: int
    charge_pC: int
    density_charge_pC: int
    period_min_us: int
    rms_uA: int
    density_rms_uA_per_cm2: int
    density_trip_uA_per_cm2: int
    area_mm2: int
    contact_assumed_per_mille: int
    energy_aJ: int
    power_rms_uA: int
    rectified_pC: int
    compliance_uV: int
    net_per_mille: int
    net_pC: int
    net_trip_pC: int
    slew_uA_per_s: int
    rise_uA: int
    width_slew_us_per_s: int
    width_rise_us: int
    first_step_uA: int
    intensity_slew_pC_per_s2: int
    intensity_width_us: int
    ramp_us: int
    run_us: int
    on_us: int
    total_pC: int
    ohm_min: int
    ohm_max: int
    ohm_jump_percent: int


class LoopBounds(NamedTuple):
    """Bounds of the whole loop, whole numbers in the unit of the name."""

    control_period_us: int
    device_step_uA: int
    interphase_us: int
    faults_in_a_row: int
    valid_us: int
    command_trip_us: int
    tick_min_us: int
    tick_max_us: int
    short_window_us: int
    long_window_us: int
    on_gap_us: int
    rest_us: int
    recovery_us: int
    saturated_pulses: int
    session_us: int
    summed_share_per_mille: int
    pulse_gap_us: int
    changeover_us: int
    screening_clear: int
    contact_window_us: int
    estimate_min_mN: int
    estimate_max_mN: int
    estimate_slope_mN_per_s: int
    estimate_frozen_us: int
    estimate_ramp_us: int
    estimate_trip_us: int
    implausible_trip_us: int
    force_soft_mN: int
    force_hard_mN: int
    force_rise_mN: int
    force_window_us: int
    heartbeat_ramp_us: int
    heartbeat_trip_us: int


class Bounds(NamedTuple):
    """All bounds that a log is judged by."""

    agonist: ChannelBounds
    antagonist: ChannelBounds
    loop: LoopBounds


class Difference(NamedTuple):
    """A bound that the interlock enforced otherwise: its name ("antagonist.rms_uA"), the auditor's number and its.

    None stands for a number that only the other side has.
    """

    name: str
    own: int | None
    enforced: int | None


def bounds_of(
    text: str,
    calibration: Calibration | None,
    control_period_us: int,
    screening: Mapping[str, Any] | None,
    file: str = "limit profile",
) -> Bounds:
    """The bounds of one person's session by the text of a profile.

    `calibration` None: none on file, so ceilings and force bounds are zero. `control_period_us`: nominal time between
    control ticks. `screening`: the answers as a scenario states them, None for none. Raises InputError, naming `file`
    and the key, when the text is no TOML or a bound is missing or no number.
    """
    loop = _Table(_tables(text, file), "loop", file)
    return Bounds(
        _channel(_Table(_tables(text, file), "agonist", file), loop, calibration and calibration.agonist,
                 control_period_us),
        _channel(_Table(_tables(text, file), "antagonist", file), loop, calibration and calibration.antagonist,
                 control_period_us),
        _loop(loop, calibration, control_period_us, screening),
    )  # fmt: skip


@lru_cache(maxsize=4)
def _tables(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as error:
        raise InputError([Problem(file, "", str(error) or "nesting too deep", "TOML 1.0 text")]) from None


def _exact(number: float) -> Fraction:
    return Fraction(repr(float(number)))


class _Table:
    """One table of a profile; each method gives a bound as a whole number of `scale`ths of the key's unit."""

    def __init__(self, tables: dict[str, Any], name: str, file: str) -> None:
        self._table, self._name, self._file = tables.get(name), name, file

    def exact(self, key: str) -> Fraction:
        """The number at `key`, in the key's unit. Raises InputError without one."""
        entry = self._table.get(key) if isinstance(self._table, dict) else None
        value = entry.get("value") if isinstance(entry, dict) else None
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
            return _exact(value)
        found = "nothing" if value is None else shown(value)
        raise InputError([Problem(self._file, f"{self._name}.{key}.value", found, "a finite number")])

    def down(self, key: str, scale: int = 1) -> int:
        """Rounded down: what may be reached at most."""
        return math.floor(self.exact(key) * scale)

    def up(self, key: str, scale: int = 1) -> int:
        """Rounded up: what must be reached at least."""
        return math.ceil(self.exact(key) * scale)


def _calibrated(current_mA: float) -> Fraction:
    """A calibrated current in uA; zero when it is no positive number (R07: none on file is zero)."""
    usable = math.isfinite(current_mA) and current_mA > 0
    return min(1_000 * _exact(current_mA), Fraction(HIGHEST_UA)) if usable else Fraction(0)


def _channel(own: _Table, loop: _Table, person: ChannelCalibration | None, control_period_us: int) -> ChannelBounds:
    area_mm2 = own.down("pad_area_cm2", 100)
    slew_uA_per_s, slew_us_per_s = own.down("slew_mA_per_s", 1_000), own.down("width_slew_us_per_s")
    power_pW_per_cm2 = own.down("power_density_W_per_cm2", 10**12)
    return ChannelBounds(
        peak_uA=own.down("peak_mA", 1_000),  # R06
        ceiling_uA=math.floor(_calibrated(person.ceiling_mA if person else 0.0)),  # R07
        motor_uA=math.ceil(_calibrated(person.motor_mA if person else 0.0)),  # R30: from here on the muscle answers
        width_min_us=own.up("width_min_us"),  # R08
        width_max_us=own.down("width_max_us"),
        charge_pC=own.down("charge_uC", 10**6),  # R09, per phase
        density_charge_pC=own.down("charge_density_uC_per_cm2", 10**6) * area_mm2 // 100,  # R10
        period_min_us=max(math.ceil(US_PER_S / own.exact("rate_Hz")), own.up("pulse_spacing_ms", 1_000)),  # R11
        rms_uA=own.down("rms_mA", 1_000),  # R12
        density_rms_uA_per_cm2=own.down("rms_density_mA_per_cm2", 1_000),  # R13
        density_trip_uA_per_cm2=own.down("rms_density_trip_mA_per_cm2", 1_000),
        area_mm2=area_mm2,
        contact_assumed_per_mille=own.down("contact_assumed", 1_000),  # R29
        energy_aJ=own.down("energy_mJ", 10**15),  # R14
        power_rms_uA=math.isqrt(power_pW_per_cm2 * area_mm2 // (100 * LOAD_OHM)),  # R15: P = I^2 R
        rectified_pC=own.down("rectified_mA", 1_000) * US_PER_S,  # R16: mean current times a second
        compliance_uV=own.down("compliance_V", 10**6),  # R17
        net_per_mille=own.down("net_charge_share", 1_000),  # R18: share of a phase; currents times a second
        net_pC=own.down("net_current_uA") * US_PER_S,
        net_trip_pC=own.down("net_current_trip_uA") * US_PER_S,
        slew_uA_per_s=slew_uA_per_s,  # R20: per second, and per control period, where one step may always be taken
        rise_uA=max(slew_uA_per_s * control_period_us // US_PER_S, loop.down("device_step_mA", 1_000)),
        width_slew_us_per_s=slew_us_per_s,
        width_rise_us=max(slew_us_per_s * control_period_us // US_PER_S, 1),
        first_step_uA=own.down("first_step_mA", 1_000),  # R21
        intensity_slew_pC_per_s2=own.down("intensity_slew_uC_per_s2", 10**6),  # R40
        intensity_width_us=own.up("intensity_width_us"),
        ramp_us=own.down("ramp_down_s", US_PER_S),  # R22
        run_us=own.down("run_s", US_PER_S),  # R23: without a rest; in the long window
        on_us=math.floor(own.exact("on_share") * loop.down("on_window_s", US_PER_S)),
        total_pC=own.down("session_charge_C", 10**12),  # R24
        ohm_min=own.up("impedance_min_ohm"),  # R28
        ohm_max=own.down("impedance_max_ohm"),
        ohm_jump_percent=own.down("impedance_jump", 100),
    )


def _loop(
    own: _Table, calibration: Calibration | None, control_period_us: int, screening: Mapping[str, Any] | None
) -> LoopBounds:
    pinch_N = calibration.max_pinch_N if calibration else 0.0
    strongest_N = _exact(pinch_N) if math.isfinite(pinch_N) and pinch_N > 0 else Fraction(0)
    return LoopBounds(
        control_period_us=control_period_us,
        device_step_uA=own.down("device_step_mA", 1_000),  # R36
        interphase_us=own.down("interphase_us"),  # R19: pause between the phases
        faults_in_a_row=own.down("faults_in_a_row"),  # R01
        valid_us=min(own.down("valid_periods", control_period_us), own.down("valid_ms", 1_000)),  # R03
        command_trip_us=own.down("command_trip_ms", 1_000),
        tick_min_us=own.up("tick_min_periods", control_period_us),  # R04
        tick_max_us=own.down("tick_max_periods", control_period_us),
        short_window_us=US_PER_S,  # R12, R13, R15, R16: a sliding second
        long_window_us=own.down("on_window_s", US_PER_S),  # R23
        on_gap_us=own.up("on_gap_ms", 1_000),
        rest_us=own.up("rest_s", US_PER_S),  # R21, R23
        recovery_us=own.up("recovery_s", US_PER_S),
        saturated_pulses=own.down("saturated_pulses"),  # R17
        session_us=own.down("session_min", 60 * US_PER_S),  # R24
        summed_share_per_mille=own.down("summed_share", 1_000),  # R25
        pulse_gap_us=own.up("pulse_gap_ms", 1_000),  # R26
        changeover_us=own.up("changeover_ms", 1_000),
        screening_clear=1 if clears(screening) else 0,  # R27
        contact_window_us=own.up("impedance_window_s", US_PER_S),  # R28
        estimate_min_mN=-own.down("estimate_undershoot_N", 1_000),  # R30
        estimate_max_mN=own.down("estimate_max_N", 1_000),
        estimate_slope_mN_per_s=own.down("estimate_slope_N_per_s", 1_000),
        estimate_frozen_us=own.down("estimate_frozen_ms", 1_000),
        estimate_ramp_us=own.down("estimate_ramp_ms", 1_000),
        estimate_trip_us=own.down("estimate_trip_ms", 1_000),
        implausible_trip_us=own.down("implausible_trip_ms", 1_000),
        force_soft_mN=math.floor(strongest_N * own.down("force_soft_share", 1_000)),  # R31
        force_hard_mN=math.floor(strongest_N * own.down("force_hard_share", 1_000)),
        force_rise_mN=math.floor(own.exact("force_rise_N_per_s") * own.down("force_rise_window_ms")),
        force_window_us=own.down("force_rise_window_ms", 1_000),
        heartbeat_ramp_us=own.down("heartbeat_ramp_periods", control_period_us),  # R32
        heartbeat_trip_us=own.down("heartbeat_trip_ms", 1_000),
    )


def clears(screening: Mapping[str, Any] | None) -> bool:
    """Whether a screening allows arming (R27): pads on one forearm or thumb, and every topic answered "no"."""
    screening = screening or {}
    placement, answers = screening.get("placement") or {}, screening.get("contraindications") or {}
    return (
        placement.get("site") in SITES
        and placement.get("same_limb") is True
        and {topic for topic, answer in answers.items() if answer == "no"} >= TOPICS
        and all(answer == "no" for answer in answers.values())
    )


def by_name(bounds: Any) -> dict[str, dict[str, int]]:
    """Bounds (the auditor's, or limits of the interlock) as numbers by table and name, in order."""
    return {name: {key: int(value) for key, value in part._asdict().items()} for name, part in bounds._asdict().items()}


def differences(own: Bounds, enforced: Mapping[str, Mapping[str, int]]) -> tuple[Difference, ...]:
    """Every bound that the interlock enforced otherwise, or that only one of the two has, in order.

    `enforced`: numbers by table and name, as `by_name` gives them.
    """
    ours = _flat(by_name(own))
    theirs = _flat(enforced)
    return tuple(
        Difference(name, ours.get(name), theirs.get(name))
        for name in dict.fromkeys([*ours, *theirs])
        if ours.get(name) != theirs.get(name)
    )


def _flat(numbers: Mapping[str, Mapping[str, int]]) -> dict[str, int]:
    return {f"{table}.{key}": value for table, entries in numbers.items() for key, value in entries.items()}


def mark_of(numbers: Iterable[int]) -> int:
    """The mark of limits that a decision log carries (R35): total = total * 5 + number from 1 on, the low 61 bits."""
    total = 1
    for number in numbers:
        total = (total * 5 + int(number)) & MARK_BITS
    return total


def mark_of_bounds(bounds: Any) -> int:
    """`mark_of` over agonist, antagonist and loop."""
    return mark_of(number for part in bounds for number in part)
