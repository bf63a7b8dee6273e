"""Laws that misbehave, through real scenario files: no traceback, no pulse outside limits, the reason on one screen."""

from __future__ import annotations

import json
import shutil
import signal
import threading
from pathlib import Path

import numpy as np
import pytest

from tests.thenar.engine_trials import columns_of, differing, events_of, scenario_text
from tests.thenar.pulse_audit import broken_limits
from tests.thenar.small_runs import thenar_process
from tests.waiting import LONG_S
from thenar.cli import main
from thenar.engine import asking, control
from thenar.engine.control import NOTED_FAULTS
from thenar.engine.events import run_trial
from thenar.engine.result import TrialResult
from thenar.engine.trial import Trial, plan_trials
from thenar.safety.reasons import RULES
from thenar.scenarios.loader import load_scenario

BAD_LAWS = Path(__file__).with_name("bad_laws.py")
SCREEN_LINES = 24
UNUSABLE = (
    "nothing",
    "text",
    "text inside",
    "NaN",
    "infinity",
    "1e12",
    "400 digits",
    "negative",
    "twice negative",
    "true",
    "one channel",
    "in itself",
)
TOO_MUCH = ("three channels", "four fields")
RAISING = {
    "Raises": "ValueError: no grip on the handle at all",
    "Ends": "SystemExit: 5",
    "RaisesOddly": "OddError: past every net",
    "RaisesUntold": "UntoldError: (no text)",
    "RecursesForEver": "RecursionError: maximum recursion depth exceeded",
}
LATE = ("Sleeps", "LoopsForEver", "LoopsAndCatches")


@pytest.fixture(autouse=True)
def shorter_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    """A law that doesn't answer has ten seconds of wall clock; here half a second."""
    monkeypatch.setattr(asking, "GIVEN_UP_AFTER_S", 0.5)


def scenario_with(folder: Path, law: str, *tables: str, seconds: float = 3.0) -> Path:
    """A scenario file that names a class of bad_laws.py, copied beside it. "Answers: x" has that class answer x."""
    shutil.copy(BAD_LAWS, folder / "bad_laws.py")
    file = folder / "bad.toml"
    class_name, _, what = law.partition(": ")
    own = f'[law]\nfile = "bad_laws.py"\nclass = "{class_name}"' + (f'\nsettings.what = "{what}"' if what else "")
    file.write_text(scenario_text(own, *tables, seconds=seconds), encoding="utf-8")
    return file


def run_law(
    folder: Path, law: str, *tables: str, seconds: float = 3.0, trust_law: bool = False
) -> tuple[Trial, TrialResult]:
    """Load, plan and run such a scenario; check what must hold for any law."""
    file = scenario_with(folder, law, *tables, seconds=seconds)
    (trial,) = plan_trials(load_scenario(file, check_law=True, trust_law=trust_law))
    result = run_trial(trial)
    assert broken_limits(trial, result) == []
    assert result.trace["t_us"][-1] == trial.duration_us, "the trial runs to its end"
    assert np.isfinite(result.trace["force_N"]).all()
    return trial, result


def told_faults(result: TrialResult) -> list[str]:
    """What the events say of the law."""
    return [str(event["what"]) for event in result.events if event["kind"] == "law-fault"]


def refusals(result: TrialResult) -> list[tuple[object, list[str]]]:
    """(t_us, requirements) of each refusal to arm."""
    found = [event for event in result.events if event["kind"] == "arming-refused"]
    return [(event["t_us"], list(event["reasons"])) for event in found]  # type: ignore[call-overload]


@pytest.mark.parametrize("law", [*(f"Answers: {what}" for what in UNUSABLE), "PosesAsANumber"])
def test_an_answer_that_is_no_demand_is_not_used_and_trips_at_the_third(tmp_path: Path, law: str) -> None:
    _, result = run_law(tmp_path, law)
    assert result.pulses["t_us"].size == 0
    assert events_of(result, "trip") == [(40_000, "trip", "R01")]
    assert result.reason_ticks["R01"] == 3
    asked_mA = result.trace["agonist_demand_mA"][result.trace["t_us"] <= 40_000]
    assert np.isnan(asked_mA).all(), "what can't be read is not shown as a number"


