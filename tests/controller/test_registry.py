"""Which laws can be named, how settings are checked, and how a law is built."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.controller.wearers_and_observations import CALIBRATION, observe
from thenar.controller.bang_bang import BangBang
from thenar.controller.law import Law
from thenar.controller.proportional import Proportional
from thenar.controller.registry import LawSettings, build_law, check_law, law_class, law_names, law_settings, summary_of
from thenar.shared.errors import InputError, Problem, validated

OWN_LAW = """
from thenar.shared.signals import Demand, Stimulus, REST


class Steady:
    \"\"\"Asks for the same pulses whatever happens.

    More of it here.
    \"\"\"

    def __init__(self, settings, calibration):
        self.current_mA = settings.get("current_mA", 4.0)
        settings["current_mA"] = -1.0  # a law may spoil its own table

    def decide(self, observation):
        return Demand(Stimulus(self.current_mA, 200.0, 30.0), REST)
"""


def built(table: dict[str, object], base_dir: Path = Path()) -> Law:
    """The law that this table of a scenario file reads, checks and builds to."""
    spec = validated(LawSettings, table, "study.toml")
    check_law(spec, "study.toml")
    return build_law(spec, CALIBRATION, base_dir, "study.toml")


def problem_of(table: dict[str, object], base_dir: Path = Path()) -> Problem:
    """The one problem that reading, checking and building this law table ends in."""
    with pytest.raises(InputError) as caught:
        built(table, base_dir)
    (problem,) = caught.value.problems
    return problem


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that looks like installed packages: two laws, one that fails to import, one that is no law."""
    (tmp_path / "lab_laws.py").write_text(OWN_LAW, encoding="utf-8")
    (tmp_path / "lab_broken.py").write_text("raise OSError('no licence file')\n", encoding="utf-8")
    told = tmp_path / "lab_laws-1.0.dist-info"
    told.mkdir()
    (told / "METADATA").write_text("Metadata-Version: 2.1\nName: lab-laws\nVersion: 1.0\n", encoding="utf-8")
    (told / "entry_points.txt").write_text(
        "[thenar.laws]\nlab-steady = lab_laws:Steady\nlab-broken = lab_broken:Law\nlab-nothing = lab_laws:REST\n"
        "proportional = lab_laws:Steady\n",
        encoding="utf-8",
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    return tmp_path


def test_the_built_in_laws_are_known() -> None:
    assert {"bang-bang", "proportional"} <= set(law_names())
    assert law_class("proportional") is Proportional
    assert law_class("bang-bang") is BangBang


def test_a_built_in_law_is_built_from_its_table() -> None:
    spec = LawSettings(name="proportional", settings={"deadband_N": 1, "gain_mA_per_N": 2})
    demand = build_law(spec, CALIBRATION, Path()).decide(observe(5.0, 3.0))
    assert demand.agonist.current_mA == 8.0


def test_an_unknown_law_is_answered_with_the_nearest_name() -> None:
    problem = problem_of({"name": "proportionl"})
    assert (problem.file, problem.key, problem.found) == ("study.toml", "law.name", "'proportionl'")
    assert problem.nearest == "proportional"
    assert "bang-bang" in problem.allowed


def test_an_unknown_setting_is_answered_with_its_path_and_the_nearest_name() -> None:
    problem = problem_of({"name": "proportional", "settings": {"gain_mA_per_n": 1.0}})
    assert (problem.key, problem.nearest) == ("law.settings.gain_mA_per_n", "gain_mA_per_N")


def test_an_unknown_setting_in_a_nested_table_is_answered_with_its_path() -> None:
    problem = problem_of({"name": "bang-bang", "settings": {"agonist": {"shre": 0.2}}})
    assert (problem.key, problem.nearest) == ("law.settings.agonist.shre", "share")


def test_settings_that_contradict_one_another_are_told_of_at_their_table() -> None:
    problem = problem_of({"name": "bang-bang", "settings": {"deadband_N": 0.5, "hysteresis_N": 2.0}})
    assert problem.key == "law.settings"
    assert "2 * deadband_N = 1.0" in problem.allowed


@pytest.mark.parametrize("value", ["0.5", True, None, float("nan"), float("inf"), -0.1, [], {}])
def test_a_gain_that_is_no_number_at_or_above_zero_is_refused(value: object) -> None:
    assert (
        problem_of({"name": "proportional", "settings": {"gain_mA_per_N": value}}).key == "law.settings.gain_mA_per_N"
    )


@pytest.mark.parametrize(
    "table",
    [
        {},
        {"file": "own.py"},
        {"class": "Steady"},
        {"name": "proportional", "file": "own.py", "class": "Steady"},
        {"name": "proportional", "class": "Steady"},
    ],
)
def test_a_law_is_named_in_exactly_one_way(table: dict[str, object]) -> None:
    assert problem_of(table).allowed == "give either name, or file and class"


def test_checking_a_scenario_runs_no_user_code(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text("raise SystemExit('it ran')\n", encoding="utf-8")
    spec = validated(LawSettings, {"file": "own.py", "class": "Steady"}, "study.toml")
    check_law(spec, "study.toml")
    problem = problem_of({"file": "own.py", "class": "Steady"}, tmp_path)
    assert problem.found == "SystemExit: it ran"


def test_a_users_law_without_settings_gets_its_table_and_can_not_spoil_the_scenario(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text(OWN_LAW, encoding="utf-8")
    spec = validated(LawSettings, {"file": "own.py", "class": "Steady", "settings": {"current_mA": 6.0}}, "study.toml")
    for _ in range(2):
        assert build_law(spec, CALIBRATION, tmp_path).decide(observe(1.0, 1.0)).agonist.current_mA == 6.0


def test_a_users_law_with_settings_gets_them_checked(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text(
        "from __future__ import annotations\n"
        "from thenar.shared.errors import Strict\n"
        "class Mine:\n"
        "    class Settings(Strict):\n"
        "        push_mA: float = 3.0\n"
        "    def __init__(self, settings, calibration):\n"
        "        self.push_mA = settings.push_mA\n"
        "    def decide(self, observation):\n"
        "        return self.push_mA\n",
        encoding="utf-8",
    )
    table: dict[str, object] = {"file": "own.py", "class": "Mine"}
    law = build_law(LawSettings.model_validate(table), CALIBRATION, tmp_path, trusted=True)
    assert vars(law) == {"push_mA": 3.0}
    problem = problem_of(table | {"settings": {"push_ma": 1.0}}, tmp_path)
    assert (problem.file, problem.key, problem.nearest) == ("study.toml", "law.settings.push_ma", "push_mA")


def test_settings_that_are_no_model_are_told_of() -> None:
    class Odd:
        Settings = 3

        def __init__(self, settings: object, calibration: object) -> None: ...

        def decide(self, observation: object) -> object: ...

    with pytest.raises(InputError, match="pydantic model"):
        law_settings(Odd, {}, "study.toml")  # type: ignore[arg-type]


def test_a_constructor_that_raises_is_told_of(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text(
        "class Mine:\n"
        "    def __init__(self, settings, calibration):\n"
        "        self.gain = settings['gain']\n"
        "    def decide(self, observation): ...\n",
        encoding="utf-8",
    )
    problem = problem_of({"file": "own.py", "class": "Mine", "settings": {"push": 1}}, tmp_path)
    assert problem.found == "KeyError: 'gain'"
    assert "{'push': 1}" in problem.allowed


def test_an_installed_law_can_be_named(install: Path) -> None:
    assert {"lab-steady", "lab-broken", "lab-nothing"} <= set(law_names())
    spec = validated(LawSettings, {"name": "lab-steady", "settings": {"current_mA": 5.0}}, "study.toml")
    check_law(spec, "study.toml")
    assert build_law(spec, CALIBRATION, install).decide(observe(1.0, 1.0)).agonist.current_mA == 5.0
    assert summary_of(law_class("lab-steady")) == "Asks for the same pulses whatever happens."


def test_an_installed_law_can_not_replace_a_built_in_one(install: Path) -> None:
    assert law_class("proportional") is Proportional


def test_an_installed_law_that_fails_to_import_is_told_of(install: Path) -> None:
    problem = problem_of({"name": "lab-broken"})
    assert (problem.key, problem.found) == ("law.name", "OSError: no licence file")


def test_an_installed_object_that_is_no_class_is_told_of(install: Path) -> None:
    assert problem_of({"name": "lab-nothing"}).allowed == "a class"


def test_a_name_that_two_packages_claim_is_refused(install: Path) -> None:
    other = install / "other_laws-1.0.dist-info"
    other.mkdir()
    (other / "METADATA").write_text("Metadata-Version: 2.1\nName: other-laws\nVersion: 1.0\n", encoding="utf-8")
    (other / "entry_points.txt").write_text("[thenar.laws]\nlab-steady = lab_laws:Other\n", encoding="utf-8")
    assert "claimed by lab_laws:Other, lab_laws:Steady" in problem_of({"name": "lab-steady"}).found


def test_reading_the_law_table_of_a_scenario_imports_no_compiler_and_no_law() -> None:
    code = (
        "import sys\n"
        "from thenar.controller.registry import LawSettings, law_names\n"
        "LawSettings(name='proportional'); law_names()\n"
        "print(sorted(set(sys.modules) & {'numba', 'numpy', 'scipy', 'thenar.controller.proportional'}))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


scraps = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
near_settings = st.dictionaries(
    st.sampled_from(["deadband_N", "gain_mA_per_N", "gain_fraction_per_N", "acts_on", "agonist", "start", "share"]),
    scraps | st.floats(0.0, 1.0) | st.sampled_from(["width", "zero", {"share": 0.5}]),
    max_size=3,
)
near_tables = st.fixed_dictionaries(
    {"name": st.sampled_from(["proportional", "bang-bang"]) | scraps},
    optional={"settings": near_settings | scraps},
) | st.dictionaries(
    st.sampled_from(["name", "file", "class", "settings", "class_name", "nme"]),
    st.sampled_from(["proportional", "own.py", "", "\0"]) | scraps,
)


@given(near_tables)
def test_whatever_stands_in_the_table_ends_in_a_law_or_in_an_input_error(table: dict[str, object]) -> None:
    with contextlib.suppress(InputError):
        assert isinstance(built(table, Path("no-such-folder")), Proportional | BangBang)
