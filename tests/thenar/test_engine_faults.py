"""Every kind of fault does what the scenario file says, and the named rule meets it in good time."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.thenar.engine_trials import (
    ALL_AT_ONCE,
    TICK_US,
    Rest,
    columns_of,
    events_of,
    fault,
    planned,
    pushed,
    the_trial,
)
from thenar.engine.desk import lay_desk
from thenar.engine.events import EventTrial, run_trial
from thenar.engine.result import TrialResult
from thenar.safety import profile
from thenar.safety.reasons import R18, R30, R32
from thenar.shared.signals import REST, Demand, Observation, Stimulus
from thenar.shared.ticks import US_PER_S

CALM = "[wearer.cue]\ntrust = 0.0"
"""A wearer who takes no notice of the pulses."""


def between(result: TrialResult, from_s: float, to_s: float) -> NDArray[np.bool_]:
    """Rows of the trace from one time to just before another."""
    t_us = result.trace["t_us"]
    rows: NDArray[np.bool_] = (t_us >= from_s * US_PER_S) & (t_us < to_s * US_PER_S)
    return rows


def acted_us(result: TrialResult, rule: int, after_s: float = 1.0) -> list[int]:
    """Times of the trace rows in which a rule acted, once the start is over."""
    rows = (result.trace["reasons"] & rule != 0) & (result.trace["t_us"] >= after_s * US_PER_S)
    return [int(t_us) for t_us in result.trace["t_us"][rows]]


def trips(result: TrialResult) -> list[tuple[int, str, object]]:
    """Trips, clearings and armings after the first one."""
    return events_of(result, "trip", "cleared", "armed")[1:]


# Dropout: no estimate leaves the sensor.


def test_a_short_dropout_ages_the_estimate_and_nothing_more() -> None:
    result, law = pushed(the_trial(ALL_AT_ONCE, CALM, fault("dropout", 2.0, 0.25)))
    ages = {seen.t_us: seen.estimate_age_us for seen in law.seen}
    assert (ages[2_000_000], ages[2_240_000], ages[2_260_000], ages[2_280_000]) == (20_000, 260_000, 280_000, 20_000)
    values = {seen.t_us: seen.estimate_N for seen in law.seen}
    assert len({values[t_us] for t_us in range(2_000_000, 2_280_000, TICK_US)}) == 1, "the last one stays"
    assert acted_us(result, R30) == []
    assert trips(result) == []


def test_a_long_dropout_is_ramped_at_300_ms_of_age_and_trips_at_800_ms() -> None:
    result, _ = pushed(the_trial(ALL_AT_ONCE, CALM, fault("dropout", 2.0, 2.0), seconds=4.5))
    # The last sample was taken at 1.98 s. "Older than" 300 ms first holds at 2.30 s, than 800 ms at 2.80 s.
    assert acted_us(result, R30)[0] == 2_300_000
    assert trips(result) == [(2_800_000, "trip", "R30")]
    ages = result.trace["estimate_age_us"][between(result, 2.0, 4.0)]
    assert (np.diff(ages) == 10_000).all()
    assert ages.max() > 1_900_000
    admitted = result.trace["agonist_admitted_mA"]
    assert (np.diff(admitted[between(result, 2.2, 3.0)]) <= 0).all(), "down and never up again"
    assert admitted[between(result, 2.0, 2.3)].min() == admitted[between(result, 1.9, 2.0)].max()
    assert not admitted[between(result, 2.8, 4.5)].any()
    assert result.pulses["t_us"].max() < 2_800_000


# Stuck: the sensor repeats its last estimate as if it were new.


def test_a_stuck_estimate_stays_fresh_is_ramped_after_half_a_second_and_then_trips() -> None:
    result, _ = pushed(the_trial(ALL_AT_ONCE, CALM, fault("stuck", 2.0, 2.0), seconds=4.5))
    stuck = between(result, 2.05, 3.9)
    assert len(set(result.trace["estimate_N"][stuck].tolist())) == 1
    assert result.trace["estimate_age_us"][stuck].max() <= 2 * TICK_US, "it looks as good as new"
    # The same value since the sample of 1.98 s: frozen with that of 2.48 s, seen at 2.50 s; half a second more trips.
    assert acted_us(result, R30)[0] == 2_500_000
    assert trips(result) == [(3_000_000, "trip", "R30")]
    assert result.pulses["t_us"].max() < 3_000_000


def test_a_stuck_estimate_is_no_fault_while_nothing_is_pushed() -> None:
    """A hand at rest may well read the same for ever: only a muscle that is driven must answer."""
    trial = the_trial(ALL_AT_ONCE, CALM, fault("stuck", 1.0, 2.0))
    result, _ = pushed(trial, Rest(trial.calibration))
    assert acted_us(result, R30) == []
    assert trips(result) == []


# Jump: the sensor is re-seated.


def test_a_jump_changes_what_is_read_by_its_gain_and_offset_and_not_the_force() -> None:
    plain = the_trial(ALL_AT_ONCE, conditions='"unassisted"')
    jolted = the_trial(ALL_AT_ONCE, fault("jump", 1.0, gain=1.25, offset_N=1.5), conditions='"unassisted"')
    one, other = EventTrial(plain), EventTrial(jolted)
    force_N, same_N = one.run().trace["force_N"], other.run().trace["force_N"]
    assert force_N.tobytes() == same_N.tobytes()
    sampled_us = one.desk.plan.sampled_us
    added_N = other.desk.readings[:, 0] - one.desk.readings[:, 0]
    after = sampled_us >= US_PER_S
    assert not added_N[~after].any()
    assert added_N[after].tolist() == pytest.approx((1.5 + 0.25 * force_N[sampled_us[after] // 10_000]).tolist())


def test_two_jumps_add_up() -> None:
    jumps = fault("jump", 1.0, gain=2.0, offset_N=1.0), fault("jump", 2.0, gain=3.0, offset_N=-4.0)
    plan = lay_desk(the_trial(ALL_AT_ONCE, *jumps)).plan
    places = {(float(gain), float(offset)) for gain, offset in zip(plan.gain, plan.offset_N, strict=True)}
    assert places == {(1.0, 0.0), (2.0, 1.0), (6.0, -3.0)}


# Electrode lift: a pad comes off in part.

WEAK = "[wearer.agonist.electrode]\ncompliance_V = 20.0"
"""A stimulator that can just drive 12.9 mA through pads that lie flat (1.1 kohm), and 8 mA through half of them."""


def test_a_pad_that_lifts_in_part_lets_the_evoked_force_fall_until_it_lies_flat_again() -> None:
    flat, _ = pushed(the_trial(ALL_AT_ONCE, CALM, WEAK, seconds=5.0))
    lift = fault("electrode-lift", 2.0, 1.0, channel="agonist", contact_share=0.55)
    lifted, _ = pushed(the_trial(ALL_AT_ONCE, CALM, WEAK, lift, seconds=5.0))
    assert trips(lifted) == []
    assert lifted.pulses["current_mA"].tobytes() == flat.pulses["current_mA"].tobytes(), "as many pulses leave the loop"
    shares = [
        lifted.trace["agonist_evoked_N"][between(lifted, *span)].mean()
        / flat.trace["agonist_evoked_N"][between(flat, *span)].mean()
        for span in ((1.5, 2.0), (2.5, 3.0), (4.0, 5.0))
    ]
    assert shares[0] == 1.0
    assert shares[1] < 0.5
    assert 0.98 < shares[2] < 1.1, "and a little fresher for the pause"


@pytest.mark.parametrize("contact_share", [0.0, 0.05, 0.4])
def test_a_pad_that_comes_off_trips_at_the_tick_after_the_first_pulse_that_meets_it(contact_share: float) -> None:
    """Ten times the impedance or none at all is out of range, two and a half times is a jump (R28)."""
    lift = fault("electrode-lift", 2.0, 1.0, channel="agonist", contact_share=contact_share)
    result, _ = pushed(the_trial(ALL_AT_ONCE, CALM, lift))
    assert trips(result)[0] == (2_020_000, "trip", "R28")
    assert result.pulses["t_us"].max() == 2_000_000
    evoked_N = result.trace["agonist_evoked_N"]
    assert evoked_N[between(result, 2.9, 3.0)].max() < 0.1 * evoked_N[between(result, 1.9, 2.0)].min()


@pytest.mark.parametrize("contact_share", [0.0, 0.05, 0.4])
def test_a_pad_pressed_back_can_be_re_armed(contact_share: float) -> None:
    """Only pulses measure a pad. What the last one measured is no word on it after a second of silence."""
    lift = fault("electrode-lift", 2.0, 1.0, channel="agonist", contact_share=contact_share)
    result, _ = pushed(the_trial(ALL_AT_ONCE, CALM, lift, fault("re-arm", 3.5, cause="R28"), seconds=5.0))
    assert trips(result)[1:] == [(3_500_000, "cleared", "R28"), (3_500_000, "armed", "")]
    assert result.trace["agonist_evoked_N"][-1] > 1.0


def test_a_pad_that_is_still_off_is_met_by_one_small_pulse_and_trips_again() -> None:
    lift = fault("electrode-lift", 2.0, 3.0, channel="agonist", contact_share=0.05)
    result, _ = pushed(the_trial(ALL_AT_ONCE, CALM, lift, fault("re-arm", 3.5, cause="R28"), seconds=5.0))
    assert trips(result)[-1] == (3_540_000, "trip", "R28"), "the law is asked one tick after arming"
    again = result.pulses["t_us"] > 2_020_000
    assert result.pulses["current_mA"][again].tolist() == [0.8]


class WidthThenNarrow(Rest):
    """A law that works through the width, and lets go from the widest pulse to the narrowest in one tick."""

    def decide(self, observation: Observation) -> Demand:
        """10 mA, 400 us wide; from 2.5 s on 50 us."""
        return Demand(Stimulus(10.0, 400.0 if observation.t_us < 2_500_000 else 50.0, 40.0), REST)


def test_a_change_of_width_is_no_change_of_contact() -> None:
    """The skin's capacitance makes the same pad look like 730 ohm to 50 us and 1604 ohm to 400 us."""
    trial = the_trial(CALM)
    result, _ = pushed(trial, WidthThenNarrow(trial.calibration))
    assert trips(result) == []
    assert set(result.pulses["width_us"][-10:].tolist()) == {50}


