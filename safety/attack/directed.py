"""One attack for every requirement: up to its bound, onto it and past it, with every other bound out of the way."""

from __future__ import annotations

from typing import Final, NamedTuple

from thenar.safety.attack import directed_from_r20 as high
from thenar.safety.attack import directed_to_r19 as low
from thenar.safety.attack.ops import Ops, Script
from thenar.safety.attack.written import Written
from thenar.safety.limits import Limits


class Attack(NamedTuple):
    """A schedule, and the limits that it is played under."""

    rule: str
    limits: Limits
    ops: Ops


_WRITTEN: Final[dict[str, tuple[Written, ...]]] = {
    "R01": (low.r01,), "R02": (low.r02,), "R03": (low.r03,), "R04": (low.r04,), "R05": (low.r05,), "R06": (low.r06,),
    "R07": (low.r07,), "R08": (low.r08,), "R09": (low.r09,), "R10": (low.r10,), "R11": (low.r11,), "R12": (low.r12,),
    "R13": (low.r13,), "R14": (low.r14,), "R15": (low.r15,), "R16": (low.r16,), "R17": (low.r17,), "R18": (low.r18,),
    "R19": (low.r19,), "R20": (high.r20,), "R21": (high.r21,), "R22": (high.r22,), "R23": (high.r23,),
    "R24": (high.r24, high.r24_charge), "R25": (high.r25,), "R26": (high.r26,), "R27": (high.r27,),
    "R28": (high.r28,), "R29": (high.r29,), "R30": (high.r30,), "R31": (high.r31,), "R32": (high.r32,),
    "R33": (high.r33,), "R34": (high.r34,), "R35": (high.r35,), "R36": (high.r36,), "R37": (high.r37,),
    "R38": (high.r20, low.r06), "R39": (high.r39,), "R40": (high.r40,),
}  # fmt: skip
"""R38 is met wherever a demand is altered: the steepest rise and the highest current do it most."""


def directed(limits: Limits) -> list[Attack]:
    """The attacks on every requirement, derived from one person's `limits`."""
    attacks = []
    for rule, ways in _WRITTEN.items():
        for way in ways:
            script = Script(limits.loop.control_period_us)
            under = way(limits, script)
            attacks.append(Attack(rule, under, script.ops()))
    return attacks
