"""A user's law in a process of its own: what it gets, what it can't do, and how its slips and ends are told."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.controller.wearers_and_observations import CALIBRATION
from thenar.controller import law_process
from thenar.controller.confinement import confine
from thenar.controller.law_process import AwayLaw, GoneError, LateError, LawRaisedError
from thenar.controller.registry import LawSettings, build_law, stated, where_runs
from thenar.shared.errors import InputError
from thenar.shared.signals import REST, Demand, Observation, Stimulus

LAWS = """
import os
import signal
import sys
import time

import numba

from thenar.controller.stepped import SteppedLaw
from thenar.shared.errors import Strict
from thenar.shared.signals import REST, Demand, Stimulus

seen_by_this_module = []


class Plain:
    def __init__(self, settings, calibration):
        self.settings, self.calibration = settings, calibration

    def decide(self, observation):
        seen_by_this_module.append(observation)
        return self.answer(observation)

    def answer(self, observation):
        own = self.calibration.agonist
        return Demand(Stimulus(own.motor_mA, own.width_us, observation.estimate_N), Stimulus(1, 2, 3))


class Tells(Plain):
    def answer(self, observation):
        raise RuntimeError(str(eval(self.settings["what"])))


class Ends(Plain):
    def answer(self, observation):
        os.kill(os.getpid(), getattr(signal, self.settings["signal"]))


class Sleeps(Plain):
    def answer(self, observation):
        time.sleep(0.4)
        return Demand(REST, REST)


class Prints(Plain):
    def answer(self, observation):
        for number in range(self.settings["lines"]):
            print("line", number, "\\x1b[2J")
        return ("not", "a demand")


class WithSettings(Plain):
    class Settings(Strict):
        push_mA: float = 3.0


@numba.njit
def place_of(array, place):
    return array[place]


def step_of(name, body):
    return body


class Writes(SteppedLaw):
    def __init__(self, settings, calibration):
        super().__init__([settings["at"]], [1.0, 2.0])

    @staticmethod
    def step(numbers, memory, seen, asked):
        asked[:] = 0.0
        asked[int(numbers[0])] = 1.0


class Reads(Writes):
    @staticmethod
    def step(numbers, memory, seen, asked):
        asked[:] = 0.0
        asked[0] = place_of(memory, int(numbers[0]))


class ReadsPlainly(Writes):
    @staticmethod
    def step(numbers, memory, seen, asked):
        asked[:] = eval("0.0")
        asked[0] = memory[int(numbers[0])]


class Wobbles(SteppedLaw):
    def __init__(self, settings, calibration):
        super().__init__([0.37, 1.9], [0.1, 0.2])

    @staticmethod
    def step(numbers, memory, seen, asked):
        memory[0] = 0.9 * memory[0] + numbers[0] * (seen[1] - seen[2])
        memory[1] += memory[0] * memory[0] / 3.0
        for place in range(6):
            asked[place] = abs(memory[place % 2]) ** 0.5 * numbers[1] / (1.0 + place)
"""
SEEN = Observation(20_000, 6.0, 5.5, 20_000, 0.1, REST, REST)


def law_of(folder: Path, name: str, trusted: bool = False, **settings: object) -> Any:
    """A law of the file above."""
    (folder / "own.py").write_text(LAWS, "utf-8")
    return build_law(spec(name, settings), CALIBRATION, folder, trusted=trusted)


def spec(name: str, settings: dict[str, object]) -> LawSettings:
    """The law table of a scenario."""
    return LawSettings.model_validate({"file": "own.py", "class": name, "settings": settings})


def told(folder: Path, what: str) -> str:
    """What an expression is worth in a law's process."""
    with pytest.raises(LawRaisedError) as error:
        law_of(folder, "Tells", what=what).decide(SEEN)
    return str(error.value).removeprefix("RuntimeError: ")


def test_numbers_go_there_and_come_back(tmp_path: Path) -> None:
    own = CALIBRATION.agonist
    demand = law_of(tmp_path, "Plain").decide(SEEN)
    assert demand == Demand(Stimulus(own.motor_mA, own.width_us, 5.5), Stimulus(1.0, 2.0, 3.0))
    assert all(type(number) is float for stimulus in demand for number in stimulus)