def test_a_pad_that_carries_no_pulses_may_lift_unnoticed() -> None:
    lift = fault("electrode-lift", 1.0, 1.0, channel="antagonist", contact_share=0.0)
    result, _ = pushed(the_trial(ALL_AT_ONCE, lift))
    calm, _ = pushed(the_trial(ALL_AT_ONCE))
    assert {name for name in columns_of(calm) if columns_of(calm)[name] != columns_of(result)[name]} == {"events"}


# Controller stall: the law gives no answer.


def test_a_law_that_stalls_for_a_moment_is_held_to_its_last_command() -> None:
    result, law = pushed(the_trial(ALL_AT_ONCE, CALM, fault("controller-stall", 2.0, 0.04)))
    calm, _ = pushed(the_trial(ALL_AT_ONCE, CALM))
    assert not {2_000_000, 2_020_000} & {seen.t_us for seen in law.seen}
    assert result.pulses["t_us"].tobytes() == calm.pulses["t_us"].tobytes()
    assert acted_us(result, R32) == []
    assert np.isnan(result.trace["agonist_demand_mA"][between(result, 2.0, 2.04)]).all()


def test_a_law_that_stalls_for_long_is_ramped_down_tripped_and_no_longer_asked() -> None:
    result, law = pushed(the_trial(ALL_AT_ONCE, CALM, fault("controller-stall", 2.0, 0.8)))
    # Its last answer came at 1.98 s: three periods later the ramp begins, after half a second it trips.
    assert acted_us(result, R32)[0] == 2_040_000
    assert trips(result) == [(2_480_000, "trip", "R32")]
    assert max(seen.t_us for seen in law.seen) == 1_980_000
    falling = result.pulses["current_mA"][result.pulses["t_us"] >= 2_020_000]
    assert (np.diff(falling) <= 0).all()
    assert falling[-1] < 0.2 * falling[0]
    assert result.pulses["t_us"].max() < 2_480_000


