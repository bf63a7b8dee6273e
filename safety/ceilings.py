"""Bounds that need no memory: what one channel may be given at most, and both channels together.

Every bound is reckoned from what was asked for, not from what another bound left of it. So a tighter
limit can never loosen another one (a shorter width would otherwise make room for more current), and
applying the bounds twice changes nothing.
"""

from __future__ import annotations

from typing import NamedTuple

from thenar.safety.bounds import LOAD_OHM
from thenar.safety.inputs import CURRENT_RANGE_UA, ChannelAsked, Senses, asks_nothing
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits
from thenar.safety.memory import SHORT_SLOTS
from thenar.safety.reasons import R06, R07, R08, R09, R10, R11, R12, R13, R14, R16, R17, R25
from thenar.safety.windows import bucket_us
from thenar.shared.compiled import step


class Bounded(NamedTuple):
    """One channel after its own bounds, with the rules that clamped it or took it to zero."""

    current_uA: int
    width_us: int
    period_us: int
    reasons: int


class BoundedPair(NamedTuple):
    """Both channels after their bounds."""

    agonist: Bounded
    antagonist: Bounded


@step
def cut(given: Bounded, top_uA: int, rule: int) -> Bounded:
    """The channel with its current at most `top_uA`; `rule` is noted when that lowered it."""
    if given.current_uA <= top_uA:
        return given
    if top_uA <= 0:
        return Bounded(0, 0, 0, given.reasons | rule)
    return Bounded(top_uA, given.width_us, given.period_us, given.reasons | rule)


