"""A live session as its page sees it: messages in, messages out, the loop in a process of its own."""

from __future__ import annotations

import json
import multiprocessing
import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.thenar.small_runs import SMALL, with_own_law, write_scenario
from tests.waiting import LONG_S, limit_ms, until
from thenar.engine.events import run_trial
from thenar.engine.trial import plan_trials
from thenar.live.session import MOST_WAITING, LiveSession, Options, start
from thenar.live.session_lane import MOST_ROWS
from thenar.report.metrics import METRICS, target_rows
from thenar.report.tables import read_trial
from thenar.run import run_scenario
from thenar.scenarios.loader import load_scenario
from thenar.shared.errors import InputError

PREPARED_S = 1200.0
"""What a comparison needs is compiled behind all other work of the machine."""
TEXT = SMALL.replace("levels_N = [4.0, 7.0]", "levels_N = [12.0, 14.0]")

Said = dict[str, Any]


class Watched:
    """A session, and everything that it has said."""

    def __init__(self, session: LiveSession) -> None:
        self.session, self.said = session, []

    def send(self, **message: Any) -> None:
        self.session.send(message)

    def until(self, wanted: Callable[[Said], bool], since: int | None = None, within_s: float = LONG_S) -> Said:
        """The first message of that kind, from now on or from place `since` on."""
        place = len(self.said) if since is None else since
        limit_s = time.monotonic() + within_s
        while time.monotonic() < limit_s:
            self.said += self.session.poll()
            for said in self.said[place:]:
                place += 1
                if wanted(said):
                    return said
            time.sleep(0.002)
        raise AssertionError(f"nothing of the kind within {within_s} s; last: {self.said[-3:]}")

    def event(self, kind: str, since: int | None = None, **more: Any) -> Said:
        return self.until(
            lambda said: said["is"] == "event" and said["kind"] == kind and more.items() <= said.items(), since
        )

    def begin(self) -> Said:
        """Begin the round anew, armed."""
        place = len(self.said)
        self.send(do="restart")
        begun = self.until(lambda said: said["is"] == "round" and said["why"] == "restart", place)
        self.event("armed", place, round=begun["round"])
        return begun

    def state(self) -> Said:
        return self.until(lambda said: said["is"] == "state")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("bench")


@pytest.fixture(scope="module")
def shared(folder: Path) -> Iterator[Watched]:
    text = TEXT.replace("duration_s = 3.0", "duration_s = 600.0").replace("every_s = 1.5", "every_s = 300.0")
    file = write_scenario(folder, text, "long-hold.toml")
    with start(load_scenario(file), Options(folder=folder / "saved")) as session:
        watched = Watched(session)
        watched.until(lambda said: said["is"] == "state")
        yield watched


@pytest.fixture
def bench(shared: Watched) -> Watched:
    """The shared session at 2x, where a stall of the machine trips nothing, in a round that has just begun."""
    shared.send(do="pace", factor=2.0)
    shared.begin()
    return shared


def test_about_comes_first_and_everything_is_plain_json(bench: Watched) -> None:
    bench.state()
    assert bench.said[0]["is"] == "about"
    assert [said["is"] for said in bench.said].count("about") == 1
    assert {said["is"] for said in bench.said} >= {"about", "round", "rows", "event", "state"}
    for said in bench.said:
        assert json.loads(json.dumps(said, allow_nan=False)) == said


def test_each_control_says_what_is_set(bench: Watched) -> None:
    controls = bench.said[0]["controls"]
    assert {control["group"] for control in controls} == {"law", "estimator", "wearer"}
    for control in controls:
        assert control["low"] <= control["value"] <= control["high"]
        bench.send(do="set", key=control["key"], value=control["high"])
        changed = bench.event("change", key=control["key"])
        assert changed["value"] == control["high"]
        assert bench.state()["values"][control["key"]] == control["high"]
        bench.send(do="set", key=control["key"], value=control["value"])
        bench.event("change", key=control["key"])


