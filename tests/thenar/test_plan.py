"""`thenar plan`: what it leaves and says, that its pool shares no noise, and that nothing half-done is ever left."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from tests.scenarios.texts import SCREENED
from tests.thenar.small_runs import SMALL, write_scenario
from tests.thenar.test_limit_deviations_in_outputs import LINE, PEAK, write_loosened
from tests.thenar.test_pictures import _png_texts
from thenar.caution import SHORT
from thenar.cli import main
from thenar.scenarios.loader import parse_scenario
from thenar.shared.errors import InputError
from thenar.study.power import (
    FEWEST,
    Draws,
    Effect,
    PairedTest,
    analytic_power,
    people_needed,
    people_needed_with_looks,
    power_curve,
    power_with_looks,
)
from thenar.study.power_looks import NEVER_Z, boundaries, look_people, spent
from thenar.study.power_plan import Question, planned
from thenar.study.power_pool import Measure, Pool, measure_called, pool_scenario, pool_trials, spread_of
from thenar.study.power_words import answer, sentences, wider_answer

ERROR_N = Measure("mean_abs_error_N", "N", "mean of |force - target|", -1)
FEW = ("--wearers", "20", "--trials", "1,2", "--simulations", "1000", "--jobs", "1")


def plan(file: Path, out: Path, *more: str) -> int:
    """`thenar plan` with few wearers, in this process."""
    return main(["plan", str(file), *FEW, "--out", str(out), *more])


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A scenario and the folder of a plan for a wanted effect, with looks."""
    folder = tmp_path_factory.mktemp("plan")
    file = write_scenario(folder)
    assert plan(file, folder / "out", "--effect", "-0.3", "--looks", "3") == 0
    return file, folder / "out"


def record_in(out: Path) -> Any:
    """The record of a plan."""
    return json.loads((out / "plan.json").read_text("utf-8"))


def rows_in(file: Path) -> list[dict[str, str]]:
    """The rows of a CSV file."""
    return list(csv.DictReader(file.read_text("utf-8").splitlines()))


def made_pool(seed: int, mean: float = -0.3, between: float = 0.4, within: float = 0.6, trials: int = 4) -> Pool:
    """A pool of 2,000 made wearers whose differences are normal, with a known mean and known parts of the spread."""
    rng = np.random.default_rng(seed)
    own = mean + between * rng.standard_normal((2_000, 1))
    return Pool(own + within * rng.standard_normal((2_000, trials)), np.zeros((2_000, trials)), 0, "made")


def made_question(**changed: Any) -> Question:
    """A question about a made pool."""
    loaded = parse_scenario(SMALL, "x.toml", Path())
    asked = Question(loaded, ERROR_N, "unassisted", None, 0.8, 0.05, 1, (1, 2, 4), (), 2_000, 1, 0.0, 3)
    return asked._replace(**changed)


def test_the_folder_holds_record_curves_pool_and_picture(finished: tuple[Path, Path]) -> None:
    _, out = finished
    assert sorted(path.name for path in out.iterdir()) == [
        "files.json", "plan.json", "plan.png", "pool.csv", "power.csv",
    ]  # fmt: skip
    record = record_in(out)
    assert record["effect_planned_for"] == record["wanted_effect"] == -0.3
    assert record["pool"]["wearers"] == 20
    assert [one["trials_per_condition"] for one in record["by_trials"]] == [1, 2]
    assert len(rows_in(out / "pool.csv")) == 20 * 2
    own = [
        row for row in rows_in(out / "power.csv") if (row["trials_per_condition"], row["spread_factor"]) == ("1", "1.0")
    ]
    chosen = next(row for row in own if int(row["people"]) == record["people"])
    assert float(chosen["power_low"]) >= 0.8
    assert all(float(row["power_low"]) < 0.8 for row in own if int(row["people"]) < record["people"])
    assert all(float(row["power"]) == int(row["found"]) / 1000 for row in own)


