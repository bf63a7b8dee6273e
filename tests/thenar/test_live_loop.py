"""The loop of a session in this process: what is said at awkward moments."""

from __future__ import annotations

import itertools
import math
import multiprocessing
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.thenar.small_runs import SMALL
from tests.waiting import LONG_S
from thenar.live import session_loop
from thenar.live.session_lane import Lane, Said
from thenar.live.session_loop import STOP, Beginning, Bench, Order
from thenar.scenarios.loader import parse_scenario


class Driven:
    """A bench that has begun a round, and both ends of its lines."""

    def __init__(self) -> None:
        loaded = parse_scenario(SMALL.replace("duration_s = 3.0", "duration_s = 0.5"), "short-hold.toml", Path())
        heard, self.orders = multiprocessing.Pipe(duplex=False)
        theirs, self.stops = socket.socketpair()
        theirs.setblocking(False)
        self.lane = Lane()
        self.bench = Bench(Beginning(loaded, 5, 0, "assisted", 0, 20.0), heard, theirs, self.lane, "")
        self.bench._watched = False
        self.bench._begin("begin")
        self._ends = (heard, self.orders, theirs, self.stops)

    def close(self) -> None:
        for end in self._ends:
            end.close()

    def to_the_last_instant(self, silent: bool = True) -> None:
        """`silent`: nothing is under way any more, no pulse that strikes after the end."""
        if silent:
            self.stops.send(STOP.pack(time.perf_counter()))
        while self.bench._paced.next_us() != 500_000:
            self.bench._live()
        time.sleep(0.05)

    def said_until(self, complete: Callable[[list[Said]], bool]) -> list[Said]:
        """Let it live for 50 turns or more, until what it said is `complete`; all of that."""
        said = list[Said]()
        limit_s = time.monotonic() + LONG_S
        for turn in itertools.count():
            self.bench._live()
            said += self.lane.take()
            if turn >= 50 and complete(said):
                return said
            assert time.monotonic() < limit_s, said
        raise AssertionError


@pytest.fixture
def driven() -> Iterator[Driven]:
    found = Driven()
    yield found
    found.close()


@pytest.mark.parametrize("word", ["pause", "rearm", "restart", "next"])
def test_what_is_said_at_the_last_instant_of_a_round_is_followed(driven: Driven, word: str) -> None:
    driven.to_the_last_instant()
    driven.orders.send(Order(word, "last", "R33" if word == "rearm" else None))
    said = driven.said_until(lambda told: sum(one["is"] == "round" for one in told) == (1 if word == "pause" else 2))
    assert [one["do"] for one in said if one["is"] == "done"] == [word]
    whys = [one["why"] for one in said if one["is"] == "round"]
    assert whys[:2] == {"pause": ["begin"], "rearm": ["begin", "ended"]}.get(word, ["begin", word])


def test_a_stop_at_the_last_instant_is_the_last_of_its_round(driven: Driven) -> None:
    driven.to_the_last_instant(silent=False)
    driven.stops.send(STOP.pack(time.perf_counter()))
    said = driven.said_until(lambda told: sum(one["is"] == "round" for one in told) == 2)
    (trip,) = [one for one in said if one["is"] == "event" and one["kind"] == "trip"]
    assert (trip["round"], trip["t_us"], trip["cause"]) == (0, 500_000, "R33")
    assert [one["round"] for one in said if one["is"] == "round"][:2] == [0, 1]


def test_a_session_whose_lines_are_closed_ends(driven: Driven) -> None:
    driven.orders.close()
    driven.bench._paused = True  # nothing else is due
    with pytest.raises(EOFError):
        driven.bench._live()


def test_the_rows_that_show_a_setting_follow_it_sooner_than_the_others(
    driven: Driven, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Without a turn of their own, rows come this late: far later than a busy machine is.
    monkeypatch.setattr(session_loop, "ROWS_EVERY_S", 60.0)
    monkeypatch.setattr(session_loop, "STATE_EVERY_S", 60.0)
    waits_s = []
    driven.bench._factor = 1.0
    for _ in range(3):
        driven.bench._begin("restart")
        driven.lane.take()
        driven.orders.send(Order("set", "soon", ("estimator.noise_floor_N", 0.4, driven.bench._loaded.scenario)))
        begun_s, changed_us, last_us = time.perf_counter(), math.inf, -1.0
        while last_us <= changed_us:
            driven.bench._live()
            for one in driven.lane.take():
                changed_us = one["t_us"] if one.get("kind") == "change" else changed_us
                last_us = one["arrays"][1][-1, 0] if one["is"] == "rows" else last_us
        waits_s.append(time.perf_counter() - begun_s)
    assert max(waits_s) < 30.0, waits_s
