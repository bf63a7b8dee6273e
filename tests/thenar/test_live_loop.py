"""The loop of a session in this process: what is said at awkward moments."""

from __future__ import annotations

import math
import multiprocessing
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.thenar.small_runs import SMALL
from thenar.live.session_lane import Lane
from thenar.live.session_loop import ROWS_EVERY_S, STOP, Beginning, Bench, Order
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


@pytest.fixture
def driven() -> Iterator[Driven]:
    found = Driven()
    yield found
    found.close()


@pytest.mark.parametrize("word", ["pause", "rearm", "restart", "next"])
def test_what_is_said_at_the_last_instant_of_a_round_is_followed(driven: Driven, word: str) -> None:
    driven.to_the_last_instant()
    driven.orders.send(Order(word, "last", "R33" if word == "rearm" else None))
    for _ in range(200):
        driven.bench._live()
    said = driven.lane.take()
    assert [one["do"] for one in said if one["is"] == "done"] == [word]
    whys = [one["why"] for one in said if one["is"] == "round"]
    assert whys[:2] == {"pause": ["begin"], "rearm": ["begin", "ended"]}.get(word, ["begin", word])


def test_a_stop_at_the_last_instant_is_the_last_of_its_round(driven: Driven) -> None:
    driven.to_the_last_instant(silent=False)
    driven.stops.send(STOP.pack(time.perf_counter()))
    for _ in range(200):
        driven.bench._live()
    said = driven.lane.take()
    (trip,) = [one for one in said if one["is"] == "event" and one["kind"] == "trip"]
    assert (trip["round"], trip["t_us"], trip["cause"]) == (0, 500_000, "R33")
    assert [one["round"] for one in said if one["is"] == "round"][:2] == [0, 1]


def test_a_session_whose_lines_are_closed_ends(driven: Driven) -> None:
    driven.orders.close()
    driven.bench._paused = True  # nothing else is due
    with pytest.raises(EOFError):
        driven.bench._live()


def test_the_rows_that_show_a_setting_follow_it_sooner_than_the_others(driven: Driven) -> None:
    waits_s = []
    driven.bench._factor = 1.0
    for _ in range(9):
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
    # The best of them, as the machine may be busy: without a turn of their own no rows come before ROWS_EVERY_S.
    assert min(waits_s) < 0.7 * ROWS_EVERY_S, waits_s
