"""The conversion against numbers reckoned here: from a profile's TOML text, in exact fractions, without thenar's code.

Each field of the limits has its formula below, written from what the keys mean. Then mistakes are planted in what the
conversion reads, bound by bound: the other channel's, and the neighbouring one's. The comparison must notice each.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Callable, Iterator
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, NamedTuple

import pytest

import thenar.safety.profile
from thenar.safety import conversion
from thenar.safety.bounds import BOUNDS, CHANNEL, EXACT, LOOP
from thenar.safety.conversion import limits_of
from thenar.safety.invented import CLEAR, JEWELLER, UNEQUAL
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits
from thenar.safety.profile import LimitProfile, shipped_profiles
from thenar.safety.screening import Screening
from thenar.shared.errors import validated
from thenar.shared.signals import Calibration

FOLDER: Final = Path(thenar.safety.profile.__file__).parent / "profiles"
PERIODS_US: Final = (1_000, 20_000, 33_333, 100_000)
Table = dict[str, Fraction]


class Given(NamedTuple):
    """What a field may be made of: bounds of its part and of the loop, the person's values, the period in us."""

    own: Table
    loop: Table
    person: Table
    period_us: int


def low(number: Fraction) -> int:
    """Rounded down."""
    return math.floor(number)


def high(number: Fraction) -> int:
    """Rounded up."""
    return math.ceil(number)


def root(number: Fraction) -> int:
    """The largest whole number whose square is at most `number`."""
    return math.isqrt(low(number))