class SilentLoop(EventTrial):
    """A controller whose ticks end altogether at 2 s, the interlock's among them."""

    def _control(self, loop: Any) -> Iterator[Any]:  # type: ignore[override]
        for happening in super()._control(loop):
            if self.now_us >= 2 * US_PER_S:
                return
            yield happening


def test_a_command_expires_by_itself_when_the_ticks_end_altogether() -> None:
    trial = the_trial(ALL_AT_ONCE, CALM)
    _, law = pushed(trial)
    result = SilentLoop(trial, law=law).run()
    fired_us = result.pulses["t_us"]
    assert fired_us[-3:].tolist() == [2_000_000, 2_020_000, 2_040_000]
    admitted = result.trace["agonist_admitted_mA"]
    assert admitted[between(result, 2.0, 2.06)].min() > 10.0
    assert not admitted[between(result, 2.06, 3.1)].any(), "three control periods after the last tick"


def test_a_command_that_has_expired_is_not_brought_back_by_the_ramp(tmp_path: Path) -> None:
    """Limits under which a stalled law's command has run out (60 ms) long before the ramp of R32 begins (200 ms)."""
    shipped = (Path(profile.__file__).parent / "profiles" / "forearm-25cm2.toml").read_text("utf-8")
    slow = shipped.replace(
        "heartbeat_ramp_periods = { value = 3.0",
        'heartbeat_ramp_periods = { reason = "a law that stalls", value = 10.0',
    )
    assert slow != shipped
    slow = slow.replace('name = "forearm-25cm2"', 'name = "slow"\nbased_on = "forearm-25cm2"')
    (tmp_path / "slow.toml").write_text(slow, encoding="utf-8")
    stall = fault("controller-stall", 2.0, 2.0)
    result, _ = pushed(the_trial(CALM, '[limits]\nprofile = "slow.toml"', stall, base=tmp_path))
    assert trips(result) == [(2_480_000, "trip", "R32")]
    assert 2_000_000 <= result.pulses["t_us"].max() < 2_040_000


