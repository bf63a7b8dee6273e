"""Planted faults: the proof that the auditor can fail. At least one for every requirement.

A clean log, played by the real interlock, is changed in one place: to the last value inside a bound, where the audit
must pass, and one step past it, where exactly that requirement must fail (others only if they are named).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Final, NamedTuple

import numpy as np

from thenar.safety.audit.judge import judge_log
from thenar.safety.audit.logs import DecisionLog, PulseLog
from thenar.safety.limits import ChannelLimits, Limits, LoopLimits, limits_mark

Asked = tuple[int, ...]
Script = tuple[tuple[int, Asked, int], ...]
"""Stretches of a trial: how many control ticks, what is asked (fault and six numbers), and whether arm is held."""

REST: Final = (0, 0, 0, 0, 0, 0, 0)
AGONIST: Final = (0, 15_000, 250, 25_000, 0, 0, 0)
BOTH: Final = (0, 15_000, 250, 25_000, 10_000, 250, 25_000)
ONE_CHANNEL: Final[Script] = ((1, REST, 1), (150, AGONIST, 1), (40, AGONIST, 0))
TWO_CHANNELS: Final[Script] = ((1, REST, 1), (60, AGONIST, 1), (120, BOTH, 1))
STEADY: Final = 102
"""A row of either log at which the agonist is steady at 15 mA; a pulse came between it and the row before."""
STOPPING: Final = 152
"""The second row of the planned stop."""
WINDOW_PULSES: Final = 41
"""Pulses 25 ms apart that a closed second holds."""


class Case(NamedTuple):
    """A log and the limits that it is judged by."""

    limits: Limits
    pulses: PulseLog
    decisions: DecisionLog


Edit = Callable[[Case], Case]
Play = Callable[[Limits, Script], tuple[PulseLog, DecisionLog]]


class Plant(NamedTuple):
    """One planted fault of `rule`: the edit that stays inside, the one that doesn't, and rules that may fail with it."""

    rule: str
    what: str
    inside: Edit
    outside: Edit
    script: Script = ONE_CHANNEL
    also: frozenset[str] = frozenset()


