"""Attacks on R20 to R40: up to the bound, onto it and past it."""

from __future__ import annotations

from thenar.safety.attack.grounds import alone, changed
from thenar.safety.attack.ops import BREAK_OFF, GATE, HALT, OVERWRITE, RESTORE, Script, both, push
from thenar.safety.attack.written import STRONG, armed
from thenar.safety.limits import Limits


def r20(limits: Limits, script: Script) -> Limits:
    """Write the attack on R20; returns the limits that it is played under."""
    armed(script, push(limits.agonist.peak_uA), 120)
    for delay_us in (10_000, 30_000, 40_000):
        script.ticks(10, push(2_000), delay_us=delay_us)
        script.ticks(20, push(limits.agonist.peak_uA), delay_us=delay_us)
    script.ticks(30, push(8_000, 100))
    script.ticks(30, push(8_000, 400))
    return limits


def r21(limits: Limits, script: Script) -> Limits:
    """Write the attack on R21; returns the limits that it is played under."""
    rest_ticks = limits.loop.rest_us // script.period_us
    for silent in (rest_ticks - 1, rest_ticks, rest_ticks + 1):
        armed(script, push(10_000), 60)
        script.ticks(silent, push(10_000), fire=0)
        script.event(GATE, 10_000)
        script.ticks(10, push(10_000))
    return limits


