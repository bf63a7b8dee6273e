"""Recruitment from drawn people's staircases: recovery, what can't be told, and what is said of a spoiled recording."""

from __future__ import annotations

import math
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.thenar.fit_coverage import outside_90_to_99
from tests.thenar.made_staircases import (
    Plan,
    drawn_truth,
    recorded,
    recording_of,
    share_of,
    threshold_of,
    true_values,
)
from thenar.caution import SHORT
from thenar.fit.found import Fit, Parameter
from thenar.fit.recruitment import fit_recruitment
from thenar.fit.recruitment_findings import Findings, find
from thenar.fit.recruitment_steps import responses_of, steps_of
from thenar.plant_models.muscle import advanced, muscle_params, rested, struck
from thenar.plant_models.recruitment import recruitment_params
from thenar.plant_models.settings import Muscle, Recruitment

FULL = Plan()
ONE_WIDTH = Plan(widths_us=(200.0,))
NO_PLATEAU = Plan(last=1.6)
NEAR_WIDTHS = Plan(widths_us=(200.0, 400.0), steps=12)
Columns = dict[str, Any]


def session(seed: int, plan: Plan = FULL, rate_Hz: float = 100.0) -> tuple[Any, Columns]:
    """A drawn truth and the columns recorded with it."""
    random = np.random.default_rng(seed)
    truth = drawn_truth(random, rate_Hz)
    return truth, recorded(truth, plan, random)


def fitted(columns: Columns, channel: str = "agonist") -> Fit:
    """The fit of those columns."""
    return fit_recruitment(recording_of(columns), channel)


def parameter(fit: Fit, name: str) -> Parameter:
    """The parameter whose key ends in `name`."""
    return next(one for one in fit.parameters if one.key.endswith("." + name))


def coverage(plan: Plan, count: int, first: int) -> tuple[dict[str, int], dict[str, int], list[float]]:
    """By value: how often it was told and how often its interval held the truth; and log errors of half recruitment."""
    told: dict[str, int] = defaultdict(int)
    held: dict[str, int] = defaultdict(int)
    errors = []
    for seed in range(first, first + count):
        truth, columns = session(seed, plan)
        recording = recording_of(columns)
        found: Findings = find(steps_of(recording), responses_of(recording), seed)
        right = true_values(truth, found.staircase.reference_us)
        for name, one in found.values.items():
            told[name] += one.told
            held[name] += one.told and one.range.low <= right[name] <= one.range.high
        if found.values["half_mA"].told:
            errors.append(math.log(found.values["half_mA"].value / right["half_mA"]))
    print(f"\n{plan}, seeds from {first}")
    for name, times in told.items():
        print(f"  {name}: told {times} of {count}, held {held[name]} = {100.0 * held[name] / max(1, times):.0f} %")
    return told, held, errors


def simulated(fit: Fit, current_mA: float, width_us: float, channel: str = "agonist") -> float:
    """Recruited share of a wearer with the fitted table."""
    axons = Recruitment(**fit.table[channel]["recruitment"])
    return float(share_of(recruitment_params(axons), current_mA, width_us))


def true_share(truth: Any, current_mA: float, width_us: float) -> float:
    """Recruited share of the person who was recorded."""
    return float(share_of(recruitment_params(truth.axons), current_mA, width_us))


def test_intervals_of_ten_drawn_people_hold_most_truths_and_no_value_is_far_off() -> None:
    # 10 people, about 10 values each; 95 % intervals. The campaign below tells how often each value held.
    told, held, errors = coverage(FULL, 10, first=500)
    assert sum(told.values()) >= 90
    assert sum(held.values()) >= 0.85 * sum(told.values())
    assert max(abs(error) for error in errors) < 0.05


@pytest.mark.campaign
@pytest.mark.parametrize(
    "plan", [FULL, ONE_WIDTH, NO_PLATEAU, NEAR_WIDTHS], ids=["full", "one width", "no plateau", "two widths"]
)
def test_intervals_of_a_hundred_drawn_people_hold_the_truth_in_90_to_99_percent(plan: Plan) -> None:
    told, held, _ = coverage(plan, 100, first=1000)
    assert outside_90_to_99(told, held) == {}


