"""Which settings a sweep goes through, and what is said of a key or a design that can't be."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.scenarios.texts import ON_FILE, SMALLEST, loaded
from thenar.scenarios.changes import settings_of, with_values
from thenar.shared.errors import InputError, Problem
from thenar.study.axes import Axis, Span, axes_of
from thenar.study.designs import DESIGNS, settings_in
from thenar.study.sweep import Asked, Sweep

GAIN = "law.settings.gain_mA_per_N"
SCENARIO = loaded(SMALLEST + ON_FILE)
OWN_LAW = "class Mine:\n    def __init__(self, settings, calibration):\n        self.push = settings['push']\n"
OWN_LAW += "    def decide(self, observation):\n        return None\n"


def _values(*over: str, design: str = "grid", samples: int | None = None, seed: int = 1) -> list[dict[str, object]]:
    axes = axes_of(SCENARIO, over, drawn=design != "grid")
    return [dict(setting) for setting in settings_in(axes, design, samples, seed)]


def _problems(*over: str, **asked: object) -> tuple[Problem, ...]:
    with pytest.raises(InputError) as caught:
        Sweep(SCENARIO, Asked(over, **asked))  # type: ignore[arg-type]
    return caught.value.problems


def test_a_grid_goes_through_every_combination_the_last_key_fastest() -> None:
    found = _values(f"{GAIN}=0.1:0.5:3", "estimator.latency_ms=50,100")
    assert [tuple(setting.values()) for setting in found] == [
        (0.1, 50.0), (0.1, 100.0), (0.3, 50.0), (0.3, 100.0), (0.5, 50.0), (0.5, 100.0),
    ]  # fmt: skip


def test_log_steps_are_ratios_and_keep_their_ends() -> None:
    assert [setting[GAIN] for setting in _values(f"{GAIN}=0.01:10:4:log")] == [0.01, 0.1, 1.0, 10.0]


def test_a_single_point_is_the_low_end() -> None:
    assert _values(f"{GAIN}=0.3:0.3:1") == [{GAIN: 0.3}]


def test_whole_numbers_stay_whole_where_the_key_holds_one() -> None:
    found = [setting["repeats"] for setting in _values("repeats=1:8:3")]
    assert found == [1, 4, 8]
    assert all(type(value) is int for value in found)


def test_words_and_truths_are_listed() -> None:
    assert [s["law.name"] for s in _values("law.name=proportional,bang-bang")] == ["proportional", "bang-bang"]
    assert [s["wearer.sees_target"] for s in _values("wearer.sees_target=true,false")] == [True, False]


def test_an_optional_number_that_the_file_leaves_out_can_be_swept() -> None:
    key = "law.settings.gain_fraction_per_N"
    assert _values(f"{key}=0.01:0.03:3") == [{key: 0.01}, {key: 0.02}, {key: 0.03}]


@pytest.mark.parametrize("design", ["sobol", "latin-hypercube"])
def test_drawn_settings_fill_every_slice_once_and_follow_from_the_seed(design: str) -> None:
    over = (f"{GAIN}=0:1", "estimator.latency_ms=50:250")
    found = _values(*over, design=design, samples=16, seed=7)
    assert found == _values(*over, design=design, samples=16, seed=7)
    assert found != _values(*over, design=design, samples=16, seed=8)
    # Both designs put one of 16 points into each sixteenth of every axis (Sobol: a (0, 1)-sequence in base 2).
    for key, low, width in ((GAIN, 0.0, 1.0), ("estimator.latency_ms", 50.0, 200.0)):
        slices = sorted(int((float(str(setting[key])) - low) / width * 16) for setting in found)
        assert slices == list(range(16)), key


def test_drawn_words_and_whole_numbers_are_met_equally_often() -> None:
    found = _values("law.name=proportional,bang-bang", "repeats=1:4", design="latin-hypercube", samples=40)
    assert [sum(s["repeats"] == number for s in found) for number in (1, 2, 3, 4)] == [10] * 4
    assert sum(s["law.name"] == "bang-bang" for s in found) == 20


@given(
    low=st.floats(-1e6, 1e6), width=st.floats(1e-3, 1e6), share=st.floats(0, 1, exclude_max=True), whole=st.booleans()
)
def test_a_drawn_value_lies_between_its_ends(low: float, width: float, share: float, whole: bool) -> None:
    ends = (int(low), int(low) + max(1, int(width))) if whole else (low, low + width)
    value = Axis("x", Span(*ends, None, False, whole), ()).at(share)
    slack = 1e-11 * (abs(low) + width)
    assert isinstance(value, int) == whole
    assert isinstance(value, int | float)
    assert ends[0] - slack <= value <= ends[1] + slack


@pytest.mark.parametrize(
    ("text", "key", "allowed"),
    [
        ("law.settings.gain_mA_pr_N=0:1:3", "law.settings.gain_mA_pr_N", "gain_mA_per_N"),
        ("estimtor.latency_ms=1:2:3", "estimtor", "estimator"),
        ("repeats=1:4:0", "repeats", "1 to"),
        ("repeats=1:4:five", "repeats", "1 to"),
        ("repeats=1:4:9", "repeats", "at most 4"),
        ("repeats=1.5:4:2", "repeats", "whole number"),
        (f"{GAIN}=2:1:3", GAIN, "low end below"),
        (f"{GAIN}=1:1:3", GAIN, "low end below"),
        (f"{GAIN}=0:1:3:log", GAIN, "above 0"),
        (f"{GAIN}=0:1", GAIN, "KEY=LOW:HIGH:N"),
        (f"{GAIN}=nan:1:3", GAIN, "a number"),
        (f"{GAIN}=1,2,1", GAIN, "each value once"),
        (f"{GAIN}=1,,2", GAIN, "KEY=A,B,C"),
        ("wearer.sees_target=yes,no", "wearer.sees_target", "true or false"),
        ("wearer.sees_target=0:1:2", "wearer.sees_target", "true,false"),
        ("target=4:6:2", "target", "holds one value"),
        ("conditions=assisted", "conditions", "holds one value"),
        ("repeats", "", "KEY=LOW:HIGH:N"),
        ("=1:2:3", "", "KEY=LOW:HIGH:N"),
    ],
)
def test_a_key_that_can_not_be_swept_is_told_with_what_is_allowed(text: str, key: str, allowed: str) -> None:
    (problem,) = _problems(text)
    assert problem.key == key
    assert allowed in str(problem)


def test_every_wrong_key_is_told_at_once_and_a_key_twice_is_wrong() -> None:
    problems = _problems("repeats=1:2:2", "repeats=1:3:3", f"{GAIN}=2:1:3")
    assert [(problem.key, problem.found) for problem in problems] == [("repeats", "the same key twice"), (GAIN, "2:1")]


@pytest.mark.parametrize(
    ("over", "asked", "told"),
    [
        ((), {}, "nothing"),
        ((f"{GAIN}=0:1:2",), {"samples": 4}, "none"),
        ((f"{GAIN}=0:1",), {"design": "sobol"}, "how many settings"),
        ((f"{GAIN}=0:1",), {"design": "sobol", "samples": 0}, "how many settings"),
        ((f"{GAIN}=0:1:5",), {"design": "sobol", "samples": 4}, "--samples says how many"),
        ((f"{GAIN}=0:1:1000", "estimator.latency_ms=1:2:1000"), {}, "1000000 settings"),
        (("seed=1:4:2",), {"seed": 3}, "the seed itself is swept"),
    ],
)
def test_a_design_that_can_not_be_is_told(over: tuple[str, ...], asked: dict[str, object], told: str) -> None:
    assert told in "\n".join(map(str, _problems(*over, **asked)))


def test_a_setting_out_of_range_is_named_before_anything_runs() -> None:
    (problem,) = _problems(f"{GAIN}=-1:1:3", "repeats=1,2")
    assert problem.key == GAIN
    assert f"in setting 1 of 6: {GAIN}=-1.0, repeats=1" in problem.found


def test_settings_that_only_together_make_no_sense_are_named_too() -> None:
    (problem,) = _problems("law.settings.gain_fraction_per_N=0.1,0.2", f"{GAIN}=0.5,1")
    assert "not both" in str(problem)


def test_a_free_setting_of_a_user_s_law_can_be_swept(tmp_path: Path) -> None:
    (tmp_path / "mine.py").write_text(OWN_LAW)
    text = SMALLEST.replace('name = "proportional"', 'file = "mine.py"\nclass = "Mine"\nsettings = { push = 2 }')
    sweep = Sweep(loaded(text, tmp_path), Asked(("law.settings.push=1:3:3", "law.settings.new=a,7")))
    assert [dict(s.law.settings) for s in sweep.plan.settings][:2] == [{"push": 1, "new": "a"}, {"push": 1, "new": 7.0}]


@pytest.mark.parametrize("design", DESIGNS)
def test_the_identity_of_a_sweep_changes_with_whatever_decides_its_numbers(design: str) -> None:
    samples = None if design == "grid" else 4
    over = f"{GAIN}=0.1:0.5:4" if design == "grid" else f"{GAIN}=0.1:0.5"
    base = Asked((over,), design, samples)
    known = {Sweep(SCENARIO, base).fingerprint()}
    others = [
        (SCENARIO, base._replace(seed=99)),
        (SCENARIO, base._replace(over=(over.replace("0.5", "0.6"),))),
        (loaded(SMALLEST + ON_FILE + "\n# a remark\n"), base),
        (loaded((SMALLEST + ON_FILE).replace("10.0", "11.0")), base),
    ]
    for scenario, asked in others:
        fingerprint = Sweep(replace(scenario), asked).fingerprint()
        assert fingerprint not in known
        known.add(fingerprint)
    assert Sweep(SCENARIO, base).fingerprint() in known


def test_settings_one_after_another_are_written_as_each_alone() -> None:
    keys = ("law.settings.deadband_N", "estimator.latency_ms", "handling.strokes_per_s", "repeats")
    mappings = [dict(zip(keys, values, strict=True)) for values in ((0.1, 50.0, 1.0, 2), (0.25, 60.5, 0.5, 13))]
    mappings += [{keys[0]: 0.7}, {}, {keys[0]: 0.8}, mappings[0]]
    text = SMALLEST.replace("level_N = 5.0", "level_N = 5.0  # a light hold") + ON_FILE
    text += "\n[estimator]\nlatency_ms = 100.0    # late\n"
    found = [scenario.text for scenario in settings_of(loaded(text), mappings)]
    assert found == [with_values(loaded(text), values).text for values in mappings]
    assert all("# late" in scenario and "# a light hold" in scenario for scenario in found)
