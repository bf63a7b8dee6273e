"""Limit profiles: a TOML file with every bound in human units, and beside each its source and tag.

Tags say how far a source was followed: "seen" (read), "memory" (recalled, not read again), "own" (our
choice) or "derived" (reckoned from other values). A profile of one's own says which shipped one it starts from,
and why each bound that is looser than there is looser. A profile is no clinical advice, and obeying one makes
nothing safe or compliant.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from thenar.safety.deviation import Deviation, deviations_from, unreasoned
from thenar.safety.hard_ceilings import CHANNEL_HARD, LOOP_HARD, Hard
from thenar.safety.screening import Screening
from thenar.shared.errors import InputError, Problem, Strict, nearest, shown, validated
from thenar.shared.signals import Calibration
from thenar.shared.text_input import read_toml

if TYPE_CHECKING:
    from thenar.safety.limits import Limits

_FOLDER: Final = Path(__file__).resolve().parent / "profiles"
_LEAST_WORDS: Final = 3
_LONGEST_REASON: Final = 300
Tag = Literal["seen", "memory", "own", "derived"]


class Bound(Strict):
    """One bound: a number in the unit that its key names, where it comes from, and how far that was followed.

    `reason`: why it is looser than the default; needed where it is, idle elsewhere.
    """

    value: float
    source: str = Field(min_length=1)
    tag: Tag
    reason: str | None = None

    @field_validator("reason")
    @classmethod
    def _says_something(cls, reason: str | None) -> str | None:
        plain = reason is None or (reason.isprintable() and len(reason) <= _LONGEST_REASON)
        if not plain or (reason is not None and len(reason.split()) < _LEAST_WORDS):
            raise ValueError(f"one line of at least {_LEAST_WORDS} words and at most {_LONGEST_REASON} characters")
        return reason


def _inside(bound: Bound, hard: Hard) -> Bound:
    """`bound` when it lies inside the hard range. Raises ValueError otherwise."""
    if not hard.low <= bound.value <= hard.high:
        raise ValueError(
            f"a value from {hard.low:g} to {hard.high:g} {hard.unit} (hard range of {hard.rule}), not {bound.value:g}"
        )
    if hard.whole and bound.value != int(bound.value):
        raise ValueError(f"a whole number ({hard.rule}), not {bound.value:g}")
    return bound


class ChannelBounds(Strict):
    """Bounds of one channel. Units are in the names; the requirement of each is in `hard_ceilings`."""

    peak_mA: Bound
    width_min_us: Bound
    width_max_us: Bound
    charge_uC: Bound
    charge_density_uC_per_cm2: Bound
    pad_area_cm2: Bound
    rate_Hz: Bound
    pulse_spacing_ms: Bound
    rms_mA: Bound
    rms_density_mA_per_cm2: Bound
    rms_density_trip_mA_per_cm2: Bound
    energy_mJ: Bound
    power_density_W_per_cm2: Bound
    rectified_mA: Bound
    compliance_V: Bound
    net_charge_share: Bound
    net_current_uA: Bound
    net_current_trip_uA: Bound
    slew_mA_per_s: Bound
    width_slew_us_per_s: Bound
    first_step_mA: Bound
    ramp_down_s: Bound
    run_s: Bound
    on_share: Bound
    session_charge_C: Bound
    impedance_min_ohm: Bound
    impedance_max_ohm: Bound
    impedance_jump: Bound
    contact_assumed: Bound

    @field_validator("*")
    @classmethod
    def _under_hard_ceilings(cls, bound: Bound, info: ValidationInfo) -> Bound:
        return _inside(bound, CHANNEL_HARD[str(info.field_name)])

    @model_validator(mode="after")
    def _in_order(self) -> ChannelBounds:
        _rising("width_min_us", self.width_min_us, "width_max_us", self.width_max_us)
        _rising("impedance_min_ohm", self.impedance_min_ohm, "impedance_max_ohm", self.impedance_max_ohm)
        _rising("net_current_uA", self.net_current_uA, "net_current_trip_uA", self.net_current_trip_uA)
        _rising("first_step_mA", self.first_step_mA, "peak_mA", self.peak_mA)
        _rising(
            "rms_density_mA_per_cm2",
            self.rms_density_mA_per_cm2,
            "rms_density_trip_mA_per_cm2",
            self.rms_density_trip_mA_per_cm2,
        )
        return self


class LoopBounds(Strict):
    """Bounds of the whole loop. Units are in the names; the requirement of each is in `hard_ceilings`."""

    faults_in_a_row: Bound
    valid_periods: Bound
    valid_ms: Bound
    command_trip_ms: Bound
    tick_min_periods: Bound
    tick_max_periods: Bound
    saturated_pulses: Bound
    on_window_s: Bound
    on_gap_ms: Bound
    rest_s: Bound
    session_min: Bound
    summed_share: Bound
    pulse_gap_ms: Bound
    changeover_ms: Bound
    impedance_window_s: Bound
    estimate_undershoot_N: Bound
    estimate_max_N: Bound
    estimate_slope_N_per_s: Bound
    estimate_frozen_ms: Bound
    estimate_ramp_ms: Bound
    estimate_trip_ms: Bound
    implausible_trip_ms: Bound
    force_soft_share: Bound
    force_hard_share: Bound
    force_rise_N_per_s: Bound
    force_rise_window_ms: Bound
    heartbeat_ramp_periods: Bound
    heartbeat_trip_ms: Bound
    device_step_mA: Bound
    interphase_us: Bound

    @field_validator("*")
    @classmethod
    def _under_hard_ceilings(cls, bound: Bound, info: ValidationInfo) -> Bound:
        return _inside(bound, LOOP_HARD[str(info.field_name)])

    @model_validator(mode="after")
    def _in_order(self) -> LoopBounds:
        _rising("estimate_ramp_ms", self.estimate_ramp_ms, "estimate_trip_ms", self.estimate_trip_ms)
        _rising("force_soft_share", self.force_soft_share, "force_hard_share", self.force_hard_share)
        _rising("valid_ms", self.valid_ms, "command_trip_ms", self.command_trip_ms)
        if self.on_gap_ms.value > 1_000 * self.rest_s.value:
            raise ValueError("on_gap_ms no longer than rest_s")
        return self


def _rising(low_key: str, low: Bound, high_key: str, high: Bound) -> None:
    if low.value > high.value:
        raise ValueError(f"{low_key} no larger than {high_key}, not {low.value:g} and {high.value:g}")


class LimitProfile(Strict):
    """All bounds of one setting. Every bound is named: none is filled in silently.

    `based_on`: the shipped profile that a profile of one's own starts from; None for a shipped one.
    """

    schema_version: Literal[1] = Field(alias="schema")
    name: str = Field(min_length=1)
    about: str = Field(min_length=1)
    based_on: str | None = None
    agonist: ChannelBounds
    antagonist: ChannelBounds
    loop: LoopBounds

    @model_validator(mode="after")
    def _steps_reach_the_device(self) -> LimitProfile:
        for key, channel in (("agonist", self.agonist), ("antagonist", self.antagonist)):
            if channel.first_step_mA.value < self.loop.device_step_mA.value:
                raise ValueError(f"{key}.first_step_mA at least loop.device_step_mA, or nothing could ever start")
        return self

    def bounds(self) -> Iterator[tuple[str, Bound, Hard]]:
        """Every bound as (dotted key, bound, hard range), in file order."""
        for table, hard in (("agonist", CHANNEL_HARD), ("antagonist", CHANNEL_HARD), ("loop", LOOP_HARD)):
            for key in type(getattr(self, table)).model_fields:
                yield f"{table}.{key}", getattr(getattr(self, table), key), hard[key]

    def deviations(self) -> tuple[Deviation, ...]:
        """Every bound that is looser than in the shipped profile `based_on`, with its reason; none when that is None.

        Raises InputError when `based_on` names no shipped profile (a profile that `load_profile` gave can't).
        """
        return () if self.based_on is None else deviations_from(self, _base_of(self, self.name))

    def fingerprint(self) -> str:
        """SHA-256 (64 hex digits) over the schema and every bound's value (R35). Wording does not count."""
        values = {key: float(bound.value) for key, bound, _ in self.bounds()}
        text = json.dumps({"schema": self.schema_version, "values": values}, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()

    def limits_for(
        self,
        calibration: Calibration | None,
        control_period_us: int = 20_000,
        screening: Screening | None = None,
    ) -> Limits:
        """The limits of one person's session, as integers.

        `calibration` None (none on file) gives ceilings of zero and no force bounds: the loop then refuses
        to arm (R07). `control_period_us`: nominal time between control ticks. `screening` None (none on
        file) refuses to arm as well (R27). Raises ValueError when `control_period_us` lies outside
        `hard_ceilings.CONTROL_PERIOD_US`.
        """
        from thenar.safety.conversion import limits_of  # brings in the compiler: only when limits are made

        return limits_of(self, calibration, control_period_us, screening)


def shipped_profiles() -> tuple[str, ...]:
    """Names of the profiles that come with thenar."""
    return tuple(sorted(file.stem for file in _FOLDER.glob("*.toml")))


def load_profile(name_or_path: str, base: Path | None = None) -> LimitProfile:
    """A shipped profile by name, or the profile in a TOML file (relative paths start at `base`).

    Raises InputError, naming the nearest shipped profile, when there is no such file, and naming every
    key at fault when the file can't be used, or is looser than the profile it starts from without a reason.
    """
    if name_or_path in shipped_profiles():
        return _read(_FOLDER / f"{name_or_path}.toml")
    file = (base or Path()) / name_or_path
    try:
        found = file.is_file()
    except (OSError, ValueError):
        found = False
    if not found:
        names = shipped_profiles()
        allowed = "a shipped profile (" + ", ".join(names) + ") or the path of a TOML file"
        raise InputError([Problem("limit profile", "", shown(name_or_path), allowed, nearest(name_or_path, names))])
    profile = _read(file)
    default = _base_of(profile, str(file))
    problems = unreasoned(deviations_from(profile, default), default.name, str(file))
    if problems:
        raise InputError(problems)
    return profile


def _read(file: Path) -> LimitProfile:
    return validated(LimitProfile, read_toml(file), str(file))


def _base_of(profile: LimitProfile, file: str) -> LimitProfile:
    """The shipped profile that `profile`, read from `file`, starts from."""
    names = shipped_profiles()
    if profile.based_on in names:
        return _read(_FOLDER / f"{profile.based_on}.toml")
    found = "nothing" if profile.based_on is None else shown(profile.based_on)
    allowed = "the shipped profile that this one starts from: " + ", ".join(names)
    raise InputError([Problem(file, "based_on", found, allowed, nearest(profile.based_on or "", names))])