@pytest.mark.parametrize("what", TOO_MUCH)
def test_a_law_whose_first_answer_has_too_much_in_it_is_never_armed(tmp_path: Path, what: str) -> None:
    _, result = run_law(tmp_path, f"Answers: {what}")
    assert result.pulses["t_us"].size == 0
    assert events_of(result, "armed", "trip") == []
    refused = refusals(result)
    assert refused[0][0] == 0
    assert all("R02" in reasons for _, reasons in refused)


def test_an_answer_with_more_in_it_than_there_is_trips_at_once(tmp_path: Path) -> None:
    _, result = run_law(tmp_path, "GrowsAField")
    assert events_of(result, "trip") == [(1_000_000, "trip", "R02")]
    assert 0 < result.pulses["t_us"].max() < 1_000_000


@pytest.mark.parametrize("law", sorted(RAISING))
def test_a_law_that_raises_counts_as_no_answer_and_its_words_are_kept(tmp_path: Path, law: str) -> None:
    _, result = run_law(tmp_path, law)
    assert result.pulses["t_us"].size == 0
    assert events_of(result, "trip") == [(40_000, "trip", "R01")]
    assert [words.startswith(RAISING[law]) for words in told_faults(result)] == [True] * 3


def test_a_law_that_raises_now_and_then_is_only_left_out_then(tmp_path: Path) -> None:
    _, result = run_law(tmp_path, "RaisesSeldom")
    assert events_of(result, "trip") == []
    assert set(told_faults(result)) == {"KeyError: 'now and then'"}
    assert result.reason_ticks["R01"] == 50, "every third of 151 ticks"
    asked_mA = result.trace["agonist_demand_mA"]
    without = np.isnan(asked_mA)
    assert 0.3 < without.mean() < 0.36
    assert not result.trace["agonist_admitted_mA"][without].any()
    assert result.trace["agonist_admitted_mA"].max() == 1.2, "it never gets beyond its second tick"


def test_a_law_that_changes_the_kind_of_its_answer_at_every_tick_gets_nothing(tmp_path: Path) -> None:
    _, result = run_law(tmp_path, "ChangesItsMind")
    assert result.pulses["t_us"].size == 0
    assert events_of(result, "trip") == [(40_000, "trip", "R01")]


@pytest.mark.parametrize("law", ["Hard", "Utmost", "Swaps", "Flickers", "Jumps", "OneSided"])
def test_a_law_that_asks_for_too_much_gets_what_is_allowed_and_each_rule_is_told(tmp_path: Path, law: str) -> None:
    _, result = run_law(tmp_path, law, seconds=5.0)
    acted = set(result.reason_ticks)
    assert {"R06", "R07", "R09", "R11"} <= acted
    rows = np.bitwise_or.reduce(result.trace["reasons"])
    assert {f"R{bit + 1:02d}" for bit in range(RULES) if int(rows) >> bit & 1} == acted, (
        "the trace tells of each one too"
    )


def test_swapping_channels_at_every_tick_gives_pulses_that_never_meet(tmp_path: Path) -> None:
    _, result = run_law(tmp_path, "Swaps", seconds=5.0)
    fired = result.pulses
    assert {0, 1} == set(fired["channel"].tolist())
    changes = np.flatnonzero(np.diff(fired["channel"]) != 0)
    assert changes.size > 10
    end_us = fired["t_us"] + 2 * fired["width_us"] + fired["gap_us"]
    assert (fired["t_us"][changes + 1] - end_us[changes]).min() >= 1_000


@pytest.mark.parametrize("trust_law", [False, True])
@pytest.mark.parametrize("law", LATE)
def test_a_law_that_blocks_is_given_up_and_trips_the_heartbeat(tmp_path: Path, law: str, trust_law: bool) -> None:
    """Fair for fifty ticks, then no answer: half a second of wall clock later the trial goes on without it."""
    _, result = run_law(tmp_path, law, trust_law=trust_law)
    told = "no answer within 0.5 s" + ("" if trust_law else "; the law is not asked again in this trial")
    assert told_faults(result) == [told], "waited for once and never again"
    assert events_of(result, "trip") == [(1_480_000, "trip", "R32")], "half a second after its last answer, at 0.98 s"
    assert result.pulses["t_us"].size > 20
    late = result.pulses["current_mA"][result.pulses["t_us"] > 1_020_000]
    assert (np.diff(late) <= 0).all()