@step
def whole_root(value: int) -> int:
    """Largest integer whose square is at most `value` (0 for anything below 1)."""
    if value < 1:
        return 0
    root = value
    nearer = root - root // 2
    while nearer < root:
        root = nearer
        nearer = (root + value // root) // 2
    return root


@step
def density_rms_uA(limits: ChannelLimits, bound_uA_per_cm2: int, contact_per_mille: int) -> int:
    """RMS current at which a current density is reached on the pad's share in contact (R13, R29).

    At most the type range of currents, so that its square over a window stays a 64-bit number.
    """
    share = limits.contact_assumed_per_mille if contact_per_mille < 0 else contact_per_mille
    return min(bound_uA_per_cm2 * limits.area_mm2 * share // 100_000, CURRENT_RANGE_UA)


@step
def most_pulses(loop: LoopLimits, period_us: int) -> int:
    """Most pulses of one period that the short window's ring can hold at once."""
    reach_us = loop.short_window_us + bucket_us(loop.short_window_us, SHORT_SLOTS)
    return reach_us // max(period_us, 1) + 1


@step
def _steady_bound_uA(loop: LoopLimits, rms_uA: int, current_uA: int, width_us: int, pulses: int) -> int:
    """Current at which `pulses` biphasic pulses fill the short window up to an RMS value; no more than asked.

    Reckoned with all pulses that the ring can hold, so a steady train at this current never has a pulse
    left out by the window itself.
    """
    square = rms_uA * rms_uA * loop.short_window_us // (2 * width_us * pulses)
    return current_uA if current_uA * current_uA <= square else whole_root(square)


@step
def bound_channel(
    limits: ChannelLimits, loop: LoopLimits, asked: ChannelAsked, contact_ohm: int, contact_per_mille: int
) -> Bounded:
    """R06 to R13, R16 and R17 on one channel. `asked` must lie in the type ranges of R01."""
    current = asked.current_uA
    width = asked.width_us
    period = asked.period_us
    if current == 0 or width == 0 or period == 0:
        return Bounded(0, 0, 0, 0)
    if width < limits.width_min_us:
        return Bounded(0, 0, 0, R08)
    reasons = 0
    pulses = most_pulses(loop, period)
    density_uA = density_rms_uA(limits, limits.density_rms_uA_per_cm2, contact_per_mille)
    for rule, bound in (
        (R06, limits.peak_uA),
        (R07, limits.ceiling_uA),
        (R09, limits.charge_pC // width),
        (R10, limits.density_charge_pC // width),
        (R12, _steady_bound_uA(loop, limits.rms_uA, asked.current_uA, width, pulses)),
        (R13, _steady_bound_uA(loop, density_uA, asked.current_uA, width, pulses)),
        (R16, limits.rectified_pC // (2 * width * pulses)),
        (R17, limits.compliance_uV // contact_ohm if contact_ohm > 0 else asked.current_uA),
    ):
        if asked.current_uA > bound:
            reasons |= rule
        current = min(current, bound)
    if width > limits.width_max_us:
        reasons |= R08
        width = limits.width_max_us
    if period < limits.period_min_us:
        reasons |= R11
        period = limits.period_min_us
    if current <= 0:
        return Bounded(0, 0, 0, reasons)
    return Bounded(current, width, period, reasons)


@step
def energy_trip(limits: ChannelLimits, given: Bounded) -> int:
    """R14 when the pulse's energy into 500 ohm is above the bound, else 0. A backstop at the defaults."""
    energy_aJ = given.current_uA * given.current_uA * (2 * LOAD_OHM) * given.width_us
    return R14 if energy_aJ > limits.energy_aJ else 0


@step
def bound_both(
    limits: Limits, agonist_asked: ChannelAsked, antagonist_asked: ChannelAsked, agonist: Bounded, antagonist: Bounded
) -> BoundedPair:
    """R25: both currents in proportion when the shares of their ceilings add up to too much.

    Shares are those of what was asked for, cut at the ceilings, even where another bound takes a channel
    lower or to zero: so a tighter bound on one channel never makes room on the other.
    """
    if asks_nothing(agonist_asked) or asks_nothing(antagonist_asked):
        return BoundedPair(agonist, antagonist)
    agonist_cap = max(min(limits.agonist.peak_uA, limits.agonist.ceiling_uA), 1)
    antagonist_cap = max(min(limits.antagonist.peak_uA, limits.antagonist.ceiling_uA), 1)
    agonist_wish = min(agonist_asked.current_uA, agonist_cap)
    antagonist_wish = min(antagonist_asked.current_uA, antagonist_cap)
    wished = 1_000 * (agonist_wish * antagonist_cap + antagonist_wish * agonist_cap)
    room = limits.loop.summed_share_per_mille * agonist_cap * antagonist_cap
    if wished <= room:
        return BoundedPair(agonist, antagonist)
    return BoundedPair(
        cut(agonist, agonist_wish * room // wished, R25), cut(antagonist, antagonist_wish * room // wished, R25)
    )


@step
def bound_demand(limits: Limits, agonist: ChannelAsked, antagonist: ChannelAsked, senses: Senses) -> BoundedPair:
    """Every bound that needs no memory (R06 to R13, R16, R17, R25) on both channels at once."""
    return bound_both(
        limits,
        agonist,
        antagonist,
        bound_channel(
            limits.agonist, limits.loop, agonist, senses.agonist_contact_ohm, senses.agonist_contact_per_mille
        ),
        bound_channel(
            limits.antagonist,
            limits.loop,
            antagonist,
            senses.antagonist_contact_ohm,
            senses.antagonist_contact_per_mille,
        ),
    )


@step
def keeps_ceilings(limits: ChannelLimits, loop: LoopLimits, current_uA: int, width_us: int, period_us: int) -> bool:
    """Whether one channel's command obeys every bound that needs no memory: the last check before it leaves."""
    if current_uA == 0:
        return True
    return (
        0 < current_uA <= min(limits.peak_uA, limits.ceiling_uA)
        and current_uA % max(loop.device_step_uA, 1) == 0
        and limits.width_min_us <= width_us <= limits.width_max_us
        and current_uA * width_us <= min(limits.charge_pC, limits.density_charge_pC)
        and period_us >= limits.period_min_us
    )
