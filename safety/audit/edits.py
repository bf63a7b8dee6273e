"""How a clean log and its limits are changed in one place: the edits that planted faults are made of."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np

from thenar.safety.audit.bounds import Bounds, ChannelBounds, LoopBounds, mark_of_bounds
from thenar.safety.audit.logs import DecisionLog, PulseLog

Asked = tuple[int, ...]
Script = tuple[tuple[int, Asked, int], ...]
"""Stretches of a trial: how many control ticks, what is asked (fault and six numbers), and whether arm is held."""

REST: Final = (0, 0, 0, 0, 0, 0, 0)
AGONIST: Final = (0, 15_000, 250, 25_000, 0, 0, 0)
BOTH: Final = (0, 15_000, 250, 25_000, 10_000, 250, 25_000)
ONE_CHANNEL: Final[Script] = ((1, REST, 1), (150, AGONIST, 1), (40, AGONIST, 0))
TWO_CHANNELS: Final[Script] = ((1, REST, 1), (60, AGONIST, 1), (120, BOTH, 1))
RUN_OUT: Final[Script] = ((1, REST, 1), (1_520, AGONIST, 1))
"""The agonist's on-time runs out after 20 s; after 10 s of silence it starts again."""
STEADY: Final = 102
"""A row of either log at which the agonist is steady at 15 mA; a pulse came between it and the row before."""
STOPPING: Final = 152
"""The second row of the planned stop."""
WINDOW_PULSES: Final = 41
"""Pulses 25 ms apart that a closed second holds."""


class Case(NamedTuple):
    """A log and the bounds that it is judged by.

    `alone`: the pulses are judged without the decisions; `reconciled`: each pulse that a command owed must be there.
    """

    bounds: Bounds
    pulses: PulseLog
    decisions: DecisionLog
    alone: bool = False
    reconciled: bool = False


Edit = Callable[[Case], Case]


def unchanged(case: Case) -> Case:
    """The clean log itself."""
    return case


def under(**bounds: int) -> Edit:
    """The log as if the interlock had been given other bounds (of both channels, or of the loop)."""

    def edit(case: Case) -> Case:
        channel = {name: value for name, value in bounds.items() if name in ChannelBounds._fields}
        loop = {name: value for name, value in bounds.items() if name in LoopBounds._fields}
        judged_by = Bounds(
            case.bounds.agonist._replace(**channel),
            case.bounds.antagonist._replace(**channel),
            case.bounds.loop._replace(**loop),
        )
        marks = np.full_like(case.decisions.limits_mark, mark_of_bounds(judged_by))
        return case._replace(bounds=judged_by, decisions=case.decisions._replace(limits_mark=marks))

    return edit


ANY_RISE: Final = under(intensity_slew_pC_per_s2=1_000_000_000_000)
"""The log as if R40 were lifted: a pulse left out would make the next one too steep."""


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
    return pulses._replace(**{name: column[kept] for name, column in pulses._asdict().items() if column is not None})


def delayed_by(extra_us: int) -> Edit:
    """Everything from the steady row on happens later."""

    def edit(case: Case) -> Case:
        log, pulses = case.decisions, case.pulses
        shift = np.where(np.arange(len(log.t_us)) >= STEADY, extra_us, 0)
        later = np.where(pulses.decisions_before > STEADY, extra_us, 0)  # type: ignore[operator]
        moved = log._replace(t_us=log.t_us + shift, expires_us=log.expires_us + shift)
        return case._replace(pulses=pulses._replace(t_us=pulses.t_us + later), decisions=moved)

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


def early_pulse(early_us: int) -> Edit:
    """One pulse of the steady train leaves so much earlier."""

    def edit(case: Case) -> Case:
        place = int(np.flatnonzero(case.pulses.decisions_before == STEADY)[0])
        return steady_pulse(t_us=int(case.pulses.t_us[place]) - early_us)(case)

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