CHANNEL_EXPECTED: Final[dict[str, Callable[[Given], int]]] = {
    "peak_uA": lambda g: low(1_000 * g.own["peak_mA"]),
    "ceiling_uA": lambda g: min(100_000, low(1_000 * g.person["ceiling_mA"])),
    "motor_uA": lambda g: min(100_000, high(1_000 * g.person["motor_mA"])),
    "width_min_us": lambda g: high(g.own["width_min_us"]),
    "width_max_us": lambda g: low(g.own["width_max_us"]),
    "charge_pC": lambda g: low(10**6 * g.own["charge_uC"]),
    # pC/cm2 times mm2 over 100 mm2/cm2; each factor rounded down by itself.
    "density_charge_pC": lambda g: low(
        Fraction(low(10**6 * g.own["charge_density_uC_per_cm2"]) * low(100 * g.own["pad_area_cm2"]), 100)
    ),
    "period_min_us": lambda g: max(high(10**6 / g.own["rate_Hz"]), high(1_000 * g.own["pulse_spacing_ms"])),
    "rms_uA": lambda g: low(1_000 * g.own["rms_mA"]),
    "density_rms_uA_per_cm2": lambda g: low(1_000 * g.own["rms_density_mA_per_cm2"]),
    "density_trip_uA_per_cm2": lambda g: low(1_000 * g.own["rms_density_trip_mA_per_cm2"]),
    "area_mm2": lambda g: low(100 * g.own["pad_area_cm2"]),
    "contact_assumed_per_mille": lambda g: low(1_000 * g.own["contact_assumed"]),
    "energy_aJ": lambda g: low(10**15 * g.own["energy_mJ"]),
    # P/A times A over R is the square of the current: pW/cm2 times cm2 over ohm is uA2.
    "power_rms_uA": lambda g: root(
        Fraction(low(10**12 * g.own["power_density_W_per_cm2"]) * low(100 * g.own["pad_area_cm2"]), 100 * 500)
    ),
    "rectified_pC": lambda g: low(1_000 * g.own["rectified_mA"]) * 10**6,
    "compliance_uV": lambda g: low(10**6 * g.own["compliance_V"]),
    "net_per_mille": lambda g: low(1_000 * g.own["net_charge_share"]),
    "net_pC": lambda g: low(g.own["net_current_uA"]) * 10**6,
    "net_trip_pC": lambda g: low(g.own["net_current_trip_uA"]) * 10**6,
    "slew_uA_per_s": lambda g: low(1_000 * g.own["slew_mA_per_s"]),
    "rise_uA": lambda g: max(
        low(Fraction(low(1_000 * g.own["slew_mA_per_s"]) * g.period_us, 10**6)), low(1_000 * g.loop["device_step_mA"])
    ),
    "width_slew_us_per_s": lambda g: low(g.own["width_slew_us_per_s"]),
    "width_rise_us": lambda g: max(low(Fraction(low(g.own["width_slew_us_per_s"]) * g.period_us, 10**6)), 1),
    "first_step_uA": lambda g: low(1_000 * g.own["first_step_mA"]),
    "intensity_slew_pC_per_s2": lambda g: low(10**6 * g.own["intensity_slew_uC_per_s2"]),
    "intensity_width_us": lambda g: high(g.own["intensity_width_us"]),
    "ramp_us": lambda g: low(10**6 * g.own["ramp_down_s"]),
    "run_us": lambda g: low(10**6 * g.own["run_s"]),
    "on_us": lambda g: low(g.own["on_share"] * low(10**6 * g.loop["on_window_s"])),
    "total_pC": lambda g: low(10**12 * g.own["session_charge_C"]),
    "ohm_min": lambda g: high(g.own["impedance_min_ohm"]),
    "ohm_max": lambda g: low(g.own["impedance_max_ohm"]),
    "ohm_jump_percent": lambda g: low(100 * g.own["impedance_jump"]),
}
LOOP_EXPECTED: Final[dict[str, Callable[[Given], int]]] = {
    "control_period_us": lambda g: g.period_us,
    "device_step_uA": lambda g: low(1_000 * g.own["device_step_mA"]),
    "interphase_us": lambda g: low(g.own["interphase_us"]),
    "faults_in_a_row": lambda g: low(g.own["faults_in_a_row"]),
    "valid_us": lambda g: min(low(g.own["valid_periods"] * g.period_us), low(1_000 * g.own["valid_ms"])),
    "command_trip_us": lambda g: low(1_000 * g.own["command_trip_ms"]),
    "tick_min_us": lambda g: high(g.own["tick_min_periods"] * g.period_us),
    "tick_max_us": lambda g: low(g.own["tick_max_periods"] * g.period_us),
    "short_window_us": lambda _: 10**6,
    "long_window_us": lambda g: low(10**6 * g.own["on_window_s"]),
    "on_gap_us": lambda g: high(1_000 * g.own["on_gap_ms"]),
    "rest_us": lambda g: high(10**6 * g.own["rest_s"]),
    "recovery_us": lambda g: high(10**6 * g.own["recovery_s"]),
    "saturated_pulses": lambda g: low(g.own["saturated_pulses"]),
    "session_us": lambda g: low(60 * 10**6 * g.own["session_min"]),
    "summed_share_per_mille": lambda g: low(1_000 * g.own["summed_share"]),
    "pulse_gap_us": lambda g: high(1_000 * g.own["pulse_gap_ms"]),
    "changeover_us": lambda g: high(1_000 * g.own["changeover_ms"]),
    "screening_clear": lambda g: int(g.person["screened"]),
    "contact_window_us": lambda g: high(10**6 * g.own["impedance_window_s"]),
    "estimate_min_mN": lambda g: -low(1_000 * g.own["estimate_undershoot_N"]),
    "estimate_max_mN": lambda g: low(1_000 * g.own["estimate_max_N"]),
    "estimate_slope_mN_per_s": lambda g: low(1_000 * g.own["estimate_slope_N_per_s"]),
    "estimate_frozen_us": lambda g: low(1_000 * g.own["estimate_frozen_ms"]),
    "estimate_ramp_us": lambda g: low(1_000 * g.own["estimate_ramp_ms"]),
    "estimate_trip_us": lambda g: low(1_000 * g.own["estimate_trip_ms"]),
    "implausible_trip_us": lambda g: low(1_000 * g.own["implausible_trip_ms"]),
    # Per mille of N are mN.
    "force_soft_mN": lambda g: low(low(1_000 * g.own["force_soft_share"]) * g.person["max_pinch_N"]),
    "force_hard_mN": lambda g: low(low(1_000 * g.own["force_hard_share"]) * g.person["max_pinch_N"]),
    # N/s times ms are mN.
    "force_rise_mN": lambda g: low(g.own["force_rise_N_per_s"] * low(g.own["force_rise_window_ms"])),
    "force_window_us": lambda g: low(1_000 * g.own["force_rise_window_ms"]),
    "heartbeat_ramp_us": lambda g: low(g.own["heartbeat_ramp_periods"] * g.period_us),
    "heartbeat_trip_us": lambda g: low(1_000 * g.own["heartbeat_trip_ms"]),
}


class Case(NamedTuple):
    """A profile's text and what is on file about a person."""

    text: str
    calibration: Calibration | None
    screening: Screening | None
    period_us: int


def shipped(name: str) -> str:
    """The text of a shipped profile."""
    return (FOLDER / f"{name}.toml").read_text("utf-8")


