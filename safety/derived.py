"""The figures of a pulse train that a bench test lists, and how near a profile's bounds can be come to.

Rectangular biphasic pulses, n = 2 phases of current I and width t, rate f, load R, pad area A (the smaller of a pair):

    Q = I t          I_rms = I sqrt(n t f)      I_avg = I n t f (rectified)      J = I_rms / A
    P/A = I_rms^2 R / A       E = I^2 R n t       V = I R       k = log10(Q (Q/A)), Q in uC, A in cm2

Standard definitions; quantities and test loads as the regulator asks for them [@cfr-882-5891]. P/A lays the whole
load's power on one pad. k is Shannon's [@shannon-1992]: not validated for skin, logged only.
Nothing here decides anything: the interlock does, in integers.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from thenar.safety.binding import Reach, reaches, strongest_current_uA, worst_command
from thenar.safety.bounds import key_of_rule
from thenar.safety.limits import ChannelLimits, LoopLimits
from thenar.safety.profile import ChannelBounds

PHASES: Final = 2
TEST_LOADS_OHM: Final = (500, 2_000, 10_000)
"""Loads that the regulator's tests use [@cfr-882-5891]."""


class Figures(NamedTuple):
    """Figures of one train into one load; `*_at_contact`: on the share of the pad that counts as touching (R29).

    `reachable_mA`: the largest current that any allowed command has at this load; `load_accepted`: R28 accepts it.
    """

    load_ohm: int
    load_accepted: bool
    reachable_mA: float
    current_mA: float
    width_us: float
    rate_Hz: float
    charge_uC: float
    charge_density_uC_per_cm2: float
    charge_density_at_contact_uC_per_cm2: float
    rms_mA: float
    rectified_mA: float
    rms_density_mA_per_cm2: float
    rms_density_at_contact_mA_per_cm2: float
    power_density_W_per_cm2: float
    power_density_at_contact_W_per_cm2: float
    energy_mJ: float
    voltage_V: float
    shannon_k: float


class Standing(NamedTuple):
    """One bound and how far a steady command gets towards it, in the unit of the profile's key.

    `reach`: the largest value with every other bound in force. `binds`: it comes up to the bound. `current_mA`,
    `width_us`, `rate_Hz`: where; `held_by`: the rules that hold the current there. `condition`: what outside the
    profile decides, in words; "" when nothing does.
    """

    rule: str
    key: str
    reach: float
    bound: float
    binds: bool
    current_mA: float
    width_us: int
    rate_Hz: float
    held_by: tuple[str, ...]
    condition: str


def charge_uC(current_mA: float, width_us: float) -> float:
    """Charge of one phase in uC."""
    return 1e-3 * current_mA * width_us


def rms_mA(current_mA: float, width_us: float, rate_Hz: float) -> float:
    """RMS current in mA over whole periods of the train."""
    return current_mA * math.sqrt(PHASES * 1e-6 * width_us * rate_Hz)


def rectified_mA(current_mA: float, width_us: float, rate_Hz: float) -> float:
    """Average of the current's magnitude in mA over whole periods of the train."""
    return current_mA * PHASES * 1e-6 * width_us * rate_Hz


def energy_mJ(current_mA: float, width_us: float, load_ohm: float) -> float:
    """Energy of one pulse, both phases, into a load, in mJ."""
    return 1e-9 * current_mA * current_mA * load_ohm * PHASES * width_us


def power_density_W_per_cm2(current_rms_mA: float, load_ohm: float, area_cm2: float) -> float:
    """Average power in a load over the area of one pad, in W/cm2."""
    return 1e-6 * current_rms_mA * current_rms_mA * load_ohm / area_cm2


def shannon_k(charge_per_phase_uC: float, area_cm2: float) -> float:
    """Shannon's k of a phase's charge on an area; minus infinity without charge. Not validated for skin pads."""
    if charge_per_phase_uC <= 0.0:
        return -math.inf
    return math.log10(charge_per_phase_uC * charge_per_phase_uC / area_cm2)


def worst_figures(channel: ChannelLimits, loop: LoopLimits) -> tuple[Figures, ...]:
    """Figures of a channel's worst allowed command into each of TEST_LOADS_OHM (see `binding.worst_command`).

    The person's own ceiling (R07) is left out: it can only lower them.
    """
    return tuple(_worst_into(channel, loop, ohm) for ohm in TEST_LOADS_OHM)


