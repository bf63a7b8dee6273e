"""What a loaded scenario holds: wearers put together, files found and hashed, laws looked at or left alone."""

from __future__ import annotations

import hashlib
import pickle
from pathlib import Path

import pytest

import thenar.safety.profile
from tests.scenarios.texts import SMALLEST, loaded, the_problem_of
from thenar.plant_models.settings import Population, Wearer
from thenar.safety.profile import load_profile
from thenar.scenarios.changes import with_values
from thenar.scenarios.gallery import gallery_file
from thenar.scenarios.loader import load_scenario
from thenar.scenarios.wearers import wearers_of
from thenar.shared.errors import InputError

LAW = """\
from pathlib import Path

from thenar.shared.signals import REST, Demand

(Path(__file__).parent / "ran").touch()


class Still:
    def __init__(self, settings, calibration):
        self.settings = settings

    def decide(self, observation):
        return Demand(REST, REST)
"""

OWN_LAW = SMALLEST.replace('name = "proportional"', 'file = "own.py"\nclass = "Still"')


def test_what_a_scenario_leaves_out_has_a_default() -> None:
    scenario = loaded(SMALLEST).scenario
    assert scenario.seed == 1
    assert scenario.repeats == 1
    assert scenario.clock.control_us == 20_000
    assert scenario.clock.wearer_us == scenario.clock.trace_us == 10_000
    assert scenario.faults == ()
    assert wearers_of(scenario) == (Wearer(),)


def test_a_wearer_by_hand_differs_from_the_base_only_where_it_says_so() -> None:
    text = SMALLEST + (
        "[wearer]\nmax_pinch_N = 70.0\n[wearer.cue]\ntrust = 0.2\nhold_ms = 80.0\n"
        '[[wearers]]\nname = "one"\ncue.trust = 0.9\n[[wearers]]\nname = "two"\nmax_pinch_N = 60.0\n'
    )
    scenario = loaded(text).scenario
    one, two = wearers_of(scenario)
    base = scenario.wearer
    assert one == base.model_copy(update={"name": "one", "cue": base.cue.model_copy(update={"trust": 0.9})})
    assert two == base.model_copy(update={"name": "two", "max_pinch_N": 60.0})


def test_one_key_of_the_antagonist_leaves_its_other_values_those_of_an_antagonist() -> None:
    scenario = loaded(SMALLEST + "[wearer.antagonist.muscle]\ntime_scale = 0.9\n").scenario
    default = Wearer().antagonist.muscle
    assert scenario.wearer.antagonist.muscle == default.model_copy(update={"time_scale": 0.9})


def test_a_population_is_handed_on_to_be_drawn() -> None:
    scenario = loaded(SMALLEST + "[population]\ncount = 9\n").scenario
    assert wearers_of(scenario) == Population(count=9, norms="healthy-adults")
    assert scenario.wearer_count == scenario.trial_count == 9


def test_a_shipped_scenario_is_loaded_by_its_name_and_a_file_of_that_name_comes_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert load_scenario("key-pinch-ladder").path == gallery_file("key-pinch-ladder")
    with pytest.raises(InputError, match="nearest known name: key-pinch-ladder"):
        load_scenario("key-pinch-lader")
    monkeypatch.chdir(tmp_path)
    Path("key-pinch-ladder").write_text(SMALLEST, encoding="utf-8")
    assert load_scenario("key-pinch-ladder").scenario.title == "A hold"


def test_people_are_drawn_around_a_stated_strength_and_by_norms_where_none_is_stated() -> None:
    drawn = "[population]\ncount = 3\n"
    described = "[wearer]\nmax_pinch_N = 20.0\n"
    for text, norms in (
        (drawn, "healthy-adults"),
        (f"[wearer]\nsees_own_force = true\n{drawn}", "healthy-adults"),
        (described + drawn, None),
        (f'{described}{drawn}norms = "after-stroke"\n', "after-stroke"),
    ):
        population = loaded(SMALLEST + text).scenario.population
        assert population is not None
        assert population.norms == norms
    found = with_values(loaded(SMALLEST + drawn), {"wearer.max_pinch_N": 30.0}).scenario.population
    assert found is not None
    assert found.norms is None


def test_a_setting_of_strength_that_nothing_is_drawn_by_is_refused() -> None:
    described = "[wearer]\nmax_pinch_N = 20.0\n[population]\ncount = 3\nwomen_share = 0.3\n"
    problem = the_problem_of(SMALLEST + described)
    assert (problem.key, "healthy-adults" in problem.allowed) == ("population.women_share", True)
    alike = '[population]\ncount = 3\nnorms = "after-spinal-cord-injury"\nwomen_share = 0.3\n'
    assert the_problem_of(SMALLEST + alike).key == "population.women_share"
    problem = the_problem_of(SMALLEST + "[population]\ncount = 3\nstrength_sd = 0.3\n")
    assert (problem.key, "wearer.max_pinch_N" in problem.allowed) == ("population.strength_sd", True)