def r22(limits: Limits, script: Script) -> Limits:
    """Write the attack on R22; returns the limits that it is played under."""
    ramp_ticks = limits.agonist.ramp_us // script.period_us
    for ticks in (ramp_ticks // 2, ramp_ticks, ramp_ticks + 10):
        armed(script, push(10_000), 60)
        script.ticks(ticks, push(10_000), arm=0)
    armed(script, push(10_000), 60)
    script.ticks(ramp_ticks // 2, push(10_000), arm=0)
    script.event(HALT, 7_000)
    script.ticks(5, push(10_000))
    script.clear()
    return limits


def r23(limits: Limits, script: Script) -> Limits:
    """Write the attack on R23; returns the limits that it is played under."""
    armed(script, push(10_000), 250)
    for _ in range(6):
        script.ticks(8)
        script.ticks(45, push(10_000))
    script.ticks(150, push(10_000, period_us=204_000))
    return alone(limits, run_us=1_500_000, on_us=2_500_000, long_window_us=6_000_000, recovery_us=1_200_000)


def r24(limits: Limits, script: Script) -> Limits:
    """Write the attack on R24; returns the limits that it is played under."""
    armed(script, push(10_000), 240)
    script.clear()
    script.ticks(20, push(10_000))
    return alone(limits, session_us=4_000_000, total_pC=1_000_000_000)


def r24_charge(limits: Limits, script: Script) -> Limits:
    """Write the attack on R24; returns the limits that it is played under."""
    armed(script, push(10_000), 240)
    script.clear()
    return alone(limits, total_pC=300_000_000)


def r25(limits: Limits, script: Script) -> Limits:
    """Write the attack on R25; returns the limits that it is played under."""
    peak_uA = limits.agonist.peak_uA
    for share in (500, 599, 600, 601, 1_000):
        armed(script, both(peak_uA * share // 1_000, peak_uA * share // 1_000, 100), 60)
    return alone(limits, peak_uA=-1, ceiling_uA=-1, summed_share_per_mille=1_200)


def r26(limits: Limits, script: Script) -> Limits:
    """Write the attack on R26; returns the limits that it is played under."""
    gap_us, changeover_us, end_us = (
        limits.loop.pulse_gap_us,
        limits.loop.changeover_us,
        2 * 250 + limits.loop.interphase_us,
    )
    armed(script, both(5_000, 5_000), 60)
    for delay_us in (0, end_us, end_us + gap_us - 1, end_us + gap_us):
        script.ticks(2, both(5_000, 5_000), fire=0)
        script.event(GATE, 10_000, 0)
        script.event(GATE, 10_000 + delay_us, 1)
    script.ticks(30, push(5_000))
    for delay_us in (end_us, changeover_us - 1, changeover_us + end_us - 1):
        script.ticks(14, push(5_000))
        script.ticks(1, both(5_000, 700), fire=0)
        script.event(GATE, 0, 0)
        script.event(GATE, delay_us, 1)
    return limits


def r27(limits: Limits, script: Script) -> Limits:
    """Write the attack on R27; returns the limits that it is played under."""
    script.ticks(20, push(10_000))
    script.ticks(2)
    script.ticks(20, push(10_000))
    return changed(limits, screening_clear=0)


def r28(limits: Limits, script: Script) -> Limits:
    """Write the attack on R28; returns the limits that it is played under."""
    low, high = limits.agonist.ohm_min, limits.agonist.ohm_max
    for ohms in (
        (low, low - 1),
        (high, high + 1),
        (1_000, 1_999, 2_000),
        (1_000, 2_001),
        (4_000, 1_999),
        (0,),
        (10**9,),
    ):
        armed(script, push(8_000), 30)
        for ohm in ohms:
            script.ticks(3, push(8_000), agonist_contact_ohm=ohm)
        script.ticks(60)
        script.clear()
    return limits


def r29(limits: Limits, script: Script) -> Limits:
    """Write the attack on R29; returns the limits that it is played under."""
    armed(script, STRONG, 120)
    return alone(limits, area_mm2=500, density_rms_uA_per_cm2=1_000, density_trip_uA_per_cm2=2_000)


def r30(limits: Limits, script: Script) -> Limits:
    """Write the attack on R30; returns the limits that it is played under."""
    ramp_us, trip_us = limits.loop.estimate_ramp_us, limits.loop.estimate_trip_us
    for age_us in (ramp_us, ramp_us + 1, trip_us, trip_us + 1, -1):
        armed(script, push(10_000), 60)
        script.ticks(30, push(10_000), estimate_age_us=age_us)
        script.clear()
    for force_mN in (limits.loop.estimate_min_mN - 1, limits.loop.estimate_max_mN + 1):
        armed(script, push(10_000), 60)
        script.ticks(30, push(10_000), estimate_mN=force_mN)
        script.clear()
    for senses in ({"estimate_known": 0}, {"estimate_mN": 3_456}):
        armed(script, push(10_000), 60)
        script.ticks(70, push(10_000), **senses)
        script.clear()
    return limits


def r31(limits: Limits, script: Script) -> Limits:
    """Write the attack on R31; returns the limits that it is played under."""
    soft_mN, hard_mN = limits.loop.force_soft_mN, limits.loop.force_hard_mN
    for force_mN in (soft_mN, soft_mN + 1, hard_mN, hard_mN + 1):
        script.ticks(1)
        script.ticks(30, push(10_000))
        for part in range(1, 11):
            script.ticks(10, push(10_000), estimate_mN=3_000 + (force_mN - 3_000) * part // 10)
        script.ticks(30, push(20_000, 300), estimate_mN=force_mN)
        for part in range(9, 0, -1):
            script.ticks(6, estimate_mN=3_000 + (force_mN - 3_000) * part // 10)
        script.clear()
    armed(script, push(10_000), 30)
    script.ticks(1, push(10_000), estimate_mN=3_000 + limits.loop.force_rise_mN + 100)
    script.ticks(30)
    script.clear()
    return limits


def r32(limits: Limits, script: Script) -> Limits:
    """Write the attack on R32; returns the limits that it is played under."""
    ramp_ticks, trip_ticks = (
        us // script.period_us for us in (limits.loop.heartbeat_ramp_us, limits.loop.heartbeat_trip_us)
    )
    for ticks in (ramp_ticks - 1, ramp_ticks, ramp_ticks + 4, trip_ticks - 1, trip_ticks, trip_ticks + 5):
        armed(script, push(10_000), 60)
        script.ticks(ticks, push(10_000), law_fault=2)
        script.ticks(5, push(10_000))
        script.clear()
    return limits


def r33(limits: Limits, script: Script) -> Limits:
    """Write the attack on R33; returns the limits that it is played under."""
    script.ticks(2, stop=1)
    script.clear()
    armed(script, push(10_000), 30)
    script.ticks(1, push(10_000), stop=1)
    script.ticks(5, push(10_000))
    script.clear()
    armed(script, push(10_000), 30)
    script.ticks(5, push(10_000), arm=0)
    script.ticks(1, push(10_000), stop=1, arm=0)
    script.clear()
    armed(script, push(10_000), 30)
    script.event(HALT, 3_000)
    script.event(GATE, 12_000)
    script.ticks(5, push(10_000))
    script.clear()
    return limits


def r34(limits: Limits, script: Script) -> Limits:
    """Write the attack on R34; returns the limits that it is played under."""
    armed(script, push(10_000), 30)
    script.ticks(1, push(10_000), agonist_cut_short=1)
    script.event(GATE, 10_000)
    script.ticks(3, push(10_000))
    script.ticks(2, rearm_cause=18)
    script.ticks(2, rearm_cause=19, agonist_cut_short=1)
    script.ticks(2, push(10_000), rearm_cause=19)
    script.ticks(2, arm=0)
    script.ticks(2)
    script.clear()
    script.ticks(20, push(10_000))
    return limits


def r35(limits: Limits, script: Script) -> Limits:
    """Write the attack on R35; returns the limits that it is played under."""
    for place, change in ((0, 1), (1, -1), (40, 1_000), (70, 1)):
        armed(script, push(10_000), 30)
        script.event(OVERWRITE, 0, place, change)
        script.ticks(2, push(10_000))
        script.event(RESTORE)
        script.ticks(2)
        script.clear()
    return limits


def r36(limits: Limits, script: Script) -> Limits:
    """Write the attack on R36; returns the limits that it is played under."""
    step_uA = max(limits.loop.device_step_uA, 2)
    for part in (1, step_uA // 2, step_uA - 1):
        armed(script, push(5_000 + part), 40)
    return limits


def r37(limits: Limits, script: Script) -> Limits:
    """Write the attack on R37; returns the limits that it is played under."""
    for asked in (push(700), push(10_000, 51), push(10_000, 250, 100_000), push(0), push(10_000, 0), both(5_000, 300)):
        armed(script, asked, 40)
    return limits


def r39(limits: Limits, script: Script) -> Limits:
    """Write the attack on R39; returns the limits that it is played under."""
    armed(script, push(10_000), 30)
    script.event(BREAK_OFF)
    script.ticks(3, push(10_000))
    script.clear()
    armed(script, push(10_000), 30)
    script.event(BREAK_OFF)
    script.event(GATE, 12_000)
    script.ticks(3, push(10_000))
    script.clear()
    return limits


def r40(limits: Limits, script: Script) -> Limits:
    """Write the attack on R40; returns the limits that it is played under."""
    peak_uA, fast_us = limits.agonist.peak_uA, limits.agonist.period_min_us
    for slow_us, narrow_us in ((900_000, 300), (400_000, 100), (100_000, 400)):
        armed(script, push(peak_uA, narrow_us, slow_us), 200)
        script.ticks(60, push(peak_uA, 400, fast_us))
        script.ticks(60)
    armed(script, push(10_000), 60)
    for early_us in (0, 2_000, 5_000):
        script.ticks(1, push(10_000, 250, 20_000), fire=0)
        script.event(GATE, early_us)
        script.event(GATE, early_us + 1)
        script.ticks(6, push(10_000))
    return limits