def test_one_process_serves_trial_after_trial_each_with_its_file_run_anew(tmp_path: Path) -> None:
    pids = []
    for _ in range(3):
        law = law_of(tmp_path, "Tells", what="os.getpid(), len(seen_by_this_module)")
        with pytest.raises(LawRaisedError) as error:
            law.decide(SEEN)
        pids.append(str(error.value))
        law.close()
    assert len(set(pids)) == 1
    assert pids[0].endswith(", 1)")


def test_laws_that_are_open_together_have_a_process_each(tmp_path: Path) -> None:
    one, other = law_of(tmp_path, "Tells", what="os.getpid()"), law_of(tmp_path, "Tells", what="os.getpid()")
    words = []
    for law in (one, other):
        with pytest.raises(LawRaisedError) as error:
            law.decide(SEEN)
        words.append(str(error.value))
    assert words[0] != words[1]


def test_it_inherits_nothing_that_is_open_and_little_of_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("A_SECRET", "x")
    law_process.end_idle()
    with (tmp_path / "open").open("w") as file:
        os.set_inheritable(file.fileno(), True)
        names = told(tmp_path, "[os.readlink(f'/proc/self/fd/{n}') for n in sorted(os.listdir('/proc/self/fd'))[:-1]]")
    assert str(tmp_path) not in names
    assert names.count("/dev/null") == 3
    assert names.count("socket:") == 1
    assert names.count("pipe:") == 1
    assert told(tmp_path, "'A_SECRET' in os.environ") == "False"


def test_an_end_by_a_signal_is_told_with_its_name_and_it_is_not_asked_again(tmp_path: Path) -> None:
    law = law_of(tmp_path, "Ends", signal="SIGSEGV")
    for _ in range(2):
        with pytest.raises(GoneError, match="its process was ended by SIGSEGV"):
            law.decide(SEEN)


def test_a_late_answer_is_thrown_away_and_the_law_is_asked_again(tmp_path: Path) -> None:
    law = law_of(tmp_path, "Sleeps")
    with pytest.raises(LateError):
        law.answer(SEEN, 0.05)
    with pytest.raises(LateError):
        law.answer(SEEN, 5.0)
    while not law._process.late_answer_came():
        pass
    assert law.answer(SEEN, 30.0) == Demand(REST, REST)


def test_what_it_prints_is_shown_as_the_laws_without_control_characters_and_bounded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    law = law_of(tmp_path, "Prints", lines=5_000)
    assert law.decide(SEEN) is None
    law.close()
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.splitlines()[0] == "the law printed: line 0  [2J"
    assert len(told.err.splitlines()) == 11
    assert "\x1b" not in told.err


def test_its_settings_are_checked_where_it_is(tmp_path: Path) -> None:
    (tmp_path / "own.py").write_text(LAWS, "utf-8")
    found = stated(spec("WithSettings", {}), tmp_path)
    assert found.values == {"push_mA": 3.0}
    assert found == stated(spec("WithSettings", {}), tmp_path, trusted=True)
    for trusted in (False, True):
        with pytest.raises(InputError, match=r"law\.settings\.push_mA"):
            stated(spec("WithSettings", {"push_mA": "much"}), tmp_path, trusted=trusted)


def test_settings_are_checked_by_the_file_as_it_is_now(tmp_path: Path) -> None:
    for push_mA in (3.0, 4.0):
        (tmp_path / "own.py").write_text(LAWS.replace("push_mA: float = 3.0", f"push_mA: float = {push_mA}"), "utf-8")
        assert stated(spec("WithSettings", {}), tmp_path).values == {"push_mA": push_mA}


def test_where_a_law_runs() -> None:
    assert where_runs(LawSettings(name="yielding"), trusted=True) == "shipped"
    assert where_runs(spec("Plain", {}), trusted=True) == "in process (trusted)"
    assert where_runs(spec("Plain", {}), trusted=False) == "own process"


