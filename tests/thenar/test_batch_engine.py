"""The batch engine makes of a trial what the event engine makes of it, to the last bit, and says what it can't take."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, reject, settings

from tests.thenar.drawn_scenarios import scenarios
from tests.thenar.engine_trials import differing, planned, the_trial
from thenar.engine.batch import law_step_of, run_family, run_trial_compiled
from thenar.engine.events import run_trial
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial, plan_trials
from thenar.report.metrics import target_rows
from thenar.scenarios.gallery import gallery_file, gallery_names
from thenar.scenarios.loader import load_scenario, parse_scenario
from thenar.scenarios.targets import moves
from thenar.shared.errors import InputError
from thenar.study import measured as measuring
from thenar.study.measured import measured, slow_laws

STEPPED = '''
import math
from thenar import SteppedLaw

class Soft(SteppedLaw):
    """Half of the ceiling while the estimate is low, after a wait that it remembers."""

    def __init__(self, settings, calibration):
        own = calibration.agonist
        super().__init__([own.ceiling_mA, own.width_us, own.rate_Hz, settings.get("wait", 3.0)], [0.0])

    @staticmethod
    def step(numbers, memory, seen, asked):
        memory[0] += 1.0
        for index in range(6):
            asked[index] = 0.0
        if memory[0] > numbers[3] and seen[2] < seen[1]:
            asked[0] = 0.5 * numbers[0] * math.sqrt(min(1.0, (seen[1] - seen[2]) / 4.0))
            asked[1] = numbers[1]
            asked[2] = numbers[2]
'''
PLAIN = '''
class Plain:
    """Rest, in a class that only decides."""

    def __init__(self, settings, calibration):
        pass

    def decide(self, observation):
        return ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
'''
LAW = '[law]\nfile = "own.py"\nclass = "{}"'


def decisions_differing(one: TrialResult, other: TrialResult) -> list[str]:
    """Names of the columns of the decision log that are not the same."""
    return [name for name, column in one.decisions.items() if not np.array_equal(column, other.decisions[name])]


def both(trial: Trial) -> list[str]:
    """What differs between the engines."""
    one, other = run_trial(trial), run_trial_compiled(trial)
    return differing(one, other) + decisions_differing(one, other)


@pytest.mark.parametrize("name", gallery_names())
def test_every_scenario_of_the_gallery_is_the_same_in_both_engines(name: str) -> None:
    trials = plan_trials(load_scenario(gallery_file(name)))
    first = [trial for trial in trials if trial.label.wearer == 0 and trial.label.repeat == 0]
    for trial in [*first, trials[-1]]:
        assert both(trial) == [], trial.label


@settings(max_examples=200)
@given(scenarios)
def test_drawn_scenarios_are_the_same_in_both_engines(text: str) -> None:
    try:
        trials = plan_trials(parse_scenario(text, "drawn.toml", Path()))
    except InputError:
        reject()  # parts that don't fit together, a re-arming before anything can have latched for example
    for trial in trials:
        assert both(trial) == [], text


def test_a_law_of_ones_own_that_compiles_runs_here_and_is_the_same(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text(STEPPED, "utf-8")
    trial = the_trial(LAW.format("Soft"), base=tmp_path, trust_law=True)
    assert both(trial) == []
    assert len(run_trial_compiled(trial).pulses["t_us"]) > 20
    assert slow_laws([trial]) == {}


def test_a_law_of_ones_own_gives_the_same_bits_in_its_own_process_and_trusted_in_this_one(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text(STEPPED + PLAIN, "utf-8")
    for law in ("Soft", "Plain"):
        apart = the_trial(LAW.format(law), base=tmp_path)
        here = replace(apart, trust_law=True)
        assert differing(run_trial(apart), run_trial(here)) == []
        assert decisions_differing(run_trial(apart), run_trial(here)) == []
    assert slow_laws([the_trial(LAW.format("Soft"), base=tmp_path)]) == {
        "Soft in own.py": "Soft runs in a process of its own; with --trust-law it may run compiled in this one"
    }


@pytest.mark.parametrize("name", ["confident", "yielding"])
def test_the_agency_aware_laws_run_here_and_are_measured_the_same(name: str) -> None:
    steps = '[target]\nprogram = "steps"\nlevels_N = [4.0, 9.0]\nevery_s = 1.0\norder = "listed"'
    trial = the_trial(f'[law]\nname = "{name}"', steps, seconds=6.0)
    assert both(trial) == []
    assert slow_laws([trial]) == {}
    rows = dict(measured([trial], moving=False, jobs=1))[0]
    assert repr(rows) == repr(target_rows(run_trial(trial), moving=False))
    assert any(0.0 < row.value("own_impulse_percent") < 100.0 for row in rows)
    assert any(not math.isnan(row.value("evoked_lead_ms")) for row in rows)


def test_a_law_that_only_decides_runs_in_the_event_engine_and_is_named_with_the_reason(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text(PLAIN, "utf-8")
    trials = planned(LAW.format("Plain"), base=tmp_path, trust_law=True, conditions='"unassisted", "assisted"')
    assert slow_laws(trials) == {"Plain in own.py": "Plain is no SteppedLaw"}
    rows = dict(measured(trials, moving=False, jobs=1))
    assert repr(rows) == repr({place: target_rows(run_trial(one), moving=False) for place, one in enumerate(trials)})


def test_a_step_that_numba_cannot_compile_is_named_with_the_reason_and_still_runs(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text(STEPPED.replace("memory[0] += 1.0", 'memory[0] += eval("1.0")'), "utf-8")
    trial = the_trial(LAW.format("Soft"), base=tmp_path, trust_law=True, seconds=0.5)
    assert list(slow_laws([trial])) == ["Soft in own.py"]
    assert repr(dict(measured([trial], moving=False, jobs=1))[0]) == repr(target_rows(run_trial(trial), moving=False))


def test_a_step_that_raises_sends_its_trials_to_the_event_engine(tmp_path: Path) -> None:
    text = STEPPED.replace(
        "memory[0] += 1.0", 'memory[0] += 1.0\n        if memory[0] > 9.0:\n            raise ValueError("no")'
    )
    (tmp_path / "own.py").write_text(text, "utf-8")
    trial = the_trial(LAW.format("Soft"), base=tmp_path, trust_law=True)
    expected = run_trial(trial)
    assert any(event["kind"] == "law-fault" for event in expected.events)
    assert repr(dict(measured([trial], moving=False, jobs=1))[0]) == repr(target_rows(expected, moving=False))


def test_trials_that_share_a_desk_leave_no_trace_in_one_another() -> None:
    trial = the_trial('[target]\nprogram = "steps"\nlevels_N = [4.0, 9.0]\nevery_s = 0.5\norder = "random"')
    family = [
        replace(trial, law=trial.law.model_copy(update={"settings": {"gain_fraction_per_N": gain}}))
        for gain in (0.3, 0.0, 0.05, 0.3)
    ]
    for own, desk in zip(family, run_family(family, [law_step_of(one) for one in family]), strict=True):
        alone = run_trial(own)
        assert np.array_equal(desk.trace_floats[:, 1], alone.trace["force_N"])
        assert int(desk.live["pulses"][0]) == len(alone.pulses["t_us"])


@pytest.mark.parametrize("jobs", [1, 2])
@pytest.mark.parametrize("name", ["key-pinch-ladder", "warm-up-ramps", "stop-and-re-arm"])
def test_what_is_measured_is_what_the_event_engine_would_measure(name: str, jobs: int) -> None:
    loaded = load_scenario(gallery_file(name))
    trials = plan_trials(loaded)[:4]
    moving = moves(loaded.scenario.target)
    found = dict(measured(trials, moving=moving, jobs=jobs))
    assert repr([found[place] for place in range(len(trials))]) == repr(
        [target_rows(run_trial(trial), moving=moving) for trial in trials]
    )


@pytest.mark.parametrize("ready", [True, False])
def test_what_is_still_to_be_compiled_is_compiled_where_ctrl_c_ends_it(
    ready: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Python raises it in the main thread: that would wait for a thread which compiles."""
    trials = plan_trials(load_scenario(gallery_file("key-pinch-ladder")))[:2]
    used: list[bool] = []

    def noting(trials: list[Trial], *more: object) -> object:
        used.append(threading.current_thread() is threading.main_thread())
        return unwatched(trials, *more)

    unwatched: Callable[..., object] = measuring._family_rows
    monkeypatch.setattr(measuring, "_family_rows", noting)
    monkeypatch.setattr(measuring, "ready", lambda _: ready)
    assert len(dict(measured(trials, moving=False, jobs=2))) == 2
    assert set(used) == {not ready}


def test_one_thread_gives_families_in_the_order_in_which_they_were_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    trials = plan_trials(load_scenario(gallery_file("key-pinch-ladder")))[:20]
    all_of = measuring.wait
    monkeypatch.setattr(measuring, "wait", lambda futures, **_: all_of(futures))  # several have ended at each look
    assert [place for place, _ in measured(trials, moving=False, jobs=1)] == list(range(20))
