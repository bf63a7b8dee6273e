"""Nothing leaves before screening and calibration are on file: planned, run, told and recorded (R07, R27)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.folders import manifest_in
from tests.scenarios.texts import CALIBRATED, ON_FILE, SCREENED
from tests.thenar.engine_trials import Push, events_of, fault, pushed, scenario_text, the_trial
from tests.thenar.small_runs import SMALL, write_scenario
from thenar.cli import main
from thenar.engine.events import run_trial
from thenar.engine.trial import Trial, plan_trials
from thenar.plant_models.calibration import calibrate
from thenar.report.tables import read_trial
from thenar.safety.profile import load_profile
from thenar.safety.screening import Contraindications
from thenar.scenarios.gallery import gallery_files
from thenar.scenarios.loader import load_scenario, parse_scenario
from thenar.shared.compiled import flat_integers

WITHOUT_PERSON = SMALL.removesuffix(ON_FILE)
STRONG = Push(calibrate(the_trial().wearer, 250.0, 40.0), 1.0)
"""A law that asks for this wearer's ceiling for ever, whatever is on file."""
BY_HAND = """
[calibration]
source = "on-file"
invented = true
max_pinch_N = 80.0
agonist = { sensory_mA = 4.0, motor_mA = 7.5, ceiling_mA = 12.3456, width_us = 250.0, rate_Hz = 40.0, \
full_current_mA = 11.5, spread = 0.22, reachable_N = 30.0 }
"""


def bare(*tables: str) -> Trial:
    """A second of an assisted trial with nothing on file but `tables`."""
    text = scenario_text(*tables, seconds=1.0)
    for given in (SCREENED, CALIBRATED):
        text = text.replace(given, "") if given not in tables else text
    (trial,) = plan_trials(parse_scenario(text, "bare.toml", Path()))
    return trial


def refused(trial: Trial) -> list[object]:
    """Requirements in the first refusal of a trial under a strong push; not a pulse may have left."""
    result, _ = pushed(trial, STRONG)
    assert len(result.pulses["t_us"]) == 0
    assert not result.trace["agonist_admitted_mA"].any()
    assert events_of(result, "armed") == []
    first, *later = [event["reasons"] for event in result.events if event["kind"] == "arming-refused"]
    assert isinstance(first, list)
    assert all(isinstance(reasons, list) and set(first) <= set(reasons) for reasons in later)
    assert set(first) == set(trial.arming_objections())
    return first


def test_with_all_on_file_the_same_push_leaves() -> None:
    result, _ = pushed(bare(SCREENED, CALIBRATED), STRONG)
    assert len(result.pulses["t_us"]) > 10
    assert bare(SCREENED, CALIBRATED).arming_objections() == {}


def test_nothing_on_file_refuses_by_both_rules_and_says_why() -> None:
    assert refused(bare()) == ["R07", "R27"]
    assert bare().arming_objections() == {"R07": "no calibration on file", "R27": "no screening on file"}


def test_a_screening_without_a_calibration_refuses_by_r07_and_the_other_way_round_by_r27() -> None:
    assert refused(bare(SCREENED)) == ["R07"]
    assert refused(bare(CALIBRATED)) == ["R27"]


def flipped() -> list[tuple[str, str, str]]:
    """Each answer flipped, taken back or left out, one by one: (old, new, objection)."""
    found = [
        ('placement = { site = "forearm", same_limb = true }\n', "", "placement: not declared"),
        ("same_limb = true", "same_limb = false", "pads on more than one limb"),
    ]
    found += [('"forearm"', f'"{site}"', f"placement: {site}") for site in ("head", "neck", "chest", "other")]
    for topic in Contraindications.model_fields:
        line, words = f'{topic} = "no"\n', topic.replace("_", " ")
        found.append((line, f'{topic} = "yes"\n', f"{words}: yes"))
        found.append((line, f'{topic} = "not asked"\n', f"{words}: not asked"))
        found.append((line, "", f"{words}: not asked"))
    return found


@pytest.mark.parametrize(("old", "new", "objection"), flipped())
def test_each_answer_flipped_one_by_one_keeps_the_interlock_from_arming(old: str, new: str, objection: str) -> None:
    trial = bare(SCREENED.replace(old, new), CALIBRATED)
    assert trial.arming_objections() == {"R27": f"screening, {objection}"}
    assert refused(trial) == ["R27"]


def test_re_arming_does_not_get_round_the_screening() -> None:
    assert refused(bare(CALIBRATED, fault("re-arm", 0.5, cause="R27"))) == ["R27"]


def test_a_calibration_by_hand_sets_the_ceiling_to_the_microampere_and_nothing_above_it_leaves() -> None:
    trial = bare(SCREENED, BY_HAND)
    assert trial.limits().agonist.ceiling_uA == 12_345
    assert trial.limits().antagonist.ceiling_uA == 0
    assert trial.limits().loop.force_soft_mN == 48_000
    result, _ = pushed(trial, STRONG)
    assert result.pulses["current_mA"].max() == 12.3
    result, _ = pushed(trial, Push(calibrate(trial.wearer, 250.0, 40.0), 1.0, 1.0))
    assert set(result.pulses["channel"]) == {0}


@pytest.mark.parametrize("law", ["proportional", "bang-bang"])
def test_a_built_in_law_runs_to_the_end_with_nothing_on_file(law: str) -> None:
    result = run_trial(bare(f'[law]\nname = "{law}"\n'))
    assert len(result.pulses["t_us"]) == 0
    assert events_of(result, "law-fault") == []


@pytest.fixture(scope="module")
def silent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The gallery's run of an engraver who was never asked about one topic."""
    out = tmp_path_factory.mktemp("silent") / "run"
    assert main(["run", "not-screened", "--out", str(out), "--jobs", "1"]) == 0
    return out


