"""Between the one loop and the pages that look at it.

Every page gets the same messages; a refusal goes only to the page that asked. The hub holds what a page that comes
later must know: what the session is about, its state, and the last rows and events.
"""

from __future__ import annotations

import asyncio
import json
import math
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final, Protocol

from thenar.live.outbox import Letter

RECENT_BYTES: Final = 1_000_000
"""Rows and events kept for a page that comes later, bytes: about a minute at real time."""
POLL_S: Final = 0.01
"""How often the loop is asked for news, s."""
PIECE: Final = 2000
"""Numbers that are written as text in one go; between two pieces others are served, above all a stop."""


class Session(Protocol):
    """The loop, seen from here: messages are dicts of plain values."""

    def send(self, message: Mapping[str, Any]) -> None:
        """Hand a message over; doesn't wait."""

    def poll(self) -> list[dict[str, Any]]:
        """What the loop said since the last call; doesn't wait."""

    def alive(self) -> bool:
        """Whether the loop still runs."""

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
        for kind in ("about", "state"):
            if kind in self._newest:
                listener.put(self._newest[kind])
        for letter in self._recent:
            listener.put(letter)
        self._listeners[name] = listener

    def leave(self, name: str) -> None:
        """A page is gone."""
        self._listeners.pop(name, None)

    def watch(self, watcher: Callable[[Mapping[str, Any]], None]) -> Callable[[], None]:
        """Call `watcher` with each state and event as it stands; the answer ends that."""
        self._watchers.add(watcher)
        return lambda: self._watchers.discard(watcher)

    async def pump(self) -> None:
        """Carry what the loop says to the pages, until the loop has ended."""
        while True:
            running = self.session.alive()
            for message in self.session.poll():
                await self.spread(message)
            if not running:
                return
            await asyncio.sleep(POLL_S)

    async def spread(self, message: Mapping[str, Any]) -> None:
        """Send one message of the loop to everyone it is for."""
        kind = str(message.get("say", ""))
        if kind in {"state", "event"}:
            for watcher in tuple(self._watchers):
                watcher(message)
        plain = {key: value for key, value in message.items() if key != "to"}
        letter = Letter(kind, await text_of(plain), rows_in(message) if kind == "rows" else 0)
        addressed = message.get("to")
        if addressed is not None:
            self._to(str(addressed), letter)
            return
        self._remember(letter)
        for listener in tuple(self._listeners.values()):
            listener.put(letter)

    def _to(self, name: str, letter: Letter) -> None:
        listener = self._listeners.get(name)
        if listener is not None:
            listener.put(letter)

    def _remember(self, letter: Letter) -> None:
        if letter.kind in {"about", "state"}:
            self._newest[letter.kind] = letter
        elif letter.kind in {"rows", "event"}:
            self._recent.append(letter)
            self._recent_bytes += len(letter.text)
            while self._recent_bytes > RECENT_BYTES:
                self._recent_bytes -= len(self._recent.popleft().text)


def rows_in(message: Mapping[str, Any]) -> int:
    """How many rows a message of rows holds."""
    columns = message.get("columns")
    return max((len(values) for values in columns.values()), default=0) if isinstance(columns, Mapping) else 0


async def text_of(value: object) -> str:
    """`value` as JSON in which what is not a finite number is null. Long lists are written in pieces."""
    if isinstance(value, Mapping):
        return "{" + ",".join([f"{json.dumps(str(key))}:{await text_of(part)}" for key, part in value.items()]) + "}"
    if isinstance(value, list | tuple):
        if len(value) > PIECE:
            return await _long(value)
        return _short(value) if _flat(value) else "[" + ",".join([await text_of(part) for part in value]) + "]"
    return json.dumps(_finite(value))


async def _long(values: list[Any] | tuple[Any, ...]) -> str:
    pieces = []
    for start in range(0, len(values), PIECE):
        pieces.append((await text_of(values[start : start + PIECE]))[1:-1])
        await asyncio.sleep(0)
    return "[" + ",".join(pieces) + "]"


def _flat(values: Iterable[object]) -> bool:
    return not any(isinstance(value, Mapping | list | tuple) for value in values)


def _short(values: Iterable[object]) -> str:
    return json.dumps([_finite(value) for value in values], separators=(",", ":"))


def _finite(value: object) -> object:
    """What isn't a finite number has no word in JSON. Nine digits are more than a picture shows."""
    if isinstance(value, float):
        return float(f"{value:.9g}") if math.isfinite(value) else None
    return value