@limit_ms(20.0)
@pytest.mark.parametrize("factor", [0.25, 1.0, 20.0])
def test_a_stop_acts_at_once_at_any_pace(bench: Watched, factor: float, limit_ms: float) -> None:
    bench.send(do="pace", factor=factor)
    bench.event("pace", 0, factor=factor)
    after_ms = []
    for number in range(10):
        bench.begin()
        time.sleep(0.013 * number % 0.05)
        bench.send(do="stop", ref=f"{factor}-{number}")
        stopped = bench.event("stopped", ref=f"{factor}-{number}")
        after_ms.append(stopped["after_ms"])
        bench.until(lambda said: said["is"] == "state" and said["latched"])
    assert max(after_ms) < limit_ms, after_ms


def test_a_stop_wins_over_all_that_waits_and_over_a_pause(bench: Watched) -> None:
    bench.send(do="pause")
    bench.until(lambda said: said["is"] == "state" and said["paused"])
    place = len(bench.said)
    for number in range(MOST_WAITING // 2):
        bench.send(do="set", key=f"law.settings.{'deadband_N' if number % 2 else 'gain_mA_per_N'}", value=0.3)
    bench.send(do="stop", ref="first of all")
    stopped = bench.event("stopped", place, ref="first of all")
    bench.send(do="resume")
    bench.event("change", bench.said.index(stopped))  # else all of them were made before it
    bench.until(lambda said: said["is"] == "state" and not said["paused"] and said["latched"])


def test_only_the_right_name_re_arms(bench: Watched) -> None:
    bench.send(do="stop")
    bench.event("stopped")
    bench.send(do="rearm", cause="R30")
    time.sleep(0.3)
    assert bench.state()["latched"]
    bench.send(do="rearm", cause="R33", ref="re")
    assert bench.event("cleared")["cause"] == "R33"
    bench.until(lambda said: said["is"] == "state" and said["armed"])


def test_every_kind_of_fault_begins_and_ends_by_name(bench: Watched) -> None:
    bench.send(do="pace", factor=4.0)
    for fault in bench.said[0]["faults"]:
        bench.begin()
        fields = {field["name"]: field["value"] for field in fault["fields"]}
        if "for_s" in fields:
            fields["for_s"] = 0.2
        bench.send(do="fault", kind=fault["kind"], **fields)
        begun = bench.event("fault", fault=fault["kind"])
        assert begun["live"]
        assert fields.items() <= begun.items()
        if "for_s" in fields:
            ended = bench.event("fault-ends", 0, fault=fault["kind"], round=begun["round"])
            assert ended["t_us"] - begun["t_us"] == 200_000


@pytest.mark.parametrize(
    "message",
    [
        {}, {"do": "nothing"}, {"do": "set"}, {"do": "set", "key": "law.name", "value": 1.0},
        {"do": "set", "key": "limits.profile", "value": 1.0}, {"do": "set", "key": "law.file", "value": 1.0},
        {"do": "set", "key": "law.settings.deadband_N", "value": 1e9},
        {"do": "set", "key": "law.settings.deadband_N", "value": float("nan")},
        {"do": "set", "key": "law.settings.deadband_N", "value": "0.5"},
        {"do": "stop", "really": True}, {"do": "pace", "factor": 21.0}, {"do": "rearm", "cause": "R99"},
        {"do": "save", "name": "../out"}, {"do": "save", "name": "UPPER"}, {"do": "save", "name": ""},
        {"do": "fault", "kind": "dropout"}, {"do": "fault", "kind": "dropout", "for_s": 1.0, "at_s": 4.0},
        {"do": "fault", "kind": "electrode-lift", "for_s": 1.0, "channel": "both", "contact_share": 0.5},
        {"do": "fault", "kind": "emergency-stop"}, {"do": "compare"}, ["do", "stop"], "stop", None, 7,
    ],
)  # fmt: skip
def test_what_cannot_be_followed_is_refused_in_words(bench: Watched, message: Any) -> None:
    bench.session.send(message)
    refused = bench.until(lambda said: said["is"] == "refused")
    assert len(refused["why"]) > 10
    assert "\n" not in refused["why"]
    bench.state()


def test_rounds_go_on_and_next_takes_other_noise(bench: Watched) -> None:
    before = bench.begin()
    bench.send(do="next")
    after = bench.until(lambda said: said["is"] == "round" and said["why"] == "next")
    assert (after["round"], after["repeat"]) == (before["round"] + 1, before["repeat"] + 1)
    again = bench.begin()
    assert again["repeat"] == after["repeat"]


def test_who_does_not_read_loses_the_oldest_rows_and_is_told_how_many(bench: Watched) -> None:
    bench.session._lane._most_rows = 50
    begun = bench.begin()
    lane = bench.session._lane
    lost = lane.lost_rows
    until(lambda: lane.lost_rows > lost, "a row left out")
    taken = bench.session.poll()
    lane._most_rows = MOST_ROWS
    rows = [said for said in taken if said["is"] == "rows"]
    seen, dropped = sum(len(said["columns"]["t_us"]) for said in rows), rows[0]["dropped"]
    assert seen <= 50
    of_round = [said for said in bench.said if said["is"] == "rows" and said["round"] == begun["round"]]
    before = sum(len(said["columns"]["t_us"]) for said in of_round)
    assert rows[-1]["from"] + len(rows[-1]["columns"]["t_us"]) == before + seen + dropped
    assert dropped > 0
    bench.said += taken
    assert bench.state()["dropped_rows"] >= dropped


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Watched, Path]]:
    """A session whose rounds are 3 s long, of the second wearer, at 20x."""
    folder = tmp_path_factory.mktemp("short")
    loaded = load_scenario(write_scenario(folder, TEXT))
    with start(loaded, Options(wearer=1, factor=20.0, folder=folder / "saved")) as session:
        watched = Watched(session)
        watched.until(lambda said: said["is"] == "state")
        yield watched, folder