def crosswise(text: str) -> str:
    """The text with the two channels' tables exchanged."""
    names = {"[agonist]": "[antagonist]", "[antagonist]": "[agonist]"}
    return re.sub(r"(?m)^\[(ant)?agonist\]$", lambda found: names[found[0]], text)


def odd(text: str) -> str:
    """The text with every number of a bound that need not be whole moved by a little, so that roundings show."""
    whole = {row.key for row in BOUNDS if row.whole}

    def moved(found: re.Match[str]) -> str:
        number = Fraction(found[2])
        value = number if found[1] in whole else number * Fraction(299_999, 300_000)
        return f"{found[1]} = {{ value = {float(value)!r},"

    return re.sub(r"(?m)^(\w+) = \{ value = ([\d.]+),", moved, text)


def with_numbers(text: str, **numbers: str) -> str:
    """The text with the values of some bounds written otherwise, on both channels."""
    for key, number in numbers.items():
        text = re.sub(rf"(?m)^{key} = \{{ value = [\d.]+,", f"{key} = {{ value = {number},", text)
    return text


@cache
def profile_of(text: str) -> LimitProfile:
    """The profile that a text states."""
    return validated(LimitProfile, tomllib.loads(text), "limits.toml")


MIRRORED: Final = Calibration(JEWELLER.antagonist, JEWELLER.agonist, 41.23457)
CASES: Final = [
    Case(text, calibration, screening, period_us)
    for name in shipped_profiles()
    for text in (shipped(name), crosswise(shipped(name)), odd(shipped(name)), odd(crosswise(shipped(name))))
    for calibration, screening in ((JEWELLER, CLEAR), (MIRRORED, Screening()), (None, None))
    for period_us in PERIODS_US
]
# Half a pW per cm2 below the square of 10 mA on 5 cm2, where its rounding shows.
CASES.append(
    Case(
        with_numbers(shipped(UNEQUAL), pad_area_cm2="5.0", power_density_W_per_cm2="0.0099999999995"),
        JEWELLER,
        CLEAR,
        20_000,
    )
)
# Half a pC/s in a second below a whole number.
CASES.append(Case(with_numbers(shipped(UNEQUAL), intensity_slew_uC_per_s2="99.9999995"), JEWELLER, CLEAR, 20_000))
SWAPPED: Final = [
    Case(text, JEWELLER, CLEAR, period_us)
    for text in (shipped(UNEQUAL), crosswise(shipped(UNEQUAL)))
    for period_us in PERIODS_US
]
"""Few and plain: what notices a planted mistake notices it here."""


@cache
def expected(case: Case) -> dict[str, int]:
    """Every limit by dotted name, reckoned from the text."""
    tables = tomllib.loads(case.text, parse_float=Fraction)
    parts: dict[str, Table] = {
        part: {key: Fraction(bound["value"]) for key, bound in tables[part].items()}
        for part in ("agonist", "antagonist", "loop")
    }
    found = {}
    for part, formulas in (
        ("agonist", CHANNEL_EXPECTED), ("antagonist", CHANNEL_EXPECTED), ("loop", LOOP_EXPECTED)
    ):  # fmt: skip
        given = Given(parts[part], parts["loop"], _person(case, part), case.period_us)
        found |= {f"{part}.{field}": formula(given) for field, formula in formulas.items()}
    return found


def _person(case: Case, part: str) -> Table:
    screened = Fraction(case.screening is CLEAR)
    if case.calibration is None:
        return {"ceiling_mA": Fraction(0), "motor_mA": Fraction(0), "max_pinch_N": Fraction(0), "screened": screened}
    if part == "loop":
        return {"max_pinch_N": Fraction(str(case.calibration.max_pinch_N)), "screened": screened}
    own = getattr(case.calibration, part)
    return {"ceiling_mA": Fraction(str(own.ceiling_mA)), "motor_mA": Fraction(str(own.motor_mA))}


def differing(case: Case, convert: Callable[..., Limits] = limits_of) -> list[str]:
    """Every limit that `convert` gives otherwise than it is reckoned here, by dotted name."""
    limits = convert(profile_of(case.text), case.calibration, case.period_us, case.screening)
    made = {f"{part}.{field}": value for part, table in named(limits) for field, value in table.items()}
    wanted = expected(case)
    assert made.keys() == wanted.keys()
    return [name for name, value in made.items() if value != wanted[name]]


def named(limits: Limits) -> list[tuple[str, dict[str, int]]]:
    """The limits by part and field."""
    return [(part, getattr(limits, part)._asdict()) for part in limits._fields]


