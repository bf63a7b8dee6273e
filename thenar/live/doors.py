"""Who may come in: the tokens, the hosts and origins that are ours, and the headers of every answer.

The page is for one machine. A token of 192 random bits stands in its address; a second one opens only the stop door, so
that the frame around the stop control can do nothing else. Host is checked against DNS names that were turned round to
this machine, Origin against pages of other sites that guess at the port.
"""

from __future__ import annotations

import hmac
import secrets
from typing import Final, NamedTuple

TOKEN_BYTES: Final = 24
LOOPBACK: Final = "127.0.0.1"
_NAMES: Final = (LOOPBACK, "localhost")
OPAQUE: Final = "null"
"""The origin that a browser states for a sandboxed frame, as the one around the stop control."""


class Tokens(NamedTuple):
    """`page` opens everything, `stop` opens the stop door alone."""

    page: str
    stop: str


def new_tokens() -> Tokens:
    """Two fresh tokens from the system's own randomness (no argument, no unit)."""
    return Tokens(secrets.token_urlsafe(TOKEN_BYTES), secrets.token_urlsafe(TOKEN_BYTES))


def same(found: str, wanted: str) -> bool:
    """Whether two tokens are equal, in a time that doesn't tell how much of them is."""
    return hmac.compare_digest(found.encode("utf-8", "replace"), wanted.encode())


def our_host(host: str, port: int) -> bool:
    """Whether a Host header names this server on `port`, and not some name that was pointed at it."""
    return host in {f"{name}:{port}" for name in _NAMES}


def our_origin(origin: str | None, host: str, opaque_too: bool = False) -> bool:
    """Whether an Origin header is that of the page served at `host`; `opaque_too`: also of a sandboxed frame."""
    return origin == f"http://{host}" or (opaque_too and origin == OPAQUE)


def headers(host: str, framed: bool) -> dict[str, str]:
    """The headers of every answer. `host`: the checked Host header. `framed`: the stop frame, which the page may frame.

    Nothing but our own scripts and styles runs, none of them inline, and no text can become markup: the browser itself
    refuses it (trusted types). Addresses are written out because a sandboxed frame has no "self".
    """
    here, socket, nobody = f"http://{host}", f"ws://{host}", "'none'"
    policy = [
        "default-src 'none'",
        f"script-src {here}",
        f"style-src {here}",
        f"connect-src {here} {socket}",
        f"frame-src {nobody if framed else here}",
        f"frame-ancestors {here if framed else nobody}",
        "img-src 'none'",
        "base-uri 'none'",
        "form-action 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types 'none'",
    ]
    found = {
        "Content-Security-Policy": "; ".join(policy),
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
        "Cache-Control": "no-store",
        "Permissions-Policy": "camera=(), microphone=(), geolocation=(), usb=(), serial=()",
        "Server": "thenar",
    }
    if not framed:
        found |= {
            "X-Frame-Options": "DENY",
            "Cross-Origin-Opener-Policy": "same-origin",
            "Cross-Origin-Resource-Policy": "same-origin",
        }
    return found
