"""Planted faults of R20 to R39."""

from __future__ import annotations

from typing import Final

from thenar.safety.audit.edits import (
    STEADY,
    STOPPING,
    TWO_CHANNELS,
    after_a_break,
    all_of,
    at_row,
    at_rows,
    bound_from,
    changeover_us,
    last_pulse_us,
    latched_at_pulse,
    latched_from,
    nearest_gap_us,
    pulses_alone,
    silent_from,
    steady_pulse,
    unchanged,
    whole_charge_pC,
    whole_run_us,
)
from thenar.safety.audit.plant import CREEPING, LATER, Plant, answered, asks, bounds, cleared_by, commands

PLANTED_FROM_R20: Final = (
    bounds("R20", "a rise 1 uA larger than one period's", "rise_uA", 400, -1),
    Plant(
        "R20",
        "a rise too large from pulse to pulse, pulses alone",
        all_of(pulses_alone, steady_pulse(current_uA=15_900)),
        all_of(pulses_alone, steady_pulse(current_uA=16_000)),
    ),
    Plant(
        "R20",
        "a pulse 1 us too wide after the one before, pulses alone",
        all_of(pulses_alone, steady_pulse(width_us=259)),
        all_of(pulses_alone, steady_pulse(width_us=260)),
    ),
    Plant(
        "R20",
        "a width that rises 1 us too much in a tick",
        at_row(STEADY, agonist_asked_width_us=300, agonist_width_us=254, reasons=1 << 19),
        at_row(STEADY, agonist_asked_width_us=300, agonist_width_us=255, reasons=1 << 19),
    ),
    Plant("R21", "a train that resumes at full current after a rest", after_a_break(1), after_a_break(0)),
    Plant(
        "R22",
        "one device step above the ramp of a planned stop",
        at_row(STOPPING, agonist_uA=14_400, agonist_width_us=250, agonist_period_us=25_000),
        at_row(STOPPING, agonist_uA=14_500, agonist_width_us=250, agonist_period_us=25_000),
    ),
    Plant("R22", "a planned stop that does not begin", unchanged, at_row(STOPPING - 1, state=1)),
    Plant("R23", "1 us on for too long", bound_from("run_us", whole_run_us, 0), bound_from("run_us", whole_run_us, -1)),
    Plant(
        "R23",
        "1 us too much in the window",
        bound_from("on_us", whole_run_us, 0),
        bound_from("on_us", whole_run_us, -1),
    ),
    Plant(
        "R24",
        "1 pC beyond the session's charge",
        bound_from("total_pC", whole_charge_pC, 0),
        bound_from("total_pC", whole_charge_pC, -1),
    ),
    Plant(
        "R24",
        "a pulse at the end of the session",
        bound_from("session_us", last_pulse_us, 1),
        bound_from("session_us", last_pulse_us, 0),
        TWO_CHANNELS,
    ),
    bounds("R25", "shares that add up to 1/1000 too much", "summed_share_per_mille", 625, -1, script=TWO_CHANNELS),
    Plant(
        "R26",
        "channels 1 us too close",
        bound_from("pulse_gap_us", nearest_gap_us, 0),
        bound_from("pulse_gap_us", nearest_gap_us, 1),
        TWO_CHANNELS,
    ),
    Plant(
        "R26",
        "a changeover 1 us too short",
        bound_from("changeover_us", changeover_us, 0),
        bound_from("changeover_us", changeover_us, 1),
        TWO_CHANNELS,
    ),
    bounds("R27", "armed against the screening", "screening_clear", 1, -1),
    Plant(
        "R28",
        "one ohm too little",
        at_row(STEADY, agonist_contact_ohm=100),
        at_row(STEADY, agonist_contact_ohm=99),
    ),
    Plant(
        "R28",
        "more than a doubling within a second",
        all_of(CREEPING, at_row(STEADY, agonist_contact_ohm=2_000)),
        all_of(CREEPING, at_row(STEADY, agonist_contact_ohm=2_001)),
    ),
    bounds(
        "R29", "41 pulses in a closed second, share unknown", "density_rms_uA_per_cm2", 172, -1, also=frozenset({"R13"})
    ),
    Plant(
        "R30",
        "an estimate 1 us too old, and no ramp",
        at_rows(LATER, estimate_age_us=300_000),
        at_rows(LATER, estimate_age_us=300_001),
    ),
    Plant(
        "R30",
        "an estimate 1 us older than what trips",
        all_of(silent_from(STEADY), at_row(STEADY, estimate_age_us=800_000)),
        all_of(silent_from(STEADY), at_row(STEADY, estimate_age_us=800_001)),
    ),
    Plant(
        "R30",
        "no estimate for half a second",
        all_of(silent_from(STEADY), at_rows(range(STEADY, STEADY + 25), estimate_known=0)),
        all_of(silent_from(STEADY), at_rows(range(STEADY, STEADY + 26), estimate_known=0)),
    ),
    bounds("R31", "an estimate 1 mN above the hard bound", "force_hard_mN", 3_060, -1),
    Plant(
        "R31",
        "a rise 1 mN too large within the window",
        all_of(at_row(STEADY, estimate_mN=23_000), at_row(STEADY - 1, estimate_mN=3_000)),
        all_of(at_row(STEADY, estimate_mN=23_001), at_row(STEADY - 1, estimate_mN=3_000)),
    ),
    bounds("R31", "pushed further above the soft bound", "force_soft_mN", 3_060, -1),
    Plant(
        "R32",
        "a law silent for too long, and no ramp",
        at_rows(range(STEADY, STEADY + 3), law_fault=2),
        at_rows(range(STEADY, STEADY + 4), law_fault=2),
    ),
    Plant(
        "R32",
        "a law silent for half a second",
        all_of(silent_from(STEADY), at_rows(range(STEADY, STEADY + 24), law_fault=2, reasons=1 << 31)),
        all_of(silent_from(STEADY), at_rows(range(STEADY, STEADY + 25), law_fault=2, reasons=1 << 31)),
    ),
    answered("R33", "a stop", at_row(STEADY, stop=1)),
    Plant("R34", "a latch cleared by another cause's name", cleared_by(30), cleared_by(29)),
    Plant(
        "R34",
        "open while latched",
        latched_from(STEADY, 30),
        all_of(latched_from(STEADY, 30), at_row(STEADY + 5, state=1)),
    ),
    Plant("R34", "a pulse 1 us after the gate latched", latched_at_pulse(0), latched_at_pulse(1)),
    answered("R35", "limits changed while armed", at_row(STEADY, limits_mark=1)),
    Plant("R35", "armed under other limits", unchanged, at_rows(range(1_000), limits_mark=1)),
    Plant(
        "R36", "a current between two device steps", steady_pulse(current_uA=14_900), steady_pulse(current_uA=14_901)
    ),
    Plant(
        "R37",
        "1 uA more than was asked for",
        at_row(STEADY, reasons=1 << 35, agonist_asked_uA=15_000),
        at_row(STEADY, reasons=1 << 35, agonist_asked_uA=14_999),
    ),
    Plant(
        "R37",
        "a period 1 us shorter than asked",
        asks(agonist_asked_period_us=25_000),
        asks(agonist_asked_period_us=25_001),
    ),
    Plant("R37", "a pulse above its command", unchanged, commands(agonist_uA=14_900)),
    Plant("R37", "a pulse wider than its command", unchanged, commands(agonist_width_us=249)),
    Plant("R37", "a pulse sooner than its command allows", unchanged, commands(agonist_period_us=25_001)),
    Plant(
        "R38",
        "a demand lowered by 1 uA without a reason",
        at_row(STEADY, agonist_asked_uA=15_001, reasons=1 << 35),
        at_row(STEADY, agonist_asked_uA=15_001, reasons=0),
    ),
    answered("R39", "a call that broke off", at_row(STEADY, broken_off=1)),
)