def test_every_limit_has_a_formula_here() -> None:
    assert tuple(CHANNEL_EXPECTED) == ChannelLimits._fields
    assert tuple(LOOP_EXPECTED) == LoopLimits._fields


def test_the_conversion_gives_what_is_reckoned_from_the_text() -> None:
    assert len(CASES) >= 144
    for case in CASES:
        assert differing(case) == [], (case.text[:200], case.period_us)


Convert = Callable[[LimitProfile, Calibration | None, int, Screening | None], Limits]


def _with_bound(part: str, key: str, from_part: str, from_key: str) -> Convert:
    """A conversion that reads one bound in another's place."""

    def planted(profile: LimitProfile, *rest: Any) -> Limits:
        wrong = getattr(getattr(profile, from_part), from_key)
        table = getattr(profile, part).model_copy(update={key: wrong})
        return limits_of(profile.model_copy(update={part: table}), *rest)

    return planted


def _with_field(part: str, field: str, from_part: str, from_field: str) -> Convert:
    """A conversion that gives one limit in another's place."""

    def planted(*given: Any) -> Limits:
        limits = limits_of(*given)
        wrong = getattr(getattr(limits, from_part), from_field)
        return limits._replace(**{part: getattr(limits, part)._replace(**{field: wrong})})

    return planted


def _other_person(key: str) -> Convert:
    """A conversion that reads what is on file about the agonist's muscle for the antagonist."""

    def planted(profile: LimitProfile, calibration: Calibration, *rest: Any) -> Limits:
        wrong = calibration.antagonist._replace(**{key: getattr(calibration.agonist, key)})
        return limits_of(profile, calibration._replace(antagonist=wrong), *rest)

    return planted


def plants() -> Iterator[tuple[str, Convert]]:
    """Every planted mistake: bounds and limits of the other channel, then neighbouring ones, in both directions."""
    for one, other in (("antagonist", "agonist"), ("agonist", "antagonist")):
        for key in CHANNEL:
            yield f"{one}.{key} reads {other}.{key}", _with_bound(one, key, other, key)
        for field in ChannelLimits._fields:
            yield f"{one}.{field} gives {other}.{field}", _with_field(one, field, other, field)
    yield from ((f"antagonist reads the agonist's {key}", _other_person(key)) for key in ("ceiling_mA", "motor_mA"))
    tables = (("agonist", CHANNEL, ChannelLimits), ("antagonist", CHANNEL, ChannelLimits), ("loop", LOOP, LoopLimits))
    for part, rows, fields in tables:
        for near, far in pairwise(rows):
            yield f"{part}.{near} reads {part}.{far}", _with_bound(part, near, part, far)
            yield f"{part}.{far} reads {part}.{near}", _with_bound(part, far, part, near)
        for near, far in pairwise(fields._fields):
            yield f"{part}.{near} gives {part}.{far}", _with_field(part, near, part, far)
            yield f"{part}.{far} gives {part}.{near}", _with_field(part, far, part, near)


@pytest.mark.parametrize(("name", "planted"), list(plants()), ids=lambda value: value if isinstance(value, str) else "")
def test_a_bound_read_in_another_s_place_is_noticed(name: str, planted: Convert) -> None:
    assert any(differing(case, planted) for case in SWAPPED), name


def test_the_harness_of_mistakes_is_clean_when_nothing_is_wrong() -> None:
    for case in SWAPPED:
        assert differing(case, _with_bound("antagonist", "peak_mA", "antagonist", "peak_mA")) == []
        assert differing(case, _with_field("loop", "rest_us", "loop", "rest_us")) == []


@pytest.mark.parametrize("row", BOUNDS, ids=lambda row: f"{row.part}.{row.key}")
def test_a_row_of_the_table_with_another_scale_or_rounding_is_noticed(
    row: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each row's numbers count: a scale ten times larger, a rounding to the loose side, a factor of two."""
    other = "up" if row.rounding == "down" else "down"
    changes: list[dict[str, Any]] = [{"scale": 1_000}]
    if row.scale != EXACT:
        changes = [{"times": 2 * row.times}, {"scale": 10 * row.scale if isinstance(row.scale, int) else 1}]
        changes += [] if row.whole else [{"rounding": other}]
    for change in changes:
        wrong = tuple(each._replace(**change) if each is row else each for each in BOUNDS)
        monkeypatch.setattr(conversion, "BOUNDS", wrong)
        try:
            noticed = any(differing(case) for case in CASES)
        except (TypeError, AttributeError):  # a whole number where a limit is made of an exact one
            noticed = row.scale == EXACT
        assert noticed, change
