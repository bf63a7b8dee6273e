"""Laws that try to get around the interlock: no pulse breaks a rule, nothing ends thenar, no log changes unseen.

The pulses are judged by a checker that imports nothing of thenar (tests/outside/pulses_against_profile.py).
"""

from __future__ import annotations

import functools
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from tests.outside.pulses_against_profile import violations
from tests.thenar import hostile_laws
from tests.thenar.engine_trials import scenario_text
from tests.thenar.hostile_laws import ALL, FAST, GIVEN_UP
from tests.waiting import LONG_S
from thenar.cli import main
from thenar.engine import asking

LAWS = Path(hostile_laws.__file__)
PROFILE = Path(__file__).parents[2] / "safety" / "profiles" / "forearm-25cm2.toml"
RESIDUE = "hostile-was-here"


@functools.cache
def filtered() -> bool:
    """Whether system calls can be filtered here: only then may these laws be let loose."""
    source = "from thenar.controller.confinement import confine; import os; os._exit(0 if confine() else 1)"
    return subprocess.run([sys.executable, "-c", source], check=False).returncode == 0


@pytest.fixture(autouse=True)
def only_where_filtered() -> None:
    """Elsewhere some of them would do what they try."""
    if not filtered():
        pytest.skip("system calls can't be filtered on this machine")


def hostile_run(folder: Path, law: str, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A run with that law, in a folder of its own."""
    monkeypatch.setattr(asking, "GIVEN_UP_AFTER_S", 1.0 if law in GIVEN_UP else LONG_S)
    monkeypatch.chdir(folder)
    shutil.copy(LAWS, folder / "own.py")
    (folder / "hostile.toml").write_text(scenario_text(f'[law]\nfile = "own.py"\nclass = "{law}"'), "utf-8")
    assert main(["run", "hostile.toml", "--out", "run", "--jobs", "1"]) == 0
    return folder / "run"


def check_all_held(run: Path, captured: tuple[str, str]) -> None:
    """What must be so after any law."""
    assert violations(run, PROFILE) == []
    for text in captured:
        assert "Traceback" not in text
        assert "internal fault" not in text
        assert "\x1b" not in text, "what a law prints can't reach the terminal's own commands"
    for place in (run.parent, Path(tempfile.gettempdir())):
        assert not (place / RESIDUE).exists()
    assert (run.parent / "own.py").read_bytes() == LAWS.read_bytes()
    assert json.loads((run / "manifest.json").read_text("utf-8"))["law"] == {"where": "own process"}


@pytest.mark.parametrize("law", FAST)
def test_a_hostile_law_breaks_no_rule_and_ends_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], law: str
) -> None:
    check_all_held(hostile_run(tmp_path, law, monkeypatch), capfd.readouterr())


@pytest.mark.campaign
@pytest.mark.parametrize("law", ALL)
def test_no_hostile_law_changes_a_log_that_an_audit_and_a_replay_would_not_tell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], law: str
) -> None:
    run = hostile_run(tmp_path, law, monkeypatch)
    check_all_held(run, capfd.readouterr())
    assert main(["audit", str(run)]) == 0
    assert main(["replay", str(run), "--run-law", "--jobs", "1"]) == 0
    check_all_held(run, capfd.readouterr())


def test_there_are_forty_hostile_laws_at_least_and_the_bounded_part_is_among_them() -> None:
    assert len(ALL) == len(set(ALL)) >= 40
    assert set(FAST) | set(GIVEN_UP) <= set(ALL)


WHAT_ENDED_IT = {
    "Segfaults": "its process was ended by SIGSEGV",
    "Aborts": "its process was ended by SIGABRT",
    "KillsItself": "its process was ended by SIGKILL",
    "LeavesAtOnce": "its process ended by itself, exit code 0",
    "ClaimsALength": "its process sent what is no answer and was ended",
    "AnswersAhead": "its process sent ",
    "NeverAnswers": "no answer within 1 s; the law is not asked again in this trial",
}


@pytest.mark.parametrize("law", sorted(WHAT_ENDED_IT))
def test_what_ended_a_law_is_told_and_its_output_stops(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], law: str
) -> None:
    run = hostile_run(tmp_path, law, monkeypatch)
    assert WHAT_ENDED_IT[law] in capfd.readouterr().out
    events = [json.loads(row) for row in (run / "events.jsonl").read_text("utf-8").splitlines()]
    (fault,) = [event for event in events if event["kind"] == "law-fault"]
    assert fault["t_us"] == 380_000, "at its twentieth tick"
    (trip,) = [event for event in events if event["kind"] == "trip"]
    late = law == "NeverAnswers"
    assert (trip["cause"], trip["t_us"]) == (("R32", 860_000) if late else ("R01", 420_000))


def test_a_slip_of_a_compiled_law_is_told_with_its_index(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    hostile_run(tmp_path, "WritesPastTheDemand", monkeypatch)
    assert "index 6 of asked, which has the places 0 to 5, in line " in capfd.readouterr().out