def test_one_width_leaves_chronaxie_untold_names_another_width_and_still_gives_the_recorded_curve() -> None:
    truth, columns = session(4, ONE_WIDTH)
    fit = fitted(columns)
    chronaxie = parameter(fit, "chronaxie_us")
    assert not chronaxie.identifiable
    assert math.isnan(chronaxie.low)
    assert "second staircase at 400 us" in chronaxie.note or "second staircase at 100 us" in chronaxie.note
    assert fit.table["agonist"]["recruitment"]["chronaxie_us"] == Recruitment().chronaxie_us
    assert not parameter(fit, "rheobase_mA").identifiable
    assert "the file holds" in parameter(fit, "rheobase_mA").note
    assert parameter(fit, "median_over_motor").identifiable
    for current_mA in columns["current_mA"]:
        assert simulated(fit, current_mA, 200.0) == pytest.approx(true_share(truth, current_mA, 200.0), abs=0.06)


def test_without_responses_only_the_product_is_told_and_the_table_still_gives_the_recorded_curve() -> None:
    truth, columns = session(5, FULL._replace(responses=False))
    fit = fitted(columns)
    assert not parameter(fit, "rheobase_mA").identifiable
    assert not parameter(fit, "median_over_motor").identifiable
    assert "column response" in parameter(fit, "rheobase_mA").note
    held = fit.table["agonist"]["recruitment"]
    assert held["median_over_motor"] == Recruitment().median_over_motor
    right = truth.axons.rheobase_mA * truth.axons.median_over_motor
    assert held["rheobase_mA"] * held["median_over_motor"] == pytest.approx(right, rel=0.06)
    for pulse in zip(columns["current_mA"], columns["width_us"], strict=True):
        assert simulated(fit, *pulse) == pytest.approx(true_share(truth, *pulse), abs=0.05)


def test_responses_that_never_change_do_not_bracket_the_motor_threshold() -> None:
    _, columns = session(6)
    for answer, words in ((1.0, "every noted step had a response"), (0.0, "no noted step had a response")):
        fit = fitted(columns | {"response": np.full_like(columns["force_N"], answer)})
        assert not parameter(fit, "median_over_motor").identifiable
        assert words in parameter(fit, "median_over_motor").note


def test_a_plateau_that_was_never_reached_is_said_with_what_to_record_next() -> None:
    truth, columns = session(7, Plan(last=1.35))
    fit = fitted(columns)
    reach = parameter(fit, "reachable_N")
    assert not reach.identifiable
    assert "go on to a current at which the force stops growing" in reach.note
    assert "muscle" not in fit.table.get("agonist", {})
    assert truth.muscle.reachable_N > columns["force_N"].max()


def test_the_maximum_is_reachable_force_only_near_100_Hz() -> None:
    for rate_Hz, told in ((100.0, True), (90.0, True), (40.0, False), (0.0, False)):
        truth, columns = session(8)
        fit = fitted(columns | {"rate_Hz": np.full_like(columns["force_N"], rate_Hz)})
        assert parameter(fit, "reachable_N").identifiable == told
        assert any(one.name == "maximum evoked force" for one in fit.qualities)
    del columns["rate_Hz"]
    assert "column rate_Hz" in parameter(fitted(columns), "reachable_N").note
    truth, columns = session(8, rate_Hz=90.0)
    reach = parameter(fitted(columns), "reachable_N")
    assert reach.low <= truth.muscle.reachable_N <= reach.high


def test_an_antagonists_maximum_needs_its_lever() -> None:
    _, columns = session(9)
    fit = fitted(columns, "antagonist")
    assert "lever_ratio" in parameter(fit, "reachable_N").note
    assert set(fit.table) == {"antagonist"}
    assert "muscle" not in fit.table["antagonist"]


