"""Between the one loop and the pages that look at it.

Every page gets the same messages; a refusal goes only to the page that asked. The hub holds what a page that comes
later must know: what the session is about, its state, and the last rows and events.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any, Final, Protocol

from thenar.live.outbox import Letter

RECENT_BYTES: Final = 1_500_000
"""Rows and events kept for a page that comes later, bytes: about a minute at real time."""
POLL_S: Final = 0.005
"""How often the loop is asked for news, s."""
DRAWN: Final = frozenset(
    {"t_us", "target_N", "force_N", "estimate_N", "agonist_demand_mA", "agonist_admitted_mA", "antagonist_demand_mA",
     "antagonist_admitted_mA", "reasons", "trip"}
)  # fmt: skip
"""Columns of the trace that the page draws; the others stay here."""
_PRIVATE: Final = {"refused", "done"}


class Session(Protocol):
    """The loop, seen from here (`thenar.live.session` has the messages)."""

    def send(self, message: dict[str, Any]) -> None:
        """Hand a message over; doesn't wait."""

    def poll(self) -> list[dict[str, Any]]:
        """What the loop said since the last call; doesn't wait. After "ended" nothing follows."""

    def close(self) -> None:
        """End the loop."""


class Listener(Protocol):
    """A page, seen from here."""

    def put(self, letter: Letter) -> None:
        """Take a letter to be sent; doesn't wait."""


class Hub:
    """The listeners of one session, and what a new one is told first."""

    def __init__(self, session: Session) -> None:
        """`session`: a loop that runs."""
        self.session = session
        self._listeners: dict[str, Listener] = {}
        self._newest: dict[str, Letter] = {}
        self._recent: deque[Letter] = deque()
        self._recent_bytes = 0
        self._watchers: set[Callable[[Mapping[str, Any]], None]] = set()

    def join(self, name: str, listener: Listener) -> None:
        """A page comes: it is told what the others know already. `name`: its own, never used twice."""
        for letter in (*self._known("about"), *self._recent, *self._known("state")):
            listener.put(letter)
        self._listeners[name] = listener

    def leave(self, name: str) -> None:
        """A page is gone."""
        self._listeners.pop(name, None)

    def watch(self, watcher: Callable[[Mapping[str, Any]], None]) -> Callable[[], None]:
        """Call `watcher` with each state as it stands; the answer ends that."""
        self._watchers.add(watcher)
        return lambda: self._watchers.discard(watcher)

    async def pump(self) -> None:
        """Carry what the loop says to the pages, until the loop has ended."""
        while True:
            for message in self.session.poll():
                self.spread(message)
                if message["is"] == "ended":
                    return
                # One after the other: a stop that comes meanwhile waits for one message at most.
                await asyncio.sleep(0)
            await asyncio.sleep(POLL_S)

    def spread(self, message: Mapping[str, Any]) -> None:
        """Send one message of the loop to everyone it is for."""
        if message["is"] == "state":
            for watcher in tuple(self._watchers):
                watcher(message)
        letter = letter_of(message)
        if message["is"] in _PRIVATE and message.get("ref") is not None:
            asked = self._listeners.get(str(message["ref"]))
            if asked is not None:
                asked.put(letter)
            return
        self._remember(letter)
        for listener in tuple(self._listeners.values()):
            listener.put(letter)

    def _known(self, kind: str) -> list[Letter]:
        return [self._newest[kind]] if kind in self._newest else []

    def _remember(self, letter: Letter) -> None:
        if letter.kind in {"about", "state"}:
            self._newest[letter.kind] = letter
        elif letter.kind in {"rows", "event", "round"}:
            self._recent.append(letter)
            self._recent_bytes += len(letter.text)
            while self._recent_bytes > RECENT_BYTES:
                self._recent_bytes -= len(self._recent.popleft().text)


def letter_of(message: Mapping[str, Any]) -> Letter:
    """A message of the session as it is sent to a page: without the name of who asked, rows without undrawn columns."""
    plain = {key: value for key, value in message.items() if key != "ref"}
    rows = 0
    if message["is"] == "rows":
        plain["columns"] = {name: values for name, values in plain["columns"].items() if name in DRAWN}
        rows = max(map(len, plain["columns"].values()), default=0)
    return Letter(str(message["is"]), json.dumps(plain, separators=(",", ":"), allow_nan=False), rows)
