"""Attacks on R01 to R19: up to the bound, onto it and past it."""

from __future__ import annotations

from thenar.safety.attack.grounds import alone
from thenar.safety.attack.ops import GATE, Script, pull, push
from thenar.safety.attack.written import STRONG, armed, around
from thenar.safety.limits import Limits


def r01(limits: Limits, script: Script) -> Limits:
    """Write the attack on R01; returns the limits that it is played under."""
    armed(script, push(10_000))
    for count in (1, 2, 3):
        script.ticks(count, push(10_000, fault=1))
        script.ticks(5, push(10_000))
    script.clear()
    for odd in (-1, 1_000_001, 2**62, -(2**62)):
        armed(script, push(10_000))
        script.ticks(1, push(odd))
        script.ticks(1, (0, 10_000, odd, 25_000))
        script.ticks(1, push(10_000))
        script.ticks(1, (0, 10_000, 250, odd))
    return limits


def r02(limits: Limits, script: Script) -> Limits:
    """Write the attack on R02; returns the limits that it is played under."""
    for _ in range(2):
        armed(script, push(10_000))
        script.ticks(1, push(10_000, fault=2))
        script.ticks(3, push(10_000))
        script.clear()
    return limits


def r03(limits: Limits, script: Script) -> Limits:
    """Write the attack on R03; returns the limits that it is played under."""
    valid_us, trip_us = limits.loop.valid_us, limits.loop.command_trip_us
    for delay_us in (valid_us - 1, valid_us, valid_us + 1, trip_us, trip_us + 1):
        armed(script, push(10_000))
        script.ticks(1, push(10_000), fire=0)
        script.event(GATE, delay_us)
        script.ticks(1, push(10_000), delay_us=delay_us + 1)
        script.clear()
    return limits


def r04(limits: Limits, script: Script) -> Limits:
    """Write the attack on R04; returns the limits that it is played under."""
    least, most = limits.loop.tick_min_us, limits.loop.tick_max_us
    for delay_us in (least - 1, least, most, most + 1, 1, -1, -50_000):
        armed(script, push(10_000))
        script.ticks(1, push(10_000), delay_us=delay_us)
        script.ticks(2, push(10_000))
        script.ticks(1, delay_us=60_000)
        script.clear()
    return limits


def r05(limits: Limits, script: Script) -> Limits:
    """Write the attack on R05; returns the limits that it is played under."""
    script.ticks(10, push(10_000), arm=0)
    script.event(GATE, 100)
    armed(script, push(10_000), 20)
    script.ticks(60, push(10_000), arm=0)
    script.event(GATE, 5_000)
    return limits


def r06(limits: Limits, script: Script) -> Limits:
    """Write the attack on R06; returns the limits that it is played under."""
    around(script, limits.agonist.peak_uA, 100, lambda value: push(value, 100))
    around(script, limits.agonist.peak_uA, 100, lambda value: pull(value, 100))
    return alone(limits, peak_uA=-1)