def test_a_saved_setting_runs_as_the_session_did_to_the_last_bit(short: tuple[Watched, Path]) -> None:
    bench, folder = short
    moved = {
        "law.settings.deadband_N": 0.2,
        "estimator.latency_ms": 150.0,
        "estimator.offset_N": -1.3,
        "wearers[1].cue.trust": -0.4,
    }
    bench.send(do="next")
    for key, value in moved.items():
        bench.send(do="set", key=key, value=value)
        bench.event("change", 0, key=key, value=value)
    bench.send(do="restart", ref="alone")
    begun = bench.until(lambda said: said["is"] == "round" and said["why"] == "restart")
    bench.send(do="save", name="tried-out")
    saved = bench.until(lambda said: said["is"] in ("saved", "refused"))
    assert saved["is"] == "saved", saved
    bench.until(lambda said: said["is"] == "round" and said["round"] > begun["round"])
    rows = [said for said in bench.said if said["is"] == "rows" and said["round"] == begun["round"]]
    report = run_scenario(load_scenario(saved["path"]), folder / "run")
    expected = read_trial(report.folder / "trace.parquet", saved["trial"])
    for name in rows[0]["columns"]:
        live = np.array([np.nan if value is None else value for said in rows for value in said["columns"][name]])
        np.testing.assert_array_equal(live, expected[name], err_msg=name)
    record = json.loads(Path(saved["changes_path"]).read_text(encoding="utf-8"))
    assert record["set"] == moved
    assert [entry["key"] for entry in record["done_in_the_session"] if entry["kind"] == "change"] == list(moved)
    bench.send(do="save", name="tried-out")
    assert "already" in bench.until(lambda said: said["is"] == "refused")["why"]


def test_kept_and_current_are_compared_over_the_same_noise(short: tuple[Watched, Path]) -> None:
    bench, _ = short
    bench.send(do="keep", ref="kept")
    bench.until(lambda said: said["is"] == "done" and said["ref"] == "kept")
    bench.send(do="set", key="estimator.noise_floor_N", value=1.5)
    bench.event("change", key="estimator.noise_floor_N")
    bench.send(do="compare", ref="both")
    answer = bench.until(lambda said: said.get("ref") == "both", within_s=PREPARED_S)
    assert answer["is"] == "compared", answer
    assert bench.state()["comparer"] == "ready"
    assert "estimator.noise_floor_N" not in answer["kept"]["values"]
    assert answer["current"]["values"]["estimator.noise_floor_N"] == 1.5
    bench.send(do="save", name="current")
    saved = bench.until(lambda said: said["is"] == "saved")
    trials = plan_trials(load_scenario(saved["path"]))
    (whole,) = target_rows(
        run_trial(next(t for t in trials if t.label.index == trials_index(trials, answer))), moving=True
    )
    found = {measure["name"]: measure["current"] for measure in answer["measures"]}
    for metric, value in zip(METRICS, whole.values, strict=True):
        assert found[metric.name] == (None if np.isnan(value) else value), metric.name
    assert answer["measures"][0]["kept"] != answer["measures"][0]["current"]
    apart_N = np.subtract(answer["current"]["force_N"], answer["kept"]["force_N"])
    assert len(answer["t_s"]) == 301, "short enough that no row was thinned away"
    np.testing.assert_allclose(answer["difference_N"], apart_N, atol=1e-12)
    assert np.abs(apart_N).max() > 0.01