class Proof(NamedTuple):
    """What the auditor said of a plant: rules that failed inside and outside the bound."""

    plant: Plant
    inside: tuple[str, ...]
    outside: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Whether the twin passed and the fault was noticed, and nothing else was."""
        return (
            not self.inside
            and self.plant.rule in self.outside
            and set(self.outside) <= self.plant.also | {self.plant.rule}
        )


def proofs(limits: Limits, play: Play) -> Iterator[Proof]:
    """Every plant judged. `limits`: those of a person with forearm pads; `play`: plays a script on the interlock."""
    played = {script: play(limits, script) for script in (ONE_CHANNEL, TWO_CHANNELS)}
    for plant in PLANTS:
        clean = Case(limits, *played[plant.script])
        yield Proof(plant, _broken(plant.inside(clean)), _broken(plant.outside(clean)))


def _broken(case: Case) -> tuple[str, ...]:
    return judge_log(case.limits, case.pulses, case.decisions).broken


def unchanged(case: Case) -> Case:
    """The clean log itself."""
    return case


def under(**bounds: int) -> Edit:
    """The log as if the interlock had been given other bounds (of both channels, or of the loop)."""

    def edit(case: Case) -> Case:
        channel = {name: value for name, value in bounds.items() if name in ChannelLimits._fields}
        loop = {name: value for name, value in bounds.items() if name in LoopLimits._fields}
        limits = Limits(
            case.limits.agonist._replace(**channel),
            case.limits.antagonist._replace(**channel),
            case.limits.loop._replace(**loop),
        )
        marks = np.full_like(case.decisions.limits_mark, int(limits_mark(limits)))
        return Case(limits, case.pulses, case.decisions._replace(limits_mark=marks))

    return edit


def at_rows(rows: range, **values: int) -> Edit:
    """Columns of the decision log set in these rows."""

    def edit(case: Case) -> Case:
        changed: dict[str, Any] = {}
        for name, value in values.items():
            changed[name] = getattr(case.decisions, name).copy()
            changed[name][rows.start : rows.stop] = value
        return case._replace(decisions=case.decisions._replace(**changed))

    return edit


def at_row(row: int, **values: int) -> Edit:
    """Columns of the decision log set in one row."""
    return at_rows(range(row, row + 1), **values)


def all_of(*edits: Edit) -> Edit:
    """Edits one after the other."""

    def edit(case: Case) -> Case:
        for one in edits:
            case = one(case)
        return case

    return edit


def silent_from(row: int) -> Edit:
    """From this row on nothing is asked, admitted or delivered, and arm stays held."""

    def edit(case: Case) -> Case:
        kept = case.pulses.decisions_before <= row  # type: ignore[operator]
        zero = [n for n in DecisionLog._fields if n.startswith(("agonist_asked", "antagonist_asked")) or n in _COMMANDS]
        quiet = at_rows(range(row, len(case.decisions.t_us)), **dict.fromkeys(zero, 0), reasons=0, state=1, arm=1)
        return quiet(case)._replace(pulses=_only(case.pulses, kept))

    return edit


def latched_from(row: int, trip: int) -> Edit:
    """From this row on the loop is silent and latched by a requirement, as it should be."""

    def edit(case: Case) -> Case:
        rows = range(row, len(case.decisions.t_us))
        held = {"state": 0, "trip": trip, "trip_us": int(case.decisions.t_us[row]), "reasons": 1 << (trip - 1)}
        return at_rows(rows, **held)(silent_from(row)(case))

    return edit


_COMMANDS: Final = (
    "agonist_uA", "agonist_width_us", "agonist_period_us", "antagonist_uA", "antagonist_width_us",
    "antagonist_period_us",
)  # fmt: skip


def _only(pulses: PulseLog, kept: Any) -> PulseLog:
    return PulseLog(*(None if column is None else column[kept] for column in pulses))


def delayed_by(extra_us: int) -> Edit:
    """Everything from the steady row on happens later."""

    def edit(case: Case) -> Case:
        log, pulses = case.decisions, case.pulses
        shift = np.where(np.arange(len(log.t_us)) >= STEADY, extra_us, 0)
        later = np.where(pulses.decisions_before > STEADY, extra_us, 0)  # type: ignore[operator]
        moved = log._replace(t_us=log.t_us + shift, expires_us=log.expires_us + shift)
        return Case(case.limits, pulses._replace(t_us=pulses.t_us + later), moved)

    return edit


def last_life(spare_us: int) -> Edit:
    """The command of a steady pulse expires so long after it."""

    def edit(case: Case) -> Case:
        place = int(np.flatnonzero(case.pulses.decisions_before == STEADY)[0])
        return at_row(STEADY - 1, expires_us=int(case.pulses.t_us[place]) + spare_us)(case)

    return edit


def stray_pulse(case: Case) -> Case:
    """A small pulse 30 ms after the loop was silenced and disarmed."""
    pulses, row = case.pulses, len(case.decisions.t_us)
    values = {"trial": 0, "t_us": int(case.decisions.t_us[STEADY + 2]), "channel": 0, "current_uA": 800}
    values |= {"width_us": 250, "gap_us": 50, "decisions_before": min(STEADY + 3, row)}
    added = {name: np.append(getattr(pulses, name), value) for name, value in values.items()}
    return case._replace(pulses=pulses._replace(**added))


def steady_pulse(**values: int) -> Edit:
    """One pulse of the steady train changed."""

    def edit(case: Case) -> Case:
        place = int(np.flatnonzero(case.pulses.decisions_before == STEADY)[0])
        changed: dict[str, Any] = {name: getattr(case.pulses, name).copy() for name in values}
        for name, value in values.items():
            changed[name][place] = value
        return case._replace(pulses=case.pulses._replace(**changed))

    return edit


def after_a_break(short_us: int) -> Edit:
    """Half a second of the steady train left out; a rest is as long as that silence, plus `short_us`."""

    def edit(case: Case) -> Case:
        begin_us = int(case.decisions.t_us[STEADY])
        t_us = case.pulses.t_us
        kept = (t_us < begin_us) | (t_us >= begin_us + 500_000)
        left = _only(case.pulses, kept)
        silence_us = int(np.diff(left.t_us).max())
        return under(rest_us=silence_us + short_us)(case._replace(pulses=left))

    return edit


def bound_from(name: str, measure: Callable[[Case], int], beyond: int) -> Edit:
    """A bound that is just what the log holds, moved by `beyond`."""

    def edit(case: Case) -> Case:
        return under(**{name: measure(case) + beyond})(case)

    return edit


def whole_run_us(case: Case) -> int:
    """From the first pulse to the last one: all of it is on-time."""
    return int(case.pulses.t_us[-1] - case.pulses.t_us[0])


def whole_charge_pC(case: Case) -> int:
    """Rectified charge of all pulses."""
    return int(np.sum(2 * case.pulses.current_uA * case.pulses.width_us))


def nearest_gap_us(case: Case) -> int:
    """Shortest time from the end of a pulse to the next one on the other channel."""
    pulses = case.pulses
    end_us = pulses.t_us + 2 * pulses.width_us + pulses.gap_us
    between = pulses.channel[1:] != pulses.channel[:-1]
    return int(np.min((pulses.t_us[1:] - end_us[:-1])[between]))


def _bounds(rule: str, what: str, name: str, inside: int, step: int, **more: Any) -> Plant:
    return Plant(rule, what, under(**{name: inside}), under(**{name: inside + step}), **more)


def _answered(rule: str, what: str, sensed: Edit) -> Plant:
    """Something that must latch: answered by a latch, and not answered."""
    return Plant(rule, what, all_of(latched_from(STEADY, int(rule[1:])), sensed), sensed)


_LATER: Final = range(STEADY, STEADY + 2)
_CLEARED: Final = range(STEADY + 10, STEADY + 90)


def _cleared_by(cause: int) -> Edit:
    """Latched by R30 for 10 rows, then armed again by an operator who names a cause."""
    again = at_rows(_CLEARED, state=1, trip=0, trip_us=-1, reasons=0)
    return all_of(latched_from(STEADY, 30), again, at_row(_CLEARED.start, rearm_cause=cause))


_DISARMED: Final = all_of(silent_from(STEADY), at_rows(range(STEADY + 1, STEADY + 90), state=0, arm=0))
_SHARE_KNOWN: Final = at_rows(range(200), agonist_contact_per_mille=500)

PLANTS: Final = (
    Plant(
        "R01",
        "a third unusable demand in a row",
        all_of(silent_from(STEADY), at_rows(range(STEADY, STEADY + 2), asked_fault=1, reasons=1)),
        all_of(silent_from(STEADY), at_rows(range(STEADY, STEADY + 3), asked_fault=1, reasons=1)),
    ),
    Plant(
        "R01",
        "current under an unusable demand",
        unchanged,
        at_row(STEADY, asked_fault=1, reasons=1),
        also=frozenset({"R37"}),
    ),
    Plant(
        "R02",
        "a demand of a wrong shape",
        all_of(latched_from(STEADY, 2), at_row(STEADY, asked_fault=2)),
        all_of(silent_from(STEADY), at_row(STEADY, asked_fault=2, reasons=2)),
    ),
    Plant("R03", "a pulse at the end of its command's life", last_life(1), last_life(0)),
    Plant("R04", "a tick two periods after the one before", delayed_by(20_000), delayed_by(20_001)),
    Plant("R05", "a pulse while disarmed", _DISARMED, all_of(_DISARMED, stray_pulse)),
    _bounds("R06", "a pulse one device step too high", "peak_uA", 15_000, -100),
    _bounds("R07", "a pulse one device step above the person's ceiling", "ceiling_uA", 15_000, -100),
    _bounds("R08", "a pulse 1 us too wide", "width_max_us", 250, -1),
    _bounds("R08", "a pulse 1 us too narrow", "width_min_us", 250, 1),
    _bounds("R09", "a phase 1 pC too large", "charge_pC", 15_000 * 250, -1),
    _bounds("R10", "a phase 1 pC too large for the pad", "density_charge_pC", 15_000 * 250, -1),
    _bounds("R11", "pulses 1 us too close", "period_min_us", 25_000, 1),
    _bounds("R12", "41 pulses in a closed second", "rms_uA", 2_148, -1),
    Plant(
        "R13",
        "41 pulses in a closed second on half a pad",
        all_of(_SHARE_KNOWN, under(density_rms_uA_per_cm2=172)),
        all_of(_SHARE_KNOWN, under(density_rms_uA_per_cm2=171)),
    ),
    _bounds("R14", "a pulse 1 fJ too strong", "energy_aJ", 15_000 * 15_000 * 250 * 1_000, -1),
    _bounds("R15", "41 pulses in a closed second", "power_rms_uA", 2_148, -1),
    _bounds("R16", "41 pulses in a closed second", "rectified_pC", WINDOW_PULSES * 2 * 15_000 * 250, -1),
    Plant(
        "R17",
        "15 mA into one ohm too much",
        at_row(STEADY, agonist_contact_ohm=8_000),
        at_row(STEADY, agonist_contact_ohm=8_001),
    ),
    Plant(
        "R18",
        "1 pC over 2 % of the phase since the last tick",
        at_row(STEADY, agonist_net_pC=75_000),
        at_row(STEADY, agonist_net_pC=-75_001),
    ),
    _answered("R19", "a pulse cut short between its phases", at_row(STEADY, agonist_cut_short=1)),
    _bounds("R20", "a rise 1 uA larger than one period's", "rise_uA", 400, -1),
    Plant("R21", "a train that resumes at full current after a rest", after_a_break(1), after_a_break(0)),
    Plant(
        "R22",
        "one device step above the ramp of a planned stop",
        at_row(STOPPING, agonist_uA=14_400, agonist_width_us=250, agonist_period_us=25_000),
        at_row(STOPPING, agonist_uA=14_500, agonist_width_us=250, agonist_period_us=25_000),
    ),
    Plant("R23", "1 us on for too long", bound_from("run_us", whole_run_us, 0), bound_from("run_us", whole_run_us, -1)),
    Plant("R23", "1 us too much in the window", bound_from("on_us", whole_run_us, 0), bound_from("on_us", whole_run_us, -1)),
    Plant(
        "R24",
        "1 pC beyond the session's charge",
        bound_from("total_pC", whole_charge_pC, 0),
        bound_from("total_pC", whole_charge_pC, -1),
    ),
    _bounds("R25", "shares that add up to 1/1000 too much", "summed_share_per_mille", 625, -1, script=TWO_CHANNELS),
    Plant(
        "R26",
        "channels 1 us too close",
        bound_from("pulse_gap_us", nearest_gap_us, 0),
        bound_from("pulse_gap_us", nearest_gap_us, 1),
        TWO_CHANNELS,
    ),
    _bounds("R27", "armed against the screening", "screening_clear", 1, -1),
    Plant(
        "R28",
        "one ohm too little",
        at_row(STEADY, agonist_contact_ohm=100),
        at_row(STEADY, agonist_contact_ohm=99),
    ),
    Plant(
        "R28",
        "more than a doubling within a second",
        all_of(at_row(STEADY - 50, agonist_contact_ohm=1_000), at_row(STEADY, agonist_contact_ohm=2_000)),
        all_of(at_row(STEADY - 50, agonist_contact_ohm=1_000), at_row(STEADY, agonist_contact_ohm=2_001)),
    ),
    _bounds(
        "R29", "41 pulses in a closed second, share unknown", "density_rms_uA_per_cm2", 172, -1, also=frozenset({"R13"})
    ),
    Plant(
        "R30",
        "an estimate 1 us too old, and no ramp",
        at_rows(_LATER, estimate_age_us=300_000),
        at_rows(_LATER, estimate_age_us=300_001),
    ),
    _bounds("R31", "an estimate 1 mN above the hard bound", "force_hard_mN", 3_060, -1),
    Plant(
        "R31",
        "a rise 1 mN too large within the window",
        all_of(at_row(STEADY, estimate_mN=23_000), at_row(STEADY - 1, estimate_mN=3_000)),
        all_of(at_row(STEADY, estimate_mN=23_001), at_row(STEADY - 1, estimate_mN=3_000)),
    ),
    Plant(
        "R32",
        "a law silent for too long, and no ramp",
        at_rows(range(STEADY, STEADY + 3), law_fault=2),
        at_rows(range(STEADY, STEADY + 4), law_fault=2),
    ),
    _answered("R33", "a stop", at_row(STEADY, stop=1)),
    Plant("R34", "a latch cleared by another cause's name", _cleared_by(30), _cleared_by(29)),
    _answered("R35", "limits changed while armed", at_row(STEADY, limits_mark=1)),
    Plant("R36", "a current between two device steps", steady_pulse(current_uA=14_900), steady_pulse(current_uA=14_901)),
    Plant(
        "R37",
        "1 uA more than was asked for",
        at_row(STEADY, reasons=1 << 35, agonist_asked_uA=15_000),
        at_row(STEADY, reasons=1 << 35, agonist_asked_uA=14_999),
    ),
    Plant(
        "R38",
        "a demand lowered by 1 uA without a reason",
        at_row(STEADY, agonist_asked_uA=15_001, reasons=1 << 35),
        at_row(STEADY, agonist_asked_uA=15_001, reasons=0),
    ),
    _answered("R39", "a call that broke off", at_row(STEADY, broken_off=1)),
)  # fmt: skip