def test_a_law_that_never_gives_a_first_answer_is_given_up_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first answer has half a minute, since a law may compile itself then; here a tenth of a second."""
    monkeypatch.setattr(control, "LONGEST_START_S", 0.1)
    _, result = run_law(tmp_path, "LoopsFromTheStart")
    assert told_faults(result) == ["no answer within 0.1 s; the law is not asked again in this trial"]
    assert events_of(result, "armed", "trip") == [(0, "armed", ""), (500_000, "trip", "R32")]
    assert result.pulses["t_us"].size == 0


def test_the_watch_over_a_law_leaves_no_timer_and_no_handler_behind(tmp_path: Path) -> None:
    before = signal.getsignal(signal.SIGALRM)
    for law in ("LoopsForEver", "Raises", "PushesFairly"):
        run_law(tmp_path, law, trust_law=True)
        assert signal.getsignal(signal.SIGALRM) is before
        assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)


def test_outside_the_main_thread_a_slow_law_is_found_out_when_it_comes_back(tmp_path: Path) -> None:
    """No timers there. The second that it took is over, and the trip is the same."""
    (trial,) = plan_trials(load_scenario(scenario_with(tmp_path, "Sleeps"), check_law=True, trust_law=True))
    found: list[TrialResult] = []
    worker = threading.Thread(target=lambda: found.append(run_trial(trial)))
    worker.start()
    worker.join()
    assert events_of(found[0], "trip") == [(1_480_000, "trip", "R32")]
    assert told_faults(found[0]) == ["no answer within 0.5 s"]
    assert broken_limits(trial, found[0]) == []


def test_a_demand_that_fights_back_is_read_without_calling_any_of_its_methods(tmp_path: Path) -> None:
    _, fair = run_law(tmp_path, "PushesFairly")
    assert fair.pulses["t_us"].size > 50
    for trust_law in (False, True):
        _, result = run_law(tmp_path, "FightsBack", trust_law=trust_law)
        assert differing(result, fair) == []


def test_a_law_can_not_change_what_it_or_anybody_else_sees(tmp_path: Path) -> None:
    _, fair = run_law(tmp_path, "PushesFairly")
    for trust_law in (False, True):
        _, result = run_law(tmp_path, "WritesOnWhatItSees", trust_law=trust_law)
        assert columns_of(result) == columns_of(fair)


def test_ctrl_c_inside_a_trusted_law_is_ctrl_c_and_elsewhere_an_error_of_the_law(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        run_law(tmp_path, "Interrupts", trust_law=True)
    _, result = run_law(tmp_path, "Interrupts")
    assert told_faults(result) == ["KeyboardInterrupt: "] * 3


def test_a_law_that_fails_for_ever_before_arming_is_listed_fifty_times_at_most(tmp_path: Path) -> None:
    """Disarmed, nothing trips: the law is asked, and fails, at every tick."""
    _, result = run_law(tmp_path, "Raises", "[session]\narm_at_s = 2.5")
    assert len(told_faults(result)) == NOTED_FAULTS
    assert result.pulses["t_us"].size == 0
    assert events_of(result, "armed", "trip") == []
    ((refused_us, reasons),) = refusals(result)
    assert refused_us == 2_500_000
    assert "R01" in reasons


# The command line, as a user meets it.

ON_SCREEN = {
    "Answers: nothing": ("R01", ""),
    "Answers: 1e12": ("R01", ""),
    "GrowsAField": ("R02", ""),
    "Raises": ("R01", "ValueError: no grip on the handle at all"),
    "RaisesUntold": ("R01", "UntoldError: (no text)"),
    "Ends": ("R01", "SystemExit: 5"),
    "Sleeps": ("R32", "no answer within 0.5 s; the law is not asked again in this trial"),
}


@pytest.mark.parametrize("law", sorted(ON_SCREEN))
def test_a_run_with_a_bad_law_ends_with_the_reason_on_one_screen(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], law: str
) -> None:
    rule, words = ON_SCREEN[law]
    out = tmp_path / "run"
    assert main(["run", str(scenario_with(tmp_path, law)), "--out", str(out), "--jobs", "1"]) == 0
    screen = capfd.readouterr()
    assert screen.err == ""
    lines = screen.out.splitlines()
    assert len(lines) <= SCREEN_LINES
    assert any(line.startswith(f"{rule}  ") for line in lines), "the rule that acted, with what it holds"
    assert words in screen.out
    assert "Traceback" not in screen.out
    events = [json.loads(line) for line in (out / "events.jsonl").read_text("utf-8").splitlines()]
    assert [event["cause"] for event in events if event["kind"] == "trip"] == [rule]
    assert words in str([event["what"] for event in events if event["kind"] == "law-fault"])


@pytest.mark.slow
@pytest.mark.parametrize(("law", "jobs"), [("Swaps", 2), ("RaisesOddly", 1), ("Interrupts", 1)])
def test_a_bad_law_never_shows_a_user_a_traceback(tmp_path: Path, law: str, jobs: int) -> None:
    """As a process of its own: what only the interpreter's end would print is seen too."""
    file = scenario_with(tmp_path, law)
    more = 'conditions = ["assisted", "stimulation-only"]'
    file.write_text(file.read_text("utf-8").replace('conditions = ["assisted"]', more), encoding="utf-8")
    process = thenar_process(["run", file.name, "--out", "run", "--jobs", str(jobs)], tmp_path)
    out, told = process.communicate(timeout=LONG_S)
    assert process.returncode == 0
    assert "Traceback" not in out + told
    assert told == ""
    assert len(out.splitlines()) <= SCREEN_LINES + 8, "one screen, and the second condition's lines"
    again = ["replay", str(tmp_path / "run"), "--run-law", "--jobs", "1"]
    assert main(again) == 0, "even misuse can be repeated exactly"


