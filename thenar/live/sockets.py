"""The sockets of the live page: the page's own, and the one that does nothing but stop the loop."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
from collections.abc import Callable, Mapping
from typing import Any, Final

from tornado.websocket import WebSocketClosedError, WebSocketHandler

from thenar.live.doors import our_host, our_origin
from thenar.live.heard import Allowance, understood
from thenar.live.outbox import Letter, Outbox
from thenar.live.requests import House
from thenar.live.session_messages import RefusedError

MOST_PAGES: Final = 8
MOST_STOPS: Final = 16
PATIENCE_S: Final = 20.0
"""How long one message may take to leave before the page counts as gone, s."""
MOST_NONSENSE: Final = 20
MOST_OVER: Final = 600
"""Messages beyond the allowance after which the socket is shut."""
PARTING_S: Final = 1.0
"""How long a page may take to hear the last words, s."""
GOING_AWAY, POLICY, TRY_LATER = 1001, 1008, 1013
"""Closing codes of the socket protocol: the end, against the rules of this server, come again later."""

_NUMBERS = itertools.count(1)


class _Socket(WebSocketHandler):
    """What both sockets have in common: nobody comes in before Host, origin and token were right."""

    wanted = "page"

    def initialize(self, house: House) -> None:
        self.house = house
        self._nonsense = 0

    def prepare(self) -> None:
        """Refuse before the socket opens."""
        request = self.request
        origin = request.headers.get("Origin")
        if not our_host(request.host, self.house.port) or self.house.opens(self.path_args[0]) != self.wanted:
            self._shut(404)
        elif not our_origin(origin, request.host, opaque_too=self.wanted == "stop"):
            self._shut(403)

    def check_origin(self, origin: str) -> bool:
        """The same as in `prepare`; asked once more by the library."""
        return our_origin(origin, self.request.host, opaque_too=self.wanted == "stop")

    def _shut(self, status: int) -> None:
        self.clear()
        self.set_header("Server", "thenar")
        self.set_status(status)
        self.finish()

    def get_compression_options(self) -> None:
        """No compression: on one machine it costs more than it saves."""

    async def shown_out(self) -> None:
        """Say that it is over, and shut."""
        self.close(GOING_AWAY, "the loop has ended")

    def no_sense(self, error: RefusedError) -> str:
        """Words for a message that was refused; shuts the socket after too many."""
        self._nonsense += 1
        if self._nonsense >= MOST_NONSENSE:
            self.close(POLICY, "too many messages that make no sense")
        return str(error)


class LiveDoor(_Socket):
    """A page's socket."""

    def open(self, *_: str, **__: str) -> None:
        """A page comes."""
        self._name = f"page-{next(_NUMBERS)}"
        self._outbox, self._waiting = Outbox(), asyncio.Event()
        self._allowance, self._over = Allowance(), 0
        if len(self.house.pages) >= MOST_PAGES:
            self.close(TRY_LATER, f"{MOST_PAGES} pages are open already")
            return
        self.set_nodelay(True)
        self.house.pages.add(self)
        self.house.hub.join(self._name, self)
        self._writing = asyncio.create_task(self._write())

    def put(self, letter: Letter) -> None:
        """Take a letter for this page; one that doesn't read any more is shut."""
        if not self._outbox.put(letter):
            self._leave()
            self.close(POLICY, "the page doesn't take what it is sent")
        self._waiting.set()

    def on_message(self, message: str | bytes) -> None:
        """What the page says: checked, counted, handed to the loop. A stop is never counted."""
        try:
            found = understood(message, self._name)
        except RefusedError as error:
            self._refuse(self.no_sense(error))
            return
        if found["do"] != "stop" and not self._allowance.spend():
            self._too_much()
            return
        self.house.hub.session.send(found)

    async def shown_out(self) -> None:
        """Send what still waits, say that it is over, and shut."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(PARTING_S):
                while self._outbox.waiting_bytes() and not self._writing.done():
                    await asyncio.sleep(0.01)
        await super().shown_out()

    def on_close(self) -> None:
        """The page is gone, or was shut."""
        self._leave()

    def _leave(self) -> None:
        self.house.hub.leave(self._name)
        self.house.pages.discard(self)
        if hasattr(self, "_writing"):
            self._writing.cancel()

    def _too_much(self) -> None:
        self._over += 1
        if self._over == 1:
            self._refuse("too many messages: this one and those that follow too fast are left out")
        elif self._over > MOST_OVER:
            self.close(POLICY, "too many messages")

    def _refuse(self, why: str) -> None:
        self.put(Letter("refused", json.dumps({"is": "refused", "why": why})))

    async def _write(self) -> None:
        """Send letters one by one, as fast as the page takes them."""
        try:
            while True:
                text = self._outbox.take()
                if text is None:
                    self._waiting.clear()
                    await self._waiting.wait()
                else:
                    await asyncio.wait_for(self.write_message(text), PATIENCE_S)
        except (WebSocketClosedError, TimeoutError):
            self._leave()
            self.close(POLICY, "the page doesn't take what it is sent")


class StopDoor(_Socket):
    """The stop control's own socket: takes a stop, tells whether the loop is latched, and nothing more."""

    wanted = "stop"

    def open(self, *_: str, **__: str) -> None:
        """The stop frame comes."""
        self._unwatch: Callable[[], object] = int
        if len(self.house.stops) >= MOST_STOPS:
            self.close(TRY_LATER, "too many stop controls are open already")
            return
        self.set_nodelay(True)
        self.house.stops.add(self)
        self._told: dict[str, object] = {}
        self._unwatch = self.house.hub.watch(self._tell)

    def on_message(self, message: str | bytes) -> None:
        """A stop, or nothing that we know."""
        try:
            stop = understood(message, "stop")["do"] == "stop"
        except RefusedError as error:
            self._say({"is": "refused", "why": self.no_sense(error)})
            return
        if stop:
            self.house.hub.session.send({"do": "stop"})
        else:
            self._say({"is": "refused", "why": self.no_sense(RefusedError("this socket takes a stop, nothing else"))})

    def on_close(self) -> None:
        """The frame is gone."""
        self._unwatch()
        self.house.stops.discard(self)

    def _tell(self, state: Mapping[str, Any]) -> None:
        told = {"is": "loop", "latched": state["latched"], "cause": state["cause"]}
        if told != self._told:
            self._told = told
            self._say(told)

    def _say(self, message: Mapping[str, object]) -> None:
        try:
            self.write_message(json.dumps(message))
        except WebSocketClosedError:
            self.on_close()
