"""Columns of the tables a run leaves behind: name, unit and meaning, in file order."""

from __future__ import annotations

from typing import Final, Literal, NamedTuple


class Column(NamedTuple):
    """One column: `kind` is the stored type, `unit` the SI-style unit ("1" for a plain number)."""

    name: str
    kind: Literal["int64", "float64"]
    unit: str
    meaning: str


TRACE: Final = (
    Column("trial", "int64", "1", "number of the trial in the run, from 0"),
    Column("t_us", "int64", "us", "time since the trial began"),
    Column("target_N", "float64", "N", "force the wearer should hold"),
    Column("force_N", "float64", "N", "true force at the fingertip"),
    Column("estimate_N", "float64", "N", "last estimate that reached the controller (NaN before the first)"),
    Column("estimate_age_us", "int64", "us", "time since that estimate was sampled (-1 before the first)"),
    Column("voluntary_N", "float64", "N", "force the wearer's own drive would make alone"),
    Column("agonist_evoked_N", "float64", "N", "force the agonist pulses would make alone"),
    Column("antagonist_evoked_N", "float64", "N", "force the antagonist pulses take away"),
    Column("agonist_demand_mA", "float64", "mA", "current asked for at the last control tick (NaN if unusable)"),
    Column("agonist_demand_width_us", "float64", "us", "pulse width the law asked for"),
    Column("antagonist_demand_mA", "float64", "mA", "current asked for at the last control tick (NaN if unusable)"),
    Column("antagonist_demand_width_us", "float64", "us", "pulse width the law asked for"),
    Column("agonist_admitted_mA", "float64", "mA", "current the interlock admitted, zero once it has expired"),
    Column("agonist_admitted_width_us", "float64", "us", "pulse width the interlock admitted"),
    Column("antagonist_admitted_mA", "float64", "mA", "current the interlock admitted, zero once it has expired"),
    Column("antagonist_admitted_width_us", "float64", "us", "pulse width the interlock admitted"),
    Column("agonist_fresh", "float64", "1", "force scale of the agonist muscle over its rested value"),
    Column("antagonist_fresh", "float64", "1", "force scale of the antagonist muscle over its rested value"),
    Column("reasons", "int64", "1", "interlock rules that acted since the last row, bit n-1 for requirement Rn"),
    Column("trip", "int64", "1", "number n of the requirement Rn that has latched, 0 when none"),
)

PULSES: Final = (
    Column("trial", "int64", "1", "number of the trial in the run, from 0"),
    Column("t_us", "int64", "us", "time since the trial began, start of the first phase"),
    Column("channel", "int64", "1", "0 agonist, 1 antagonist"),
    Column("current_mA", "float64", "mA", "current of each phase"),
    Column("width_us", "int64", "us", "width of each phase, as let through"),
    Column("gap_us", "int64", "us", "pause between the two phases"),
    Column("second_width_us", "int64", "us", "width of the second phase as the stimulator gave it"),
)

_WHOLE: Final = "int64"


def _of_channel(channel: str, meaning: str, prefix: str = "") -> tuple[Column, ...]:
    return (
        Column(f"{channel}_{prefix}uA", _WHOLE, "uA", f"current {meaning}"),
        Column(f"{channel}_{prefix}width_us", _WHOLE, "us", f"pulse width {meaning}"),
        Column(f"{channel}_{prefix}period_us", _WHOLE, "us", f"time between pulses {meaning}"),
    )


def _sensed(channel: str) -> tuple[Column, ...]:
    return (
        Column(f"{channel}_contact_ohm", _WHOLE, "ohm", "impedance (-1 unknown)"),
        Column(f"{channel}_contact_per_mille", _WHOLE, "0.001", "share of the pad in contact (-1 unknown)"),
    )


def _balance(channel: str) -> tuple[Column, ...]:
    return (
        Column(f"{channel}_net_pC", _WHOLE, "pC", "measured net charge of the pulses since the last tick"),
        Column(f"{channel}_cut_short", _WHOLE, "1", "1 when one of them broke off between its phases"),
    )


DECISIONS: Final = (
    Column("trial", _WHOLE, "1", "number of the trial in the run, from 0"),
    Column("kind", _WHOLE, "1", "0 control tick, 1 emergency stop between two ticks"),
    Column("t_us", _WHOLE, "us", "time since the trial began, as the interlock was told it"),
    Column("asked_fault", _WHOLE, "1", "0 usable, 1 a value missing or out of range (R01), 2 wrong shape (R02)"),
    *_of_channel("agonist", "asked for", "asked_"),
    *_of_channel("antagonist", "asked for", "asked_"),
    Column("estimate_mN", _WHOLE, "mN", "last force estimate"),
    Column("estimate_known", _WHOLE, "1", "1 when there is one"),
    Column("estimate_age_us", _WHOLE, "us", "time since it was sampled"),
    Column("estimate_count", _WHOLE, "1", "estimates that have arrived"),
    Column("law_fault", _WHOLE, "1", "0 answered, 1 raised, 2 late"),
    Column("stop", _WHOLE, "1", "1 while the stop is pressed"),
    Column("arm", _WHOLE, "1", "1 while the operator asks for an armed loop"),
    Column("rearm_cause", _WHOLE, "1", "requirement the operator names to clear a trip (0 none)"),
    *_sensed("agonist"),
    *_sensed("antagonist"),
    *_balance("agonist"),
    *_balance("antagonist"),
    Column("limits_mark", _WHOLE, "1", "mark of the limits handed in (R35)"),
    Column("broken_off", _WHOLE, "1", "1 when an earlier call broke off (R39)"),
    Column("expires_us", _WHOLE, "us", "until when the admitted command holds"),
    *_of_channel("agonist", "admitted"),
    *_of_channel("antagonist", "admitted"),
    Column("reasons", _WHOLE, "1", "interlock rules that acted at this decision, bit n-1 for requirement Rn"),
    Column("state", _WHOLE, "1", "after the decision: 0 disarmed, 1 armed, 2 stopping"),
    Column("trip", _WHOLE, "1", "number n of the requirement Rn that has latched, 0 when none"),
    Column("trip_us", _WHOLE, "us", "when it latched (large and negative when none)"),
)
"""Whole numbers throughout: what the interlock was given and gave at every call, in the order of calls."""