def test_the_picture_tells_the_answer_and_the_caution(finished: tuple[Path, Path]) -> None:
    _, out = finished
    told = _png_texts(out / "plan.png")
    assert told["Disclaimer"] == SHORT
    assert f"For a power of 80.0 %: {record_in(out)['people']} people" in told["Description"]


def test_the_words_carry_interval_number_of_wearers_what_if_and_caveat(
    finished: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, _ = finished
    assert plan(file, tmp_path / "out", "--effect", "-0.3", "--people", "5,9") == 0
    told = " ".join(capsys.readouterr().out.split())
    for words in (
        "95 % interval",
        "20 other simulated wearers",
        "If people differ 1.5 times as much as simulated",
        "shifted so that their mean is the wanted -0.3 N",
        "Simulated wearers are assumptions",
        "A pilot with real people decides",
        SHORT,
    ):
        assert words in told
    for one in record_in(tmp_path / "out")["sentences"]:
        assert ("95 %" in one and "simulated wearers" in one) or "no study of up to" in one


def test_json_is_the_record_and_a_second_plan_the_same(
    finished: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, out = finished
    assert plan(file, tmp_path / "again", "--effect", "-0.3", "--looks", "3", "--json", "--jobs", "2") == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed.pop("folder") == str(tmp_path / "again")
    assert printed == record_in(out)
    for name in ("plan.json", "power.csv", "pool.csv"):
        assert (tmp_path / "again" / name).read_bytes() == (out / name).read_bytes()


def test_loosened_limits_are_owned_up_to_everywhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert plan(write_loosened(tmp_path), tmp_path / "out", "--effect", "-0.5") == 0
    assert f"deviates from forearm-25cm2: {LINE}" in capsys.readouterr().out
    assert record_in(tmp_path / "out")["limits"]["deviations"] == [PEAK]
    assert "agonist.peak_mA=45" in (tmp_path / "out" / "power.csv").read_text("utf-8").splitlines()[1]
    assert LINE in _png_texts(tmp_path / "out" / "plan.png")["Description"]


def test_alpha_and_measure_come_from_the_study_whose_rules_for_people_are_not_applied(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = SMALL + '\n[study]\nalpha = 0.2\nprimary = "rms_error_N"\nexclude = { trips_over = 3 }\n'
    assert plan(write_scenario(tmp_path, text), tmp_path / "out", "--effect", "-0.4") == 0
    record = record_in(tmp_path / "out")
    assert (record["alpha"], record["measure"]["name"]) == (0.2, "rms_error_N")
    assert "rules that exclude people aren't applied" in capsys.readouterr().out


def refused(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, *more: str) -> str:
    """What is printed of a plan that bad input stops; nothing may be left of it."""
    file = write_scenario(tmp_path, text)
    assert plan(file, tmp_path / "out", *more) == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == [file.name]
    return capsys.readouterr().err


def test_bad_input_is_told_and_leaves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "nearest known name: mean_abs_error_N" in refused(tmp_path, capsys, SMALL, "--measure", "mean_abs_eror_N")
    assert "the same difference in all 20 simulated wearers" in refused(
        tmp_path, capsys, SMALL, "--measure", "trips_per_min"
    )
    unassisted = SMALL.replace('["unassisted", "assisted"]', '["unassisted"]')
    assert "assisted among them" in refused(tmp_path, capsys, unassisted)
    short = SMALL.replace("duration_s = 3.0", "duration_s = 0.8")
    assert "0 of 20 simulated wearers have a number" in refused(tmp_path, capsys, short, "--measure", "cv_percent")
    assert "refuses to arm" in refused(tmp_path, capsys, SMALL.replace(SCREENED, ""))


def test_a_folder_that_is_taken_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "note.txt").write_text("mine", "utf-8")
    assert plan(write_scenario(tmp_path), tmp_path / "out") == 2
    assert (tmp_path / "out" / "note.txt").read_text("utf-8") == "mine"
    assert str(tmp_path / "out") in capsys.readouterr().err


@pytest.mark.parametrize(
    "typed",
    [
        ("--effect", "0"), ("--effect", "nan"), ("--power", "1"), ("--people", "2"), ("--people", "5,x"),
        ("--trials", "0"), ("--looks", "11"), ("--dropout", "0.7"), ("--wearers", "19"), ("--simulations", "10"),
        ("--baseline", "assisted"),
    ],
)  # fmt: skip
def test_values_out_of_range_are_refused_when_typed(typed: tuple[str, str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["plan", "key-pinch-ladder", *typed])
    assert caught.value.code == 2
    assert typed[0] in capsys.readouterr().err


def test_trials_of_two_conditions_share_no_noise() -> None:
    """Noise follows the repeat: no repeat may stand in both conditions, or pairs would differ too little."""
    drawn, _ = pool_scenario(parse_scenario(SMALL, "x.toml", Path()), "unassisted", 20, 3)
    repeats: dict[str, set[int]] = {"assisted": set(), "unassisted": set()}
    trials = list(pool_trials(drawn, 5))
    for trial in trials:
        repeats[trial.label.condition].add(trial.label.repeat)
    assert len(trials) == 20 * 3 * 2
    assert repeats == {"assisted": {0, 1, 2}, "unassisted": {3, 4, 5}}


@given(arrays(np.float64, (7, 5), elements=st.floats(-9, 9)), st.integers(1, 5))
def test_averaged_trials_keep_the_mean_and_use_each_trial_equally(assisted: Any, trials: int) -> None:
    pool = Pool(assisted, np.ones((7, 5)), 0, "")
    differences = pool.differences(trials)
    assert differences.shape == (7, 1 if trials == 5 else 5)
    assert differences.mean(axis=1) == pytest.approx((assisted - 1.0).mean(axis=1), abs=1e-9)


def test_the_spread_is_taken_apart_and_more_trials_shrink_only_the_part_within() -> None:
    pool = made_pool(8)
    found = spread_of(pool)
    assert (found.between_wearers, found.within_wearer) == pytest.approx((0.4, 0.6), rel=0.05)
    for trials in (1, 2, 4):
        expected = (0.4**2 + 0.6**2 / trials) ** 0.5
        assert pool.differences(trials).std() == pytest.approx(expected, rel=0.03)


def test_more_people_leave_the_studies_of_fewer_as_they_are() -> None:
    draws = Draws(np.random.default_rng(1).standard_normal(500), 3_000, 9, 0.1)
    short, long = (power_curve(draws, Effect(0.5), 0.05, largest) for largest in (12, 40))
    assert long[: len(short)] == short


def test_counts_are_those_of_scipys_paired_test_on_the_same_draws() -> None:
    values = np.random.default_rng(4).gamma(2.0, size=300)
    draws = Draws(values - values.mean(), 800, 6)
    who = np.random.default_rng([6, 0, 1]).random((9, 800))
    drawn = draws.values[(who * 300).astype(int)] * 1.5 + 0.7
    p, t = stats.ttest_1samp(drawn, 0.0).pvalue, stats.ttest_1samp(drawn, 0.0).statistic
    one = power_curve(draws, Effect(0.7, 1.5), 0.05, 9)[-1]
    assert (one.found, one.wrong_way) == (((p < 0.05) & (t > 0)).sum(), ((p < 0.05) & (t < 0)).sum())


def test_lost_people_a_wider_spread_and_a_smaller_effect_each_ask_for_more_people() -> None:
    draws = Draws(np.random.default_rng(2).standard_normal(4_000), 4_000, 9)
    draws = draws._replace(values=draws.values - draws.values.mean())
    base = people_needed(draws, Effect(0.6), 0.05, 0.8).by_lower_end
    worse = [
        people_needed(draws._replace(dropout=0.3), Effect(0.6), 0.05, 0.8).by_lower_end,
        people_needed(draws, Effect(0.6, 1.5), 0.05, 0.8).by_lower_end,
        people_needed(draws, Effect(-0.4), 0.05, 0.8).by_lower_end,
        people_needed(draws, Effect(0.6), 0.01, 0.8).by_lower_end,
    ]
    assert base is not None
    for one in worse:
        assert one is not None
        assert one.people > 1.2 * base.people


def test_one_look_is_the_plain_test_and_looks_save_people() -> None:
    values = np.random.default_rng(3).standard_normal(4_000)
    draws = Draws(values - values.mean(), 4_000, 9)
    plain = power_curve(draws, Effect(0.5), 0.05, 40)[-1]
    assert power_with_looks(draws, Effect(0.5), PairedTest(0.05, 1), 40) == plain
    looks = people_needed_with_looks(draws, Effect(0.5), PairedTest(0.05, 4), 0.8, 35)
    assert looks is not None
    assert looks.interval[0] >= 0.8
    assert looks.expected_people < 0.9 * looks.people


@given(st.integers(FEWEST, 300), st.integers(1, 10))
def test_looks_come_in_order_and_the_last_at_the_end(people: int, looks: int) -> None:
    at = look_people(people, looks)
    assert list(at) == sorted(set(at))
    assert at[-1] == people
    assert at[0] >= FEWEST
    assert len(at) <= looks
    shares = tuple(n / people for n in at)
    assert spent(0.05, shares)[-1] == pytest.approx(0.05)


def test_a_look_that_may_spend_nothing_stops_nothing() -> None:
    assert boundaries(0.001, (0.1, 1.0))[0] == NEVER_Z


def test_a_plan_for_the_simulated_effect_says_so_and_finds_the_analytic_people() -> None:
    pool = made_pool(8)
    found = planned(made_question(simulations=10_000), pool)
    assert found.chosen is not None
    d = pool.mean_difference / pool.differences(1).std()
    analytic = next(n for n in range(FEWEST, 200) if analytic_power(n, d, 0.05) >= 0.8)
    # The lower end of the interval asks for a few people more than the share itself.
    assert analytic - 1 <= found.chosen.people <= analytic + 4
    low, high = found.own.interval
    assert low <= found.chosen.people <= high
    assert "The effect is the simulated one" in sentences(found)[2]
    assert "lower (better) assisted than unassisted" in answer(found)
    by_trials = [one.as_simulated.by_lower_end for one in found.by_trials]
    assert [one.people for one in by_trials if one is not None] == sorted(
        (one.people for one in by_trials if one is not None), reverse=True
    )


def test_harm_is_called_worse_and_an_effect_too_small_gets_no_number() -> None:
    assert "higher (WORSE)" in answer(planned(made_question(effect=0.4), made_pool(8)))
    tiny = planned(made_question(effect=-0.01, also_trials=(1,), simulations=500, looks=3), made_pool(8))
    assert tiny.chosen is None
    assert tiny.looks is None
    assert answer(tiny).startswith("No study of up to 1000 people reaches a power of 80.0 %")
    assert "no study of up to 1000 people" in wider_answer(tiny)


def test_skewed_differences_that_raise_more_false_alarms_are_owned_up_to() -> None:
    skewed = np.random.default_rng(7).exponential(size=(400, 1)) ** 2
    pool = Pool(-skewed, np.zeros((400, 1)), 0, "made")
    found = planned(made_question(effect=-4.0, also_trials=(1,)), pool)
    assert any("MORE THAN ALPHA" in one for one in sentences(found))
    normal = planned(made_question(also_trials=(1,)), made_pool(8))
    assert not any("MORE THAN ALPHA" in one for one in sentences(normal))


def test_every_measure_of_the_tables_can_be_planned_for() -> None:
    assert measure_called("in_band_percent", "x").better == 1
    assert measure_called("settling_s", "x").unit == "s"
    with pytest.raises(InputError, match="agonist_pulses"):
        measure_called("", "x")