def whole_on_us(case: Case) -> int:
    """The same, and the gap after the last one."""
    return whole_run_us(case) + case.bounds.loop.on_gap_us


def longest_silence_us(case: Case) -> int:
    """The longest time between two pulses."""
    return int(np.diff(case.pulses.t_us).max())


def fallen_to(current_uA: int, rows: int) -> Edit:
    """The agonist at most so high in the first rows of the ramp at the end of its on-time, and its pulses with it."""

    def edit(case: Case) -> Case:
        begun = int(np.flatnonzero(case.decisions.reasons & (1 << 22))[0])
        lower = np.minimum(case.decisions.agonist_uA[begun : begun + rows], current_uA)
        for row, value in enumerate(lower.tolist(), begun):
            case = at_row(row, agonist_uA=value)(case)
        under_them = (case.pulses.decisions_before > begun) & (case.pulses.decisions_before <= begun + rows)  # type: ignore[operator]
        if current_uA == 0:
            return case._replace(pulses=_only(case.pulses, ~under_them))
        fallen = np.where(under_them, np.minimum(case.pulses.current_uA, current_uA), case.pulses.current_uA)
        return case._replace(pulses=case.pulses._replace(current_uA=fallen))

    return edit


def whole_charge_pC(case: Case) -> int:
    """Rectified charge of all pulses."""
    return int(np.sum(2 * case.pulses.current_uA * case.pulses.width_us))


def nearest_gap_us(case: Case) -> int:
    """Shortest time from the end of a pulse to the next one on the other channel."""
    pulses = case.pulses
    end_us = pulses.t_us + 2 * pulses.width_us + pulses.gap_us
    between = pulses.channel[1:] != pulses.channel[:-1]
    return int(np.min((pulses.t_us[1:] - end_us[:-1])[between]))


def pulses_alone(case: Case) -> Case:
    """The pulses without their decision log."""
    return case._replace(alone=True)


def reconciled(case: Case) -> Case:
    """The log with every pulse that its commands owed."""
    return case._replace(reconciled=True)


def without_pulses(first: int, last: int) -> Edit:
    """The pulses between two rows of the decision log left out."""

    def edit(case: Case) -> Case:
        before = case.pulses.decisions_before
        return case._replace(pulses=_only(case.pulses, (before < first) | (before > last)))  # type: ignore[operator]

    return edit


def later_pulse(by_us: int) -> Edit:
    """One pulse of the steady train leaves so much later."""

    def edit(case: Case) -> Case:
        place = int(np.flatnonzero(case.pulses.decisions_before == STEADY)[0])
        return steady_pulse(t_us=int(case.pulses.t_us[place]) + by_us)(case)

    return edit


def second_phases(case: Case) -> Case:
    """The pulses alone, with every second phase measured as large as the first."""
    current_uA, width_us = case.pulses.current_uA.copy(), case.pulses.width_us.copy()
    return case._replace(
        pulses=case.pulses._replace(second_current_uA=current_uA, second_width_us=width_us), alone=True
    )


def latched_at_pulse(early_us: int) -> Edit:
    """The gate has latched R30 so long before the last pulse, a row after the steady one."""

    def edit(case: Case) -> Case:
        case = latched_from(STEADY + 1, 30)(case)
        rows = range(STEADY + 1, len(case.decisions.t_us))
        return at_rows(rows, trip_us=int(case.pulses.t_us[-1]) - early_us)(case)

    return edit


def last_pulse_us(case: Case) -> int:
    """When the last pulse left, which is how long the session had lasted: it began at 0."""
    return int(case.pulses.t_us[-1])


def changeover_us(case: Case) -> int:
    """Time from the end of an agonist pulse to the first antagonist pulse."""
    pulses = case.pulses
    first = int((pulses.channel == 1).argmax())
    before = pulses.t_us[:first] + 2 * pulses.width_us[:first] + pulses.gap_us[:first]
    return int(pulses.t_us[first] - before.max())
