"""Claims about both channels together (R25), bounds applied twice, and tighter limits (bounds without memory)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.proof.bounds import SENSIBLE, asked_of
from tests.proof.values import either, equal, every, has, implies
from tests.proof.worlds import Claim, World
from thenar.safety.ceilings import (
    Bounded,
    BoundedPair,
    _steady_bound_uA,
    bound_both,
    bound_channel,
    density_rms_uA,
    most_pulses,
)
from thenar.safety.inputs import ChannelAsked
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits
from thenar.safety.reasons import R25


def _tighter(rule: str, field: str) -> Callable[[World], None]:
    """The claim that lowering one limit of a channel never lets more current through."""

    def state(world: World) -> None:
        limits, loop = world.any(ChannelLimits, "limits"), world.any(LoopLimits, "loop")
        asked, ohm, share = asked_of(world, limits, loop), world.any(int, "ohm"), world.any(int, "share")
        tight = limits._replace(**{field: world.any(int, "tight")})
        world.given(getattr(tight, field) <= getattr(limits, field), *(one >= 0 for one in limits))
        world.given(getattr(tight, field) >= 0)
        if rule in ("R13", "R29"):
            _lower_density(world, tight, limits, loop, asked, share)
        wide = world.run(bound_channel, limits, loop, asked, ohm, share)
        narrow = world.run(bound_channel, tight, loop, asked, ohm, share)
        world.show("never more current", narrow.current_uA <= wide.current_uA)

    return state


def _lower_density(
    world: World, tight: ChannelLimits, limits: ChannelLimits, loop: LoopLimits, asked: ChannelAsked, share: Any
) -> None:
    """The steps by which a lower density limit lowers the RMS bound."""
    world.given(asked.width_us >= 1)
    low = world.run(density_rms_uA, tight, tight.density_rms_uA_per_cm2, share)
    high = world.run(density_rms_uA, limits, limits.density_rms_uA_per_cm2, share)
    world.show("the density's current", every(low >= 0, low <= high))
    pulses = world.run(most_pulses, loop, asked.period_us)
    taken = 2 * asked.width_us * pulses
    squares = [world.quotient(rms_uA * rms_uA * loop.short_window_us, taken) for rms_uA in (low, high)]
    world.show("pulses", pulses >= 1)
    world.show("the squares", low * low * loop.short_window_us <= high * high * loop.short_window_us)
    world.show("the squares a pulse", squares[0] <= squares[1])
    steady = [
        world.run(_steady_bound_uA, loop, rms_uA, asked.current_uA, asked.width_us, pulses) for rms_uA in (low, high)
    ]
    world.show("the bounds", steady[0] <= steady[1])


LOOSER_UP = (
    ("R06", "peak_uA"),
    ("R07", "ceiling_uA"),
    ("R08", "width_max_us"),
    ("R09", "charge_pC"),
    ("R10", "density_charge_pC"),
    ("R12", "rms_uA"),
    ("R13", "density_rms_uA_per_cm2"),
    ("R13", "area_mm2"),
    ("R29", "contact_assumed_per_mille"),
    ("R16", "rectified_pC"),
    ("R17", "compliance_uV"),
)


def _stricter_period(world: World) -> None:
    limits, loop = world.any(ChannelLimits, "limits"), world.any(LoopLimits, "loop")
    asked, ohm, share = asked_of(world, limits, loop), world.any(int, "ohm"), world.any(int, "share")
    tight = limits._replace(period_min_us=world.any(int, "period_min"), width_min_us=world.any(int, "width_min"))
    world.given(tight.period_min_us >= limits.period_min_us, tight.width_min_us >= limits.width_min_us)
    wide = world.run(bound_channel, limits, loop, asked, ohm, share)
    narrow = world.run(bound_channel, tight, loop, asked, ohm, share)
    world.show("never more current", either(narrow.current_uA <= wide.current_uA, narrow.current_uA <= 0))
    world.show("never faster", implies(narrow.current_uA > 0, narrow.period_us >= wide.period_us))


def _passes(world: World) -> None:
    limits, loop = world.any(ChannelLimits, "limits"), world.any(LoopLimits, "loop")
    asked, ohm, share = asked_of(world, limits, loop), world.any(int, "ohm"), world.any(int, "share")
    world.given(limits.width_min_us <= limits.width_max_us)
    first = world.run(bound_channel, limits, loop, asked, ohm, share)
    _, width, period = first[:3]
    current = world.any(int, "current")
    world.given(current > 0, current <= first.current_uA)
    pulses, before = world.run(most_pulses, loop, period), world.run(most_pulses, loop, asked.period_us)
    density_uA = world.run(density_rms_uA, limits, limits.density_rms_uA_per_cm2, share)
    world.show("width and period have moved inward", every(width <= asked.width_us, period >= asked.period_us))
    world.show("no more pulses in the window", every(pulses <= before, pulses >= 1))
    world.show("no more time in the window", width * pulses <= asked.width_us * before)
    for charge_pC in (limits.charge_pC, limits.density_charge_pC):
        world.show("within the charge asked", current * asked.width_us <= charge_pC)
        world.show("within the charge", current <= world.quotient(charge_pC, width))
    world.show("within the rectified charge", current <= world.quotient(limits.rectified_pC, 2 * width * pulses))
    for rms_uA in (limits.rms_uA, density_uA):
        total = rms_uA * rms_uA * loop.short_window_us
        old, new = world.quotient(total, 2 * asked.width_us * before), world.quotient(total, 2 * width * pulses)
        world.show("the square asked", current * current <= old)
        world.show("the square's room", old <= new)
        world.show("within the RMS", world.run(_steady_bound_uA, loop, rms_uA, current, width, pulses) == current)
    second = world.run(bound_channel, limits, loop, ChannelAsked(current, width, period), ohm, share)
    world.show("the current stays", second.current_uA == current)
    world.show("width and period stay", equal(second[1:3], first[1:3]))


def _pair(world: World) -> tuple[Limits, ChannelAsked, ChannelAsked, Bounded, Bounded]:
    limits = world.any(Limits, "limits")
    first, second = world.any(ChannelAsked, "agonist"), world.any(ChannelAsked, "antagonist")
    one, other = world.any(Bounded, "one"), world.any(Bounded, "other")
    for asked, given in ((first, one), (second, other)):
        world.given(asked.current_uA >= 0, given.current_uA >= 0, given.current_uA <= asked.current_uA)
    for channel, given in ((limits.agonist, one), (limits.antagonist, other)):
        world.given(channel.peak_uA >= 1, channel.ceiling_uA >= 1)
        world.given(given.current_uA <= channel.peak_uA, given.current_uA <= channel.ceiling_uA)
    world.given(limits.loop.summed_share_per_mille >= 0)
    return limits, first, second, one, other


def _shares(world: World) -> None:
    limits, first, second, one, other = _pair(world)
    ceilings = world.any(int, "cap"), world.any(int, "other cap")
    for channel, ceiling in zip((limits.agonist, limits.antagonist), ceilings, strict=True):
        world.given(ceiling <= channel.peak_uA, ceiling <= channel.ceiling_uA)
        world.given(either(ceiling == channel.peak_uA, ceiling == channel.ceiling_uA))
    pair = world.run(bound_both, limits, first, second, one, other)
    flows = every(pair.agonist.current_uA > 0, pair.antagonist.current_uA > 0)
    asks = every(*(part > 0 for part in (*first, *second)))
    shares = pair.agonist.current_uA * ceilings[1] + pair.antagonist.current_uA * ceilings[0]
    room = limits.loop.summed_share_per_mille * ceilings[0] * ceilings[1]
    world.show("the shares", implies(every(flows, asks), 1000 * shares <= room))


def _pair_less(world: World) -> None:
    limits, first, second, one, other = _pair(world)
    pair = world.run(bound_both, limits, first, second, one, other)
    for before, after in ((one, pair.agonist), (other, pair.antagonist)):
        world.show("never more", after.current_uA <= before.current_uA)
        world.show("sign", after.current_uA >= 0)
        flows = after.current_uA > 0
        world.show("width and period stay", implies(flows, equal(after[1:3], before[1:3])))
        lowered = after.current_uA < before.current_uA
        world.show("said", implies(lowered, has(after.reasons, R25)))


def _pair_tighter(world: World) -> None:
    limits, first, second, one, other = _pair(world)
    share = world.any(int, "share")
    world.given(share >= 0, share <= limits.loop.summed_share_per_mille)
    tight = limits._replace(loop=limits.loop._replace(summed_share_per_mille=share))
    wide = world.run(bound_both, limits, first, second, one, other)
    narrow = world.run(bound_both, tight, first, second, one, other)
    world.show("agonist", narrow.agonist.current_uA <= wide.agonist.current_uA)
    world.show("antagonist", narrow.antagonist.current_uA <= wide.antagonist.current_uA)


def _pair_twice(world: World) -> None:
    limits, first, second, one, other = _pair(world)
    world.given(every(*(part > 0 for part in (*first, *second, one.width_us, other.width_us))))
    world.given(one.period_us > 0, other.period_us > 0)
    pair: BoundedPair = world.run(bound_both, limits, first, second, one, other)
    asked = ChannelAsked(*pair.agonist[:3]), ChannelAsked(*pair.antagonist[:3])
    again = world.run(bound_both, limits, *asked, pair.agonist, pair.antagonist)
    world.show("agonist", equal(again.agonist[:3], pair.agonist[:3]))
    world.show("antagonist", equal(again.antagonist[:3], pair.antagonist[:3]))


_WRONG = {
    "peak_uA": ("(R06, limits.peak_uA)", "(R06, 9 - limits.peak_uA)"),
    "ceiling_uA": ("(R07, limits.ceiling_uA)", "(R07, 9 - limits.ceiling_uA)"),
    "width_max_us": ("(R06, limits.peak_uA)", "(R06, 9 - limits.width_max_us)"),
    "charge_pC": ("limits.charge_pC // width", "(9 - limits.charge_pC) // width"),
    "density_charge_pC": ("limits.density_charge_pC // width", "(9 - limits.density_charge_pC) // width"),
    "rms_uA": ("limits.rms_uA,", "9 - limits.rms_uA,"),
    "density_rms_uA_per_cm2": ("(R06, limits.peak_uA)", "(R06, 9 - limits.density_rms_uA_per_cm2)"),
    "area_mm2": ("(R06, limits.peak_uA)", "(R06, 9 - limits.area_mm2)"),
    "contact_assumed_per_mille": ("(R06, limits.peak_uA)", "(R06, 9 - limits.contact_assumed_per_mille)"),
    "rectified_pC": ("limits.rectified_pC //", "(9 - limits.rectified_pC) //"),
    "compliance_uV": ("limits.compliance_uV //", "(9 - limits.compliance_uV) //"),
}

CLAIMS = [
    *(
        Claim(
            rule,
            f"a lower {field} never lets more current through one channel's bounds",
            ("bound_channel",),
            _tighter(rule, field),
            (("bound_channel", *_WRONG[field]),),
            SENSIBLE + "; limits are not negative",
        )
        for rule, field in LOOSER_UP
    ),
    Claim(
        "R11",
        "a longer shortest period or a longer shortest width never lets more current or a faster train through",
        ("bound_channel",),
        _stricter_period,
        (("bound_channel", "period = limits.period_min_us", "period = 9 - limits.period_min_us"),),
        SENSIBLE,
    ),
    Claim(
        "R37",
        "whatever lies at or below what one channel's bounds gave passes them unchanged (so twice is once)",
        ("bound_channel",),
        _passes,
        (("bound_channel", "(R06, limits.peak_uA)", "(R06, asked.current_uA // 2)"),),
        SENSIBLE + "; the range of widths is not empty",
        long=True,
    ),
    Claim(
        "R25",
        "the shares of both ceilings add up to at most the bound",
        ("bound_both", "cut"),
        _shares,
        (
            ("bound_both", "min(antagonist_asked.current_uA, antagonist_cap)", "antagonist_cap - 1"),
            ("bound_both", "wished <= room", "wished <= room + limits.loop.summed_share_per_mille"),
        ),
        "both ceilings are at least 1 uA; each channel's current obeys its own bounds",
    ),
    Claim(
        "R25",
        "both channels together are never given more than each alone, and a lowered one is named",
        ("bound_both", "cut"),
        _pair_less,
        (("cut", "given.current_uA <= top_uA", "given.current_uA >= top_uA"),),
        "both ceilings are at least 1 uA; each channel's current obeys its own bounds",
    ),
    Claim(
        "R25",
        "a lower summed share never lets more through on either channel",
        ("bound_both", "cut"),
        _pair_tighter,
        (
            (
                "bound_both",
                "room = limits.loop.summed_share_per_mille",
                "room = (2_000 - limits.loop.summed_share_per_mille)",
            ),
        ),
        "both ceilings are at least 1 uA; each channel's current obeys its own bounds",
    ),
    Claim(
        "R25",
        "the bound on both channels applied twice changes nothing more",
        ("bound_both", "cut"),
        _pair_twice,
        (
            (
                "bound_both",
                "cut(agonist, agonist_wish * room // wished, R25)",
                "cut(agonist, agonist.current_uA // 2, R25)",
            ),
        ),
        "both ceilings are at least 1 uA; each channel's current obeys its own bounds",
    ),
]
