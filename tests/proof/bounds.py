"""Claims about the bounds without memory: R06 to R17, R25, R36, R37."""

from __future__ import annotations

from tests.proof.values import every, has, implies, lower
from tests.proof.worlds import Claim, World
from thenar.safety.ceilings import Bounded, bound_channel
from thenar.safety.inputs import ChannelAsked
from thenar.safety.limits import ChannelLimits, LoopLimits
from thenar.safety.reasons import R09


def _bounded(world: World) -> tuple[ChannelLimits, LoopLimits, ChannelAsked, int, Bounded]:
    limits, loop = world.any(ChannelLimits, "limits"), world.any(LoopLimits, "loop")
    asked, ohm, share = world.any(ChannelAsked, "asked"), world.any(int, "ohm"), world.any(int, "share")
    world.given(asked.current_uA >= 0, asked.width_us >= 0, asked.period_us >= 0)
    world.given(limits.width_min_us >= 1, loop.short_window_us >= 1)
    return limits, loop, asked, ohm, world.run(bound_channel, limits, loop, asked, ohm, share)


def charge(world: World) -> None:
    limits, _, _, _, given = _bounded(world)
    world.show("charge per phase", implies(given.current_uA > 0, given.current_uA * given.width_us <= limits.charge_pC))


CLAIMS = [
    Claim("R09", "charge", ("bound_channel",), charge, (("bound_channel", "limits.charge_pC // width", "limits.charge_pC"),)),
]
