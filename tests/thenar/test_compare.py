"""`thenar compare`: which persons are compared, what the sentences may say, and what is left behind."""

from __future__ import annotations

import csv
import hashlib
import json
import math
import shutil
from collections.abc import Callable
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import thenar.cli.compare
from tests.folders import resealed
from tests.thenar.small_runs import SMALL, write_scenario
from thenar.cli import main
from thenar.report.compare_picture import looks_of
from thenar.run import run_scenario
from thenar.scenarios.loader import load_scenario
from thenar.study.compare import DECISION, Question, Result, compared
from thenar.study.compare_paired import LEAST_WEARERS, Ends, paired
from thenar.study.compare_rows import OVERALL, Row, means_of
from thenar.study.compare_words import digits_for, doubts, interval_words, sentence

HANDS = SMALL[: SMALL.index("[[wearers]]")] + "[population]\ncount = 6\n\n" + SMALL[SMALL.index("[target]") :]
Edit = Callable[[str], str]


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six drawn engravers, two conditions, two rungs: a finished run folder."""
    top = tmp_path_factory.mktemp("compare")
    run_scenario(load_scenario(write_scenario(top, HANDS)), top / "run")
    return top / "run"


def _copy(
    run: Path, to: Path, scenario: Edit = lambda text: text, table: Edit = lambda text: text, seed: int = 5
) -> Path:
    """The run folder again, as if its scenario, its trials or its seed had been others."""
    shutil.copytree(run, to)
    manifest = json.loads((to / "manifest.json").read_text())
    text = scenario(manifest["scenario"]["text"])
    stated = {"text": text, "sha256": hashlib.sha256(text.encode()).hexdigest()}
    (to / "trials.csv").write_text(table((to / "trials.csv").read_text()))
    return resealed(to, {"scenario": manifest["scenario"] | stated, "seed": seed})


def _each(change: Callable[[dict[str, str]], None]) -> Edit:
    def edited(text: str) -> str:
        lines = list(csv.DictReader(text.splitlines()))
        for line in lines:
            change(line)
        return "\n".join([",".join(lines[0]), *(",".join(line.values()) for line in lines)]) + "\n"

    return edited


def _json(capsys: pytest.CaptureFixture[str], *arguments: object) -> dict:
    assert main(["compare", *map(str, arguments), "--json"]) == 0
    found: dict = json.loads(capsys.readouterr().out)
    return found


def test_the_folder_holds_tables_record_and_pictures_that_agree(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = _json(capsys, run, "--out", tmp_path / "out")
    assert sorted(file.name for file in (tmp_path / "out").iterdir()) == [
        "comparison.csv", "comparison.json", "difference-mean_abs_error_N.png", "files.json",
            "paired-mean_abs_error_N.png",
        "wearers.csv",
    ]  # fmt: skip
    assert json.loads((tmp_path / "out" / "comparison.json").read_text()) == record
    with (tmp_path / "out" / "comparison.csv").open() as handle:
        lines = list(csv.DictReader(handle))
    assert [line["target"] for line in lines] == ["4 N", "7 N", OVERALL]
    assert [line["family"] for line in lines] == ["detail", "detail", "decision"]
    assert float(lines[2]["difference"]) == record["comparisons"][2]["difference"]
    with (tmp_path / "out" / "wearers.csv").open() as handle:
        wearers = [line for line in csv.DictReader(handle) if line["target"] == OVERALL]
    means = {c: np.mean([float(w["mean"]) for w in wearers if w["condition"] == c]) for c in ("assisted", "unassisted")}
    assert means["assisted"] - means["unassisted"] == pytest.approx(float(lines[2]["difference"]))
    for line in lines:
        assert f"{line['wearers']} wearers" in line["sentence"]
        assert "95 % interval" in line["sentence"]


def test_the_pictures_say_in_words_what_they_show(run: Path, tmp_path: Path) -> None:
    assert main(["compare", str(run), "--out", str(tmp_path / "out")]) == 0
    # Alt text lies in the PNG as plain Latin-1 (PNG specification, section 11.3.3).
    told = (tmp_path / "out" / "paired-mean_abs_error_N.png").read_bytes()
    assert b"4 N: mean over 6 wearers: unassisted" in told
    told = (tmp_path / "out" / "difference-mean_abs_error_N.png").read_bytes()
    assert b"assisted minus unassisted, all targets: " in told
    assert b"left of zero is better" in told
    assert matplotlib.image.imread(tmp_path / "out" / "paired-mean_abs_error_N.png").std() > 0.05
    conditions = ["unassisted", "assisted", "stimulation-only", "assisted (a)", "assisted (b)", "assisted (c)"]
    assert len({marker for _, marker in looks_of(conditions)}) == len(conditions), "told apart without colour"


def test_a_comparison_that_breaks_off_leaves_nothing(
    run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(thenar.cli.compare, "forest_picture", broken)
    assert main(["compare", str(run), "--out", str(tmp_path / "out")]) == 74
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "file").write_text("mine")
    assert main(["compare", str(run), "--out", str(tmp_path / "taken")]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_the_study_of_the_scenario_is_applied_and_the_excluded_are_named(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = '\n[study]\nprimary = "rms_error_N"\nmeasures = ["in_band_percent"]\nalpha = 0.1\n'
    study += "exclude = { trips_over = 2 }\n"

    def tripping(line: dict[str, str]) -> None:
        if line["wearer_name"] == "wearer 4":
            line["trips"] = "1"

    folder = _copy(run, tmp_path / "study", lambda text: text + study, _each(tripping))
    record = _json(capsys, folder)
    assert record["question"]["measures"] == ["rms_error_N", "in_band_percent"]
    assert record["question"]["alpha"] == 0.1
    assert record["comparisons"][0]["interval_level"] == 0.9
    assert [one["person"] for one in record["excluded"]] == ["wearer 4"]
    assert "trips_over = 2: 4 latched trips" in record["excluded"][0]["why"]
    assert len(record["wearers"]) == 5
    assert main(["compare", str(folder), "--measure", "cv_percent"]) == 0
    out = capsys.readouterr().out
    assert "EXCLUDED by the study's rules: wearer 4" in out
    assert "was to be decided by rms_error_N" in out


def test_limits_looser_than_shipped_are_owned_up_to(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = _copy(run, tmp_path / "loose")
    manifest = json.loads((folder / "manifest.json").read_text())
    loose = {"key": "agonist.peak_mA", "rule": "R01", "default": 30.0, "value": 45.0, "unit": "mA", "reason": "a trial"}
    resealed(folder, {"limits": manifest["limits"] | {"based_on": "forearm-25cm2", "deviations": [loose]}})
    assert main(["compare", str(folder), "--out", str(tmp_path / "out")]) == 0
    assert "limits deviate from forearm-25cm2: agonist.peak_mA" in " ".join(capsys.readouterr().out.split())
    for picture in (tmp_path / "out").glob("*.png"):
        assert b"Limits deviate from forearm-25cm2: agonist.peak_mA" in picture.read_bytes()


def test_too_few_wearers_and_unknown_names_are_refused(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def nobody(text: str) -> str:
        return "\n".join(line for line in text.splitlines() if ",wearer 5," not in line and ",wearer 6," not in line)

    few = _copy(run, tmp_path / "few", table=nobody)
    manifest = json.loads((few / "manifest.json").read_text())
    resealed(few, {"trials": [trial for trial in manifest["trials"] if trial["wearer"] < 4]})
    for arguments, words in (
        ([few], ["4 wearers", f"at least {LEAST_WEARERS}"]),
        ([run, "--measure", "mean_abs_eror_N"], ["nearest known name: mean_abs_error_N"]),
        ([run, "--baseline", "unasisted"], ["nearest known name: unassisted"]),
        ([tmp_path / "none"], ["no such folder"]),
        ([run, run], ["the same trials as"]),
    ):
        assert main(["compare", *map(str, arguments), "--out", str(tmp_path / "out")]) == 2
        told = capsys.readouterr().err
        assert all(word in told for word in words), told
        assert not (tmp_path / "out").exists()


def test_a_damaged_table_is_refused_in_words(run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for number, edit in enumerate((lambda _: "", lambda text: text.replace("wearer_name", "name"), lambda t: t[:900])):
        folder = _copy(run, tmp_path / str(number), table=edit)
        assert main(["compare", str(folder)]) == 2
        assert "trials.csv" in capsys.readouterr().err
    bent = _copy(run, tmp_path / "bent", table=_each(lambda line: line.update(mean_abs_error_N="much")))
    assert main(["compare", str(bent)]) == 2
    assert "much" in capsys.readouterr().err


def test_two_laws_on_the_same_persons_are_compared_within_them(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def worse(line: dict[str, str]) -> None:
        if line["condition"] == "assisted":
            line["mean_abs_error_N"] = repr(float(line["mean_abs_error_N"]) + 0.5 + 0.01 * int(line["wearer"]))

    other = _copy(
        run, tmp_path / "gentle", lambda text: text.replace('name = "proportional"', 'name = "integral"'), _each(worse)
    )
    record = _json(capsys, run, other)
    assert record["conditions"] == ["unassisted", "assisted (run)", "assisted (gentle)"]
    assert len(record["wearers"]) == 6
    assert "the same to the last digit in each, and taken once: unassisted" in record["notes"][0]
    (pair,) = [
        one for one in record["comparisons"]
        if (one["condition"], one["target"]) == ("assisted (gentle)", OVERALL) and one["against"] == "assisted (run)"
    ]  # fmt: skip
    assert pair["difference"] == pytest.approx(0.525)
    assert pair["difference_shown"]


def test_other_seeds_are_other_persons_and_must_have_been_treated_alike(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = _copy(run, tmp_path / "second", seed=6)
    record = _json(capsys, run, other)
    assert len(record["wearers"]) == 12
    assert "count as different persons" in record["notes"][0]
    law = lambda text: text.replace('name = "proportional"', 'name = "integral"')  # noqa: E731
    changed = _copy(run, tmp_path / "third", law, seed=7)
    assert main(["compare", str(run), str(changed)]) == 2
    assert "another law" in capsys.readouterr().err


def _rows(one: list[float], other: list[float], measure: str = "mean_abs_error_N") -> list[Row]:
    return [
        Row(f"engraver {number}", condition, "6 N", 6.0, 0, {measure: value})
        for condition, values in (("unassisted", other), ("assisted", one))
        for number, value in enumerate(values)
    ]


def _only(one: list[float], other: list[float], measure: str = "mean_abs_error_N") -> Result:
    (result,) = compared(_rows(one, other, measure), Question((measure,), resamples=999)).results
    return result


def test_equal_numbers_show_no_difference() -> None:
    result = _only([1.0, 2.0, 1.5, 1.2, 0.9], [1.0, 2.0, 1.5, 1.2, 0.9])
    assert sentence(result, 0.05).startswith("No difference shown: the mean absolute error at 6 N was the same")
    assert "5 wearers; 0 better, 0 worse, 5 the same" in sentence(result, 0.05)


def test_the_same_difference_in_everyone_has_no_t_test() -> None:
    result = _only([1.1, 2.1, 1.6, 1.3, 1.0], [1.0, 2.0, 1.5, 1.2, 0.9])
    assert math.isnan(result.found.p_t)
    assert not result.shown(0.05)
    assert "no spread, so no interval and no t test" in sentence(result, 0.05)


def test_a_sentence_says_what_a_person_would_write() -> None:
    other = [2.0, 2.2, 1.9, 2.4, 2.1, 1.8, 2.0, 2.3]
    result = _only([value - 0.4 - 0.05 * (number % 4) for number, value in enumerate(other)], other)
    assert sentence(result, 0.05) == (
        "With assistance the mean absolute error at 6 N was 0.475 N smaller than without assistance (95 % interval "
        "0.425 to 0.525 N smaller, 8 wearers; 8 better, 0 worse); p < 0.0001."
    )
    band = _only([40.0, 45.0, 52.0, 61.0, 48.0], [30.0, 39.0, 41.0, 44.0, 46.0], "in_band_percent")
    assert "5 better, 0 worse" in sentence(band, 0.05)
    assert "percentage points larger" in sentence(band, 0.05)
    charge = _only([40.0, 45.0, 52.0, 61.0, 48.0], [30.0, 39.0, 41.0, 44.0, 46.0], "agonist_charge_both_phases_uC")
    assert "better" not in sentence(charge, 0.05)


NUMBERS = st.lists(st.floats(0.0, 50.0), min_size=LEAST_WEARERS, max_size=14)


@given(NUMBERS, st.integers(0, 2**31), st.sampled_from([0.01, 0.05, 0.2]))
@settings(max_examples=60, deadline=None)
def test_no_sentence_claims_more_than_its_interval(one: list[float], seed: int, alpha: float) -> None:
    other = np.random.default_rng(seed).normal(np.mean(one), 1.0 + np.std(one), len(one)).tolist()
    (result,) = compared(_rows(one, other), Question(("mean_abs_error_N",), alpha=alpha, resamples=0)).results
    said, found = sentence(result, alpha), result.found
    assert result.family == DECISION
    claims = not said.startswith("No difference shown") and "no t test" not in said
    assert claims == (not found.interval.low <= 0.0 <= found.interval.high and found.p_t <= alpha)
    assert f"{len(one)} wearers" in said
    assert found.smaller + found.larger + found.same == len(one)
    if claims:
        assert ("smaller than" in said) == (found.difference < 0)
        assert " 0.0 " not in interval_words(found.interval, digits_for(found.interval, found.difference), " N")


def test_an_end_that_is_not_zero_is_not_written_as_zero() -> None:
    for low, high in ((0.00012, 3.0), (-5.0, -0.004), (0.0499, 1.0)):
        digits = digits_for(Ends(low, high), (low + high) / 2)
        assert all(float(f"{end:.{digits}f}") != 0 for end in (low, high))


def test_what_speaks_against_the_t_test_is_told() -> None:
    other = [2.0] * 12
    far = [1.9, 1.8, 1.85, 1.95, 1.7, 1.9, 1.8, 1.75, 1.88, 1.82, 1.9, 9.0]
    result = _only(far, other)
    told = "; ".join(doubts(result, 0.05))
    assert not result.shown(0.05)
    assert "engraver 11" in told
    assert "don't look normal" in told
    assert "the rank test shows a difference" in told


def test_a_wearer_without_a_number_is_left_out_of_that_pair_only() -> None:
    rows = _rows([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [1.5, 2.4, 3.7, 4.2, 5.9, 7.0])
    rows[0] = rows[0]._replace(values={"mean_abs_error_N": math.nan})
    assert compared(rows, Question(("mean_abs_error_N",), resamples=0)).results[0].found.n == 5
    rows[1] = rows[1]._replace(values={"mean_abs_error_N": math.nan})
    (few,) = compared(rows, Question(("mean_abs_error_N",), resamples=0)).results
    assert "4 wearers have it in both, fewer than 5" in sentence(few, 0.05)


def test_repeats_count_once_and_targets_weigh_alike() -> None:
    rows = [Row("a", "assisted", "3 N", 3.0, trial, {"y": value}) for trial, value in enumerate((1.0, 3.0, math.nan))]
    rows.append(Row("a", "assisted", "6 N", 6.0, 0, {"y": 5.0}))
    means = means_of(rows, "y", ["assisted"])
    assert means.targets == ("3 N", "6 N", OVERALL)
    assert means.numbers[0, 0].tolist() == [2.0, 5.0, 3.5]


@given(st.integers(0, 2**31))
@settings(max_examples=20, deadline=None)
def test_turning_the_pair_round_turns_every_number_round(seed: int) -> None:
    draw = np.random.default_rng(seed)
    one, other = draw.normal(size=9), draw.normal(size=9)
    there, back = (paired(*pair, level=0.95, seed=1, resamples=0) for pair in ((one, other), (other, one)))
    assert there.interval == pytest.approx((-back.interval.high, -back.interval.low))
    assert there.d_z_interval == pytest.approx((-back.d_z_interval.high, -back.d_z_interval.low), abs=1e-6)
    assert (there.p_t, there.p_wilcoxon, there.g_av) == pytest.approx((back.p_t, back.p_wilcoxon, -back.g_av))
    assert (there.smaller, there.larger) == (back.larger, back.smaller)


def test_the_bootstrap_follows_its_seed() -> None:
    draw = np.random.default_rng(4)
    one, other = draw.normal(size=12), draw.normal(size=12)
    first, again, else_ = (paired(one, other, level=0.95, seed=seed, resamples=999) for seed in (1, 1, 2))
    assert (first.bootstrap, first.g_av_interval) == (again.bootstrap, again.g_av_interval)
    assert first.bootstrap != else_.bootstrap