def test_a_staircase_of_width_tells_half_recruitment_at_the_middle_width() -> None:
    truth, _ = session(10)
    axons = recruitment_params(truth.axons)
    random = np.random.default_rng(10)
    widths_us = np.geomspace(60.0, 600.0, 20)
    columns: Columns = {"current_mA": [], "width_us": [], "force_N": [], "rate_Hz": []}
    for middle_us in (120.0, 250.0, 400.0):
        current_mA = threshold_of(axons, middle_us) * truth.axons.median_over_motor
        force_N = np.array([30.0 * share_of(axons, current_mA, width_us) for width_us in widths_us])
        columns["current_mA"] += [current_mA] * widths_us.size
        columns["width_us"] += list(widths_us)
        columns["force_N"] += list(force_N + 0.2 * random.standard_normal(widths_us.size))
    columns["rate_Hz"] = [100.0] * len(columns["force_N"])
    fit = fitted({name: np.array(values) for name, values in columns.items()})
    chronaxie = parameter(fit, "chronaxie_us")
    assert chronaxie.identifiable
    assert chronaxie.low <= truth.axons.chronaxie_us <= chronaxie.high
    assert fit.drawn["axis"] == "pulse width, us"


def test_steps_far_off_are_named_given_less_weight_and_hardly_move_the_curve() -> None:
    truth, columns = session(11)
    spoiled = columns["force_N"].copy()
    spoiled[[12, 30, 47]] = (0.2 * spoiled.max(), 1.6 * spoiled.max(), 1.5 * spoiled.max())
    fit = fitted(columns | {"force_N": spoiled})
    told = next(words for words in fit.warnings if "far off" in words)
    assert "31" in told
    right_mA = truth.axons.rheobase_mA * truth.axons.median_over_motor
    axons = fit.table["agonist"]["recruitment"]
    assert axons["rheobase_mA"] * axons["median_over_motor"] == pytest.approx(right_mA, rel=0.06)


def test_a_force_that_falls_along_the_recording_and_one_not_over_rest_are_told() -> None:
    _, columns = session(12)
    assert fitted(columns).warnings == ()
    mixed = np.random.default_rng(12).permutation(columns["force_N"].size)
    shuffled = {name: values[mixed] for name, values in columns.items()}
    tired = shuffled["force_N"] * np.linspace(1.0, 0.7, mixed.size)
    assert any("falls against the curve" in words for words in fitted(shuffled | {"force_N": tired}).warnings)
    lifted = columns["force_N"] + 0.1 * columns["force_N"].max()
    assert any("isn't over rest" in words for words in fitted(columns | {"force_N": lifted}).warnings)


def test_the_same_seed_gives_the_same_fit() -> None:
    _, columns = session(13)
    one, other = (fit_recruitment(recording_of(columns), seed=3) for _ in range(2))
    assert one.parameters[:5] == other.parameters[:5]
    assert one.table == other.table


def test_the_plateau_of_the_simulated_muscle_is_in_proportion_to_its_recruited_share() -> None:
    # What lets force stand for share: the fit of plateaus made pulse by pulse with the muscle's own steps.
    axons = recruitment_params(Recruitment())
    rested_params = muscle_params(Muscle(fatigue_share=0.0))
    currents_mA = np.linspace(8.0, 30.0, 14)
    forces_N = []
    for current_mA in currents_mA:
        state = rested(rested_params)
        for _ in range(80):
            state = struck(rested_params, state, share_of(axons, float(current_mA), 200.0))
            for _ in range(4):
                state, _ = advanced(rested_params, state, 2.5, math.exp(-0.5 * 2.5 * rested_params.per_tau_c))
        forces_N.append(state.force_N)
    columns = {"current_mA": currents_mA, "width_us": np.full(14, 200.0), "force_N": np.array(forces_N)}
    found = find(steps_of(recording_of(columns)), responses_of(recording_of(columns)), 0)
    assert found.values["half_mA"].value == pytest.approx(threshold_of(axons, 200.0) * 1.6, rel=2e-3)
    assert found.values["spread"].value == pytest.approx(Recruitment().spread, rel=5e-3)


def test_the_picture_carries_its_alt_text(tmp_path: Path) -> None:
    from thenar.report.fit_recruitment_picture import recruitment_picture

    for place, plan in enumerate((ONE_WIDTH._replace(responses=False),)):
        recording = recording_of(session(14, plan)[1])
        file = tmp_path / f"{place}.png"
        recruitment_picture(file, recording, fit_recruitment(recording))
        written = file.read_bytes()  # plain text in a PNG's tEXt chunk
        assert written.startswith(b"\x89PNG\r\n\x1a\n")
        assert b"Evoked force against current" in written
        assert b"not told by this recording" in written
        assert SHORT.encode("latin-1") in written
