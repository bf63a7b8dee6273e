"""One attack for every requirement: up to its bound, onto it and past it, with every other bound out of the way."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

from thenar.safety.attack.grounds import alone, changed
from thenar.safety.attack.ops import BREAK_OFF, GATE, HALT, OVERWRITE, RESTORE, Ops, Script, both, pull, push
from thenar.safety.limits import Limits


class Attack(NamedTuple):
    """A schedule, and the limits that it is played under."""

    rule: str
    limits: Limits
    ops: Ops


Written = Callable[[Limits, Script], Limits]


def _armed(script: Script, asked: tuple[int, ...], ticks: int = 40, **senses: int) -> None:
    """A tick at rest that arms, then a push that rises."""
    script.ticks(1)
    script.ticks(ticks, asked, **senses)


def _around(script: Script, bound: int, step: int, ask: Callable[[int], tuple[int, ...]], ticks: int = 40) -> None:
    """Trains that ask for less than a bound, for it and for more, each from rest."""
    for value in (bound - step, bound - 1, bound, bound + 1, bound + step, 2 * bound):
        _armed(script, ask(value), ticks)
        script.ticks(2)


def _r01(limits: Limits, script: Script) -> Limits:
    _armed(script, push(10_000))
    for count in (1, 2, 3):
        script.ticks(count, push(10_000, fault=1))
        script.ticks(5, push(10_000))
    script.clear()
    for odd in (-1, 1_000_001, 2**62, -(2**62)):
        _armed(script, push(10_000))
        script.ticks(1, push(odd))
        script.ticks(1, (0, 10_000, odd, 25_000))
        script.ticks(1, push(10_000))
        script.ticks(1, (0, 10_000, 250, odd))
    return limits


def _r02(limits: Limits, script: Script) -> Limits:
    for _ in range(2):
        _armed(script, push(10_000))
        script.ticks(1, push(10_000, fault=2))
        script.ticks(3, push(10_000))
        script.clear()
    return limits


def _r03(limits: Limits, script: Script) -> Limits:
    valid_us, trip_us = limits.loop.valid_us, limits.loop.command_trip_us
    for delay_us in (valid_us - 1, valid_us, valid_us + 1, trip_us, trip_us + 1):
        _armed(script, push(10_000))
        script.ticks(1, push(10_000), fire=0)
        script.event(GATE, delay_us)
        script.ticks(1, push(10_000), delay_us=delay_us + 1)
        script.clear()
    return limits


def _r04(limits: Limits, script: Script) -> Limits:
    least, most = limits.loop.tick_min_us, limits.loop.tick_max_us
    for delay_us in (least - 1, least, most, most + 1, 1, -1, -50_000):
        _armed(script, push(10_000))
        script.ticks(1, push(10_000), delay_us=delay_us)
        script.ticks(2, push(10_000))
        script.ticks(1, delay_us=60_000)
        script.clear()
    return limits


def _r05(limits: Limits, script: Script) -> Limits:
    script.ticks(10, push(10_000), arm=0)
    script.event(GATE, 100)
    _armed(script, push(10_000), 20)
    script.ticks(60, push(10_000), arm=0)
    script.event(GATE, 5_000)
    return limits


def _r06(limits: Limits, script: Script) -> Limits:
    _around(script, limits.agonist.peak_uA, 100, lambda value: push(value, 100))
    _around(script, limits.agonist.peak_uA, 100, lambda value: pull(value, 100))
    return alone(limits, peak_uA=-1)


def _r07(limits: Limits, script: Script) -> Limits:
    ceiling_uA = max(limits.agonist.peak_uA // 2 // 100 * 100, 100)
    _around(script, ceiling_uA, 100, lambda value: push(value, 100))
    return alone(limits, ceiling_uA=ceiling_uA)


def _r08(limits: Limits, script: Script) -> Limits:
    least, most = limits.agonist.width_min_us, limits.agonist.width_max_us
    for width_us in (least - 1, least, least + 1, most - 1, most, most + 1, 9_999):
        _armed(script, push(10_000, width_us), 20)
        script.ticks(2)
    return alone(limits, width_min_us=-1, width_max_us=-1)


def _r09(limits: Limits, script: Script) -> Limits:
    bound_uA = limits.agonist.charge_pC // 250
    _around(script, bound_uA, 100, lambda value: push(value, 250))
    return alone(limits, charge_pC=-1)


def _r10(limits: Limits, script: Script) -> Limits:
    _around(script, 20_000, 100, lambda value: push(value, 250))
    return alone(limits, density_charge_pC=5_000_000)


def _r11(limits: Limits, script: Script) -> Limits:
    least_us = limits.agonist.period_min_us
    for period_us in (least_us - 1, least_us, least_us + 1, 1_000):
        _armed(script, push(10_000, 250, period_us))
        script.ticks(2)
    _armed(script, push(10_000, 250, least_us))
    for delay_us in (0, least_us - 100, least_us - 1):
        script.ticks(2, push(10_000, 250, least_us), fire=0)
        script.event(GATE, 0)
        script.event(GATE, delay_us)
        script.event(GATE, 9_900)
    return alone(limits, period_min_us=-1)


_STRONG: Final = push(50_000, 400, 10_000)


def _r12(limits: Limits, script: Script) -> Limits:
    _armed(script, _STRONG, 120)
    script.ticks(30)
    _armed(script, push(9_000, 400, 10_000), 120)
    return alone(limits, rms_uA=3_000)


def _r13(limits: Limits, script: Script) -> Limits:
    whole = {"agonist_contact_per_mille": 1_000}
    _armed(script, _STRONG, 120, **whole)
    script.ticks(20, _STRONG, agonist_contact_per_mille=900)
    script.ticks(20, _STRONG, agonist_contact_per_mille=150)
    script.ticks(60)
    script.clear()
    return alone(limits, area_mm2=500, density_rms_uA_per_cm2=1_000, density_trip_uA_per_cm2=2_000)


def _r14(limits: Limits, script: Script) -> Limits:
    bound_aJ = 1_000 * 20_000 * 20_000 * 200
    for current_uA in (19_900, 20_000, 20_100, 40_000):
        _armed(script, push(current_uA, 200), 30)
        script.clear()
    return alone(limits, energy_aJ=bound_aJ)


def _r15(limits: Limits, script: Script) -> Limits:
    _armed(script, push(9_000, 400, 10_000), 120)
    script.ticks(30)
    _armed(script, _STRONG, 120)
    script.ticks(60)
    script.clear()
    return alone(limits, power_rms_uA=3_000)


def _r16(limits: Limits, script: Script) -> Limits:
    _armed(script, _STRONG, 120)
    return alone(limits, rectified_pC=500_000_000)


def _r17(limits: Limits, script: Script) -> Limits:
    ohm = 9_000
    bound_uA = limits.agonist.compliance_uV // ohm
    for current_uA in (bound_uA - 100, bound_uA, bound_uA + 100, 3 * bound_uA):
        script.ticks(1)
        script.ticks(40, push(current_uA, 100), agonist_contact_ohm=ohm)
        script.clear(agonist_contact_ohm=ohm)
    return alone(limits, compliance_uV=-1)


def _r18(limits: Limits, script: Script) -> Limits:
    share = limits.agonist.net_per_mille
    one_pulse_pC = 10_000 * 250
    for net_pC in (one_pulse_pC * share // 1_000, one_pulse_pC * share // 1_000 + 1, 500_000):
        _armed(script, push(10_000), 60)
        script.ticks(30, push(10_000), agonist_net_pC=net_pC)
    script.ticks(30, push(10_000), agonist_net_pC=4_000_000)
    script.ticks(110)
    script.clear()
    return alone(limits)


def _r19(limits: Limits, script: Script) -> Limits:
    for channel in ("agonist", "antagonist"):
        _armed(script, push(10_000))
        script.ticks(1, push(10_000), **{f"{channel}_cut_short": 1})
        script.ticks(5, push(10_000))
        script.clear()
    return limits


def _r20(limits: Limits, script: Script) -> Limits:
    _armed(script, push(limits.agonist.peak_uA), 120)
    for delay_us in (10_000, 30_000, 40_000):
        script.ticks(10, push(2_000), delay_us=delay_us)
        script.ticks(20, push(limits.agonist.peak_uA), delay_us=delay_us)
    script.ticks(30, push(8_000, 100))
    script.ticks(30, push(8_000, 400))
    return limits


def _r21(limits: Limits, script: Script) -> Limits:
    rest_ticks = limits.loop.rest_us // script.period_us
    for silent in (rest_ticks - 1, rest_ticks, rest_ticks + 1):
        _armed(script, push(10_000), 60)
        script.ticks(silent, push(10_000), fire=0)
        script.event(GATE, 10_000)
        script.ticks(10, push(10_000))
    return limits


def _r22(limits: Limits, script: Script) -> Limits:
    ramp_ticks = limits.agonist.ramp_us // script.period_us
    for ticks in (ramp_ticks // 2, ramp_ticks, ramp_ticks + 10):
        _armed(script, push(10_000), 60)
        script.ticks(ticks, push(10_000), arm=0)
    _armed(script, push(10_000), 60)
    script.ticks(ramp_ticks // 2, push(10_000), arm=0)
    script.event(HALT, 7_000)
    script.ticks(5, push(10_000))
    script.clear()
    return limits


def _r23(limits: Limits, script: Script) -> Limits:
    _armed(script, push(10_000), 250)
    for _ in range(6):
        script.ticks(8)
        script.ticks(45, push(10_000))
    return alone(limits, run_us=1_500_000, on_us=2_500_000, long_window_us=6_000_000)


def _r24(limits: Limits, script: Script) -> Limits:
    _armed(script, push(10_000), 240)
    script.clear()
    script.ticks(20, push(10_000))
    return alone(limits, session_us=4_000_000, total_pC=1_000_000_000)


def _r24_charge(limits: Limits, script: Script) -> Limits:
    _armed(script, push(10_000), 240)
    script.clear()
    return alone(limits, total_pC=300_000_000)


def _r25(limits: Limits, script: Script) -> Limits:
    peak_uA = limits.agonist.peak_uA
    for share in (500, 599, 600, 601, 1_000):
        _armed(script, both(peak_uA * share // 1_000, peak_uA * share // 1_000, 100), 60)
    return alone(limits, peak_uA=-1, ceiling_uA=-1, summed_share_per_mille=1_200)


def _r26(limits: Limits, script: Script) -> Limits:
    gap_us, changeover_us, end_us = (
        limits.loop.pulse_gap_us,
        limits.loop.changeover_us,
        2 * 250 + limits.loop.interphase_us,
    )
    _armed(script, both(5_000, 5_000), 60)
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


def _r27(limits: Limits, script: Script) -> Limits:
    script.ticks(20, push(10_000))
    script.ticks(2)
    script.ticks(20, push(10_000))
    return changed(limits, screening_clear=0)


def _r28(limits: Limits, script: Script) -> Limits:
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
        _armed(script, push(8_000), 30)
        for ohm in ohms:
            script.ticks(3, push(8_000), agonist_contact_ohm=ohm)
        script.ticks(60)
        script.clear()
    return limits


def _r29(limits: Limits, script: Script) -> Limits:
    _armed(script, _STRONG, 120)
    return alone(limits, area_mm2=500, density_rms_uA_per_cm2=1_000, density_trip_uA_per_cm2=2_000)


def _r30(limits: Limits, script: Script) -> Limits:
    ramp_us, trip_us = limits.loop.estimate_ramp_us, limits.loop.estimate_trip_us
    for age_us in (ramp_us, ramp_us + 1, trip_us, trip_us + 1, -1):
        _armed(script, push(10_000), 60)
        script.ticks(30, push(10_000), estimate_age_us=age_us)
        script.clear()
    for force_mN in (limits.loop.estimate_min_mN - 1, limits.loop.estimate_max_mN + 1):
        _armed(script, push(10_000), 60)
        script.ticks(30, push(10_000), estimate_mN=force_mN)
        script.clear()
    for senses in ({"estimate_known": 0}, {"estimate_mN": 3_456}):
        _armed(script, push(10_000), 60)
        script.ticks(70, push(10_000), **senses)
        script.clear()
    return limits


def _r31(limits: Limits, script: Script) -> Limits:
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
    _armed(script, push(10_000), 30)
    script.ticks(1, push(10_000), estimate_mN=3_000 + limits.loop.force_rise_mN + 100)
    script.ticks(30)
    script.clear()
    return limits


def _r32(limits: Limits, script: Script) -> Limits:
    ramp_ticks, trip_ticks = (
        us // script.period_us for us in (limits.loop.heartbeat_ramp_us, limits.loop.heartbeat_trip_us)
    )
    for ticks in (ramp_ticks - 1, ramp_ticks, ramp_ticks + 4, trip_ticks - 1, trip_ticks, trip_ticks + 5):
        _armed(script, push(10_000), 60)
        script.ticks(ticks, push(10_000), law_fault=2)
        script.ticks(5, push(10_000))
        script.clear()
    return limits


def _r33(limits: Limits, script: Script) -> Limits:
    script.ticks(2, stop=1)
    script.clear()
    _armed(script, push(10_000), 30)
    script.ticks(1, push(10_000), stop=1)
    script.ticks(5, push(10_000))
    script.clear()
    _armed(script, push(10_000), 30)
    script.ticks(5, push(10_000), arm=0)
    script.ticks(1, push(10_000), stop=1, arm=0)
    script.clear()
    _armed(script, push(10_000), 30)
    script.event(HALT, 3_000)
    script.event(GATE, 12_000)
    script.ticks(5, push(10_000))
    script.clear()
    return limits


def _r34(limits: Limits, script: Script) -> Limits:
    _armed(script, push(10_000), 30)
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


def _r35(limits: Limits, script: Script) -> Limits:
    for place, change in ((0, 1), (1, -1), (40, 1_000), (70, 1)):
        _armed(script, push(10_000), 30)
        script.event(OVERWRITE, 0, place, change)
        script.ticks(2, push(10_000))
        script.event(RESTORE)
        script.ticks(2)
        script.clear()
    return limits


def _r36(limits: Limits, script: Script) -> Limits:
    step_uA = max(limits.loop.device_step_uA, 2)
    for part in (1, step_uA // 2, step_uA - 1):
        _armed(script, push(5_000 + part), 40)
    return limits


def _r37(limits: Limits, script: Script) -> Limits:
    for asked in (push(700), push(10_000, 51), push(10_000, 250, 100_000), push(0), push(10_000, 0), both(5_000, 300)):
        _armed(script, asked, 40)
    return limits


def _r39(limits: Limits, script: Script) -> Limits:
    _armed(script, push(10_000), 30)
    script.event(BREAK_OFF)
    script.ticks(3, push(10_000))
    script.clear()
    _armed(script, push(10_000), 30)
    script.event(BREAK_OFF)
    script.event(GATE, 12_000)
    script.ticks(3, push(10_000))
    script.clear()
    return limits


_WRITTEN: Final[dict[str, tuple[Written, ...]]] = {
    "R01": (_r01,), "R02": (_r02,), "R03": (_r03,), "R04": (_r04,), "R05": (_r05,), "R06": (_r06,), "R07": (_r07,),
    "R08": (_r08,), "R09": (_r09,), "R10": (_r10,), "R11": (_r11,), "R12": (_r12,), "R13": (_r13,), "R14": (_r14,),
    "R15": (_r15,), "R16": (_r16,), "R17": (_r17,), "R18": (_r18,), "R19": (_r19,), "R20": (_r20,), "R21": (_r21,),
    "R22": (_r22,), "R23": (_r23,), "R24": (_r24, _r24_charge), "R25": (_r25,), "R26": (_r26,), "R27": (_r27,),
    "R28": (_r28,), "R29": (_r29,), "R30": (_r30,), "R31": (_r31,), "R32": (_r32,), "R33": (_r33,), "R34": (_r34,),
    "R35": (_r35,), "R36": (_r36,), "R37": (_r37,), "R38": (_r20, _r06), "R39": (_r39,),
}  # fmt: skip
"""R38 is met wherever a demand is altered: the steepest rise and the highest current do it most."""


def directed(limits: Limits) -> list[Attack]:
    """The attacks on every requirement, R01 to R39, derived from one person's `limits`."""
    attacks = []
    for rule, ways in _WRITTEN.items():
        for way in ways:
            script = Script(limits.loop.control_period_us)
            under = way(limits, script)
            attacks.append(Attack(rule, under, script.ops()))
    return attacks