# Emergency stop and re-arming.

STOP = fault("emergency-stop", 2.0)


def test_an_emergency_stop_is_silent_from_its_instant_on_and_asks_the_law_no_more() -> None:
    result, law = pushed(the_trial(CALM, fault("emergency-stop", 2.003), seconds=4.0))
    assert 1_970_000 < result.pulses["t_us"].max() < 2_003_000
    assert trips(result) == [(2_003_000, "trip", "R33")]
    assert max(seen.t_us for seen in law.seen) < 2_003_000
    assert not result.trace["agonist_admitted_mA"][between(result, 2.003, 4.1)].any()
    assert set(result.trace["trip"][between(result, 2.003, 4.1)].tolist()) == {33}


@pytest.mark.parametrize("cause", ["R32", "R30", "R01", "R34"])
def test_a_wrong_cause_leaves_it_latched(cause: str) -> None:
    result, _ = pushed(the_trial(CALM, STOP, fault("re-arm", 2.5, cause=cause)))
    assert trips(result) == [(2_000_000, "trip", "R33")]
    assert result.pulses["t_us"].max() < 2_000_000


def test_the_right_cause_clears_it_and_the_current_starts_softly() -> None:
    wrong_then_right = fault("re-arm", 2.5, cause="R32"), fault("re-arm", 3.0, cause="R33")
    result, law = pushed(the_trial(CALM, STOP, *wrong_then_right, seconds=5.0))
    assert trips(result) == [(2_000_000, "trip", "R33"), (3_000_000, "cleared", "R33"), (3_000_000, "armed", "")]
    asked_us = [seen.t_us for seen in law.seen]
    assert [t_us for t_us in asked_us if 1_980_000 <= t_us <= 3_040_000] == [1_980_000, 3_020_000, 3_040_000]
    again = result.pulses["current_mA"][result.pulses["t_us"] >= 2_000_000]
    assert again[0] == 0.8
    rises = [later - earlier for earlier, later in pairwise(again.tolist())]
    assert max(rises) <= 0.8 + 1e-9, "at most two control ticks between pulses, 0.4 mA each"
    assert again[-1] == result.pulses["current_mA"][result.pulses["t_us"] < 2_000_000].max()


def test_a_stop_before_arming_keeps_the_loop_from_arming() -> None:
    result, _ = pushed(the_trial("[session]\narm_at_s = 1.0", fault("emergency-stop", 0.5)))
    assert events_of(result, "trip", "armed") == [(500_000, "trip", "R33")]
    assert result.pulses["t_us"].size == 0


def test_re_arming_where_nothing_has_latched_changes_nothing() -> None:
    result, _ = pushed(the_trial(fault("re-arm", 1.0, cause="R33")))
    calm, _ = pushed(the_trial())
    assert {name for name in columns_of(calm) if columns_of(calm)[name] != columns_of(result)[name]} == {"events"}


def test_re_arming_while_the_cause_is_still_there_is_refused_and_works_once_it_is_gone() -> None:
    tries = fault("re-arm", 4.0, cause="R30"), fault("re-arm", 6.0, cause="R30")
    result, _ = pushed(the_trial(ALL_AT_ONCE, CALM, fault("dropout", 2.0, 3.0), *tries, seconds=8.0))
    assert trips(result) == [(2_800_000, "trip", "R30"), (6_000_000, "cleared", "R30"), (6_000_000, "armed", "")]
    assert result.pulses["t_us"][result.pulses["t_us"] > 2_800_000].min() >= 6_000_000


