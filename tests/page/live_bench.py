"""A live page's server around a loop that does nothing but write down what it is told, and clients of every manner."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from typing import Any, NamedTuple

from tornado.httpclient import HTTPRequest
from tornado.iostream import StreamClosedError
from tornado.websocket import WebSocketClientConnection, WebSocketClosedError, websocket_connect

from tests.waiting import LONG_S
from thenar.live.server import Address, served


class SilentLoop:
    """A session for the server's tests: `sent` is what reached it, `say` puts words into its mouth."""

    def __init__(self) -> None:
        self.sent: list[dict[str, Any]] = []
        self.closed = False
        self._said: list[dict[str, Any]] = []

    def send(self, message: dict[str, Any]) -> None:
        self.sent.append(dict(message))

    def say(self, *messages: dict[str, Any]) -> None:
        self._said.extend(messages)

    def poll(self) -> list[dict[str, Any]]:
        said, self._said = self._said, []
        return said

    def close(self) -> None:
        self.closed = True

    def did(self) -> list[str]:
        """What reached the loop, by its first word."""
        return [message["do"] for message in self.sent]


class Answer(NamedTuple):
    """What a plain request brought back. `status`: 0 when it was cut off. `headers`: names in lower case."""

    status: int
    headers: dict[str, str]
    body: str


class Bench(NamedTuple):
    """A server that runs: its loop, and where it is."""

    loop: SilentLoop
    port: int
    token: str
    stop_token: str

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.port}"

    @property
    def origin(self) -> str:
        return f"http://{self.host}"

    async def asked(self, line: str, *headers: str, body: str = "", host: str | None = None) -> Answer:
        """The answer to a request written by hand: "GET /path" and whole header lines."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        sized = [f"Content-Length: {len(body)}"] if body or line.startswith("POST") else []
        lines = [f"{line} HTTP/1.1", f"Host: {host or self.host}", "Connection: close", *sized, *headers]
        writer.write(("\r\n".join(lines) + "\r\n\r\n" + body).encode())
        raw = b""
        # A request that is too long is cut off while it is being written; what was answered may still be there.
        with contextlib.suppress(ConnectionError):
            await writer.drain()
            while piece := await asyncio.wait_for(reader.read(65_536), LONG_S):
                raw += piece
        writer.close()
        if not raw:
            return Answer(0, {}, "")
        head, _, answered = raw.decode().partition("\r\n\r\n")
        first, *rest = head.split("\r\n")
        named = dict(line.split(": ", 1) for line in rest)
        return Answer(int(first.split()[1]), {name.lower(): value for name, value in named.items()}, answered)

    async def page(self, **headers: str) -> WebSocketClientConnection:
        """A page's socket."""
        return await self.socket(f"{self.token}/live", **headers)

    async def socket(self, path: str, origin: str | None = "", host: str = "") -> WebSocketClientConnection:
        """A socket at `path`. `origin`: the page's own unless given, none at all for None."""
        headers = {} if origin is None else {"Origin": origin or self.origin}
        request = HTTPRequest(f"ws://{self.host}/{path}", headers=headers | ({"Host": host} if host else {}))
        return await websocket_connect(request)


@contextlib.asynccontextmanager
async def bench() -> AsyncIterator[Bench]:
    """A server around a silent loop, in this event loop, until the block ends."""
    loop = SilentLoop()
    found: asyncio.Future[Address] = asyncio.get_running_loop().create_future()
    serving = asyncio.create_task(served(loop, 0, found.set_result))
    try:
        address = await found
        token = address.url.rsplit("/", 2)[1]
        blank = Bench(loop, address.port, token, "")
        page = (await blank.asked(f"GET /{token}/")).body
        yield blank._replace(stop_token=page.split('id="stop" src="../')[1].split("/")[0])
    finally:
        serving.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await serving


async def heard(socket: WebSocketClientConnection, kind: str) -> dict[str, Any]:
    """The next message of one kind, whatever comes before it."""
    async with asyncio.timeout(LONG_S):
        while True:
            raw = await socket.read_message()
            assert raw is not None, f"shut: {socket.close_code} {socket.close_reason}"
            message: dict[str, Any] = json.loads(raw)
            if message["is"] == kind:
                return message


async def until_shut(socket: WebSocketClientConnection) -> tuple[int | None, str | None]:
    """The code and the words with which the server shut a socket."""
    async with asyncio.timeout(LONG_S):
        while await socket.read_message() is not None:
            pass
    return socket.close_code, socket.close_reason


async def poured(socket: WebSocketClientConnection, message: str, count: int) -> None:
    """Say the same `count` times, or until the server shuts the socket: it may do so at any of them."""
    with contextlib.suppress(WebSocketClosedError, StreamClosedError):
        for _ in range(count):
            await socket.write_message(message)


async def until(true: Any) -> None:
    """Wait until `true()` is."""
    async with asyncio.timeout(LONG_S):
        while not true():
            await asyncio.sleep(0.005)
