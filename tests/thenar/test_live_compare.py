"""What a session needs to compare is prepared behind the loop, for as long as that takes."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import Any

import pytest

from tests.thenar.small_runs import SMALL, with_own_law
from tests.waiting import LONG_S, until
from thenar.live import session_compare
from thenar.live.session_compare import Comparer, Pair, compared
from thenar.live.session_controls import Setting
from thenar.scenarios.loader import LoadedScenario, load_scenario, parse_scenario


def pair_of(loaded: LoadedScenario) -> Pair:
    """A setting against itself."""
    setting = Setting(loaded, {})
    return Pair(setting, setting, 5, 0, 0, "assisted")


def small_pair() -> Pair:
    return pair_of(parse_scenario(SMALL, "small.toml", Path()))


class Line:
    """The other end of a comparer's line: prepared when it is told to be, and answers at once."""

    def __init__(self) -> None:
        self.prepared, self.limits_s, self.sent = threading.Event(), [], []  # type: ignore[var-annotated]

    def recv(self) -> dict[str, Any]:
        if not self.sent:
            assert self.prepared.wait(LONG_S)
            return {"is": "prepared"}
        return {"is": "compared"}

    def send(self, pair: Pair) -> None:
        self.sent.append(pair)

    def poll(self, limit_s: float) -> bool:
        self.limits_s.append(limit_s)
        return True


def test_preparing_counts_for_no_limit_and_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session_compare, "LONGEST_S", 0.05)
    pair, line, answers = small_pair(), Line(), []  # type: ignore[var-annotated]
    comparer = Comparer(pair)
    monkeypatch.setattr(comparer, "_started", lambda: line)
    assert comparer.stands == "waiting"
    threads = [threading.Thread(target=comparer.prepare)]
    threads.append(threading.Thread(target=lambda: answers.append(comparer.compare(pair))))
    for thread in threads:
        thread.start()
    until(lambda: comparer.stands == "preparing")
    time.sleep(0.3)  # six times what a comparison may take
    assert (answers, line.sent) == ([], [])
    line.prepared.set()
    for thread in threads:
        thread.join(LONG_S)
    assert answers == [{"is": "compared"}]
    assert line.limits_s == [0.05]
    assert comparer.stands == "ready"


@pytest.mark.slow
def test_a_process_that_ends_while_it_prepares_is_told_and_the_next_comparison_begins_anew(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    comparer, pair = Comparer(small_pair()), small_pair()
    started, usual = [], comparer._started

    def first_is_killed() -> Any:
        line = usual()
        started.append(line)
        if len(started) == 1:
            comparer._process.kill()
        return line

    monkeypatch.setattr(comparer, "_started", first_is_killed)
    try:
        answer = comparer.compare(pair)
        assert answer["is"] == "refused"
        assert "ended without an answer" in answer["why"]
        assert comparer.stands == "waiting"
        assert comparer.compare(pair)["is"] == "compared"
        assert (len(started), comparer.stands) == (2, "ready")
    finally:
        comparer.close()


def test_a_comparer_that_is_closed_while_it_prepares_leaves_no_process() -> None:
    comparer = Comparer(small_pair())
    preparing = threading.Thread(target=comparer.prepare)
    preparing.start()
    until(lambda: comparer._process is not None)
    process = comparer._process
    comparer.close()
    preparing.join(LONG_S)
    assert not preparing.is_alive()
    assert not process.is_alive()
    assert comparer.compare(small_pair())["is"] == "refused", "closed for good"


NEVER = '''
class Never:
    """Doesn't answer."""

    def __init__(self, settings, calibration):
        pass

    def decide(self, observation):
        """Nothing, for ever."""
        while True:
            pass
'''


def test_a_law_of_ones_own_is_not_asked_while_preparing(tmp_path: Path) -> None:
    pair = pair_of(load_scenario(with_own_law(tmp_path, NEVER, "Never")))
    session_compare._warm_up(pair)


def test_a_setting_against_itself_differs_nowhere() -> None:
    answer = compared(small_pair())
    assert len(answer["difference_N"]) == len(answer["t_s"])
    assert not answer["difference_N"].any()
