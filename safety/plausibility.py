"""Is what is sensed believable: the force estimate (R30), the force itself (R31), the skin contact (R28)."""

from __future__ import annotations

from typing import NamedTuple

from thenar.safety.extremes import lowest_after, lowest_of
from thenar.safety.inputs import Senses
from thenar.safety.limits import ChannelLimits, LoopLimits
from thenar.safety.memory import DISARMED, NEVER, NOTHING_SEEN, ContactMemory, EstimateMemory
from thenar.safety.reasons import R28, R30, R31
from thenar.shared.compiled import step

_SHORTEST_STEP_US = 1_000
_LONGEST_STEP_US = 10_000_000
"""Samples closer than 1 ms, or out of order, are compared as if 1 ms apart; older ones as if 10 s apart."""


class EstimateVerdict(NamedTuple):
    """What the estimate calls for: `ramp` and `trip` are masks of rules, `soft` is 1 above the soft bound."""

    ramp: int
    trip: int
    soft: int


@step
def judge_estimate(
    limits: LoopLimits, past: EstimateMemory, senses: Senses, pushing: bool, state: int, t_us: int
) -> tuple[EstimateMemory, EstimateVerdict]:
    """R30 and R31. `pushing`: a channel delivers at or above its motor threshold."""
    if senses.estimate_known != 1:
        bad_since = t_us if past.bad_since_us == NEVER or state == DISARMED else past.bad_since_us
        trip = R30 if t_us - bad_since >= limits.implausible_trip_us else 0
        # What the force was stays known (R31): a gap must not hide how fast it rose meanwhile.
        unknown = EstimateMemory(-1, 0, NEVER, NEVER, 0, 0, bad_since, past.lows)
        return unknown, EstimateVerdict(R30, trip, 0)
    now = _with_sample(limits, past, senses, pushing, t_us)
    late = senses.estimate_age_us > limits.estimate_ramp_us
    too_late = senses.estimate_age_us > limits.estimate_trip_us
    trip = R30 if too_late else 0
    if now.bad_since_us != NEVER:
        if state == DISARMED:
            now = _since(now, t_us)
        elif t_us - now.bad_since_us >= limits.implausible_trip_us:
            trip |= R30
    ramp = R30 if late or now.bad_since_us != NEVER else 0
    if senses.estimate_mN > limits.force_hard_mN or _rises_too_fast(limits, past, now):
        trip |= R31
    return now, EstimateVerdict(ramp, trip, 1 if senses.estimate_mN > limits.force_soft_mN else 0)


@step
def _since(estimate: EstimateMemory, bad_since_us: int) -> EstimateMemory:
    return EstimateMemory(
        estimate.arrived,
        estimate.value_mN,
        estimate.sampled_us,
        estimate.same_since_us,
        estimate.frozen,
        estimate.jumped,
        bad_since_us,
        estimate.lows,
    )


@step
def _with_sample(limits: LoopLimits, past: EstimateMemory, senses: Senses, pushing: bool, t_us: int) -> EstimateMemory:
    """The memory after this tick's estimate: has it jumped, does it repeat itself, since when is it bad."""
    value = senses.estimate_mN
    sampled = t_us - senses.estimate_age_us
    first = past.sampled_us == NEVER
    new = first or senses.estimate_count != past.arrived
    same_since = past.same_since_us
    frozen = past.frozen
    jumped = past.jumped
    if first or value != past.value_mN:
        same_since = sampled
        frozen = 0
    elif not pushing and frozen == 0:
        same_since = sampled
    if new and not first:
        jumped = 1 if _jumps(limits, past, value, sampled) else 0
        if sampled - same_since >= limits.estimate_frozen_us:
            frozen = 1
    in_range = limits.estimate_min_mN <= value <= limits.estimate_max_mN
    bad = frozen == 1 or jumped == 1 or not in_range or senses.estimate_age_us < 0
    bad_since = NEVER
    if bad:
        bad_since = t_us if past.bad_since_us == NEVER else past.bad_since_us
    if not new:
        return EstimateMemory(
            past.arrived,
            past.value_mN,
            past.sampled_us,
            same_since,
            frozen,
            jumped,
            bad_since,
            past.lows,
        )
    return EstimateMemory(
        senses.estimate_count,
        value,
        sampled,
        same_since,
        frozen,
        jumped,
        bad_since,
        lowest_after(past.lows, value, limits.force_window_us, sampled),
    )


@step
def _jumps(limits: LoopLimits, past: EstimateMemory, value_mN: int, sampled_us: int) -> bool:
    """Whether two samples differ by more than the slope bound allows for the time between them."""
    apart = min(max(abs(sampled_us - past.sampled_us), _SHORTEST_STEP_US), _LONGEST_STEP_US)
    return abs(value_mN - past.value_mN) * 1_000_000 > limits.estimate_slope_mN_per_s * apart


@step
def _rises_too_fast(limits: LoopLimits, past: EstimateMemory, now: EstimateMemory) -> bool:
    """Whether a new sample lies too far above the lowest one of the last whole force window."""
    if now.sampled_us == past.sampled_us and now.arrived == past.arrived:
        return False
    return now.value_mN - lowest_of(now.lows) > limits.force_rise_mN


@step
def judge_contact(
    limits: ChannelLimits, loop: LoopLimits, past: ContactMemory, ohm: int, t_us: int
) -> tuple[ContactMemory, int]:
    """R28: impedance out of range, or a jump against any reading of the last whole window.

    Returns the new memory and the mask of rules that call for a trip. Unknown impedance (-1) is not judged.
    """
    if ohm < 0:
        return ContactMemory(NOTHING_SEEN, NOTHING_SEEN), 0
    now = ContactMemory(
        lowest_after(past.lows, ohm, loop.contact_window_us, t_us),
        lowest_after(past.minus_highs, -ohm, loop.contact_window_us, t_us),
    )
    out = ohm < limits.ohm_min or ohm > limits.ohm_max
    jumped = (
        ohm * 100 > limits.ohm_jump_percent * lowest_of(now.lows)
        or ohm * limits.ohm_jump_percent < -100 * lowest_of(now.minus_highs)
    )  # fmt: skip
    return now, R28 if out or jumped else 0