def test_the_run_of_not_screened_holds_no_pulse_and_the_reason(silent: Path) -> None:
    events = [json.loads(line) for line in (silent / "events.jsonl").read_text("utf-8").splitlines()]
    assert [(e["trial"], e["reasons"]) for e in events if e["kind"] == "arming-refused"] == [(1, ["R27"])]
    for trial in (0, 1):
        assert len(read_trial(silent / "pulses.parquet", trial)["t_us"]) == 0
    unassisted, assisted = (read_trial(silent / "trace.parquet", trial) for trial in (0, 1))
    assert (unassisted["force_N"] == assisted["force_N"]).all()
    assert assisted["agonist_demand_mA"].any(), "the law went on asking"
    summary = json.loads((silent / "summary.json").read_text("utf-8"))
    assert list(summary)[1] == "refused_to_arm"
    assert summary["refused_to_arm"] == [
        {"why": {"R27": "screening, epilepsy: not asked"}, "trials": [1], "wearers": ["engraver"]}
    ]
    record = manifest_in(silent).trials[1]
    assert record.objections == ("epilepsy: not asked",)
    assert record.screening is not None
    assert record.screening.invented
    assert main(["replay", str(silent), "--jobs", "1"]) == 0


def test_a_run_that_did_not_arm_says_so_at_the_top(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = SMALL.replace('name = "second engraver"', 'name = "second engraver"\nscreening.invented = true')
    assert main(["run", str(write_scenario(tmp_path, own)), "--out", str(tmp_path / "run"), "--jobs", "1"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[1].startswith("REFUSED TO ARM in 1 of 4 trials, so no pulse left (second engraver): R27 screening, ")
    pulses = [len(read_trial(tmp_path / "run" / "pulses.parquet", trial)["t_us"]) for trial in range(4)]
    assert pulses[1] > 0
    assert pulses[3] == 0


def test_a_run_with_all_on_file_says_nothing_of_refusals(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(write_scenario(tmp_path, SMALL.replace("duration_s = 3.0", "duration_s = 0.5")))
    assert main(["run", file, "--out", str(tmp_path / "run"), "--jobs", "1", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["refused_to_arm"] == []


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (WITHOUT_PERSON, "R07 no calibration on file, R27 no screening on file"),
        (WITHOUT_PERSON + SCREENED, "R07 no calibration on file"),
        (SMALL.replace('thrombosis = "no"', 'thrombosis = "yes"'), "R27 screening, thrombosis: yes"),
        (SMALL + '[[wearers]]\nname = "third"\nscreening.invented = true\n', "third: R27 screening, implanted"),
    ],
)
def test_check_says_before_the_run_that_it_will_refuse_to_arm(
    text: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = str(write_scenario(tmp_path, text))
    assert main(["check", file]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1] == f"{file}: can run, but refuses to arm"
    assert lines[4].startswith("REFUSES TO ARM")
    assert told in lines[4]


def test_check_shows_what_is_on_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(write_scenario(tmp_path))
    assert main(["check", file]) == 0
    told = capsys.readouterr().out
    assert f"{file}: fine" in told
    assert "10 no; pads on the forearm, invented" in told
    assert "simulated on each wearer at 250 us, 40 Hz" in told
    assert main(["check", "--json", str(write_scenario(tmp_path, WITHOUT_PERSON))]) == 0
    (record,) = json.loads(capsys.readouterr().out)["files"]
    assert record["wearers"][0]["refuses_to_arm"] == {"R07": "no calibration on file", "R27": "no screening on file"}
    assert record["limits"][0]["agonist"]["ceiling_uA"] == 0


def test_a_study_that_never_stimulates_needs_nothing_on_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = WITHOUT_PERSON.replace('["unassisted", "assisted"]', '["unassisted"]')
    assert main(["check", str(write_scenario(tmp_path, text))]) == 0
    assert ": fine" in capsys.readouterr().out


@pytest.mark.parametrize("text", [SMALL, WITHOUT_PERSON, WITHOUT_PERSON + SCREENED + BY_HAND])
def test_the_manifest_alone_gives_the_integer_limits_that_were_enforced(text: str, tmp_path: Path) -> None:
    if text.endswith(BY_HAND):
        text = text.replace('[[wearers]]\nname = "second engraver"\nmax_pinch_N = 70.0\n', "")
    file = write_scenario(tmp_path, text.replace("duration_s = 3.0", "duration_s = 0.2").replace("1.5", "0.1"))
    assert main(["run", str(file), "--out", str(tmp_path / "run"), "--jobs", "1"]) == 0
    manifest = manifest_in(tmp_path / "run")
    profile = load_profile(manifest.limits.profile)
    assert profile.fingerprint() == manifest.limits.fingerprint
    for trial, record in zip(plan_trials(load_scenario(file)), manifest.trials, strict=True):
        again = profile.limits_for(record.calibration.calibration(), record.control_period_us, record.screening)
        assert again == trial.limits()
        assert flat_integers(again).tolist() == flat_integers(trial.limits()).tolist()


@pytest.mark.parametrize("path", gallery_files(), ids=lambda path: path.stem)
def test_every_shipped_person_is_marked_as_invented_and_only_one_is_refused(path: Path) -> None:
    loaded = load_scenario(path)
    marks: list[Any] = [loaded.scenario.screening, loaded.scenario.calibration]
    assert all(mark is not None for mark in marks)
    assert marks[0].invented
    assert marks[1].source == "simulated" or marks[1].invented
    objections = [trial.arming_objections() for trial in plan_trials(loaded) if trial.stimulated]
    assert any(objections) == all(objections) == (path.stem == "not-screened")
