"""The limits as the compiled interlock reads them: whole numbers, frozen, each with its unit in its name.

`thenar.safety.profile` makes them from a limit profile and one person's calibration.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

from numpy.typing import NDArray

from thenar.shared.compiled import fixed, step


class ChannelLimits(NamedTuple):
    """Bounds of one channel. Products are kept ready: 1 pC = 1 uA us, 1 aJ = 1 pW us."""

    peak_uA: int
    """R06"""
    ceiling_uA: int
    """R07: this person's comfort ceiling, 0 when no calibration is on file"""
    motor_uA: int
    """R30: from this current on the muscle must answer, so an estimate that repeats is stuck"""
    width_min_us: int
    width_max_us: int
    """R08"""
    charge_pC: int
    """R09, per phase"""
    density_charge_pC: int
    """R10: charge per phase at which the density bound is reached on the smaller pad"""
    period_min_us: int
    """R11: shortest time between the starts of two pulses"""
    rms_uA: int
    """R12, over the short window"""
    density_rms_uA_per_cm2: int
    density_trip_uA_per_cm2: int
    area_mm2: int
    """R13: clamp, trip, and the smaller conductive area of the pair"""
    contact_assumed_per_mille: int
    """R29: contact share used while none is known"""
    energy_aJ: int
    """R14, per pulse into 500 ohm"""
    power_rms_uA: int
    """R15: RMS current at which the power density bound is reached at 500 ohm"""
    rectified_pC: int
    """R16: rectified charge (both phases) in the short window"""
    compliance_uV: int
    """R17"""
    net_per_mille: int
    net_pC: int
    net_trip_pC: int
    """R18: net charge as a share of a phase's charge, and over a second: withhold, trip"""
    slew_uA_per_s: int
    rise_uA: int
    width_slew_us_per_s: int
    width_rise_us: int
    """R20: rates, and the largest rise in one control period, of the current and of the width"""
    first_step_uA: int
    """R21"""
    intensity_slew_pC_per_s2: int
    intensity_width_us: int
    """R40: rise of what is delivered per second, and the width that a narrower pulse counts as"""
    ramp_us: int
    """R22"""
    run_us: int
    on_us: int
    """R23: time from the first pulse to the last without a rest, and on-time in the long window"""
    total_pC: int
    """R24: rectified charge of the session"""
    ohm_min: int
    ohm_max: int
    ohm_jump_percent: int
    """R28: range, and the ratio (percent) of two readings that counts as a jump"""


CHANNEL_LIMITS_SIZE: Final = len(ChannelLimits._fields)


class LoopLimits(NamedTuple):
    """Bounds of the whole loop."""

    control_period_us: int
    device_step_uA: int
    """R36"""
    interphase_us: int
    """pause between the two phases of a pulse"""
    faults_in_a_row: int
    """R01"""
    valid_us: int
    command_trip_us: int
    """R03: life of an admitted command; a gap between control ticks that trips"""
    tick_min_us: int
    tick_max_us: int
    """R04"""
    short_window_us: int
    """R12, R13, R15, R16"""
    long_window_us: int
    """R23"""
    on_gap_us: int
    """R23: on-time after the last pulse before a rest; R26: silence after which a pulse waits for the changeover"""
    rest_us: int
    """R21, R23: a silence this long is a rest; the long window lasts at most MOST_RUNS of them"""
    recovery_us: int
    """R23: silence of a channel whose on-time has run out"""
    saturated_pulses: int
    """R17"""
    session_us: int
    """R24"""
    summed_share_per_mille: int
    """R25"""
    pulse_gap_us: int
    changeover_us: int
    """R26"""
    screening_clear: int
    """R27: 1 when placement and contraindications allow arming"""
    contact_window_us: int
    """R28"""
    estimate_min_mN: int
    estimate_max_mN: int
    estimate_slope_mN_per_s: int
    estimate_frozen_us: int
    estimate_ramp_us: int
    estimate_trip_us: int
    implausible_trip_us: int
    """R30"""
    force_soft_mN: int
    force_hard_mN: int
    force_rise_mN: int
    force_window_us: int
    """R31"""
    heartbeat_ramp_us: int
    heartbeat_trip_us: int
    """R32"""


LOOP_LIMITS_SIZE: Final = len(LoopLimits._fields)


class Limits(NamedTuple):
    """All bounds that the interlock and the pulse gate enforce."""

    agonist: ChannelLimits
    antagonist: ChannelLimits
    loop: LoopLimits


LIMITS_SIZE: Final = 2 * CHANNEL_LIMITS_SIZE + LOOP_LIMITS_SIZE
_MARK_BITS: Final = (1 << 61) - 1
_CHANNEL_WEIGHT: Final = pow(5, CHANNEL_LIMITS_SIZE, 1 << 61)
_LOOP_WEIGHT: Final = pow(5, LOOP_LIMITS_SIZE, 1 << 61)


@step
def unpack_limits(array: NDArray[Any]) -> Limits:
    """Limits from their flat int64 form (shape (LIMITS_SIZE,), made by `flat_integers(limits)`)."""
    return Limits(
        ChannelLimits(*fixed(array, CHANNEL_LIMITS_SIZE)),
        ChannelLimits(*fixed(array, CHANNEL_LIMITS_SIZE, CHANNEL_LIMITS_SIZE)),
        LoopLimits(*fixed(array, LOOP_LIMITS_SIZE, 2 * CHANNEL_LIMITS_SIZE)),
    )


@step
def _chained(values: Any) -> int:
    """`total = total * 5 + value` over values, in fours so that a processor works on several at a time."""
    total = 0
    odd = len(values) % 4
    for at in range(odd):
        total = total * 5 + values[at]
    for at in range(odd, len(values), 4):
        four = values[at] * 125 + values[at + 1] * 25 + (values[at + 2] * 5 + values[at + 3])
        total = total * 625 + four
    return total & _MARK_BITS


@step
def limits_mark(limits: Limits) -> int:
    """A number that changes when any one limit is changed (R35: frozen at arming, compared at every tick and pulse).

    Not a cryptographic hash: it notices a limit that was overwritten while armed. The SHA-256 that
    identifies a profile is `LimitProfile.fingerprint`. Only the low 61 bits are kept, so numbers that wrap at
    64 bits and numbers that never do agree; 5 is odd, so no single change is lost.
    """
    # total = total * 5 + value over all values, begun at 1, in three chains.
    total = (_CHANNEL_WEIGHT + _chained(limits.agonist)) & _MARK_BITS
    total = (total * _CHANNEL_WEIGHT + _chained(limits.antagonist)) & _MARK_BITS
    return (total * _LOOP_WEIGHT + _chained(limits.loop)) & _MARK_BITS


@step
def folded(value: int) -> int:
    """The bits of `value` laid over each other, as a number from 0 to 2^31 - 1; itself when it is one already."""
    return (value ^ (value >> 31)) & 0x7FFFFFFF