def test_the_scenario_and_every_file_it_names_are_known_by_their_hash(tmp_path: Path) -> None:
    content = {
        "hand.csv": "t_s,force_N\n0,1\n1,2\n",
        "aim.csv": "t_s,press_N\n0,3\n2,4\n",
        "own.py": LAW,
        "study.toml": OWN_LAW.replace(
            'program = "constant"\nlevel_N = 5.0', 'program = "recording"\nfile = "aim.csv"\ncolumn = "press_N"'
        )
        + '[wearer]\nrecording = "hand.csv"\n[[wearers]]\nname = "a"\n[[wearers]]\nname = "b"\nrecording = ""\n',
    }
    for name, text in content.items():
        (tmp_path / name).write_text(text)
    study = load_scenario(tmp_path / "study.toml")
    hashes = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in content.items()}
    assert study.sha256 == hashes.pop("study.toml")
    assert {file.name: file.sha256 for file in study.files} == hashes
    assert study.text == content["study.toml"]
    first, second = study.scenario.wearers
    recording = study.wearer_recording(first)
    assert recording is not None
    assert recording.force_N.tolist() == [1.0, 2.0]
    assert study.wearer_recording(second) is None
    target = study.target_recording()
    assert target is not None
    assert target.force_N.tolist() == [3.0, 4.0]


def test_a_byte_order_mark_does_no_harm_and_counts_in_the_hash(tmp_path: Path) -> None:
    path = tmp_path / "study.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALLEST.encode())
    study = load_scenario(path)
    assert study.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert loaded(study.text).sha256 == study.sha256


def test_a_loaded_scenario_can_be_sent_to_another_process() -> None:
    study = loaded(SMALLEST)
    again = pickle.loads(pickle.dumps(study))  # noqa: S301  our own bytes
    assert again.scenario == study.scenario


def test_a_law_of_the_users_own_is_not_run_unless_asked_for(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text(LAW)
    path = tmp_path / "study.toml"
    path.write_text(OWN_LAW)
    load_scenario(path)
    assert not (tmp_path / "ran").exists()
    load_scenario(path, check_law=True, trust_law=True)
    assert (tmp_path / "ran").exists()


def test_a_law_of_the_users_own_that_is_missing_is_found_without_running_anything(tmp_path: Path) -> None:
    path = tmp_path / "study.toml"
    path.write_text(OWN_LAW)
    with pytest.raises(InputError) as caught:
        load_scenario(path)
    (problem,) = caught.value.problems
    assert problem.key == "law.file"


def test_a_law_file_without_the_class_is_told_with_the_nearest_class_when_asked_for(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text(LAW)
    path = tmp_path / "study.toml"
    path.write_text(OWN_LAW.replace('"Still"', '"Stil"'))
    with pytest.raises(InputError) as caught:
        load_scenario(path, check_law=True, trust_law=True)
    assert caught.value.problems[0].nearest == "Still"


def test_a_law_file_that_raises_pages_of_text_is_told_on_one_screen(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text("raise ValueError('line\\n' * 500)\n")
    path = tmp_path / "study.toml"
    path.write_text(OWN_LAW)
    with pytest.raises(InputError) as caught:
        load_scenario(path, check_law=True)
    assert len(str(caught.value).splitlines()) <= 4


def test_an_own_limit_profile_is_read_from_beside_the_scenario(tmp_path: Path) -> None:
    text = SMALLEST + '[limits]\nprofile = "missing.toml"\n'
    with pytest.raises(InputError) as caught:
        loaded(text, tmp_path)
    (problem,) = caught.value.problems
    assert problem.key == "limits.profile"
    assert "thumb-8cm2" in problem.allowed
    shipped = (Path(thenar.safety.profile.__file__).parent / "profiles" / "thumb-8cm2.toml").read_text("utf-8")
    shipped = shipped.replace('name = "thumb-8cm2"', 'name = "lab pads"\nbased_on = "thumb-8cm2"')
    (tmp_path / "missing.toml").write_text(shipped)
    study = loaded(text, tmp_path)
    assert study.profile.fingerprint() == load_profile("thumb-8cm2").fingerprint()
    assert study.profile.based_on == "thumb-8cm2"
    assert [file.key for file in study.files] == ["limits.profile"]
    (tmp_path / "missing.toml").write_text(shipped.replace("peak_mA", "peek_mA", 1))
    with pytest.raises(InputError) as caught:
        loaded(text, tmp_path)
    assert all(problem.file == str(tmp_path / "missing.toml") for problem in caught.value.problems)


def test_a_shipped_limit_profile_is_no_file_of_the_scenario() -> None:
    study = loaded(SMALLEST + '[limits]\nprofile = "thumb-8cm2"\n')
    assert study.profile == load_profile("thumb-8cm2")
    assert study.files == ()
