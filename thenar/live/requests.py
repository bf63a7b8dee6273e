"""Plain requests to the live page's server: each door looks at Host, token and origin before anything else."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, NamedTuple, Protocol

from tornado.web import RequestHandler

from thenar.live.doors import LOOPBACK, Tokens, headers, our_host, our_origin, same
from thenar.live.hub import Hub

MOST_BODY: Final = 4096


class Asset(NamedTuple):
    """A packaged file as it is served. `kind`: its media type."""

    kind: str
    content: bytes


class Guest(Protocol):
    """A socket that is open."""

    async def shown_out(self) -> None:
        """Send what still waits, say that it is over, and shut."""


class House(NamedTuple):
    """What all doors share. `page_files` and `stop_files`: all that is ever served, by name ("" is the page)."""

    hub: Hub
    tokens: Tokens
    port: int
    page_files: Mapping[str, Asset]
    stop_files: Mapping[str, Asset]
    pages: set[Guest]
    stops: set[Guest]

    def opens(self, token: str) -> str:
        """Which door a token opens: "page", "stop" or "" for none. Both are compared, whatever the first one gave."""
        page, stop = same(token, self.tokens.page), same(token, self.tokens.stop)
        return "page" if page else "stop" if stop else ""


class _Door(RequestHandler):
    """A door for plain requests. It lets nothing through before Host and token were right."""

    def initialize(self, house: House) -> None:
        self.house = house

    def prepare(self) -> None:
        """Refuse whoever doesn't name this server as it is named."""
        if not our_host(self.request.host, self.house.port):
            self.refuse(421, "this server answers to 127.0.0.1 and localhost only")

    def opened(self, token: str) -> str:
        """What `token` opens, with the headers that belong there."""
        found = self.house.opens(token)
        self._set_headers(framed=found == "stop")
        return found

    def _set_headers(self, framed: bool) -> None:
        # A Host that isn't ours is not repeated in a header.
        host = self.request.host if our_host(self.request.host, self.house.port) else f"{LOOPBACK}:{self.house.port}"
        for name, value in headers(host, framed).items():
            self.set_header(name, value)

    def refuse(self, status: int, words: str) -> None:
        """Answer with a status and one plain line, and nothing else."""
        self.clear()
        self._set_headers(framed=False)
        self.set_status(status)
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish(words + "\n")

    def write_error(self, status_code: int, **_: Any) -> None:
        """Whatever went wrong, say no more than that: no trace, no path."""
        self.refuse(status_code, "refused")

    def nothing_here(self) -> None:
        """The one answer for a wrong token, a wrong name and a file that isn't there."""
        self.refuse(404, "nothing here: use the whole address that `thenar bench` printed")


class NoDoor(_Door):
    """Every address without a door."""

    def prepare(self) -> None:
        """Refuse, whatever the method."""
        super().prepare()
        if not self._finished:
            self.nothing_here()


class AssetDoor(_Door):
    """The page, the stop frame, and their packaged files."""

    def get(self, token: str, name: str) -> None:
        """Serve one of the few files that the token opens."""
        opened = self.opened(token)
        found = {"page": self.house.page_files, "stop": self.house.stop_files}.get(opened, {}).get(name)
        if found is None:
            self.nothing_here()
            return
        self.set_header("Content-Type", found.kind)
        self.finish(found.content)


class StopPress(_Door):
    """The stop by a request of its own: works when no socket does."""

    def check_xsrf_cookie(self) -> None:
        """No cookie is ever set; token and origin stand in for it."""

    def post(self, token: str) -> None:
        """Press the stop. Either token will do: whoever may see the page may stop the loop."""
        opened = self.opened(token)
        if not opened:
            self.nothing_here()
        elif not our_origin(self.request.headers.get("Origin"), self.request.host, opaque_too=opened == "stop"):
            self.refuse(403, "the request comes from another site")
        else:
            self.house.hub.session.send({"do": "stop"})
            self.set_header("Content-Type", "text/plain; charset=utf-8")
            self.finish("stop handed to the loop\n")
