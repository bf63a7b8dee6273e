"""Planted faults of R01 to R19."""

from __future__ import annotations

from typing import Final

from thenar.safety.audit.edits import (
    ANY_RISE,
    STEADY,
    WINDOW_PULSES,
    all_of,
    at_row,
    at_rows,
    delayed_by,
    last_life,
    latched_from,
    second_phases,
    silent_from,
    steady_pulse,
    stray_pulse,
    unchanged,
    under,
)
from thenar.safety.audit.plant import DISARMED, SHARE_KNOWN, STEADY_US, Plant, answered, bounds, lowered, small_command

PLANTED_TO_R19: Final = (
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
    Plant(
        "R03",
        "a command that lives too long",
        at_row(STEADY, expires_us=STEADY_US + 60_000),
        at_row(STEADY, expires_us=STEADY_US + 60_001),
    ),
    Plant(
        "R03",
        "a gap between ticks that trips",
        all_of(silent_from(STEADY), delayed_by(230_000)),
        all_of(silent_from(STEADY), delayed_by(230_001)),
    ),
    Plant(
        "R04",
        "a tick two periods after the one before",
        all_of(ANY_RISE, delayed_by(20_000)),
        all_of(ANY_RISE, delayed_by(20_001)),
    ),
    Plant(
        "R04",
        "a clock that steps back",
        all_of(silent_from(STEADY - 1), at_row(STEADY, t_us=STEADY_US - 20_000)),
        all_of(silent_from(STEADY - 1), at_row(STEADY, t_us=STEADY_US - 20_001)),
    ),
    Plant("R05", "a pulse while disarmed", DISARMED, all_of(DISARMED, stray_pulse)),
    Plant("R05", "current admitted while disarmed", DISARMED, all_of(DISARMED, small_command(STEADY + 2))),
    Plant("R05", "armed without being asked to", unchanged, at_row(0, arm=0)),
    bounds("R06", "a pulse one device step too high", "peak_uA", 15_000, -100),
    bounds("R07", "a pulse one device step above the person's ceiling", "ceiling_uA", 15_000, -100),
    bounds("R07", "armed without a ceiling on file", "ceiling_uA", 15_000, -15_000),
    bounds("R08", "a pulse 1 us too wide", "width_max_us", 250, -1),
    bounds("R08", "a pulse 1 us too narrow", "width_min_us", 250, 1),
    bounds("R09", "a phase 1 pC too large", "charge_pC", 15_000 * 250, -1),
    bounds("R10", "a phase 1 pC too large for the pad", "density_charge_pC", 15_000 * 250, -1),
    bounds("R11", "pulses 1 us too close", "period_min_us", 25_000, 1),
    bounds("R12", "41 pulses in a closed second", "rms_uA", 2_148, -1),
    Plant(
        "R13",
        "41 pulses in a closed second on half a pad",
        all_of(SHARE_KNOWN, under(density_rms_uA_per_cm2=172)),
        all_of(SHARE_KNOWN, under(density_rms_uA_per_cm2=171)),
    ),
    bounds("R14", "a pulse 1 fJ too strong", "energy_aJ", 15_000 * 15_000 * 250 * 1_000, -1),
    bounds("R15", "41 pulses in a closed second", "power_rms_uA", 2_148, -1),
    bounds("R16", "41 pulses in a closed second", "rectified_pC", WINDOW_PULSES * 2 * 15_000 * 250, -1),
    Plant(
        "R17",
        "15 mA into one ohm too much",
        at_row(STEADY, agonist_contact_ohm=8_000),
        at_row(STEADY, agonist_contact_ohm=8_001),
    ),
    Plant("R17", "a sixth pulse in a row that compliance lowered", lowered(6), lowered(7)),
    Plant(
        "R18",
        "1 pC over 2 % of the phase since the last tick",
        at_row(STEADY, agonist_net_pC=75_000),
        at_row(STEADY, agonist_net_pC=-75_001),
    ),
    Plant(
        "R18",
        "a net charge over a second, with current",
        at_row(0, agonist_net_pC=10_000_000),
        at_row(0, agonist_net_pC=10_000_001),
    ),
    Plant(
        "R18",
        "a net charge over a second that trips",
        all_of(silent_from(STEADY), at_row(STEADY, agonist_net_pC=50_000_000)),
        all_of(silent_from(STEADY), at_row(STEADY, agonist_net_pC=50_000_001)),
    ),
    Plant(
        "R18",
        "a second phase 6 us too short, pulses alone",
        all_of(second_phases, steady_pulse(second_width_us=245)),
        all_of(second_phases, steady_pulse(second_width_us=244)),
    ),
    answered("R19", "a pulse cut short between its phases", at_row(STEADY, agonist_cut_short=1)),
    Plant(
        "R19",
        "no second phase, pulses alone",
        second_phases,
        all_of(second_phases, steady_pulse(second_width_us=0)),
        also=frozenset({"R18"}),
    ),
)
