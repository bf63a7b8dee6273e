"""Exposure of a study: sums by hand and against a loop over pulses, bounds that hold, warnings where limits are met."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.safety.brute_judge import on_us, run_us
from tests.scenarios.texts import ON_FILE, SMALLEST, loaded
from tests.thenar.small_runs import SMALL, with_own_law
from thenar.engine.trial import plan_trials, wearers_in
from thenar.plant_models.settings import Wearer
from thenar.safety.limits import Limits
from thenar.scenarios.loader import LoadedScenario, load_scenario
from thenar.study.exposure import (
    NOTHING,
    AtMost,
    ChannelExposure,
    TrialExposure,
    at_most,
    channel_exposure,
    planned_trials,
    rehearsed,
    tired_at_starts,
    together,
)
from thenar.study.measured import measured
from thenar.study.sheet import Visit, running_sheet
from thenar.study.sheet_warnings import (
    Warned,
    limits_by_wearer,
    order_warnings,
    rehearsal_warnings,
    session_warnings,
    window_warning,
)

MS = 1_000
S = 1_000_000
BOTH = frozenset({"assisted", "stimulation-only"})
OWN_LAW = '''\
"""Pushes the same for ever."""

from thenar import Demand, Stimulus


class Steady:
    """A law that is no compiled step."""

    def __init__(self, settings, calibration):
        self.pulse = Stimulus(calibration.agonist.motor_mA, calibration.agonist.width_us, calibration.agonist.rate_Hz)

    def decide(self, observation):
        """The same push."""
        return Demand(self.pulse, Stimulus(0.0, 0.0, 0.0))
'''


def the_limits(text: str = SMALLEST + ON_FILE) -> Limits:
    """The limits of the first wearer of a scenario."""
    return plan_trials(loaded(text))[0].limits()


def study_of(study: str, duration_s: float = 4.0, top: str = "") -> LoadedScenario:
    """A study of two wearers in all three conditions."""
    text = SMALLEST.replace('["assisted"]', '["unassisted", "assisted", "stimulation-only"]' + f"\n{top}")
    text = text.replace("duration_s = 10.0", f"duration_s = {duration_s}")
    return loaded(f"{text}\n[population]\ncount = 2\n{ON_FILE}\n[study]\n{study}\n")


def sheet_of(study: LoadedScenario) -> list[Visit]:
    """Its running sheet."""
    wearers = wearers_in(study, study.scenario.seed)
    return running_sheet(study.scenario, [wearer.name for wearer in wearers], study.scenario.seed)


def test_pulses_add_up_by_hand() -> None:
    """On from 0 to 725 ms and from 2000 to 2225 ms, with the gap of 200 ms at the end of either run."""
    t_us = np.array([0, 25, 50, 250, 500, 525, 2000, 2025]) * MS
    phase_pC = np.array([1, 1, 1, 1, 4, 1, 1, 1]) * 1_000_000
    loop = the_limits().loop._replace(long_window_us=1 * S)
    assert (loop.on_gap_us, loop.rest_us) == (200 * MS, 1 * S)
    found = channel_exposure(t_us, phase_pC, loop, 0.25)
    assert found == ChannelExposure(8, 22_000_000, 4_000_000, 950 * MS, 525 * MS, 725 * MS, 0.25)
    assert found.mean_phase_pC == 11_000_000 / 8


def test_what_is_older_than_the_window_has_left_it_to_the_microsecond() -> None:
    """Window 1 s, ending 200 ms after a pulse: of the run from 0 to 300 ms the last one holds 300 - 150 - 1 us."""
    t_us = np.array([0, 100, 1100]) * MS
    loop = the_limits().loop._replace(long_window_us=1 * S)
    assert channel_exposure(t_us, np.full(3, 1), loop).window_on_us == 300 * MS
    t_us[2] = 950 * MS + 1
    loop = loop._replace(rest_us=850 * MS)
    assert channel_exposure(t_us, np.full(3, 1), loop).window_on_us == 350 * MS - 1


def test_no_pulse_is_no_exposure() -> None:
    nothing = np.zeros(0, dtype=np.int64)
    assert channel_exposure(nothing, nothing, the_limits().loop) == NOTHING
    assert together([]) == NOTHING
    assert NOTHING.mean_phase_pC == 0.0


@given(st.lists(st.sampled_from([1, 20, 150, 200, 201, 600, 999, 1000, 1500, 30_000]), min_size=1, max_size=80))
def test_on_times_are_those_that_the_rule_counts_pulse_by_pulse(gaps_ms: list[int]) -> None:
    loop = the_limits().loop
    times = np.cumsum(gaps_ms) * MS
    so_far = [times[: place + 1].tolist() for place in range(len(times))]
    longest_us = max(run_us(pulses, loop) for pulses in so_far)
    window_us = max(on_us(pulses, pulses[-1] + loop.on_gap_us, loop) for pulses in so_far)
    whole = loop._replace(long_window_us=10**12)
    found = channel_exposure(times, np.full(len(times), 1), loop)
    total_us = on_us(so_far[-1], so_far[-1][-1] + loop.on_gap_us, whole)
    assert (found.on_us, found.run_us, found.window_on_us) == (total_us, longest_us, window_us)


def test_the_most_that_limits_let_through_adds_up_by_hand() -> None:
    """Ceiling 20 mA x 400 us = 8 uC. 90 s: 30 s on per 60 s, so 60 s on; pulses 60 / 0.02 + 1 = 3001."""
    limits = the_limits()
    limits = limits._replace(agonist=limits.agonist._replace(ceiling_uA=20_000))
    assert at_most(limits, 90 * S)[0] == AtMost(8_000_000, 2 * 8_000_000 * 3001, 60 * S)
    assert at_most(limits, 30 * S)[0] == AtMost(8_000_000, 2 * 8_000_000 * (1500 + 1), 30 * S)
    assert at_most(limits, 0)[0] == AtMost(0, 0, 0)
    total = limits._replace(agonist=limits.agonist._replace(total_pC=5_000_000_000))
    assert at_most(total, 90 * S)[0].charge_pC == 5_000_000_000
    short_runs = limits._replace(agonist=limits.agonist._replace(run_us=2 * S))
    assert (
        at_most(short_runs, 30 * S)[0].on_us == 24_200 * MS
    )  # eleven runs of 2 s and the gap after each, a rest of 1 s


def test_without_calibration_nothing_can_leave() -> None:
    assert at_most(the_limits(SMALLEST), 60 * S) == (AtMost(0, 0, 0), AtMost(0, 0, 0))


def test_a_rehearsal_gives_what_the_same_trials_give_when_they_are_measured() -> None:
    study = study_of("practice_trials = 1", top="repeats = 2")
    visits = sheet_of(study)
    found = rehearsed(study, visits, study.scenario.seed, 2)
    assert len(found) == 2 * 2 * 3
    plan = plan_trials(study)
    rows = {plan[place].label.index: rows for place, rows in measured(plan, moving=False, jobs=2)}
    pulses = 0
    for visit in visits:
        for one in visit.trials:
            if not one.counted or one.condition not in BOTH:
                continue
            exposure = found[visit.wearer, one.position]
            for number, name in enumerate(("agonist", "antagonist")):
                side, theirs = exposure.side(number), rows[one.trial]
                assert side.pulses == sum(row.value(f"{name}_pulses") for row in theirs)
                charge_uC = sum(row.value(f"{name}_charge_both_phases_uC") for row in theirs)
                assert side.charge_pC == pytest.approx(1e6 * charge_uC, rel=1e-9)
                pulses += side.pulses
    assert pulses > 500


def test_practice_is_rehearsed_with_noise_of_its_own_and_counts_for_exposure() -> None:
    study = study_of("practice_trials = 1", top="repeats = 1")
    visits = sheet_of(study)
    planned = planned_trials(study, visits, study.scenario.seed)
    repeats = {(place[0], trial.label.condition, trial.label.repeat) for place, trial in planned.items()}
    assert repeats == {(wearer, condition, repeat) for wearer in (0, 1) for condition in BOTH for repeat in (0, 1)}
    found = rehearsed(study, visits, study.scenario.seed, 1)
    for visit in visits:
        both = [found[visit.wearer, one.position] for one in visit.trials if one.condition == "assisted"]
        assert len(both) == 2
        assert both[0].agonist != both[1].agonist


def test_even_a_law_that_pushes_hard_stays_below_what_the_limits_let_through() -> None:
    study = study_of("", duration_s=70.0).scenario
    text = 'gain_fraction_per_N = 1.0\nstart = "motor-threshold"\n'
    hard = loaded(SMALLEST.replace("duration_s = 10.0", "duration_s = 70.0").replace("level_N = 5.0", "level_N = 40.0")
                  .replace('["assisted"]', '["stimulation-only"]') + f"[law.settings]\n{text}" + ON_FILE)  # fmt: skip
    visits = sheet_of(hard)
    ((_, exposure),) = rehearsed(hard, visits, 1, 1).items()
    (trial,) = plan_trials(hard)
    top, _ = at_most(trial.limits(), study.duration_us)
    assert exposure.reason_ticks["R23"] > 0
    assert top.charge_pC / 10 < exposure.agonist.charge_pC <= top.charge_pC
    assert 0.9 * top.on_us < exposure.agonist.on_us <= top.on_us
    assert exposure.agonist.phase_pC <= top.phase_pC
    assert exposure.agonist.run_us <= trial.limits().agonist.run_us
    assert exposure.agonist.window_on_us <= trial.limits().agonist.on_us


def test_a_law_of_ones_own_is_rehearsed_too(tmp_path: Path) -> None:
    short = SMALL.replace("duration_s = 3.0", "duration_s = 1.0")
    study = load_scenario(with_own_law(tmp_path, OWN_LAW, "Steady", short + "\n[study]\n"), check_law=True)
    told: list[object] = []
    found = rehearsed(study, sheet_of(study), 5, 1, told.append)
    assert sorted(found) == sorted(told)
    assert len(found) == 2
    assert all(one.armed and one.agonist.pulses > 10 and one.antagonist.pulses == 0 for one in found.values())


def tired(agonist: float, antagonist: float = 0.0) -> TrialExposure:
    """A trial that leaves the muscles this tired."""
    return TrialExposure(NOTHING._replace(tired=agonist), NOTHING._replace(tired=antagonist), {}, 0, True)


def test_what_a_rest_does_not_give_back_is_carried_on_by_hand() -> None:
    """Time constant 127 s, trials 4 s, rests 60 s: 10 % at the end of each leaves 0.1 e^(-60/127), then adds up."""
    study = study_of('order = "as-listed"\nrest_between_conditions_s = 60.0')
    visit = sheet_of(study)[0]
    kept, over_trial = math.exp(-60 / 127), math.exp(-4 / 127)
    exposures = {(0, 2): tired(0.1), (0, 3): tired(0.1, 0.3)}
    assert tired_at_starts(visit, exposures, Wearer()) == pytest.approx([0.0, 0.0, 0.1 * kept])
    exposures = {(0, 1): tired(0.1, 0.2), (0, 2): tired(0.1)}
    last = max((0.1 * kept * over_trial + 0.1) * kept, 0.2 * kept * over_trial * kept)
    assert tired_at_starts(visit, exposures, Wearer()) == pytest.approx([0.0, 0.2 * kept, last])


def rules(found: list[Warned]) -> list[str]:
    """Which rules warn."""
    return [warning.rule for warning in found]


def test_a_visit_longer_than_a_session_is_warned_of_and_a_shorter_one_is_not() -> None:
    """From the first stimulated start to the last end: 4 + 1788 + 4 s, or 4 + 1792 + 4 s, against 1800 s."""
    for rest_s, warned in ((1788.0, []), (1792.0, ["R24"])):
        study = study_of(f'order = "as-listed"\nrest_between_conditions_s = {rest_s}')
        visits, limits = sheet_of(study), limits_by_wearer(plan_trials(study))
        found = session_warnings(visits, limits, BOTH)
        assert rules(found) == warned
        assert all(warning.wearers == tuple(visit.name for visit in visits) for warning in found)


def test_a_trial_as_long_as_a_session_is_told_as_such() -> None:
    study = study_of("", duration_s=1800.0, top="repeats = 1\n")
    (warning,) = session_warnings(sheet_of(study), limits_by_wearer(plan_trials(study)), BOTH)
    assert "one trial lasts as long as a session may (30 min)" in warning.words
    assert session_warnings(sheet_of(study), limits_by_wearer(plan_trials(study)), frozenset()) == []


def test_rests_within_the_window_of_on_time_are_warned_of() -> None:
    for rest_s, warned in ((60.0, []), (59.0, ["R23"])):
        study = study_of(f"rest_between_trials_s = {rest_s}", top="repeats = 2")
        assert rules(window_warning(sheet_of(study), limits_by_wearer(plan_trials(study)), BOTH)) == warned


def test_an_order_that_is_not_balanced_or_a_long_visit_is_warned_of() -> None:
    def warned(study: str) -> list[str]:
        made = study_of(study)
        return [warning.words for warning in order_warnings(made.scenario, sheet_of(made))]

    assert warned('order = "blocks"') == []
    assert "one order" in warned('order = "as-listed"')[0]
    assert "2 wearers over 6 sequences" in warned('order = "williams"')[0]
    # 900 s, three trials of 4 s, two rests of 300 s: 25.2 min.
    assert warned('order = "blocks"\nlongest_visit_min = 25.2') == []
    assert "up to 25 min" in warned('order = "blocks"\nlongest_visit_min = 25.1')[0]


def test_what_the_rehearsal_met_is_warned_of() -> None:
    study = study_of("")
    visits, limits = sheet_of(study), limits_by_wearer(plan_trials(study))
    wearers = list(wearers_in(study, study.scenario.seed))
    rested = {(0, 1): tired(0.0)}
    assert rehearsal_warnings(visits, limits, wearers, rested) == []
    met = {(0, 1): tired(0.0)._replace(reason_ticks={"R20": 5, "R23": 1}, trips=1, armed=False), (1, 1): tired(0.0)}
    found = rehearsal_warnings(visits, limits, wearers, met)
    assert rules(found) == ["R23", "trips", "arming"]
    assert {warning.wearers for warning in found} == {(visits[0].name,)}
    assert found[0].words == "met in 1 of 2 stimulated trials"
    much = {(1, 1): tired(0.0)._replace(antagonist=NOTHING._replace(charge_pC=10**12 + 1))}
    assert [(w.rule, w.wearers) for w in rehearsal_warnings(visits, limits, wearers, much)] == [
        ("R24", (visits[1].name,))
    ]


def test_too_short_a_rest_is_warned_of_with_the_rest_that_would_do() -> None:
    """0.2 e^(-300/127) = 1.88 % is missing: 127 ln(1.88) = 80 s more would leave 1 %. With 400 s 0.86 % is missing."""
    for rest_s, words in ((300.0, "up to 1.9 %"), (400.0, "")):
        study = study_of(f'order = "as-listed"\nrest_between_conditions_s = {rest_s}')
        visits, limits = sheet_of(study), limits_by_wearer(plan_trials(study))
        found = rehearsal_warnings(visits, limits, list(wearers_in(study, 1)), {(0, 2): tired(0.2)})
        assert bool(words) == bool(found)
        if found:
            assert found[0].rule == "rest"
            assert words in found[0].words
            assert "rests 80 s longer would leave at most 1 %" in found[0].words
