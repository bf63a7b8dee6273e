"""Claims about the bounds without memory on one channel: R06 to R14, R16, R17, R36, R37."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from tests.proof.values import either, equal, every, has, higher, implies, opposite
from tests.proof.worlds import Claim, World
from thenar.safety.ceilings import (
    Bounded,
    bound_channel,
    density_rms_uA,
    energy_trip,
    keeps_ceilings,
    most_pulses,
)
from thenar.safety.inputs import ChannelAsked
from thenar.safety.limits import ChannelLimits, LoopLimits
from thenar.safety.reasons import R06, R07, R08, R09, R10, R11, R12, R13, R14, R16, R17, R36
from thenar.safety.step_limits import rounded

SENSIBLE = "currents, widths and periods asked are not negative (R01); widths from 1 us; windows from 1 us"


class Case(NamedTuple):
    """One channel asked and bounded, with the numbers that the bounds are reckoned from."""

    limits: ChannelLimits
    loop: LoopLimits
    asked: ChannelAsked
    ohm: Any
    given: Bounded
    pulses: Any
    density_uA: Any


def asked_of(world: World, limits: ChannelLimits, loop: LoopLimits) -> ChannelAsked:
    """Anything that may be asked of a channel, and what is taken for granted of the limits."""
    asked = world.any(ChannelAsked, "asked")
    world.given(asked.current_uA >= 0, asked.width_us >= 0, asked.period_us >= 0)
    world.given(limits.width_min_us >= 1, loop.short_window_us >= 1)
    return asked


def case_of(world: World) -> Case:
    """One channel asked for anything, under any limits, with any contact."""
    limits, loop = world.any(ChannelLimits, "limits"), world.any(LoopLimits, "loop")
    asked, ohm, share = asked_of(world, limits, loop), world.any(int, "ohm"), world.any(int, "share")
    given = world.run(bound_channel, limits, loop, asked, ohm, share)
    density_uA = world.run(density_rms_uA, limits, limits.density_rms_uA_per_cm2, share)
    return Case(limits, loop, asked, ohm, given, world.run(most_pulses, loop, asked.period_us), density_uA)


def keeps(what: str, holds: Callable[[Case], Any]) -> Callable[[World], None]:
    """The claim that a current which leaves `bound_channel` keeps a bound."""

    def state(world: World) -> None:
        case = case_of(world)
        world.show(what, implies(case.given.current_uA > 0, holds(case)))

    return state


def _on_steady(case: Case, rms_uA: Any) -> Any:
    square = case.given.current_uA * case.given.current_uA * (2 * case.asked.width_us * case.pulses)
    return square <= rms_uA * rms_uA * case.loop.short_window_us


def _less(world: World) -> None:
    case = case_of(world)
    given, asked = case.given, case.asked
    world.show("current", given.current_uA <= asked.current_uA)
    world.given(case.limits.width_max_us >= 0)
    world.show("sign", every(given.current_uA >= 0, given.width_us >= 0, given.period_us >= 0))
    flows = given.current_uA > 0
    world.show("width", implies(flows, given.width_us <= asked.width_us))
    world.show("period", implies(flows, given.period_us >= asked.period_us))
    nothing = either(asked.current_uA == 0, asked.width_us == 0, asked.period_us == 0)
    world.show("zero", implies(nothing, given.current_uA == 0))


def _said(world: World) -> None:
    case = case_of(world)
    reasons = case.given.reasons
    lowered = either(case.given.current_uA < case.asked.current_uA, case.given.width_us < case.asked.width_us)
    asks = every(case.asked.current_uA > 0, case.asked.width_us > 0, case.asked.period_us > 0)
    named = either(*(has(reasons, rule) for rule in (R06, R07, R08, R09, R10, R11, R12, R13, R16, R17)))
    world.show("a rule is named", implies(every(asks, lowered), named))


def _energy(world: World) -> None:
    limits, given = world.any(ChannelLimits, "limits"), world.any(Bounded, "given")
    trip = world.run(energy_trip, limits, given)
    energy_aJ = 2 * 500 * given.current_uA * given.current_uA * given.width_us
    world.show("the energy", either(has(trip, R14), energy_aJ <= limits.energy_aJ))
    world.show("no trip inside", implies(energy_aJ <= limits.energy_aJ, opposite(has(trip, R14))))


def _last_look(world: World) -> None:
    limits, loop, given = world.any(ChannelLimits, "limits"), world.any(LoopLimits, "loop"), world.any(Bounded, "given")
    kept = world.run(keeps_ceilings, limits, loop, given.current_uA, given.width_us, given.period_us)
    current, width = given.current_uA, given.width_us
    bounds = every(
        current >= 0,
        current <= limits.peak_uA,
        current <= limits.ceiling_uA,
        width >= limits.width_min_us,
        width <= limits.width_max_us,
        current * width <= limits.charge_pC,
        current * width <= limits.density_charge_pC,
        given.period_us >= limits.period_min_us,
    )
    world.show("all bounds", implies(every(kept, current != 0), bounds))


def _rounded(world: World) -> None:
    loop, given = world.any(LoopLimits, "loop"), world.any(Bounded, "given")
    world.given(given.current_uA >= 0)
    first = world.run(rounded, loop, given)
    second = world.run(rounded, loop, first)
    limits = world.any(ChannelLimits, "limits")
    world.show("never more", every(first.current_uA <= given.current_uA, first.current_uA >= 0))
    world.show(
        "less than a step away",
        implies(loop.device_step_uA >= 1, given.current_uA - first.current_uA < loop.device_step_uA),
    )
    size = higher(loop.device_step_uA, 1)
    whole = world.quotient(given.current_uA, size)
    world.show("a whole number of steps", implies(first.current_uA > 0, first.current_uA == whole * size))
    again = world.quotient(first.current_uA, size)
    world.show("not fewer steps", implies(first.current_uA > 0, again >= whole))
    world.show("not more steps", implies(first.current_uA > 0, again <= whole))
    world.show("the steps again", implies(first.current_uA > 0, again * size == first.current_uA))
    world.show("twice is once", equal(first[:3], second[:3]))
    kept = world.run(keeps_ceilings, limits, loop, given.current_uA, given.width_us, given.period_us)
    world.show("a current in whole steps stays", implies(kept, first.current_uA == given.current_uA))
    lowered = first.current_uA < given.current_uA
    world.show("said when lowered, and only then", has(first.reasons, R36) == either(lowered, has(given.reasons, R36)))


def _dropped(text: str) -> tuple[str, str, str]:
    return ("bound_channel", text, "")


def _bound(rule: str, says: str, holds: Callable[[Case], Any], *plants: tuple[str, str, str]) -> Claim:
    return Claim(rule, says, ("bound_channel",), keeps(says, holds), plants, SENSIBLE)


CLAIMS = [
    _bound(
        "R06",
        "a current is at most the peak",
        lambda case: case.given.current_uA <= case.limits.peak_uA,
        _dropped("(R06, limits.peak_uA),"),
        ("bound_channel", "current = min(current, bound)", "current = bound"),
    ),
    _bound(
        "R07",
        "a current is at most the person's ceiling",
        lambda case: case.given.current_uA <= case.limits.ceiling_uA,
        _dropped("(R07, limits.ceiling_uA),"),
    ),
    _bound(
        "R08",
        "a width lies in its range when the range is not empty",
        lambda case: implies(
            case.limits.width_min_us <= case.limits.width_max_us,
            every(case.limits.width_min_us <= case.given.width_us, case.given.width_us <= case.limits.width_max_us),
        ),
        ("bound_channel", "width > limits.width_max_us", "width > limits.width_max_us + 1"),
        ("bound_channel", "width < limits.width_min_us", "width < limits.width_min_us - 1"),
    ),
    _bound(
        "R09",
        "the charge of a phase is at most its bound",
        lambda case: case.given.current_uA * case.given.width_us <= case.limits.charge_pC,
        ("bound_channel", "limits.charge_pC // width", "limits.charge_pC // width + 1"),
    ),
    _bound(
        "R10",
        "the charge of a phase is at most what the pad's area allows",
        lambda case: case.given.current_uA * case.given.width_us <= case.limits.density_charge_pC,
        ("bound_channel", "limits.density_charge_pC // width", "limits.density_charge_pC // limits.width_min_us"),
    ),
    _bound(
        "R11",
        "a period is never shorter than the shortest",
        lambda case: case.given.period_us >= case.limits.period_min_us,
        ("bound_channel", "period < limits.period_min_us", "period <= 0"),
    ),
    _bound(
        "R12",
        "as many pulses as the window's ring can hold keep the RMS current",
        lambda case: _on_steady(case, case.limits.rms_uA),
        ("_steady_bound_uA", "(2 * width_us * pulses)", "(width_us * pulses)"),
        _dropped("(R12, _steady_bound_uA(loop, limits.rms_uA, asked.current_uA, width, pulses)),"),
    ),
    _bound(
        "R13",
        "as many pulses as the window's ring can hold keep the RMS current density",
        lambda case: _on_steady(case, case.density_uA),
        _dropped("(R13, _steady_bound_uA(loop, density_uA, asked.current_uA, width, pulses)),"),
    ),
    _bound(
        "R16",
        "as many pulses as the window's ring can hold keep the rectified charge",
        lambda case: 2 * case.given.current_uA * case.asked.width_us * case.pulses <= case.limits.rectified_pC,
        ("bound_channel", "limits.rectified_pC // (2 * width * pulses)", "limits.rectified_pC // (width * pulses)"),
    ),
    _bound(
        "R17",
        "the voltage is at most the compliance at a known load",
        lambda case: implies(case.ohm > 0, case.given.current_uA * case.ohm <= case.limits.compliance_uV),
        ("bound_channel", "if contact_ohm > 0", "if contact_ohm > 1"),
    ),
    Claim(
        "R37",
        "one channel's bounds never give more than asked on any axis, nor another sign, and zero stays zero",
        ("bound_channel",),
        _less,
        (
            ("bound_channel", "current = min(current, bound)", "current = bound"),
            ("bound_channel", "period = limits.period_min_us", "period = limits.period_min_us - asked.period_us"),
            ("bound_channel", "or width == 0 or period == 0", "or width == 0"),
        ),
        SENSIBLE,
    ),
    Claim(
        "R38",
        "whatever is lowered has its rule named",
        ("bound_channel",),
        _said,
        (("bound_channel", "asked.current_uA > bound", "asked.current_uA > bound + 1"),),
        SENSIBLE,
    ),
    Claim(
        "R14",
        "a pulse above the energy bound trips, one inside does not",
        ("energy_trip",),
        _energy,
        (
            ("energy_trip", "energy_aJ > limits", "energy_aJ >= limits"),
            ("energy_trip", "given.current_uA * given.current_uA", "given.current_uA"),
        ),
    ),
    Claim(
        "R37",
        "what the last look lets through keeps every fixed bound",
        ("keeps_ceilings",),
        _last_look,
        (
            ("keeps_ceilings", "min(limits.peak_uA", "max(limits.peak_uA"),
            ("keeps_ceilings", "period_us >= limits.period_min_us", "True"),
            ("keeps_ceilings", "0 < current_uA", "-9 < current_uA"),
        ),
    ),
    Claim(
        "R36",
        "rounding never raises a current, loses less than one step, and twice is once",
        ("rounded", "cut"),
        _rounded,
        (
            ("rounded", "% max(loop.device_step_uA, 1)", "// max(loop.device_step_uA, 1)"),
            ("cut", "given.current_uA <= top_uA", "given.current_uA < top_uA"),
        ),
        "currents are not negative",
    ),
]
