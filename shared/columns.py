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
    Column("width_us", "int64", "us", "width of each phase"),
    Column("gap_us", "int64", "us", "pause between the two phases"),
)