def r07(limits: Limits, script: Script) -> Limits:
    """Write the attack on R07; returns the limits that it is played under."""
    ceiling_uA = max(limits.agonist.peak_uA // 2 // 100 * 100, 100)
    around(script, ceiling_uA, 100, lambda value: push(value, 100))
    return alone(limits, ceiling_uA=ceiling_uA)


def r08(limits: Limits, script: Script) -> Limits:
    """Write the attack on R08; returns the limits that it is played under."""
    least, most = limits.agonist.width_min_us, limits.agonist.width_max_us
    for width_us in (least - 1, least, least + 1, most - 1, most, most + 1, 9_999):
        armed(script, push(10_000, width_us), 20)
        script.ticks(2)
    return alone(limits, width_min_us=-1, width_max_us=-1)


def r09(limits: Limits, script: Script) -> Limits:
    """Write the attack on R09; returns the limits that it is played under."""
    bound_uA = limits.agonist.charge_pC // 250
    around(script, bound_uA, 100, lambda value: push(value, 250))
    return alone(limits, charge_pC=-1)


def r10(limits: Limits, script: Script) -> Limits:
    """Write the attack on R10; returns the limits that it is played under."""
    around(script, 20_000, 100, lambda value: push(value, 250))
    return alone(limits, density_charge_pC=5_000_000)


def r11(limits: Limits, script: Script) -> Limits:
    """Write the attack on R11; returns the limits that it is played under."""
    least_us = limits.agonist.period_min_us
    for period_us in (least_us - 1, least_us, least_us + 1, 1_000):
        armed(script, push(10_000, 250, period_us))
        script.ticks(2)
    armed(script, push(10_000, 250, least_us))
    for delay_us in (0, least_us - 100, least_us - 1):
        script.ticks(2, push(10_000, 250, least_us), fire=0)
        script.event(GATE, 0)
        script.event(GATE, delay_us)
        script.event(GATE, 9_900)
    return alone(limits, period_min_us=-1)


def r12(limits: Limits, script: Script) -> Limits:
    """Write the attack on R12; returns the limits that it is played under."""
    armed(script, STRONG, 120)
    script.ticks(30)
    armed(script, push(9_000, 400, 10_000), 120)
    return alone(limits, rms_uA=3_000)


def r13(limits: Limits, script: Script) -> Limits:
    """Write the attack on R13; returns the limits that it is played under."""
    whole = {"agonist_contact_per_mille": 1_000}
    armed(script, STRONG, 120, **whole)
    script.ticks(20, STRONG, agonist_contact_per_mille=900)
    script.ticks(20, STRONG, agonist_contact_per_mille=150)
    script.ticks(60)
    script.clear()
    return alone(limits, area_mm2=500, density_rms_uA_per_cm2=1_000, density_trip_uA_per_cm2=2_000)


def r14(limits: Limits, script: Script) -> Limits:
    """Write the attack on R14; returns the limits that it is played under."""
    bound_aJ = 1_000 * 20_000 * 20_000 * 200
    for current_uA in (19_900, 20_000, 20_100, 40_000):
        armed(script, push(current_uA, 200), 30)
        script.clear()
    return alone(limits, energy_aJ=bound_aJ)


def r15(limits: Limits, script: Script) -> Limits:
    """Write the attack on R15; returns the limits that it is played under."""
    armed(script, push(9_000, 400, 10_000), 120)
    script.ticks(30)
    armed(script, STRONG, 120)
    script.ticks(60)
    script.clear()
    return alone(limits, power_rms_uA=3_000)


def r16(limits: Limits, script: Script) -> Limits:
    """Write the attack on R16; returns the limits that it is played under."""
    armed(script, STRONG, 120)
    return alone(limits, rectified_pC=500_000_000)


def r17(limits: Limits, script: Script) -> Limits:
    """Write the attack on R17; returns the limits that it is played under."""
    ohm = 9_000
    bound_uA = limits.agonist.compliance_uV // ohm
    for current_uA in (bound_uA - 100, bound_uA, bound_uA + 100, 3 * bound_uA):
        script.ticks(1)
        script.ticks(40, push(current_uA, 100), agonist_contact_ohm=ohm)
        script.clear(agonist_contact_ohm=ohm)
    return alone(limits, compliance_uV=-1)


def r18(limits: Limits, script: Script) -> Limits:
    """Write the attack on R18; returns the limits that it is played under."""
    share = limits.agonist.net_per_mille
    one_pulse_pC = 10_000 * 250
    for net_pC in (one_pulse_pC * share // 1_000, one_pulse_pC * share // 1_000 + 1, 500_000):
        armed(script, push(10_000), 60)
        script.ticks(30, push(10_000), agonist_net_pC=net_pC)
    script.ticks(30, push(10_000), agonist_net_pC=4_000_000)
    script.ticks(110)
    script.clear()
    return alone(limits)


def r19(limits: Limits, script: Script) -> Limits:
    """Write the attack on R19; returns the limits that it is played under."""
    for channel in ("agonist", "antagonist"):
        armed(script, push(10_000))
        script.ticks(1, push(10_000), **{f"{channel}_cut_short": 1})
        script.ticks(5, push(10_000))
        script.clear()
    return limits
