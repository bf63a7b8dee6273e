"""Which tests check which requirement, and what a JUnit file of a test run says of them.

Two ways lead from a test to a requirement, and neither can rot unseen: the table below, of which a test checks
that every name in it exists, and the requirement's identifier in a test's own name or parameters.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree

from thenar.shared.errors import InputError, Problem
from thenar.shared.text_input import bytes_in

TESTS_OF: Final[dict[str, tuple[str, ...]]] = {
    "R01": (
        "edge::one_unusable_number_anywhere_makes_the_whole_demand_a_fault",
        "validity::one_unusable_demand_is_zero_for_one_tick",
        "validity::three_unusable_demands_in_a_row_trip_but_not_two",
        "validity::integers_that_come_in_past_the_edge_are_held_to_the_same_ranges",
    ),
    "R02": (
        "edge::a_channel_or_field_too_many_is_a_shape_fault",
        "validity::a_channel_too_many_trips_at_once",
        "validity::a_wrong_shape_refuses_to_arm_without_latching",
    ),
    "R03": (
        "gate::a_command_lives_for_three_control_periods_to_the_microsecond",
        "gate::asking_for_a_pulse_long_after_the_last_tick_trips",
        "validity::a_loop_that_stalls_falls_silent_when_its_command_expires",
    ),
    "R04": (
        "gate::a_clock_that_runs_back_under_a_pulse_trips",
        "validity::the_time_between_ticks_must_be_about_one_period",
        "validity::a_time_that_no_clock_shows_trips_and_the_next_good_tick_is_judged_against_the_range",
        "validity::after_a_clock_that_went_back_the_loop_can_be_re_armed_by_name",
    ),
    "R05": (
        "arming::power_on_is_disarmed_and_a_demand_before_arming_gives_nothing",
        "gate::latched_and_disarmed_loops_fire_nothing",
        "doors::power_on_memory_holds_nothing_but_its_never_marks",
    ),
    "R06": (
        "ceilings::one_below_and_at_a_bound_pass_and_one_above_is_clamped_to_it",
        "ceilings::never_more_than_asked_zero_stays_zero_and_every_bound_is_kept",
        "ceilings::the_last_check_fails_one_step_outside_any_bound",
    ),
    "R07": (
        "ceilings::one_below_and_at_a_bound_pass_and_one_above_is_clamped_to_it",
        "ceilings::a_ceiling_of_zero_lets_nothing_through",
        "arming::nothing_on_file_refuses_to_arm_and_says_so",
        "profile::a_ceiling_above_the_hard_one_is_cut_to_it",
    ),
    "R08": ("ceilings::widths_below_the_range_are_left_out_and_above_it_are_clamped",),
    "R09": (
        "ceilings::one_below_and_at_a_bound_pass_and_one_above_is_clamped_to_it",
        "ceilings::never_more_than_asked_zero_stays_zero_and_every_bound_is_kept",
    ),
    "R10": (
        "ceilings::one_below_and_at_a_bound_pass_and_one_above_is_clamped_to_it",
        "ceilings::never_more_than_asked_zero_stays_zero_and_every_bound_is_kept",
    ),
    "R11": (
        "ceilings::a_rate_above_the_bound_is_lowered",
        "gate::a_pulse_earlier_than_the_admitted_period_is_left_out",
        "gate::a_burst_of_requests_gets_one_pulse",
    ),
    "R12": (
        "ceilings::one_below_and_at_a_bound_pass_and_one_above_is_clamped_to_it",
        "budgets::a_steady_train_at_the_rms_bound_has_no_pulse_left_out",
        "budgets::rms_over_a_second_is_held_when_width_and_rate_change_within_it",
    ),
    "R13": (
        "ceilings::one_below_and_at_a_bound_pass_and_one_above_is_clamped_to_it",
        "budgets::rms_density_is_held_over_a_second_and_trips_when_the_contact_shrinks_to_far_less",
        "budgets::a_share_that_shrinks_a_little_leaves_pulses_out_until_the_window_has_room",
    ),
    "R14": (
        "ceilings::pulse_energy_trips_just_above_its_bound_once_the_others_are_lifted",
        "ceilings::pulse_energy_cannot_reach_its_bound_at_the_defaults",
        "ceilings::energy_above_its_bound_latches_the_loop",
    ),
    "R15": (
        "budgets::power_density_trips_once_everything_before_it_is_lifted",
        "budgets::at_the_defaults_none_of_the_backstops_can_bind",
    ),
    "R16": (
        "ceilings::one_below_and_at_a_bound_pass_and_one_above_is_clamped_to_it",
        "budgets::average_rectified_current_is_held_for_a_steady_train",
        "budgets::average_rectified_current_is_held_by_leaving_pulses_out_when_the_rate_changes",
    ),
    "R17": (
        "ceilings::current_stays_where_the_voltage_it_needs_is_within_compliance",
        "budgets::five_pulses_that_compliance_had_to_lower_trip",
    ),
    "R18": (
        "balance::net_charge_up_to_two_percent_of_a_phase_is_let_through_and_one_picocoulomb_more_is_not",
        "balance::the_running_sum_withholds_above_ten_and_trips_above_fifty_microcoulomb_a_second",
        "balance::a_drift_of_small_net_charges_trips_and_clears_after_the_window_has_passed",
    ),
    "R19": (
        "balance::a_pulse_cut_short_trips_and_clears_only_by_name_once_it_is_gone",
        "balance::cut_short_wins_over_net_charge_in_the_verdict_of_one_channel",
    ),
    "R20": (
        "step_limits::output_starts_at_the_first_step_and_rises_by_0_4_mA_a_tick",
        "step_limits::full_scale_takes_at_least_two_seconds",
        "step_limits::a_blocked_rise_goes_on_from_the_delivered_value_not_from_the_request",
    ),
    "R21": (
        "step_limits::after_a_second_of_silence_the_output_starts_softly_again",
        "step_limits::a_channel_that_has_not_fired_yet_stays_at_the_first_step",
        "gate::a_command_from_before_a_rest_is_not_fired_at_full_strength_after_it",
    ),
    "R22": (
        "arming::a_planned_stop_ramps_down_in_half_a_second_and_then_disarms",
        "arming::a_law_that_already_asks_for_less_is_not_held_up_by_the_ramp",
        "arming::a_stop_in_mid_ramp_is_zero_at_once",
    ),
    "R23": (
        "windows::on_time_agrees_with_a_brute_force_judge_to_the_microsecond_in_every_schedule",
        "budgets::a_run_ends_by_the_ramp_of_a_planned_stop_and_comes_back_softly_after_its_recovery",
        "budgets::no_window_holds_more_than_its_share_and_what_has_left_it_may_be_used_again",
        "budgets::a_share_of_1_never_stops_and_the_longest_run_has_no_gap_in_300_s",
        "budgets::on_time_counts_at_any_rate",
        "budgets::the_gate_stops_what_goes_on_without_control_ticks_at_the_exact_end",
    ),
    "R24": (
        "budgets::the_charge_of_a_session_trips_before_it_is_exceeded",
        "budgets::the_session_ends_at_a_pulse_too",
        "arming::the_session_ends_by_a_latched_trip_that_nothing_clears",
        "arming::re_arming_does_not_wind_back_the_session",
    ),
    "R25": (
        "ceilings::both_channels_are_lowered_in_proportion_when_their_shares_add_up_to_too_much",
        "ceilings::a_channel_at_rest_leaves_the_other_its_whole_share",
    ),
    "R26": (
        "gate::both_channels_together_never_overlap_and_keep_a_millisecond",
        "gate::the_first_pulse_of_a_channel_waits_for_the_changeover_gap",
        "gate::simultaneous_requests_fire_one_channel",
    ),
    "R27": (
        "arming::any_contraindication_not_answered_no_refuses_to_arm",
        "arming::a_placement_outside_one_arm_or_not_declared_refuses_to_arm",
        "arming::no_screening_on_file_refuses_to_arm",
    ),
    "R28": (
        "plausibility::impedance_out_of_range_trips",
        "plausibility::impedance_that_jumps_by_more_than_twice_within_a_second_trips",
        "plausibility::impedance_that_drifts_slowly_does_not_trip",
    ),
    "R29": ("ceilings::an_unknown_contact_share_counts_as_half_and_a_lifted_pad_as_none",),
    "R30": (
        "plausibility::an_estimate_older_than_300_ms_ramps_down",
        "plausibility::an_estimate_older_than_800_ms_trips",
        "plausibility::an_estimate_above_its_range_is_not_believed",
        "plausibility::samples_that_differ_by_more_than_the_slope_allows_are_not_believed",
        "plausibility::a_stuck_estimate_ramps_after_half_a_second_and_trips_after_one",
    ),
    "R31": (
        "plausibility::above_the_soft_bound_the_agonist_may_not_push_further_but_may_ease_off",
        "plausibility::above_the_hard_bound_everything_stops",
        "plausibility::force_that_rises_faster_than_the_rate_bound_stops_everything",
    ),
    "R32": (
        "validity::a_law_silent_for_three_periods_is_ramped_down_and_after_half_a_second_tripped",
        "validity::a_law_that_never_answers_trips_half_a_second_after_arming",
    ),
    "R33": (
        "arming::a_stop_wins_in_every_state",
        "arming::a_stop_between_ticks_is_silent_from_the_same_instant",
        "edge::a_stop_that_cannot_be_read_counts_as_pressed_and_an_arm_as_released",
    ),
    "R34": (
        "arming::a_latched_trip_stays_until_its_cause_is_named",
        "arming::re_arming_with_a_request_is_refused",
        "arming::re_arming_while_the_cause_or_another_is_still_there_is_refused_and_named",
    ),
    "R35": (
        "arming::limits_changed_while_armed_trip_and_must_be_restored",
        "profile::the_mark_of_limits_changes_with_any_single_limit",
        "profile::values_past_a_hard_end_or_not_positive_are_refused_with_key_and_allowed_range",
        "profile_deviations::no_reason_helps_past_a_hard_ceiling",
    ),
    "R36": (
        "step_limits::current_is_rounded_toward_zero_to_the_device_step",
        "step_limits::a_device_step_that_does_not_divide_a_limit_never_rounds_above_it",
    ),
    "R37": (
        "properties::a_tick_never_gives_more_than_was_asked_and_reports_every_change",
        "ceilings::applying_the_bounds_twice_is_applying_them_once",
        "doors::a_step_that_gives_more_than_was_asked_trips_as_an_internal_fault",
    ),
    "R38": (
        "properties::a_tick_never_gives_more_than_was_asked_and_reports_every_change",
        "ceilings::a_change_is_always_reported_and_a_reason_always_means_a_change",
    ),
    "R39": (
        "doors::a_tick_that_raises_at_any_step_leaves_no_command_and_the_next_one_trips",
        "doors::a_pulse_that_raises_at_any_step_does_not_leave_and_the_next_call_trips",
        "doors::a_call_that_broke_off_trips_at_the_next_tick_whatever_the_state",
    ),
    "R40": (
        "intensity::an_ordinary_ramp_at_300_us_and_40_Hz_leaves_pulse_for_pulse_as_if_there_were_no_bound",
        "intensity::a_train_made_strong_at_a_slow_rate_reaches_the_fast_one_no_faster_than_the_ramp",
        "intensity::the_last_value_inside_leaves_the_first_outside_waits_one_microsecond",
        "intensity::no_path_through_current_width_and_rate_rises_faster_and_an_engine_never_asks_twice",
    ),
}
"""Tests of each requirement, "room::what it says": `tests/safety/test_room.py`, `def test_what_it_says`."""
BOUNDARY: Final = "ceilings::one_below_and_at_a_bound_pass_and_one_above_is_clamped_to_it"
PROOFS: Final = "tests/proof/test_claims.py::test_a_claim_holds_for_all_integers["
"""How the name of a proof begins in a JUnit file; "R06: what it claims]" follows."""
_LARGEST_BYTES: Final = 500_000_000
_WORST_FIRST: Final = ("failed", "skipped", "passed")


def ids_of_tests(rule: str) -> tuple[str, ...]:
    """The tests of a requirement as pytest names them, without parameters."""
    return tuple(pytest_id(short) for short in TESTS_OF[rule])


def pytest_id(short: str) -> str:
    """A name of the table as pytest writes it."""
    room, name = short.split("::")
    return f"tests/safety/test_{room}.py::test_{name}"


def read_junit(file: Path) -> dict[str, Any]:
    """What a JUnit file says: {"file", "sha256", "taken", "cases": {test with parameters: "passed" ...}}.

    Raises InputError when it can't be read, isn't such a file, or holds no test.
    """
    allowed = "a JUnit file as `pytest --junitxml` writes it"
    try:
        data = bytes_in(file, _LARGEST_BYTES, "JUnit file")
        if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
            raise InputError([Problem(str(file), "", "declarations of its own", allowed)])
        top = ElementTree.fromstring(data)  # noqa: S314 - without declarations nothing in it can grow
    except ElementTree.ParseError as error:
        raise InputError([Problem(str(file), "", f"no XML: {error}", allowed)]) from None
    cases: dict[str, str] = {}
    for case in top.iter("testcase"):
        name = f"{case.get('classname', '').replace('.', '/')}.py::{case.get('name', '')}"
        cases[name] = _worst([cases.get(name, "passed"), _outcome(case)])
    if not cases:
        raise InputError([Problem(str(file), "", "no test in it", allowed)])
    suite = next(top.iter("testsuite"), top)
    return {
        "file": file.name,
        "sha256": hashlib.sha256(data).hexdigest(),
        "taken": suite.get("timestamp", "not told"),
        "cases": cases,
    }


def read_junits(files: Sequence[Path]) -> dict[str, Any]:
    """Several JUnit files as one, in the form of `read_junit`. A test that one run skipped and another ran has run.

    Raises InputError as `read_junit` does.
    """
    every = [read_junit(file) for file in files]
    cases: dict[str, str] = {}
    for one in every:
        for name, outcome in one["cases"].items():
            found = {cases.get(name, "skipped"), outcome}
            cases[name] = next(word for word in ("failed", "passed", "skipped") if word in found)
    told = {key: ", ".join(str(one[key]) for one in every) for key in ("file", "sha256", "taken")}
    return told | {"cases": cases}


def results_of(rule: str, cases: Mapping[str, str]) -> dict[str, int]:
    """How many tests of a requirement passed, failed, were skipped, and were named in the table but not run."""
    named = set(ids_of_tests(rule))
    marked = re.compile(rf"(?<![A-Za-z0-9]){rule}(?![A-Za-z0-9])", re.IGNORECASE)
    mine = {
        case: outcome
        for case, outcome in cases.items()
        if _checks(rule, case) or (marked.search(case) and not case.startswith(PROOFS))
    }
    counts = {word: sum(outcome == word for outcome in mine.values()) for word in ("passed", "failed", "skipped")}
    return counts | {"not_run": len(named - {case.split("[")[0] for case in mine})}


def proofs_in(cases: Mapping[str, str]) -> list[dict[str, Any]] | None:
    """The proofs that ran as tests, as {"id", "property", "result"}; None when none was run."""
    words = {"passed": "proved", "failed": "failed"}
    found: list[dict[str, Any]] = []
    for case, outcome in cases.items():
        rule, _, claim = case.removeprefix(PROOFS).removesuffix("]").partition(": ")
        if case.startswith(PROOFS) and outcome in words:
            found.append({"id": rule, "property": claim, "result": words[outcome]})
    return found or None


def boundary_of(rule: str, cases: Mapping[str, str]) -> str | None:
    """The worst outcome of the tests one below, at and one above the bound; None when none was run."""
    if BOUNDARY not in TESTS_OF[rule]:
        return None
    mine = [outcome for case, outcome in cases.items() if case.startswith(f"{pytest_id(BOUNDARY)}[{int(rule[1:])}-")]
    return _worst(mine) if mine else None


def _checks(rule: str, case: str) -> bool:
    """Whether a test with its parameters is one of the table's for `rule`."""
    name = case.split("[", maxsplit=1)[0]
    # The first parameter of the test that several requirements share is the requirement's number.
    shared = name == pytest_id(BOUNDARY) and not case.startswith(f"{name}[{int(rule[1:])}-")
    return name in ids_of_tests(rule) and not shared


def _outcome(case: ElementTree.Element) -> str:
    if case.find("failure") is not None or case.find("error") is not None:
        return "failed"
    return "passed" if case.find("skipped") is None else "skipped"


def _worst(outcomes: list[str]) -> str:
    return next(word for word in _WORST_FIRST if word in outcomes)