def _worst_into(channel: ChannelLimits, loop: LoopLimits, load_ohm: int) -> Figures:
    worst = worst_command(channel, loop, load_ohm)
    current_mA = worst.current_uA / 1_000
    rate_Hz = 1e6 / worst.period_us if worst.period_us else 0.0
    area_cm2 = channel.area_mm2 / 100
    touching_cm2 = area_cm2 * channel.contact_assumed_per_mille / 1_000
    charge, rms = charge_uC(current_mA, worst.width_us), rms_mA(current_mA, worst.width_us, rate_Hz)
    return Figures(
        load_ohm=load_ohm,
        load_accepted=channel.ohm_min <= load_ohm <= channel.ohm_max,
        reachable_mA=strongest_current_uA(channel, loop, load_ohm) / 1_000,
        current_mA=current_mA,
        width_us=worst.width_us,
        rate_Hz=rate_Hz,
        charge_uC=charge,
        charge_density_uC_per_cm2=charge / area_cm2,
        charge_density_at_contact_uC_per_cm2=charge / touching_cm2,
        rms_mA=rms,
        rectified_mA=rectified_mA(current_mA, worst.width_us, rate_Hz),
        rms_density_mA_per_cm2=rms / area_cm2,
        rms_density_at_contact_mA_per_cm2=rms / touching_cm2,
        power_density_W_per_cm2=power_density_W_per_cm2(rms, load_ohm, area_cm2),
        power_density_at_contact_W_per_cm2=power_density_W_per_cm2(rms, load_ohm, touching_cm2),
        energy_mJ=energy_mJ(current_mA, worst.width_us, load_ohm),
        voltage_V=1e-3 * current_mA * load_ohm,
        shannon_k=shannon_k(charge, area_cm2),
    )


def standings(bounds: ChannelBounds, channel: ChannelLimits, loop: LoopLimits) -> tuple[Standing, ...]:
    """Every bound on a steady command of a channel (`binding.RULES`) and whether it can bind, in order of numbers.

    `channel` and `loop` must be the limits made of `bounds`. Window values (R12, R13, R15, R16) are those that the
    interlock reckons with: of all pulses that its short window can hold, which is one bucket more than a second.
    """
    return tuple(_standing(bounds, channel, loop, reach) for reach in reaches(channel, loop))


def _standing(bounds: ChannelBounds, channel: ChannelLimits, loop: LoopLimits, reach: Reach) -> Standing:
    key = key_of_rule(reach.rule)
    return Standing(
        rule=reach.rule,
        key=key,
        reach=_in_unit(reach.rule, reach.amount, channel, loop),
        bound=getattr(bounds, key).value,
        binds=reach.binds,
        current_mA=reach.command.current_uA / 1_000,
        width_us=reach.command.width_us,
        rate_Hz=1e6 / reach.command.period_us,
        held_by=reach.held_by,
        condition=_condition(channel, loop, reach),
    )


def _in_unit(rule: str, amount: int, channel: ChannelLimits, loop: LoopLimits) -> float:
    """An amount of `binding.amount_of` in the unit of the profile's key."""
    area_cm2 = channel.area_mm2 / 100
    rms = math.sqrt(amount / loop.short_window_us) / 1_000
    return {
        "R06": amount / 1e3,
        "R09": amount / 1e6,
        "R10": amount / 1e6 / area_cm2,
        "R12": rms,
        "R13": rms / (area_cm2 * channel.contact_assumed_per_mille / 1_000),
        "R14": amount / 1e15,
        "R15": power_density_W_per_cm2(rms, TEST_LOADS_OHM[0], area_cm2),
        "R16": amount / loop.short_window_us / 1e3,
        "R17": amount / 1e6,
    }[rule]


def _condition(channel: ChannelLimits, loop: LoopLimits, reach: Reach) -> str:
    """What contact or load it takes for R13 and R17 to bind."""
    if reach.rule == "R17" and reach.binds:
        return f"above {channel.compliance_uV // strongest_current_uA(channel, loop)} ohm"
    if reach.rule == "R13" and not reach.binds and reach.bound > 0:
        share = channel.contact_assumed_per_mille / 10 * math.sqrt(reach.amount / reach.bound)
        return f"when less than {share:.3g} % of the pad touches"
    return ""
