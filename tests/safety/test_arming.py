"""Arming, planned stops, latched trips and re-arming (R05, R07, R22, R24, R27, R33, R34, R35)."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from tests.safety.interlock_bench import (
    CLEAR,
    ENGRAVER,
    PERIOD_US,
    Bench,
    ask,
    both,
    changed,
    limits_for,
    rule,
)
from thenar.safety import doors
from thenar.safety.limits import LIMITS_SIZE
from thenar.safety.memory import NEVER, halt, start_memory, tripped, unpack_memory
from thenar.safety.profile import load_profile
from thenar.safety.screening import NO_SCREENING, Contraindications, Placement, Screening, objections_to
from thenar.shared.errors import InputError, validated
from thenar.shared.signals import NOTHING_ON_FILE

PUSH = ask(15.0)


def pushing(limits: Any = None) -> Bench:
    """A bench that has delivered for a second."""
    bench = Bench(limits).armed()
    bench.run(1.0, PUSH)
    assert bench.level()[0] > 8_000
    return bench


def test_power_on_is_disarmed_and_a_demand_before_arming_gives_nothing() -> None:
    bench = Bench()
    assert not bench.is_armed
    for _ in range(3):
        assert bench.tick(PUSH, arm=0) == rule(5)
        assert bench.level() == (0, 0, 0)
        assert bench.due_us() == -1
    assert bench.trip == 0


def test_disarmed_and_at_rest_no_rule_has_anything_to_do() -> None:
    assert Bench().tick(both(), arm=0) == 0
    assert Bench().tick(both(), arm=0, law_fault=2) == 0


def test_nothing_on_file_refuses_to_arm_and_says_so() -> None:
    bench = Bench(limits_for(None))
    assert bench.tick(both(), estimate_N=-0.1) == rule(7)
    assert not bench.is_armed


def test_a_calibration_of_zeros_is_none_on_file() -> None:
    assert limits_for(NOTHING_ON_FILE) == limits_for(None)


def test_one_calibrated_channel_is_enough_and_the_other_stays_silent() -> None:
    limits = limits_for()
    bench = Bench(limits._replace(antagonist=limits.antagonist._replace(ceiling_uA=0))).armed()
    bench.run(0.5, both(PUSH.agonist, PUSH.agonist))
    assert bench.level(0)[0] > 0
    assert bench.level(1)[0] == 0
    assert {pulse.channel for pulse in bench.pulses} == {0}


def test_a_fault_that_would_trip_refuses_to_arm() -> None:
    bench = Bench()
    assert bench.tick(both(), agonist_contact_ohm=50_000) == rule(28)
    assert not bench.is_armed
    assert bench.trip == 0
    bench.tick(both())
    assert bench.is_armed


@pytest.mark.parametrize("topic", Contraindications.model_fields)
@pytest.mark.parametrize("answer", ["yes", "not asked"])
def test_any_contraindication_not_answered_no_refuses_to_arm(topic: str, answer: str) -> None:
    answers = CLEAR.contraindications.model_copy(update={topic: answer})
    screening = Screening(placement=CLEAR.placement, contraindications=answers)
    assert screening.objections() == (f"{topic.replace('_', ' ')}: {answer}",)
    bench = Bench(load_profile("forearm-25cm2").limits_for(ENGRAVER, screening=screening))
    assert bench.tick(both()) == rule(27)
    assert not bench.is_armed


@pytest.mark.parametrize(
    "placement",
    [
        *(Placement(site=site, same_limb=True) for site in ("head", "neck", "chest", "other")),  # type: ignore[arg-type]
        Placement(site="forearm", same_limb=False),
        Placement(site="thumb", same_limb=False),
        None,
    ],
)
def test_a_placement_outside_one_arm_or_not_declared_refuses_to_arm(placement: Placement | None) -> None:
    screening = Screening(placement=placement, contraindications=CLEAR.contraindications)
    limits = load_profile("forearm-25cm2").limits_for(ENGRAVER, screening=screening)
    assert len(screening.objections()) == 1
    assert Bench(limits).tick(both()) == rule(27)


def test_complete_answers_of_no_let_the_loop_arm() -> None:
    assert CLEAR.objections() == objections_to(CLEAR) == ()
    assert Bench(load_profile("forearm-25cm2").limits_for(ENGRAVER, screening=CLEAR)).armed().is_armed


def test_no_screening_on_file_refuses_to_arm() -> None:
    assert objections_to(None) == (NO_SCREENING,)
    bench = Bench(load_profile("forearm-25cm2").limits_for(ENGRAVER))
    assert bench.tick(both()) == rule(27)
    assert not bench.is_armed


def test_a_screening_that_asked_nothing_objects_to_every_topic_and_to_the_placement() -> None:
    assert len(Screening().objections()) == len(Contraindications.model_fields) + 1
    bench = Bench(load_profile("forearm-25cm2").limits_for(ENGRAVER, screening=Screening()))
    assert bench.tick(both()) == rule(27)


@pytest.mark.parametrize("answer", ["nope", "", "No", True, None])
def test_a_blank_or_misspelt_answer_is_refused_with_the_choices(answer: object) -> None:
    raw = {"placement": {"site": "forearm", "same_limb": True}, "contraindications": {"epilepsy": answer}}
    with pytest.raises(InputError, match="one of no, yes, not asked"):
        validated(Screening, raw, "session.toml")


def test_a_planned_stop_ramps_down_in_half_a_second_and_then_disarms() -> None:
    bench = pushing()
    start_uA, start_us = bench.level()[0], bench.t_us
    seen = []
    while bench.is_armed:
        reasons = bench.step(PUSH, arm=0)
        seen.append(bench.level()[0])
        assert reasons & rule(22) or not bench.is_armed
    assert bench.t_us - start_us <= 500_000 + 2 * PERIOD_US
    assert seen[0] < start_uA
    assert seen == sorted(seen, reverse=True)
    assert max(before - after for before, after in pairwise(seen)) <= start_uA // 20
    assert seen[-1] == 0
    assert bench.trip == 0


def test_a_planned_stop_taken_back_in_mid_ramp_goes_on_from_there() -> None:
    bench = pushing()
    for _ in range(10):
        bench.step(PUSH, arm=0)
    low_uA = bench.level()[0]
    bench.step(PUSH)
    assert bench.is_armed
    assert low_uA < bench.level()[0] <= low_uA + 400


def test_a_law_that_already_asks_for_less_is_not_held_up_by_the_ramp() -> None:
    bench = pushing()
    bench.tick(ask(2.0), arm=0)
    assert bench.level()[0] == 2_000


def test_disarming_at_rest_needs_no_ramp() -> None:
    bench = Bench().armed()
    bench.tick(both(), arm=0)
    assert not bench.is_armed


def test_a_stop_in_mid_ramp_is_zero_at_once() -> None:
    bench = pushing()
    bench.step(PUSH, arm=0)
    assert bench.tick(PUSH, arm=0, stop=1) & rule(33)
    assert bench.level() == (0, 0, 0)
    assert bench.trip == 33


@pytest.mark.parametrize("state", ["disarmed", "armed", "pushing", "stopping", "tripped"])
def test_a_stop_wins_in_every_state(state: str) -> None:
    bench = Bench() if state == "disarmed" else Bench().armed() if state == "armed" else pushing()
    if state == "stopping":
        bench.step(PUSH, arm=0)
    if state == "tripped":
        bench.tick(PUSH, agonist_contact_ohm=50)
        assert bench.trip == 28
    assert bench.tick(PUSH, stop=1) == rule(33)
    assert bench.trip == 33
    assert bench.level() == (0, 0, 0)
    assert bench.gate() == 0


def test_a_stop_between_ticks_is_silent_from_the_same_instant() -> None:
    bench = pushing()
    due_us = bench.due_us()
    assert due_us > 0
    doors.halt_packed(bench.memory, bench.admitted, due_us)
    assert bench.gate(at=due_us) == 0
    assert bench.pulses[-1].t_us < due_us
    assert bench.due_us(at=due_us) == -1
    assert bench.trip == 33
    assert doors.trip_time_us(bench.memory) == due_us


def test_a_second_stop_keeps_the_time_of_the_first_and_replaces_another_cause() -> None:
    memory = unpack_memory(start_memory())
    first = halt(memory, 1_000)
    assert halt(first, 2_000).latch.trip_us == 1_000
    other = memory._replace(latch=tripped(memory.latch, 30, 500))
    assert (halt(other, 1_000).latch.trip, halt(other, 1_000).latch.trip_us) == (33, 1_000)
    assert tripped(other.latch, 31, 900).trip == 30


def test_the_pure_halt_and_its_door_agree() -> None:
    bench = pushing()
    expected = halt(unpack_memory(bench.memory), bench.t_us + 5)
    doors.halt_packed(bench.memory, bench.admitted, bench.t_us + 5)
    assert unpack_memory(bench.memory) == expected
    assert not bench.admitted.any()


def test_a_latched_trip_stays_until_its_cause_is_named() -> None:
    bench = pushing()
    bench.tick(PUSH, stop=1)
    for _ in range(100):
        assert bench.tick(both()) == rule(34)
    assert bench.rearm(30) == rule(34)
    assert bench.trip == 33
    assert bench.rearm(33) == 0
    assert bench.trip == 0
    assert bench.is_armed
    assert doors.trip_time_us(bench.memory) == NEVER


def test_re_arming_with_a_request_is_refused() -> None:
    bench = pushing()
    bench.tick(PUSH, stop=1)
    assert bench.tick(PUSH, rearm_cause=33) == rule(34)
    assert bench.tick(None, rearm_cause=33) == rule(34) | rule(1)
    assert bench.trip == 33


def test_re_arming_while_the_cause_or_another_is_still_there_is_refused_and_named() -> None:
    bench = pushing()
    bench.tick(PUSH, agonist_contact_ohm=50)
    assert bench.rearm(28, agonist_contact_ohm=50) == rule(34) | rule(28)
    assert bench.rearm(28, estimate_age_us=400_000) == rule(34) | rule(30)
    assert bench.rearm(28, stop=1) == rule(33)
    assert bench.trip == 33


def test_re_arming_without_the_arm_key_clears_but_stays_disarmed() -> None:
    bench = pushing()
    bench.tick(PUSH, stop=1)
    bench.rearm(33, arm=0)
    assert bench.trip == 0
    assert not bench.is_armed


def test_naming_a_cause_when_nothing_has_latched_does_nothing() -> None:
    bench = pushing()
    before_uA = bench.level()[0]
    bench.tick(PUSH, rearm_cause=33)
    assert bench.is_armed
    assert bench.level()[0] >= before_uA


def test_every_re_arming_starts_softly_again() -> None:
    bench = pushing()
    bench.tick(PUSH, stop=1)
    bench.tick(both())
    bench.rearm(33)
    bench.pulses.clear()
    assert bench.step(PUSH) & rule(21)
    bench.run(0.4, PUSH)
    assert bench.pulses[0].current_uA == 800
    rises = [after.current_uA - before.current_uA for before, after in pairwise(bench.pulses)]
    assert max(rises) <= 800


def test_the_session_ends_by_a_latched_trip_that_nothing_clears() -> None:
    bench = Bench(changed(limits_for(), session_us=2_000_000)).armed()
    while bench.t_us < 2_000_000 - PERIOD_US:
        bench.step(PUSH)
    assert bench.trip == 0
    assert bench.tick(PUSH) & rule(24)
    assert bench.trip == 24
    for _ in range(3):
        assert bench.rearm(24) == rule(34) | rule(24)


def test_re_arming_does_not_wind_back_the_session() -> None:
    bench = Bench(changed(limits_for(), session_us=1_000_000)).armed()
    bench.tick(both(), stop=1)
    bench.tick(both())
    bench.rearm(33)
    bench.run(0.92, PUSH)
    assert bench.trip == 0
    bench.step(PUSH)
    assert (bench.t_us, bench.trip) == (1_000_000, 24)


@pytest.mark.parametrize("place", [0, 1, LIMITS_SIZE // 2, LIMITS_SIZE - 1])
def test_limits_changed_while_armed_trip_and_must_be_restored(place: int) -> None:
    bench = pushing()
    bench.limits_array[place] += 1
    assert bench.tick(PUSH) & rule(35)
    assert bench.trip == 35
    assert bench.rearm(35) == rule(34) | rule(35)
    bench.limits_array[place] -= 1
    bench.rearm(35)
    assert bench.is_armed


@pytest.mark.parametrize("place", [0, 1, LIMITS_SIZE // 2, LIMITS_SIZE - 1])
def test_no_pulse_leaves_under_limits_that_were_changed_since_the_last_tick(place: int) -> None:
    bench = pushing()
    due_us, count = bench.due_us(), len(bench.pulses)
    bench.limits_array[place] += 1
    assert bench.gate(at=due_us) == rule(35)
    assert (bench.trip, doors.trip_time_us(bench.memory), len(bench.pulses)) == (35, due_us, count)
    bench.limits_array[place] -= 1
    assert bench.gate(at=due_us + 30_000) == rule(34)
    assert bench.tick(PUSH) & rule(34)
    bench.rearm(35)
    assert bench.is_armed


def test_a_disarmed_gate_is_not_tripped_by_other_limits() -> None:
    bench = Bench()
    bench.tick(both(), arm=0)
    bench.limits_array[0] -= 100
    bench.gate(at=bench.t_us + 5)
    assert bench.trip == 0


def test_limits_may_be_replaced_while_disarmed() -> None:
    bench = Bench()
    bench.tick(both(), arm=0)
    bench.limits_array[0] -= 100
    bench.tick(both())
    assert bench.is_armed
