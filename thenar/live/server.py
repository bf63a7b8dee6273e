"""The server of the live page: on the loopback address only, a handful of packaged files, one socket per page.

What may be asked for:
    GET  /TOKEN/            the page;  GET /TOKEN/NAME  one of its packaged files
    GET  /TOKEN/live        the socket of a page
    GET  /STOP/, /STOP/NAME the frame of the stop control, which the page holds but which runs apart from it
    GET  /STOP/stop-live    its own socket;  POST /STOP/press, /TOKEN/press  the same stop by a request of its own
Everything else is refused, in the same words whether it exists or not.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import signal
import socket
from collections.abc import Callable
from importlib.resources import files
from pathlib import PurePath
from typing import Final, NamedTuple

from tornado.httpserver import HTTPServer
from tornado.netutil import bind_sockets
from tornado.web import Application

from thenar.live import doors
from thenar.live.doors import LOOPBACK
from thenar.live.heard import MOST_BYTES
from thenar.live.hub import Hub, Session
from thenar.live.requests import MOST_BODY, Asset, AssetDoor, House, NoDoor, StopPress
from thenar.live.sockets import LiveDoor, StopDoor
from thenar.page import SCRIPTS, STYLES

_PLAIN: Final = "text/plain; charset=utf-8"
_SCRIPT: Final = "text/javascript; charset=utf-8"
_STYLE: Final = "text/css; charset=utf-8"
_HTML: Final = "text/html; charset=utf-8"
_KINDS: Final = {".js": _SCRIPT, ".css": _STYLE, ".html": _HTML, ".uplot": _PLAIN}
_PAGE_FILES: Final = (
    *(("thenar.page", name) for name in (*SCRIPTS, *STYLES, "LICENSE.uplot")),
    *(("thenar.live", name) for name in ("bench.css", "bench_trace.js", "bench_controls.js", "bench_told.js",
        "bench_compare.js", "bench.js")),
)  # fmt: skip
_STOP_FILES: Final = (("thenar.live", "stop.css"), ("thenar.live", "stop.js"))
SEND_BUFFER: Final = 262_144
"""Room in the system for what a page hasn't read, bytes; beyond it the outbox fills, where old rows are left out."""
PING_S: Final = 10.0
"""How often a socket is asked whether somebody is there, s; a vanished page is noticed after two of these at most."""


class Address(NamedTuple):
    """Where the page is. `port`: of the loopback address; `url`: with the token."""

    port: int
    url: str


def serve(session: Session, port: int, ready: Callable[[Address], None]) -> None:
    """Serve the live page of `session` until it ends, or SIGTERM comes. Closes the session whatever happens.

    `port`: 0 for a free one. `ready` is called once with the address. Raises OSError where the port is taken, and
    KeyboardInterrupt after Ctrl-C.
    """
    if os.environ.get("THENAR_DEBUG") != "1":
        # The server's own log would write addresses, tokens and all, to the terminal.
        logging.getLogger("tornado").addHandler(logging.NullHandler())
        logging.getLogger("tornado").propagate = False
    try:
        asyncio.run(_until_terminated(session, port, ready))
    finally:
        session.close()


async def _until_terminated(session: Session, port: int, ready: Callable[[Address], None]) -> None:
    serving = asyncio.create_task(served(session, port, ready))
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, serving.cancel)
    # Ctrl-C cancels this task and goes on from here; SIGTERM cancels only the serving, and all is done.
    with contextlib.suppress(asyncio.CancelledError):
        await serving


async def served(session: Session, port: int, ready: Callable[[Address], None]) -> None:
    """Serve the live page of `session` in the running event loop until the session ends or this is cancelled.

    `port`: 0 for a free one. `ready` is called once with the address. Raises OSError where the port is taken.
    """
    sockets = bind_sockets(port, LOOPBACK, family=socket.AF_INET)
    for bound in sockets:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)
    found: int = sockets[0].getsockname()[1]
    hub = Hub(session)
    house = house_of(hub, found)
    server = HTTPServer(
        application(house),
        max_header_size=16_384,
        max_body_size=MOST_BODY,
        idle_connection_timeout=60,
        body_timeout=5,
    )
    server.add_sockets(sockets)
    ready(Address(found, f"http://{LOOPBACK}:{found}/{house.tokens.page}/"))
    try:
        await hub.pump()
    finally:
        server.stop()
        await asyncio.gather(*(guest.shown_out() for guest in (*house.pages, *house.stops)))
        await server.close_all_connections()


def application(house: House) -> Application:
    """The doors of the house, each with its token in front."""
    shared = {"house": house}
    first = r"/([A-Za-z0-9_-]{1,64})"
    return Application(
        [
            (rf"{first}/live", LiveDoor, shared),
            (rf"{first}/stop-live", StopDoor, shared),
            (rf"{first}/press", StopPress, shared),
            (rf"{first}/([A-Za-z._]{{0,32}})", AssetDoor, shared),
        ],
        default_handler_class=NoDoor,
        default_handler_args=shared,
        log_function=_say_nothing,
        websocket_ping_interval=PING_S,
        websocket_ping_timeout=PING_S,
        websocket_max_message_size=MOST_BYTES,
    )


def _say_nothing(_: object) -> None:
    """Requests are not logged: their addresses hold the token."""


def house_of(hub: Hub, port: int) -> House:
    """A house with fresh tokens. `port`: where it will be served."""
    tokens = doors.new_tokens()
    page = (files("thenar.live") / "bench.html").read_text("utf-8").replace("STOP-TOKEN", tokens.stop)
    page_files = _assets(_PAGE_FILES) | {"": Asset(_HTML, page.encode())}
    stop_files = _assets(_STOP_FILES) | {"": Asset(_HTML, (files("thenar.live") / "stop.html").read_bytes())}
    return House(hub, tokens, port, page_files, stop_files, set(), set())


def _assets(named: tuple[tuple[str, str], ...]) -> dict[str, Asset]:
    return {name: Asset(_KINDS[PurePath(name).suffix], (files(package) / name).read_bytes()) for package, name in named}