def test_a_stop_during_another_trip_takes_its_place() -> None:
    """R33 wins over everything: it must be the stop that is named to re-arm."""
    tables = (
        fault("controller-stall", 1.0, 0.7),
        STOP,
        fault("re-arm", 2.2, cause="R32"),
        fault("re-arm", 2.4, cause="R33"),
    )
    result, _ = pushed(the_trial(CALM, *tables))
    assert [(kind, cause) for _, kind, cause in trips(result)] == [
        ("trip", "R32"), ("trip", "R33"), ("cleared", "R33"), ("armed", ""),
    ]  # fmt: skip


def test_nothing_leaves_before_the_operator_arms() -> None:
    result, _ = pushed(the_trial(CALM, "[session]\narm_at_s = 1.25"))
    assert events_of(result, "armed") == [(1_260_000, "armed", "")], "at the first tick from then on"
    assert result.pulses["t_us"].min() >= 1_260_000
    assert result.reason_ticks["R05"] == 63, "one for each tick before"


@pytest.mark.parametrize("condition", ["unassisted", "stimulation-only"])
def test_a_fault_named_for_other_conditions_does_not_happen(condition: str) -> None:
    only = STOP.replace("at_s", 'conditions = ["assisted"]\nat_s')
    text = only, fault("jump", 1.0, gain=2.0, offset_N=0.0)
    by_condition = {t.label.condition: t for t in planned(*text, conditions=f'"assisted", "{condition}"')}
    found = {
        name: [e["fault"] for e in run_trial(t).events if e["kind"] == "fault"] for name, t in by_condition.items()
    }
    assert found == {"assisted": ["jump", "emergency-stop"], condition: ["jump"]}


# Unbalanced pulses: the second phase falls short.


def uneven(at_s: float, for_s: float, missing_share: float, channel: str = "agonist") -> TrialResult:
    """A pushed trial with one stretch of unbalanced pulses."""
    uneven_pulses = fault("unbalanced-pulses", at_s, for_s, channel=channel, missing_share=missing_share)
    return pushed(the_trial(ALL_AT_ONCE, CALM, uneven_pulses))[0]


def test_a_second_phase_that_falls_a_little_short_stays_inside_two_percent() -> None:
    result = uneven(2.0, 0.5, 0.015)
    assert acted_us(result, R18) == []
    short = result.pulses["width_us"] - result.pulses["second_width_us"]
    during = (result.pulses["t_us"] >= 2_000_000) & (result.pulses["t_us"] < 2_500_000)
    assert short[during].min() > 0
    assert not short[~during].any()


def test_a_second_phase_that_falls_far_short_is_answered_with_silence_at_the_next_tick() -> None:
    result = uneven(2.0, 0.5, 0.4)
    acted = acted_us(result, R18)
    assert acted
    first = int(result.pulses["t_us"][result.pulses["second_width_us"] < result.pulses["width_us"]][0])
    assert first < acted[0] <= first + 2 * TICK_US
    assert result.decisions["agonist_net_pC"].max() > 0
    assert trips(result) == []


def test_pulses_that_break_off_half_way_trip_within_one_period() -> None:
    result = uneven(2.0, 0.5, 1.0)
    assert [(kind, cause) for _, kind, cause in trips(result)] == [("trip", "R19")]
    first = int(result.pulses["t_us"][result.pulses["second_width_us"] == 0][0])
    assert first < trips(result)[0][0] <= first + TICK_US
    assert int(result.pulses["t_us"].max()) == first
    event = next(event for event in result.events if event["kind"] == "trip")
    assert "the operator names R19" in str(event["needs"])


# The log of decisions.


def test_every_control_tick_and_every_stop_leaves_a_row_in_the_order_of_calls() -> None:
    result, _ = pushed(the_trial(ALL_AT_ONCE, CALM, fault("emergency-stop", 2.005)))
    log = result.decisions
    assert log["kind"].sum() == 1
    stopped = int(np.flatnonzero(log["kind"] == 1)[0])
    assert (log["t_us"][stopped], log["trip"][stopped], log["agonist_uA"][stopped]) == (2_005_000, 33, 0)
    ticks = log["t_us"][log["kind"] == 0]
    assert ticks.tolist() == list(range(0, result.duration_us + 1, TICK_US))
    assert (np.diff(log["t_us"]) >= 0).all()
    assert log["agonist_asked_uA"].max() > 0
    assert (log["agonist_uA"] <= log["agonist_asked_uA"]).all()
    assert len(set(log["limits_mark"].tolist())) == 1