def trials_index(trials: Any, answer: Said) -> int:
    """The trial of a plan that a comparison is about."""
    return next(
        trial.label.index for trial in trials
        if trial.stimulated and (trial.label.wearer, trial.label.repeat) == (answer["wearer"], answer["repeat"])
    )  # fmt: skip


def gone(pid: int) -> bool:
    """Whether a process has ended, or is only waited for."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def hold_and_vanish(file: str, told: Any) -> None:
    session = start(load_scenario(file))
    watched = Watched(session)
    watched.until(lambda said: said["is"] == "state")
    told.send(session.loop_pid)
    os._exit(1)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")
def test_the_loop_ends_when_its_parent_is_gone(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    hears, tells = context.Pipe(duplex=False)
    parent = context.Process(target=hold_and_vanish, args=(str(write_scenario(tmp_path, TEXT)), tells))
    parent.start()
    pid = hears.recv()
    parent.join()
    until(lambda: gone(pid), "the loop's end")


STALLING_LAW = '''\
"""A law that stops answering for a while, once, and one day ends its process."""

import os
import time

from thenar import Demand, Stimulus


class Stalling:
    """Pushes; sleeps 0.2 s at 1 s; ends everything at 2 s."""

    def __init__(self, settings, calibration):
        self.pulse = Stimulus(calibration.agonist.motor_mA, calibration.agonist.width_us, calibration.agonist.rate_Hz)

    def decide(self, observation):
        """The same push for ever, late at one tick."""
        if observation.t_us == 1_000_000:
            time.sleep(0.2)
        if observation.t_us >= 2_000_000:
            os._exit(3)
        return Demand(self.pulse, Stimulus(0.0, 0.0, 0.0))
'''


@pytest.mark.parametrize("trust_law", [False, True])
def test_a_law_of_ones_own_that_is_late_is_passed_over_and_one_that_ends_its_process_is_told(
    tmp_path: Path, trust_law: bool
) -> None:
    """A trusted one ends the loop; any other ends itself, and the loop goes on without it."""
    loaded = load_scenario(with_own_law(tmp_path, STALLING_LAW, "Stalling", TEXT), trust_law=trust_law)
    with start(loaded, Options(folder=tmp_path)) as session:
        bench = Watched(session)
        assert 9 <= bench.event("passed-over", 0, t_us=1_000_000)["ticks"] <= 13
        if trust_law:
            ended = bench.until(lambda said: said["is"] == "ended")
            assert "its law ended it" in ended["why"]
            session.send({"do": "stop", "ref": "late"})
            assert bench.until(lambda said: said["is"] == "refused")["ref"] == "late"
        else:
            what = bench.event("law-fault", 0)["what"]
            assert what == "its process ended by itself, exit code 3; the law is not asked again in this trial"
            assert bench.event("trip", 0)["cause"] == "R01"
    rows = [said for said in bench.said if said["is"] == "rows"]
    t_us = np.concatenate([said["columns"]["t_us"] for said in rows])
    admitted_mA = np.concatenate([said["columns"]["agonist_admitted_mA"] for said in rows])
    # Last admitted at 0.98 s, for three periods.
    assert (admitted_mA[(t_us >= 980_000) & (t_us < 1_040_000)] > 0.0).all()
    assert (admitted_mA[(t_us >= 1_040_000) & (t_us < 1_180_000)] == 0.0).all()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (Options(wearer=2), "0 to 1"), (Options(factor=0.1), "0.25 to 20"),
        (Options(condition="unassisted"), "one of assisted"),
    ],
)  # fmt: skip
def test_a_session_that_cannot_be_is_refused_at_once(tmp_path: Path, options: Options, said: str) -> None:
    with pytest.raises(InputError, match=said):
        start(load_scenario(write_scenario(tmp_path, TEXT)), options)