CONSTRUCTORS = {
    "raises": ('raise RuntimeError("no settings")', "RuntimeError: no settings"),
    "ends": ("raise SystemExit(3)", "SystemExit: 3"),
    "oddly": ('raise OddError("odd")', "OddError: odd"),
    "untold": ("raise UntoldError", "UntoldError: (no text)"),
}
FILE_OF_ERRORS = """
class OddError(BaseException):
    pass


class UntoldError(Exception):
    def __str__(self):
        raise UntoldError


def fail():
    {body}


class Law:
    def __init__(self, settings, calibration):
        {inside}

    def decide(self, observation):
        return None


{outside}
"""


@pytest.mark.parametrize("where", ["constructor", "file"])
@pytest.mark.parametrize("name", sorted(CONSTRUCTORS))
def test_a_law_that_can_not_be_built_is_an_input_error_with_its_words(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], name: str, where: str
) -> None:
    body, words = CONSTRUCTORS[name]
    inside, outside = ("fail()", "") if where == "constructor" else ("pass", "fail()")
    file = scenario_with(tmp_path, "Law")
    (tmp_path / "bad_laws.py").write_text(FILE_OF_ERRORS.format(body=body, inside=inside, outside=outside), "utf-8")
    assert main(["run", str(file), "--out", str(tmp_path / "run"), "--jobs", "1"]) == 2
    screen = capfd.readouterr()
    assert screen.out == ""
    assert words in screen.err
    assert "bad_laws.py" in screen.err or "law" in screen.err
    assert "Traceback" not in screen.err
    assert len(screen.err.splitlines()) <= SCREEN_LINES
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bad.toml", "bad_laws.py"], "nothing half-written"


@pytest.mark.slow
def test_a_law_that_can_not_be_built_is_told_the_same_by_a_worker(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    body, words = CONSTRUCTORS["raises"]
    file = scenario_with(tmp_path, "Law", "repeats = 2")
    (tmp_path / "bad_laws.py").write_text(FILE_OF_ERRORS.format(body=body, inside="fail()", outside=""), "utf-8")
    told = []
    for jobs in ("1", "2"):
        assert main(["run", str(file), "--out", str(tmp_path / "run"), "--jobs", jobs]) == 2
        told.append(capfd.readouterr().err)
    assert words in told[0]
    assert told[1] == told[0]