@pytest.mark.parametrize("name", ["Writes", "Reads", "ReadsPlainly"])
@pytest.mark.parametrize("at", [-7, -1, 60])
def test_an_index_outside_an_array_is_told_with_array_and_index(tmp_path: Path, name: str, at: int) -> None:
    array, last = ("asked", 5) if name == "Writes" else ("memory", 1)
    words = f"SlipError: index {at} of {array}, which has the places 0 to {last}, in line "
    with pytest.raises(LawRaisedError, match=words):
        law_of(tmp_path, name, at=at).decide(SEEN)


@pytest.mark.parametrize("name", ["Writes", "Reads", "ReadsPlainly"])
def test_an_index_inside_is_no_slip(tmp_path: Path, name: str) -> None:
    assert law_of(tmp_path, name, at=1).decide(SEEN).agonist != REST


def test_a_checked_step_gives_the_bits_of_an_unchecked_one(tmp_path: Path) -> None:
    apart, here = law_of(tmp_path, "Wobbles"), law_of(tmp_path, "Wobbles", trusted=True)
    assert isinstance(apart, AwayLaw)
    assert apart.compiled
    assert apart.remembers
    seed = 20261130
    rng = np.random.default_rng(seed)
    for tick in range(200):
        estimate_N = float(rng.normal(6.0, 2.0)) if tick % 50 else math.nan
        seen = SEEN._replace(t_us=20_000 * tick, estimate_N=estimate_N, target_N=float(rng.uniform(2.0, 9.0)))
        assert repr(apart.decide(seen)) == repr(here.decide(seen)), f"tick {tick}, seed {seed}"


def test_ending_a_process_ends_it(tmp_path: Path) -> None:
    law = law_of(tmp_path, "Plain")
    law.decide(SEEN)
    process = law._process._process
    assert process.poll() is None
    law.give_up("enough")
    assert process.poll() is not None
    with pytest.raises(GoneError, match="enough"):
        law.decide(SEEN)


ATTEMPTS = {
    "write a file": "open('made', 'w')",
    "append to one": "open(__file__, 'a')",
    "remove one": "os.unlink(__file__)",
    "make a folder": "os.mkdir('made')",
    "rename": "os.rename(__file__, 'made')",
    "link": "os.symlink('a', 'b')",
    "change a mode": "os.chmod(__file__, 0)",
    "fork": "os.fork()",
    "run a program": "os.execv('/bin/true', ['true'])",
    "signal the parent": "os.kill(os.getppid(), 0)",
    "open a socket": "__import__('socket').socket()",
    "write the parent's memory": "open(f'/proc/{os.getppid()}/mem', 'r+b')",
    "raise a limit": "__import__('resource').setrlimit(__import__('resource').RLIMIT_FSIZE, (-1, -1))",
    "share memory by name": "os.memfd_create('x')",
    "have a signal sent": "__import__('fcntl').fcntl(0, 8, os.getppid())",
    "slow the parent": "os.setpriority(os.PRIO_PROCESS, os.getppid(), 19)",
    "eat memory": "len(bytearray(3 * 2**30))",
}


def filtered() -> bool:
    """Whether system calls can be filtered on this machine."""
    source = "from thenar.controller.confinement import confine; import os; os._exit(0 if confine() else 1)"
    return subprocess.run([sys.executable, "-c", source], check=False).returncode == 0


@pytest.mark.parametrize("what", sorted(ATTEMPTS))
def test_it_may_not(tmp_path: Path, what: str) -> None:
    assert callable(confine)
    if not filtered():
        pytest.skip("system calls can't be filtered on this machine")
    with pytest.raises(LawRaisedError) as error:
        law_of(tmp_path, "Tells", what=ATTEMPTS[what]).decide(SEEN)
    refused = ("PermissionError: [Errno 1]", "MemoryError", "ValueError: not allowed to raise maximum limit")
    assert str(error.value).startswith(refused), str(error.value)


def test_it_may_read_and_start_threads(tmp_path: Path) -> None:
    assert told(tmp_path, "len(open(__file__).read()) > 100") == "True"
    started = "[t := __import__('threading').Thread(target=print), t.start(), t.join()][1:]"
    assert told(tmp_path, started) == "[None, None]"
