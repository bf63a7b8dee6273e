"""Schedules written for vectors alone: slow slopes against the oldest bucket, and every trip with its recovery."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from thenar.safety.attack.grounds import alone
from thenar.safety.attack.ops import BREAK_OFF, GATE, HALT, Ops, Script, both, push
from thenar.safety.attack.written import STRONG, armed
from thenar.safety.limits import Limits

_CALM_MN: Final = 3_000
_CALM_OHM: Final = 1_000
_STEPS: Final = range(-6, 7)
_NAMES: Final = (0, 1, 24, 33)


def sloping(limits: Limits) -> Iterator[tuple[str, Limits, Ops]]:
    """A force and an impedance that rise so slowly that only what lies a whole window back gives them away."""
    loop = limits.loop
    period_us = loop.control_period_us
    for window_us, rise, sense, base in (
        (loop.force_window_us, loop.force_rise_mN, "estimate_mN", _CALM_MN),
        (loop.contact_window_us, _CALM_OHM * limits.agonist.ohm_jump_percent // 100 - _CALM_OHM, "agonist_contact_ohm",
         _CALM_OHM),
    ):  # fmt: skip
        ticks = window_us // period_us
        for back in range(ticks - ticks // 4 - 1, ticks + ticks // 4 + 3):
            script = Script(period_us)
            armed(script, push(8_000), 12, **{sense: base})
            for step in range(1, 2 * ticks + 4):
                script.ticks(1, push(8_000), **{sense: base + rise * step // max(back, 1)})
            yield f"a slow rise of {sense}", limits, script.ops()
        for held in range(ticks - 3, ticks + ticks // 4 + 4):
            for over in (0, 1):
                script = Script(period_us)
                armed(script, push(8_000), 12, **{sense: base})
                script.ticks(max(held, 1), push(8_000), **{sense: base + rise // 2})
                script.ticks(2, push(8_000), **{sense: base + rise + over})
                yield f"a rise of {sense} that is held in between", limits, script.ops()


def recovering(limits: Limits) -> Iterator[tuple[str, Limits, Ops]]:
    """Every way to trip, then an operator who names another cause, the cause while it lasts, and the cause."""
    bad: tuple[tuple[int, dict[str, Any]], ...] = (
        (33, {"stop": 1}), (19, {"agonist_cut_short": 1}), (19, {"antagonist_cut_short": 1}), (2, {"fault": 2}),
        (28, {"agonist_contact_ohm": 10**6}), (30, {"estimate_age_us": limits.loop.estimate_trip_us + 1}),
        (31, {"estimate_mN": limits.loop.force_hard_mN + 1}),
        (18, {"antagonist_net_pC": limits.agonist.net_trip_pC + 1}),
        (3, {"delay_us": limits.loop.command_trip_us + 1}), (4, {"delay_us": -1}),
    )  # fmt: skip
    for cause, senses in bad:
        for named in sorted({cause - 1, cause, cause + 1, *_NAMES}):
            script = Script(limits.loop.control_period_us)
            armed(script, both(6_000, 3_000), 30)
            asked = push(6_000, fault=senses.get("fault", 0))
            rest = {key: value for key, value in senses.items() if key != "fault"}
            script.ticks(1, asked, **rest)
            script.ticks(1, rearm_cause=named, **{key: value for key, value in rest.items() if key != "delay_us"})
            script.ticks(1, push(6_000), rearm_cause=named)
            script.ticks(1, arm=0, rearm_cause=named)
            script.ticks(2, push(6_000))
            script.ticks(55)
            script.ticks(1, rearm_cause=named)
            script.ticks(20, push(6_000))
            yield f"tripped by R{cause:02d}, R{named:02d} named", limits, script.ops()
    yield from _between_ticks(limits)
    yield from _windows(limits)


def _between_ticks(limits: Limits) -> Iterator[tuple[str, Limits, Ops]]:
    """A stop or a broken call between ticks, from silence, a rise, a steady train and a planned stop."""
    for kind in (HALT, BREAK_OFF):
        for ticks in (0, 3, 30):
            for arm in (0, 1):
                script = Script(limits.loop.control_period_us)
                armed(script, push(6_000), 1 + ticks)
                script.ticks(2, push(6_000), arm=arm)
                script.event(kind, 5_000)
                for delay_us in (5_000, 12_000, 19_999):
                    script.event(GATE, delay_us)
                script.ticks(2, push(6_000), stop=1 - arm)
                script.ticks(1, rearm_cause=39 - arm)
                script.clear()
                script.ticks(3, push(6_000))
                yield "stopped or broken off between ticks", limits, script.ops()


def _windows(limits: Limits) -> Iterator[tuple[str, Limits, Ops]]:
    """A sliding window that trips, then its cause named just before, at and after a whole window in silence."""
    period_us = limits.loop.control_period_us
    ticks = limits.loop.short_window_us // period_us
    density = {"area_mm2": 500, "density_rms_uA_per_cm2": 1_000, "density_trip_uA_per_cm2": 2_000}
    for under, share in ((alone(limits, power_rms_uA=3_000), 1_000), (alone(limits, **density), 150)):
        for waited in range(ticks - 3, ticks + 3):
            script = Script(period_us)
            armed(script, STRONG, 60, agonist_contact_per_mille=1_000)
            script.ticks(30, STRONG, agonist_contact_per_mille=share)
            script.ticks(max(waited, 1))
            script.ticks(2, rearm_cause=-1)
            yield "a window that tripped, and its cause named", under, script.ops()
